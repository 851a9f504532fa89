//! The marked part: every note of a line has its place, every finding its one mark at its note.
//! Places are those of the engraver's own picture.

use std::path::{Path, PathBuf};
use std::process::Command;

use crate::lengthened::lengthen;
use passagework::align::Outcome;
use passagework::judge::{Cause, Check, Finding, FindingKind, NoteCheck, Place};
use passagework::line::Line;
use passagework::line::read::{Kind, LineOptions, edition_of, edition_of_file, line_of, read_line};
use passagework::pipeline::{TakeOptions, check_file};
use passagework::show::marked::{self, Options, Part, pdf};
use roxmltree::{Document, Node};

/// Distance of two staff lines in the picture.
const SPACE: f64 = 180.0;

fn testdata(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("testdata")
        .join(path)
}

fn checked(take: &str) -> (Line, Check) {
    let folder = testdata("takes").join(take);
    let line = read_line(&folder.join("line.musicxml"), &LineOptions::default()).unwrap();
    let check = check_file(&line, &folder.join("take.flac"), &TakeOptions::default()).unwrap();
    (line, check)
}

/// A check of `line` in which every note was right; what else it holds comes from a real one.
fn all_right(line: &Line, real: &Check) -> Check {
    let mut check = real.clone();
    check.notes = line
        .notes
        .iter()
        .enumerate()
        .map(|(index, note)| NoteCheck {
            index,
            bar: note.bar.clone(),
            pass: note.pass,
            beat: note.beat,
            written: note.written.to_string(),
            outcome: Outcome::Right,
            sounding_midi: note.sounding_midi,
            heard_midi: Some(note.sounding_midi),
            onset_s: Some(0.5 * note.onset_quarters),
            deviation_ms: Some(3.0),
            deviation_se_ms: Some(1.0),
            attempts: Vec::new(),
            ..real.notes[0].clone()
        })
        .collect();
    check.runs.clear();
    check.findings.clear();
    check.tempo.curve.clear();
    check
}

/// A finding of every kind, some of them at several places.
fn every_kind(line: &Line) -> Vec<Finding> {
    let note = |index| Place::Note { index };
    let span = |first_index, last_index| Place::Span {
        first_index,
        last_index,
    };
    let last = line.notes.len() - 1;
    let all = [
        (FindingKind::Wrong, note(3), vec![3, 9]),
        (FindingKind::Missed, note(5), vec![5]),
        (FindingKind::Missed, span(11, 12), vec![11, 12]),
        (FindingKind::Added, note(6), vec![6]),
        (FindingKind::Unsure, note(7), vec![7, 8]),
        (FindingKind::Sharp, note(10), vec![10, 14]),
        (FindingKind::Flat, note(2), vec![2]),
        (FindingKind::Uneven, span(0, 8), vec![4]),
        (FindingKind::Pushing, span(4, 12), vec![4]),
        (FindingKind::Dragging, span(0, last), vec![0]),
        (FindingKind::Restart, span(8, 13), vec![8]),
        (FindingKind::Skip, span(9, 10), vec![9]),
        (FindingKind::Stopped, note(13), vec![13]),
        (FindingKind::SlurredTongued, note(1), vec![1]),
        (FindingKind::TonguedSlurred, note(4), vec![4]),
        (FindingKind::Transposed, span(0, last), vec![0]),
    ];
    all.into_iter()
        .map(|(kind, place, places)| Finding {
            kind,
            place,
            bar: line.notes[place.first()].bar.clone(),
            beat: line.notes[place.first()].beat,
            value: Some(1.0),
            unit: None,
            se: Some(0.5),
            cause: Cause::Slip,
            written: Some("C5".into()),
            heard: Some("C#5".into()),
            places,
            text: format!("{kind:?} <here> & \"there\""),
        })
        .collect()
}

