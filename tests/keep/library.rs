//! The library of takes: what goes in comes out, what is deleted is gone, the same étude is
//! known again.

use crate::support::{Material, STUDY, line_from, study};
use passagework::keep::{KeepError, Library, NewTake, TakeFilter, TakeId};
use passagework::said::Said;
use passagework::sound::read_take;

#[test]
fn a_kept_take_comes_back_whole() {
    let material = Material::new();
    let dir = material.dir.path().join("library");
    let source = material.recording(1);
    let kept = material
        .keep(&mut Library::open(&dir).unwrap(), &source)
        .unwrap();
    assert!(!kept.again);

    let library = Library::open(&dir).unwrap();
    let takes = library.takes(TakeFilter::default()).unwrap();
    assert_eq!(takes.len(), 1);
    assert_eq!(takes[0].id, kept.id);
    assert_eq!(takes[0].title, "Corridor at noon");
    assert_eq!(takes[0].source_name, "take-1.wav");
    assert_eq!(takes[0].coding, "flac");
    assert_eq!(
        library.check_json(kept.id).unwrap(),
        serde_json::to_string(&material.check).unwrap()
    );
    let recording = library.recording(kept.id).unwrap();
    assert_eq!(recording.extension().unwrap(), "flac");
    assert_eq!(
        read_take(&recording).unwrap().samples,
        read_take(&source).unwrap().samples
    );
    assert_eq!(library.line(takes[0].line_id).unwrap(), study());
}

#[test]
fn a_recording_is_kept_once_for_one_question() {
    let material = Material::new();
    let mut library = Library::open(&material.dir.path().join("library")).unwrap();
    let source = material.recording(1);
    let first = material.keep(&mut library, &source).unwrap();
    let renamed = material.dir.path().join("renamed.wav");
    std::fs::rename(&source, &renamed).unwrap();
    let second = material.keep(&mut library, &renamed).unwrap();
    assert!(second.again);
    assert_eq!(first.id, second.id);
    // Another passage of the same recording is another question.
    let third = library
        .keep(&NewTake {
            line: &material.line,
            recording: &renamed,
            check: &material.check,
            said: Said {
                bars: Some("2-3".into()),
                ..Said::default()
            },
            played: None,
            player: None,
        })
        .unwrap();
    assert!(!third.again);
    assert_eq!(library.takes(TakeFilter::default()).unwrap().len(), 2);
}

#[test]
fn an_etude_is_known_by_its_notes() {
    let material = Material::new();
    let mut library = Library::open(&material.dir.path().join("library")).unwrap();
    let mut keep = |line: &passagework::line::Line, seed| {
        let recording = material.recording(seed);
        library
            .keep(&NewTake {
                line,
                recording: &recording,
                check: &material.check,
                said: Said::default(),
                played: None,
                player: None,
            })
            .unwrap();
    };
    keep(&study(), 1);
    // The same notes under another title, laid out in other lines of the file.
    let retitled = line_from(
        &STUDY
            .replace("Corridor at noon", "No. 3")
            .replace('|', "|\n"),
    );
    keep(&retitled, 2);
    // Bar 3 rewritten and a bar put in before it.
    let edited = line_from(&STUDY.replace("|GBdg fdBA|", "|G8|GBdg agfe|"));
    keep(&edited, 3);
    let other =
        line_from("X:1\nT:Corridor at noon\nM:3/4\nL:1/8\nK:D\nDEFGAB|cBAGFE|d4 z2|DFAdfa|]\n");
    keep(&other, 4);

    let etudes = library.etudes().unwrap();
    assert_eq!(etudes.iter().map(|e| e.takes).collect::<Vec<_>>(), [1, 3]);
    let versions = library.versions(etudes[1].id).unwrap();
    assert_eq!(versions.len(), 2);
    let matched = passagework::keep::identity::match_bars(&versions[0].bars, &versions[1].bars);
    assert_eq!(matched, [Some(0), Some(1), None, Some(4), Some(5)]);
    assert_eq!(library.etude_of(&retitled).unwrap(), Some(etudes[1].id));
    assert_eq!(
        library
            .etude_of(&line_from("X:1\nM:4/4\nL:1/4\nK:C\nCDEF|GABc|]\n"))
            .unwrap(),
        None
    );
}

