//! A library of every older version of the tables keeps every figure.

use std::path::{Path, PathBuf};

use crate::support::{Playing, line_from, played, write_wav};
use passagework::keep::{Library, NewTake, TakeFilter, TakeId};
use passagework::pipeline::{TakeOptions, check_file};
use passagework::said::Said;
use serde_json::{Value, json};

fn fixtures() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("testdata/libraries")
}

/// Everything a library says of its takes.
fn told(library: &Library) -> Value {
    let takes = library.takes(TakeFilter::default()).unwrap();
    let takes: Vec<Value> = takes
        .iter()
        .map(|take| {
            json!({
                "uid": take.uid,
                "title": take.title,
                "played": take.played_local,
                "player": take.player,
                "instrument": take.instrument,
                "said": take.said,
                "source_name": take.source_name,
                "duration_s": take.duration_s,
                "figures": take.figures,
                "check": library.check_json(take.id).unwrap(),
            })
        })
        .collect();
    takes.into()
}

fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let target = to.join(entry.file_name());
        if entry.path().is_dir() {
            copy(&entry.path(), &target);
        } else {
            std::fs::copy(entry.path(), target).unwrap();
        }
    }
}

#[test]
fn a_library_of_every_older_version_keeps_every_figure() {
    let mut versions = 0;
    for entry in std::fs::read_dir(fixtures()).unwrap() {
        let fixture = entry.unwrap().path();
        if !fixture.is_dir() {
            continue;
        }
        versions += 1;
        let dir = tempfile::tempdir().unwrap();
        let place = dir.path().join("library");
        copy(&fixture, &place);
        let wanted = std::fs::read_to_string(fixture.join("told.json")).unwrap();
        let wanted: Value = serde_json::from_str(&wanted).unwrap();
        // Once to bring it up to date, once as any other day.
        for _ in 0..2 {
            let library = Library::open(&place).unwrap();
            let now = told(&library);
            assert_eq!(
                now.as_array().unwrap().len(),
                wanted.as_array().unwrap().len()
            );
            for (now, wanted) in now
                .as_array()
                .unwrap()
                .iter()
                .zip(wanted.as_array().unwrap())
            {
                for (name, value) in wanted.as_object().unwrap() {
                    assert_eq!(&now[name], value, "{name} in {}", fixture.display());
                }
            }
            for take in library.takes(TakeFilter::default()).unwrap() {
                library.check(take.id).expect("an old check is still read");
                let recording = library.recording(take.id).unwrap();
                let sound = passagework::sound::read_take(&recording).unwrap();
                assert!(sound.warnings.is_empty());
            }
            let review = library.history(1, None).unwrap().review();
            assert_eq!(review.takes, wanted.as_array().unwrap().len());
        }
    }
    assert_eq!(versions, passagework::keep::schema::SCHEMA_VERSION - 1);
}

/// Made the library of version 1 in `testdata`; not to be run again.
#[test]
#[ignore = "writes testdata/libraries/1, which must stay as it was written"]
fn make_version_1() {
    let dir = fixtures().join("1");
    assert!(!dir.exists(), "it is there already");
    let abc = "X:1\nT:Two bars\nM:4/4\nL:1/8\nQ:1/4=120\nK:G transpose=-2\nGABc defg|agfe dcBA|]\n";
    let line = line_from(abc);
    let mut library = Library::open(&dir).unwrap();
    for (n, wrong) in [Some(5), None].into_iter().enumerate() {
        let take = std::env::temp_dir().join(format!("take-{n}.wav"));
        let playing = Playing {
            off: Box::new(move |idx| i32::from(Some(idx) == wrong)),
            late_s: Box::new(|idx| if idx % 4 == 2 { 0.02 } else { 0.0 }),
            ..Playing::default()
        };
        write_wav(&take, &played(&line, &playing));
        let check = check_file(&line, &take, &TakeOptions::default()).unwrap();
        library
            .keep(&NewTake {
                line: &line,
                recording: &take,
                check: &check,
                said: Said {
                    click: (n == 1).then(|| "q=120".into()),
                    ..Said::default()
                },
                played: Some(["2026-11-24 18:30", "2026-11-25 18:30"][n]),
                player: Some("the player"),
            })
            .unwrap();
    }
    let told = serde_json::to_string_pretty(&told(&library)).unwrap();
    std::fs::write(dir.join("told.json"), told + "\n").unwrap();
    assert!(library.check(TakeId(2)).is_ok());
    drop(library);
    // What version 2 added is taken away again.
    let db = rusqlite::Connection::open(dir.join("library.sqlite")).unwrap();
    db.execute_batch(
        "DROP TABLE figures;
         ALTER TABLE etude DROP COLUMN goal_bpm;
         ALTER TABLE etude DROP COLUMN goal_beat_quarters;
         PRAGMA user_version = 1; VACUUM; PRAGMA wal_checkpoint(TRUNCATE);
         PRAGMA journal_mode = DELETE;",
    )
    .unwrap();
}