fn numbers(text: &str) -> Vec<f64> {
    text.split(|c: char| !(c.is_ascii_digit() || matches!(c, '.' | '-')))
        .filter_map(|n| n.parse().ok())
        .collect()
}

/// Left, top, right, bottom of the strokes of a mark.
fn strokes(mark: Node) -> [f64; 4] {
    let mut all = [
        f64::INFINITY,
        f64::INFINITY,
        f64::NEG_INFINITY,
        f64::NEG_INFINITY,
    ];
    let mut add = |x: f64, y: f64| {
        all = [all[0].min(x), all[1].min(y), all[2].max(x), all[3].max(y)];
    };
    for n in mark.descendants() {
        if let Some(d) = n.attribute("d") {
            for point in numbers(d).chunks_exact(2) {
                add(point[0], point[1]);
            }
        }
        if n.has_tag_name("text") {
            let of = |name| n.attribute(name).unwrap().parse::<f64>().unwrap();
            add(of("x"), of("y"));
        }
    }
    all
}

fn class(node: Node, class: &str) -> bool {
    node.attribute("class")
        .is_some_and(|c| c.split_whitespace().any(|c| c == class))
}

/// Centre of the notehead that the engraver drew for a note, and its system's node.
fn head<'a>(document: &'a Document, index: usize) -> (f64, f64, Node<'a, 'a>) {
    let index = index.to_string();
    let note = document
        .descendants()
        .find(|n| n.attribute("data-index") == Some(&index) && !class(*n, "mark"))
        .unwrap_or_else(|| panic!("note {index} has no place"));
    let glyph = note
        .descendants()
        .find(|n| n.has_tag_name("use") && n.ancestors().any(|a| class(a, "notehead")))
        .unwrap();
    let at = numbers(glyph.attribute("transform").unwrap());
    let system = note
        .ancestors()
        .filter(|a| class(*a, "system"))
        .last()
        .unwrap();
    // A black notehead is 1.18 staff spaces wide (SMuFL 1.4, Bravura's table).
    (at[0] + 0.59 * SPACE, at[1], system)
}

/// Every finding has one mark, and it is at its note.
fn assert_marked(case: &str, line: &Line, check: &Check) {
    assert_part_marked(case, &Part::of_take(line, check));
}

fn assert_part_marked(case: &str, part: &Part) {
    let (line, check) = (part.line, part.check.unwrap());
    let whole = part.engrave(&Options::default()).unwrap().whole();
    let document = Document::parse(&whole.svg).unwrap();
    for index in 0..line.notes.len() {
        head(&document, index);
    }
    let marks: Vec<Node> = document
        .descendants()
        .filter(|n| class(*n, "mark"))
        .collect();
    assert_eq!(marks.len(), check.findings.len(), "{case}");
    for finding in &check.findings {
        let kind = serde_json::to_value(finding.kind).unwrap();
        let (first, last) = (finding.place.first(), finding.place.last());
        let at = |n: &Node| match finding.place {
            Place::Note { index } => n.attribute("data-index") == Some(&index.to_string()),
            Place::Span { .. } => {
                n.attribute("data-first") == Some(&first.to_string())
                    && n.attribute("data-last") == Some(&last.to_string())
            }
        };
        let its: Vec<&Node> = marks
            .iter()
            .filter(|n| n.attribute("data-kind") == kind.as_str() && at(n))
            .collect();
        assert_eq!(its.len(), 1, "{case}: {finding:?}");
        let mark = *its[0];
        let title = mark.children().find(|n| n.has_tag_name("title")).unwrap();
        assert_eq!(title.text(), Some(finding.text.as_str()), "{case}");
        assert_eq!(mark.attribute("aria-label"), Some(finding.text.as_str()));
        let (x, y, system) = head(&document, first);
        let on = mark
            .ancestors()
            .filter(|a| class(*a, "system"))
            .last()
            .unwrap();
        assert_eq!(on, system, "{case}: {finding:?} is on another system");
        let [left, top, right, bottom] = strokes(mark);
        match finding.kind {
            FindingKind::Wrong | FindingKind::Missed => {
                // The ring is about the notehead.
                assert!(
                    left < x && x < right && top < y && y < bottom,
                    "{case}: {finding:?}"
                );
                let middle = (left + right) / 2.0;
                let reach = if last > first { 40.0 } else { 1.0 };
                assert!((middle - x).abs() < reach * SPACE, "{case}: {finding:?}");
            }
            _ => {
                let far = (left - x).max(x - right).max(0.0);
                assert!(
                    far < 2.0 * SPACE,
                    "{case}: {finding:?} is {far} beside its note"
                );
            }
        }
    }
}