#[test]
fn delete_leaves_nothing_behind() {
    let material = Material::new();
    let dir = material.dir.path().join("library");
    let mut library = Library::open(&dir).unwrap();
    let source = material.recording(1);
    let kept = library
        .keep(&NewTake {
            line: &line_from(&STUDY.replace("Corridor at noon", "Zwischenruf-7719")),
            recording: &source,
            check: &material.check,
            said: Said::default(),
            played: None,
            player: Some("Quellwasser-4402"),
        })
        .unwrap();
    let holds = |words: &str| {
        let mut found = false;
        for entry in walk(&dir) {
            let bytes = std::fs::read(&entry).unwrap();
            found |= bytes.windows(words.len()).any(|w| w == words.as_bytes());
        }
        found
    };
    assert!(holds("Zwischenruf-7719") && holds("Quellwasser-4402"));
    library.delete(kept.id).unwrap();
    assert!(!holds("Zwischenruf-7719") && !holds("Quellwasser-4402"));
    assert!(!holds("Corridor at noon"), "the check still names the line");
    assert_eq!(
        std::fs::read_dir(dir.join("recordings")).unwrap().count(),
        0
    );
    assert!(matches!(
        library.delete(kept.id),
        Err(KeepError::NoSuchTake(_))
    ));
    assert!(library.etudes().unwrap().is_empty());
}

fn walk(dir: &std::path::Path) -> Vec<std::path::PathBuf> {
    let mut files = Vec::new();
    for entry in std::fs::read_dir(dir).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            files.extend(walk(&path));
        } else {
            files.push(path);
        }
    }
    files
}

#[test]
fn an_archive_is_merged_without_doubles() {
    let material = Material::new();
    let path = |name: &str| material.dir.path().join(name);
    let mut home = Library::open(&path("home")).unwrap();
    for seed in 1..=3 {
        material.keep(&mut home, &material.recording(seed)).unwrap();
    }
    let etude = home.etudes().unwrap()[0].id;
    let goal = passagework::line::TempoMark {
        beat_quarters: 1.0,
        bpm: 132.0,
    };
    home.set_goal(etude, goal).unwrap();
    assert_eq!(home.export(&path("takes.zip")).unwrap(), 3);

    let mut away = Library::open(&path("away")).unwrap();
    material.keep(&mut away, &material.recording(9)).unwrap();
    let imported = away.import(&path("takes.zip")).unwrap();
    assert_eq!((imported.new, imported.known), (3, 0));
    let imported = away.import(&path("takes.zip")).unwrap();
    assert_eq!((imported.new, imported.known), (0, 3));
    assert_eq!(away.etudes().unwrap()[0].goal, Some(goal));

    let there = away.takes(TakeFilter::default()).unwrap();
    assert_eq!(there.len(), 4);
    for take in home.takes(TakeFilter::default()).unwrap() {
        let copy = there.iter().find(|t| t.uid == take.uid).unwrap();
        assert_eq!(copy.figures, take.figures);
        assert_eq!(copy.played_local, take.played_local);
        assert_eq!(
            away.check_json(copy.id).unwrap(),
            home.check_json(take.id).unwrap()
        );
        assert_eq!(
            std::fs::read(away.recording(copy.id).unwrap()).unwrap(),
            std::fs::read(home.recording(take.id).unwrap()).unwrap()
        );
    }
}