#[test]
fn findings_of_real_takes_are_marked_at_their_notes() {
    let mut n_findings = 0;
    for take in [
        "faults",
        "restart",
        "click-and-automatic-gain",
        "joined-real-notes",
    ] {
        let (line, check) = checked(take);
        assert_marked(take, &line, &check);
        n_findings += check.findings.len();
    }
    assert!(n_findings >= 4, "{n_findings}");
}

#[test]
fn every_kind_has_its_mark_and_marks_do_not_lie_on_each_other() {
    let (line, mut check) = checked("restart");
    check = all_right(&line, &check);
    check.findings = every_kind(&line);
    assert_marked("every kind", &line, &check);
    // Words of marks lie apart from each other. The picture is kept, to be looked at.
    let whole = marked::whole(&line, &check, &Options::default()).unwrap();
    let kept = Path::new(env!("CARGO_TARGET_TMPDIR")).join("every_kind.svg");
    std::fs::write(kept, &whole.svg).unwrap();
    let document = Document::parse(&whole.svg).unwrap();
    for system in document
        .descendants()
        .filter(|n| class(*n, "system") && n.parent().is_some_and(|p| !class(p, "system")))
    {
        let words: Vec<[f64; 4]> = system
            .descendants()
            .filter(|n| n.has_tag_name("text") && n.ancestors().any(|a| class(a, "mark")))
            .map(|n| {
                let of = |name: &str| n.attribute(name).unwrap().parse::<f64>().unwrap();
                let (x, y, size) = (of("x"), of("y"), of("font-size"));
                let width = 0.45 * size * n.text().unwrap().chars().count() as f64;
                let left = match n.attribute("text-anchor") {
                    Some("middle") => x - width / 2.0,
                    Some("end") => x - width,
                    _ => x,
                };
                [left, y - 0.7 * size, left + width, y]
            })
            .collect();
        for (i, a) in words.iter().enumerate() {
            for b in &words[i + 1..] {
                let apart = a[2] <= b[0] || b[2] <= a[0] || a[3] <= b[1] || b[3] <= a[1];
                assert!(apart, "{a:?} and {b:?}");
            }
        }
    }
}

#[test]
fn every_note_of_every_kind_of_file_has_its_place() {
    let (_, real) = checked("restart");
    let (mut n_files, mut n_as_they_stand) = (0, 0);
    for folder in [
        "musicxml",
        "editions",
        "abc",
        "abc/reference",
        "smf/reference",
    ] {
        for entry in std::fs::read_dir(testdata(folder)).unwrap() {
            let path = entry.unwrap().path();
            let Ok(line) = read_line(&path, &LineOptions::default()) else {
                continue;
            };
            let mut check = all_right(&line, &real);
            if line.notes.len() > 14 {
                check.findings = every_kind(&line);
            }
            let case = path.display().to_string();
            assert_marked(&case, &line, &check);
            if let Some(edition) = edition_of_file(&path, &LineOptions::default(), &line) {
                let part = Part {
                    edition: Some(&edition),
                    ..Part::of_take(&line, &check)
                };
                assert_part_marked(&format!("{case} as it stands"), &part);
                n_as_they_stand += 1;
            }
            n_files += 1;
        }
    }
    assert!(n_files >= 8, "{n_files}");
    assert!(n_as_they_stand >= 7, "{n_as_they_stand}");
}