#[test]
fn a_damaged_archive_gives_what_is_whole() {
    let material = Material::new();
    let path = |name: &str| material.dir.path().join(name);
    let mut home = Library::open(&path("home")).unwrap();
    for seed in 1..=2 {
        material.keep(&mut home, &material.recording(seed)).unwrap();
    }
    // One recording is cut off on the disk; the archive then holds it so.
    let first = home.recording(TakeId(1)).unwrap();
    let bytes = std::fs::read(&first).unwrap();
    std::fs::write(&first, &bytes[..bytes.len() / 2]).unwrap();
    home.export(&path("takes.zip")).unwrap();
    let mut away = Library::open(&path("away")).unwrap();
    let imported = away.import(&path("takes.zip")).unwrap();
    assert_eq!((imported.new, imported.refused.len()), (1, 1));
    assert!(imported.refused[0].contains("damaged"), "{imported:?}");
    assert_eq!(
        std::fs::read_dir(path("away/recordings")).unwrap().count(),
        1
    );

    std::fs::write(path("no.zip"), "not an archive").unwrap();
    let error = away.import(&path("no.zip")).unwrap_err().to_string();
    assert!(error.contains("no archive of a library"), "{error}");
}

#[test]
fn times_are_local_and_a_bare_date_is_a_day() {
    let material = Material::new();
    let mut library = Library::open(&material.dir.path().join("library")).unwrap();
    let mut keep = |seed, played| {
        let recording = material.recording(seed);
        library.keep(&NewTake {
            line: &material.line,
            recording: &recording,
            check: &material.check,
            said: Said::default(),
            played: Some(played),
            player: None,
        })
    };
    keep(1, "2026-11-25 18:30").unwrap();
    keep(2, "2026-11-24").unwrap();
    for bad in ["yesterday", "2026-13-01", "25.11.2026", "", "2461000.5"] {
        assert!(matches!(keep(3, bad), Err(KeepError::Time(_))), "{bad}");
    }
    let takes = library.takes(TakeFilter::default()).unwrap();
    let played: Vec<&str> = takes.iter().map(|t| t.played_local.as_str()).collect();
    assert_eq!(played, ["2026-11-24T12:00:00", "2026-11-25T18:30:00"]);
}

#[test]
fn what_is_not_ours_or_newer_is_left_alone() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("library.sqlite");
    let db = rusqlite::Connection::open(&file).unwrap();
    db.execute_batch("CREATE TABLE birds (name TEXT)").unwrap();
    drop(db);
    let before = std::fs::read(&file).unwrap();
    assert!(matches!(
        Library::open(dir.path()),
        Err(KeepError::NotALibrary)
    ));
    assert_eq!(std::fs::read(&file).unwrap(), before);

    let newer = tempfile::tempdir().unwrap();
    drop(Library::open(newer.path()).unwrap());
    let db = rusqlite::Connection::open(newer.path().join("library.sqlite")).unwrap();
    db.pragma_update(None, "user_version", 99).unwrap();
    drop(db);
    let error = Library::open(newer.path()).err().unwrap();
    assert!(
        matches!(error, KeepError::Newer { found: 99, .. }),
        "{error}"
    );
}

#[test]
fn an_abandoned_recording_is_swept_and_a_fresh_part_is_not() {
    let material = Material::new();
    let dir = material.dir.path().join("library");
    drop(Library::open(&dir).unwrap());
    let recordings = dir.join("recordings");
    std::fs::write(recordings.join("feedface.flac"), "x").unwrap();
    std::fs::write(recordings.join("part-1"), "being written").unwrap();
    let old = recordings.join("part-2");
    std::fs::write(&old, "long dead").unwrap();
    let hours_ago = std::time::SystemTime::now() - std::time::Duration::from_secs(7200);
    std::fs::File::open(&old)
        .unwrap()
        .set_modified(hours_ago)
        .unwrap();
    drop(Library::open(&dir).unwrap());
    let left: Vec<_> = std::fs::read_dir(&recordings)
        .unwrap()
        .map(|e| e.unwrap().file_name())
        .collect();
    assert_eq!(left, ["part-1"]);
}