/// Words of the elements of a class.
fn words_of(document: &Document, wanted: &str) -> Vec<String> {
    let all = |n: Node| {
        let texts = n.descendants().filter(|t| t.is_text());
        texts.filter_map(|t| t.text().map(str::to_string)).collect()
    };
    document
        .descendants()
        .filter(|n| class(*n, wanted))
        .map(all)
        .collect()
}

#[test]
fn a_musicxml_file_is_engraved_as_its_player_has_it() {
    let path = testdata("editions/edition.musicxml");
    let line = read_line(&path, &LineOptions::default()).unwrap();
    let edition = edition_of_file(&path, &LineOptions::default(), &line).unwrap();
    let part = Part {
        edition: Some(&edition),
        ..Part::new(&line)
    };
    let svg = part.engrave(&Options::default()).unwrap().whole().svg;
    let kept = Path::new(env!("CARGO_TARGET_TMPDIR")).join("edition.svg");
    std::fs::write(kept, &svg).unwrap();
    let document = Document::parse(&svg).unwrap();
    assert_eq!(words_of(&document, "reh"), ["A", "B"]);
    assert_eq!(words_of(&document, "fing"), ["2"]);
    assert_eq!(words_of(&document, "dir"), ["dolce"]);
    // Both tempo marks, each with its own number.
    assert_eq!(
        words_of(&document, "tempo"),
        [
            "Allegro moderato\u{a0}=\u{a0}92",
            "più mosso\u{a0}\u{a0}=\u{a0}80"
        ]
    );
    let glyphs_in = |of: Node| -> Vec<String> {
        let uses = of.descendants().filter(|n| n.has_tag_name("use"));
        let names = uses.filter_map(|n| n.attributes().find(|a| a.name() == "href"));
        names.map(|a| a.value().to_string()).collect()
    };
    // SMuFL 1.4: dynamicMF, dynamicSforzato1 and its kin are dynamics (E520 to E54F).
    let dynamics: Vec<String> = document
        .descendants()
        .filter(|n| class(*n, "dynam"))
        .flat_map(glyphs_in)
        .collect();
    assert_eq!(dynamics.len(), 2, "{dynamics:?}");
    assert_eq!(dynamics[0], "#E52D");
    // The file has no accidentals: flats before B and E, the double sharp before F (SMuFL 1.4:
    // accidentalFlat, accidentalDoubleSharp), in the line's spelling.
    for (index, note) in line.notes.iter().enumerate() {
        let sign = match note.written.name().as_str() {
            "Bb" | "Eb" => "#E260",
            "F##" => "#E263",
            _ => continue,
        };
        let of = document
            .descendants()
            .find(|n| n.attribute("data-index") == Some(&index.to_string()))
            .unwrap();
        assert!(glyphs_in(of).iter().any(|g| g == sign), "{index}");
    }
    // The system ends where the file says.
    let b = line.notes.iter().position(|n| n.bar == "5").unwrap();
    assert_ne!(head(&document, b - 1).2, head(&document, b).2);
    // Both times through the repeat are at one notehead.
    let twice: Vec<usize> = (0..line.notes.len())
        .filter(|&i| line.notes[i].bar == "2" && line.notes[i].grace)
        .collect();
    let [first, second] = twice[..] else {
        panic!("{twice:?}")
    };
    assert_eq!(head(&document, first), head(&document, second));
}

#[test]
fn what_cannot_be_engraved_as_it_stands_is_written_out() {
    let text = |path: &str| std::fs::read_to_string(testdata(path)).unwrap();
    let edition = text("editions/edition.musicxml");
    let (options, second) = (
        LineOptions::default(),
        LineOptions {
            part: Some("2".into()),
            ..LineOptions::default()
        },
    );
    let timewise = "<score-timewise version=\"4.0\"><part-list><score-part id=\"P1\"><part-name>Flute</part-name></score-part></part-list><measure number=\"1\"><part id=\"P1\"><attributes><divisions>1</divisions></attributes><note><pitch><step>G</step><octave>4</octave></pitch><duration>4</duration><type>whole</type></note></part></measure></score-timewise>";
    let cases: [(&str, String, &LineOptions); 6] = [
        ("timewise", timewise.into(), &options),
        (
            "in concert pitch",
            edition.replacen(
                "<part-list>",
                "<defaults><concert-score/></defaults><part-list>",
                1,
            ),
            &options,
        ),
        ("two staves", edition.clone(), &second),
        (
            "repeats in the first part only",
            edition
                .replace("<staves>2</staves>", "")
                .replace("<staff>2", "<staff>1"),
            &second,
        ),
        (
            "a duration that is none",
            edition.replacen("<duration>4<", "<duration>x<", 1),
            &options,
        ),
        ("cut", edition[..edition.len() - 200].into(), &options),
    ];
    for (case, content, options) in cases {
        let line = line_of(Kind::MusicXml, content.as_bytes(), options).unwrap();
        let edition = edition_of(Kind::MusicXml, content.as_bytes(), options, &line);
        assert!(edition.is_none(), "{case}");
    }
    let content = text("abc/study.abc");
    let line = line_of(Kind::Abc, content.as_bytes(), &options).unwrap();
    assert!(edition_of(Kind::Abc, content.as_bytes(), &options, &line).is_none());
}

/// The engraver ends its process at a fret outside of a tablature; the player sees the line all
/// the same, and nothing stays behind.
#[test]
fn a_file_that_stops_the_engraver_stops_nothing_else() {
    let folder = tempfile::tempdir().unwrap();
    let (file, svg, temporary) = (
        folder.path().join("frets.musicxml"),
        folder.path().join("part.svg"),
        folder.path().join("tmp"),
    );
    std::fs::create_dir(&temporary).unwrap();
    let edition = std::fs::read_to_string(testdata("editions/edition.musicxml")).unwrap();
    let frets = "<technical><string>1</string><fret>3</fret></technical>";
    let with_frets = edition.replace("<technical><fingering>2</fingering></technical>", frets);
    assert_ne!(edition, with_frets);
    std::fs::write(&file, with_frets).unwrap();
    let output = Command::new(env!("CARGO_BIN_EXE_passagework"))
        .arg("fingers")
        .arg(&file)
        .arg("--marked")
        .arg(&svg)
        .env("TMPDIR", &temporary)
        .output()
        .unwrap();
    assert!(
        output.status.success() && output.stderr.is_empty(),
        "{output:?}"
    );
    let svg = std::fs::read_to_string(&svg).unwrap();
    let document = Document::parse(&svg).unwrap();
    let line = read_line(&file, &LineOptions::default()).unwrap();
    for index in 0..line.notes.len() {
        head(&document, index);
    }
    assert_eq!(words_of(&document, "reh"), [""; 0]);
    assert_eq!(std::fs::read_dir(&temporary).unwrap().count(), 0);
}

/// A line long enough for several pages.
fn long_line() -> Line {
    let folder = testdata("takes").join("faults");
    let mut line = read_line(&folder.join("line.musicxml"), &LineOptions::default()).unwrap();
    lengthen(&mut line, 24);
    line
}

/// Reference: poppler's `pdfinfo` and `pdftotext`.
#[test]
fn a_long_part_is_a_pdf_of_several_a4_pages_with_its_fonts_within() {
    let (_, real) = checked("faults");
    let line = long_line();
    let check = all_right(&line, &real);
    let pages = marked::parts(&line, &check, &Options::default()).unwrap();
    assert!(pages.len() > 1);
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join("long.pdf");
    std::fs::write(&path, pdf::pdf(&pages).unwrap()).unwrap();
    let told = |program: &str, arguments: &[&str]| {
        let output = Command::new(program)
            .args(arguments)
            .arg(&path)
            .output()
            .unwrap();
        assert!(
            output.status.success() && output.stderr.is_empty(),
            "{output:?}"
        );
        String::from_utf8(output.stdout).unwrap()
    };
    let info = told("pdfinfo", &[]);
    assert!(
        info.contains(&format!("Pages:           {}\n", pages.len())),
        "{info}"
    );
    assert!(info.contains("(A4)"), "{info}");
    let fonts = told("pdffonts", &[]);
    assert!(fonts.contains("LiberationSans"), "{fonts}");
    assert!(
        !fonts.lines().skip(2).any(|l| l.contains(" no  ")),
        "{fonts}"
    );
}

/// A real browser opens the file without asking for anything and without complaint, and prints it.
#[test]
fn the_html_file_needs_nothing_else_and_prints() {
    let (line, check) = checked("faults");
    let html = marked::html(&line, &check, &Options::default()).unwrap();
    for finding in &check.findings {
        let text = passagework::show::text_for_xml(&finding.text);
        assert!(html.contains(&text), "{text}");
    }
    assert!(!html.contains("src=") && !html.contains("@import") && !html.contains("url("));
    let folder = tempfile::tempdir().unwrap();
    let (page, printed) = (
        folder.path().join("part.html"),
        folder.path().join("part.pdf"),
    );
    std::fs::write(&page, &html).unwrap();
    let output = Command::new("chromium")
        .args([
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--no-first-run",
        ])
        .args([
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
        ])
        .args(["--enable-logging=stderr", "--no-pdf-header-footer"])
        .arg(format!(
            "--user-data-dir={}",
            folder.path().join("profile").display()
        ))
        .arg(format!("--print-to-pdf={}", printed.display()))
        .arg(format!("file://{}", page.display()))
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(!said.contains("CONSOLE"), "{said}");
    let info = Command::new("pdfinfo").arg(&printed).output().unwrap();
    let info = String::from_utf8_lossy(&info.stdout).into_owned();
    let pages = info.lines().find_map(|l| l.strip_prefix("Pages:")).unwrap();
    let pages: usize = pages.trim().parse().unwrap();
    assert!((1..=6).contains(&pages), "{info}");
}

#[test]
fn nothing_of_the_engraver_is_left_behind() {
    let (line, check) = checked("restart");
    let folder = tempfile::tempdir().unwrap();
    let program = env!("CARGO_BIN_EXE_passagework");
    let take = testdata("takes/restart");
    let svg = folder.path().join("part.svg");
    let temporary = folder.path().join("tmp");
    std::fs::create_dir(&temporary).unwrap();
    let status = Command::new(program)
        .arg("check")
        .args([take.join("line.musicxml"), take.join("take.flac")])
        .arg("--marked")
        .arg(&svg)
        .env("TMPDIR", &temporary)
        .status()
        .unwrap();
    assert_eq!(status.code(), Some(i32::from(!check.findings.is_empty())));
    assert!(std::fs::read_to_string(&svg).unwrap().ends_with("</svg>\n"));
    assert_eq!(std::fs::read_dir(&temporary).unwrap().count(), 0);
    assert!(!line.notes.is_empty());
}

#[test]
fn another_kind_of_picture_is_refused_before_the_take_is_heard() {
    let folder = tempfile::tempdir().unwrap();
    let take = testdata("takes/restart");
    let picture = folder.path().join("part.png");
    let output = Command::new(env!("CARGO_BIN_EXE_passagework"))
        .arg("check")
        .args([take.join("line.musicxml"), take.join("take.flac")])
        .arg("--marked")
        .arg(&picture)
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(2));
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(
        said.contains(".svg") && said.contains(".pdf") && said.contains(".html"),
        "{said}"
    );
    assert!(!picture.exists());
}
