//! The page in a real browser (Chromium by its own driver), as a player uses it.
//!
//! Every test also fails when the browser's console has an error, when the page breaks its own
//! content security policy, or when the browser's record of requests names another server.

use std::path::Path;

use crate::support::{Served, Tab, browse, checked, made};
use fantoccini::key::Key;
use serde_json::{Value, json};

/// Every mark of the page, with its own box and that of the notes it stands for:
/// `{kind, first, last, mark: {left, …}, notes: [{left, …}]}`.
const MARKS: &str = "
    const box = (e) => { const b = e.getBoundingClientRect(); return { left: b.left, right: b.right, top: b.top, bottom: b.bottom }; };
    return [...document.querySelectorAll('.mark')].map((mark) => {
      const first = Number(mark.dataset.index ?? mark.dataset.first);
      const last = Number(mark.dataset.index ?? mark.dataset.last);
      const notes = [...document.querySelectorAll('[data-index]')]
        .filter((e) => !e.closest('.mark') && Number(e.dataset.index) >= first && Number(e.dataset.index) <= last);
      return { kind: mark.dataset.kind, first, last, title: mark.querySelector('title')?.textContent ?? mark.title, mark: box(mark), notes: notes.map(box) };
    });";

/// Puts line and take of a made case on the page and waits for the report.
async fn put_up(tab: &Tab, case: &str) -> Value {
    let (line, take) = made(case);
    let content = std::fs::read_to_string(&line).expect("the line");
    tab.drop_text("line.musicxml", &content).await;
    tab.wait("document.querySelectorAll('.note').length > 0")
        .await;
    tab.choose("#take-file", &take).await;
    tab.wait("stand.report").await;
    let check = checked(&line, &take);
    // The picture with its marks comes after the words.
    let n_marks = check["findings"].as_array().map_or(0, Vec::len);
    tab.wait(&format!(
        "document.querySelectorAll('.mark').length >= {n_marks}"
    ))
    .await;
    check
}

/// The findings of a check as the page words them.
fn wanted_texts(check: &Value) -> Vec<String> {
    let findings = check["findings"].as_array().expect("findings");
    let text = |f: &Value| f["text"].as_str().expect("a text").to_string();
    findings
        .iter()
        .map(|f| text(f).replace("+-", "\u{b1}").replacen(": ", " ", 1))
        .collect()
}

fn first_of(finding: &Value) -> i64 {
    let place = [&finding["index"], &finding["first_index"]];
    place.into_iter().find_map(Value::as_i64).expect("a place")
}

#[tokio::test(flavor = "multi_thread")]
async fn a_dropped_line_and_a_chosen_take_get_their_marks() {
    let served = Served::start(&[]);
    browse(&served, |tab| async move {
        let check = put_up(&tab, "faults").await;
        let findings = check["findings"].as_array().expect("findings");
        assert!(findings.len() >= 3, "the case has faults: {findings:?}");

        // The page says what the command line says, in the same order.
        let told = tab.texts(".finding").await;
        assert_eq!(told, wanted_texts(&check));

        // Each has one mark, and that stands at its note.
        let marks = tab.run(MARKS).await;
        let marks = marks.as_array().expect("marks");
        for finding in findings {
            let mine: Vec<&Value> = marks
                .iter()
                .filter(|m| m["kind"] == finding["kind"] && m["first"] == first_of(finding))
                .collect();
            assert_eq!(mine.len(), 1, "one mark for {finding}");
            stands_at_its_note(mine[0]);
            assert!(
                !mine[0]["title"].as_str().unwrap_or_default().is_empty(),
                "in words too"
            );
        }
        assert_eq!(marks.len(), findings.len(), "no mark without a finding");
    })
    .await;
}

/// Engraved, a mark touches its note or stands off it by no more than a staff's height; in
/// words, it follows its note in the same row or wraps to the next.
fn stands_at_its_note(mark: &Value) {
    let side = |of: &Value, name: &str| of[name].as_f64().expect("a coordinate");
    let note = &mark["notes"][0];
    let (mark, gap) = (&mark["mark"], 24.0);
    let (middle, reach) = (
        (side(mark, "left") + side(mark, "right")) / 2.0,
        side(note, "bottom") - side(note, "top"),
    );
    let touches = cfg!(feature = "engrave")
        && middle > side(note, "left") - gap / 2.0
        && middle < side(note, "right") + gap / 2.0
        && side(mark, "top") < side(note, "bottom") + reach
        && side(mark, "bottom") > side(note, "top") - reach;
    let beside = side(mark, "left") >= side(note, "right") - 1.0
        && side(mark, "left") - side(note, "right") < gap
        && side(mark, "top") < side(note, "bottom")
        && side(mark, "bottom") > side(note, "top");
    let below = side(mark, "top") >= side(note, "bottom") - 1.0
        && side(mark, "top") - side(note, "bottom") < gap;
    assert!(
        touches || beside || below,
        "the mark {mark} is not at its note {note}"
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn a_spot_of_the_take_and_the_line_itself_can_be_heard_slower() {
    let served = Served::start(&[]);
    browse(&served, |tab| async move {
        let check = put_up(&tab, "faults").await;
        let finding = &check["findings"][0];
        let onset_s = check["notes"][first_of(finding) as usize]["onset_s"].as_f64();
        tab.click(".finding").await;
        tab.wait("!player.paused").await;
        let at_s = tab.run("return player.currentTime").await.as_f64().expect("a time");
        // A little before, so that the note's beginning is heard in its place.
        if let Some(onset_s) = onset_s {
            assert!((onset_s - 1.0..onset_s + 0.5).contains(&at_s), "{at_s} s for {onset_s} s");
        }
        assert_eq!(tab.run("return player.getAttribute('src')").await, tab.run("return `api/sounds/${stand.report.take.sound}`").await);
        // Seeking needs ranges; a browser that gets none begins at 0 again.
        assert!(at_s > 0.0 || onset_s.is_some_and(|s| s < 1.0));
        tab.wait("player.paused").await;

        tab.click("#speed option[value='0.5']").await;
        tab.click("#play-line").await;
        tab.wait("!player.paused && loaded === 'line'").await;
        let heard = tab
            .run("return [player.playbackRate, player.preservesPitch, Math.abs(player.duration - stand.lineSound.onsets_s.at(-1)) < 5]")
            .await;
        assert_eq!(heard, json!([0.5, true, true]));
        tab.press(Key::Escape).await;
        tab.wait("player.paused").await;
    })
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_file_that_cannot_be_read_loses_nothing() {
    let served = Served::start(&[]);
    let (folder, kept) = (served.folder.clone(), served.folder.clone());
    browse(&served, |tab| async move {
        put_up(&tab, "faults").await;
        let before = (tab.texts(".finding").await, tab.text("#title").await);
        let cases: [(&str, &[u8], &str, &str); 4] = [
            ("letter.flac", b"dear teacher", "#take-file", "letter.flac"),
            ("empty.wav", b"", "#take-file", "empty.wav"),
            (
                "torn.musicxml",
                b"<score-partwise><part id=\"P1\"><measure><no",
                "#line-file",
                "torn.musicxml",
            ),
            ("notes.abc", b"no tune in here", "#line-file", "notes.abc"),
        ];
        for (name, content, input, wanted) in cases {
            let path = folder.path().join(name);
            std::fs::write(&path, content).expect("a file");
            tab.choose(input, &path).await;
            tab.wait("!document.getElementById('trouble').hidden").await;
            let said = tab.text("#trouble span").await;
            assert!(said.to_lowercase().contains(wanted), "{name}: {said}");
            assert!(
                said.ends_with('.') && said.len() > 20,
                "no sentence: {said}"
            );
            let after = (tab.texts(".finding").await, tab.text("#title").await);
            assert_eq!(after, before, "{name}");
            tab.click("#trouble-read").await;
        }
        // And it goes on.
        tab.click("#check").await;
        tab.wait("!stand.busy && document.getElementById('trouble').hidden")
            .await;
        assert_eq!(tab.texts(".finding").await, before.0);
    })
    .await;
    drop(kept);
}

#[tokio::test(flavor = "multi_thread")]
async fn the_keyboard_alone_goes_all_the_way() {
    let (line, take) = made("faults");
    let served = Served::start(&[line.to_str().expect("a plain path")]);
    browse(&served, |tab| async move {
        let focused = "const e = document.activeElement; return e.id || e.className";
        // Walks with the tabulator until `wanted` has the focus, and says what it passed.
        let walk = async |wanted: &str| {
            let mut passed = Vec::new();
            for _ in 0..80 {
                tab.press(Key::Tab).await;
                let at = tab
                    .run(focused)
                    .await
                    .as_str()
                    .unwrap_or_default()
                    .to_string();
                if at == wanted {
                    return passed;
                }
                passed.push(at);
            }
            panic!("{wanted} is not reached with the tabulator; passed {passed:?}");
        };
        let passed = walk("take-file").await;
        assert_eq!(passed.first().map(String::as_str), Some("skip"));
        assert!(passed.contains(&"line-file".into()) && passed.contains(&"instrument".into()));
        // The file dialogue is the browser's own; from here the file comes as if chosen in it.
        tab.choose("#take-file", &take).await;
        tab.wait("stand.report").await;

        walk("check").await;
        tab.press(Key::Enter).await;
        tab.wait("!stand.busy && stand.report").await;
        walk("play-take").await;
        tab.press(Key::Enter).await;
        tab.wait("!player.paused").await;
        tab.press(Key::Enter).await;
        tab.wait("player.paused").await;
        walk("finding").await;
        // The spot may be over before a busy machine looks again.
        tab.run("player.addEventListener('playing', () => { window.spotHeard = true; })")
            .await;
        tab.press(Key::Enter).await;
        tab.wait("window.spotHeard && document.querySelector('.mark.shown')")
            .await;
        walk("print").await;
    })
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn everything_one_can_reach_has_a_name() {
    let served = Served::start(&[]);
    browse(&served, |tab| async move {
        put_up(&tab, "faults").await;
        // Names as the browser computes them for a screen reader (Accessible Name and
        // Description Computation 1.2), asked by its own accessibility tree.
        let tree = tab.devtools("Accessibility.getFullAXTree", json!({})).await;
        let nodes = tree["nodes"].as_array().expect("nodes").clone();
        let said =
            |n: &Value, what: &str| n[what]["value"].as_str().unwrap_or_default().to_string();
        let of_role = |role: &str| -> Vec<String> {
            nodes
                .iter()
                .filter(|n| n["ignored"] != true && said(n, "role") == role)
                .map(|n| said(n, "name"))
                .collect()
        };
        for role in [
            "button",
            "combobox",
            "checkbox",
            "textbox",
            "spinbutton",
            "slider",
            "link",
            "image",
        ] {
            for name in of_role(role) {
                assert!(!name.trim().is_empty(), "a {role} has no name");
            }
        }
        assert!(of_role("button").len() > 10, "the tree was read");
        assert_eq!(of_role("main").len(), 1);
        assert!(of_role("form").contains(&"Line and take".into()));
        assert!(of_role("complementary").contains(&"In the margin".into()));
        assert!(of_role("heading").contains(&"passagework".into()));
        assert_eq!(of_role("status").len(), 1, "what goes on is told politely");
    })
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn it_fits_every_window_in_light_and_dark() {
    let served = Served::start(&[]);
    browse(&served, |tab| async move {
        for scheme in ["light", "dark"] {
            tab.scheme(scheme).await;
            for width in [390, 820, 1280] {
                tab.window(width, 900).await;
                tab.keep_picture(&format!("empty-{width}-{scheme}")).await;
            }
        }
        put_up(&tab, "faults").await;
        let mut grounds = Vec::new();
        for scheme in ["light", "dark"] {
            tab.scheme(scheme).await;
            for width in [390, 820, 1280] {
                tab.assert_fits(width).await;
                tab.keep_picture(&format!("checked-{width}-{scheme}")).await;
            }
            grounds.push(
                tab.run("return getComputedStyle(document.documentElement).backgroundColor")
                    .await,
            );
        }
        assert_ne!(grounds[0], grounds[1], "dark is as light");
    })
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn it_prints_on_a4_and_letter() {
    use fantoccini::wd::{PrintConfigurationBuilder, PrintSize};
    let served = Served::start(&[]);
    browse(&served, |tab| async move {
        put_up(&tab, "faults").await;
        // ISO 216 and ANSI/ASME Y14.1, centimetres.
        for (name, width, height) in [("a4", 21.0, 29.7), ("letter", 21.59, 27.94)] {
            let sheet = PrintConfigurationBuilder::default()
                .size(PrintSize { width, height })
                .build()
                .expect("a sheet");
            let pdf = tab.client.print(sheet).await.expect("it prints");
            assert!(pdf.starts_with(b"%PDF-"));
            let n_pages = count(&pdf, b"/Type /Page\n");
            assert!((1..=2).contains(&n_pages), "{n_pages} pages on {name}");
            let kept = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("page-{name}.pdf"));
            std::fs::write(kept, pdf).expect("a PDF kept");
        }
    })
    .await;
}

fn count(bytes: &[u8], wanted: &[u8]) -> usize {
    bytes.windows(wanted.len()).filter(|w| *w == wanted).count()
}

#[tokio::test(flavor = "multi_thread")]
async fn the_last_instrument_and_tempo_are_remembered() {
    let served = Served::start(&[]);
    let folder = served.folder.clone();
    browse(&served, |tab| async move {
        tab.click("#instrument option[value='alto-sax']").await;
        tab.click("#beat option[value='q.']").await;
        let set = "const e = document.getElementById('bpm'); e.value = '72'; e.dispatchEvent(new Event('change'));";
        tab.run(set).await;
        tab.wait("stand.remembered.click === 'q.=72'").await;
    })
    .await;
    drop(served);
    let again = Served::start_in(folder, &[]);
    browse(&again, |tab| async move {
        let shown =
            "return ['instrument', 'beat', 'bpm'].map((id) => document.getElementById(id).value)";
        assert_eq!(tab.run(shown).await, json!(["alto-sax", "q.", "72"]));
        // A file that names its instrument is believed, not the memory.
        put_up(&tab, "faults").await;
        assert_eq!(
            tab.run("return document.getElementById('instrument').value")
                .await,
            json!("")
        );
    })
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_take_is_followed_while_it_is_played() {
    let (line, take) = made("faults");
    let path = |p: &Path| p.to_str().expect("a plain path").to_string();
    let served = Served::start(&[&path(&line), "--take", &path(&take)]);
    browse(&served, |tab| async move {
        // Every event as it comes, beside what the page does with it.
        tab.run("window.came = []; const heard = hear; hear = (e) => { came.push(e); heard(e); };").await;
        tab.window(820, 900).await;
        tab.click("#listen").await;
        tab.wait("came.some((e) => e.event === 'position')").await;
        // Calm: nothing but the bar, the level and a way to stop.
        let calm = "return ['desk', 'sound'].map((id) => [...document.querySelectorAll(`#${id} button:not(#stop), #${id} input`)].filter((e) => e.checkVisibility({ visibilityProperty: true })).length)";
        assert_eq!(tab.run(calm).await, json!([0, 0]));
        assert!(tab.text("#beat-now").await.starts_with("bar "), "{}", tab.text("#beat-now").await);
        tab.keep_picture("listening-820-light").await;
        tab.wait("stand.report && !stand.busy").await;

        // The report is that of the whole take.
        let check = checked(&line, &take);
        assert_eq!(tab.texts(".finding").await, wanted_texts(&check));
        let kinds = tab.run("return [...new Set(came.map((e) => e.event))]").await;
        // Marks came into the picture when a phrase was over, before the report.
        if cfg!(feature = "engrave") {
            let pencilled = "return came.filter((e) => e.event === 'phrase' && e.findings.length).length - came.filter((e) => e.event === 'pencilled').length";
            assert_eq!(tab.run(pencilled).await, json!(0));
        }
        for kind in ["position", "heard", "level", "done", "report"] {
            assert!(kinds.as_array().expect("kinds").contains(&json!(kind)), "{kind} is not in {kinds}");
        }
        tab.click(".finding").await;
        tab.wait("!player.paused").await;
    })
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn kept_takes_are_the_lines_history() {
    let served = Served::start(&[]);
    browse(&served, |tab| async move {
        put_up(&tab, "faults").await;
        tab.wait("document.querySelectorAll('.kept-take').length === 1")
            .await;
        let kept = tab.text("#kept").await;
        assert!(kept.starts_with("Kept as take 1"), "{kept}");
        // The same recording again is the same take.
        tab.click("#check").await;
        tab.wait("!stand.busy && stand.report.kept.includes('already')")
            .await;
        let before = tab.texts(".finding").await;
        let (line, _) = made("faults");
        // Another line has a history of its own; the first has its take when it comes back.
        tab.drop_text("other.abc", "X:1\nT:Other\nL:1/4\nK:C\nCDEF|G4|\n").await;
        tab.wait("!stand.busy && stand.line.name === 'other.abc' ")
            .await;
        tab.drop_text("line.musicxml", &std::fs::read_to_string(line).expect("the line"))
            .await;
        tab.wait("!stand.busy && !document.getElementById('history').hidden")
            .await;
        tab.run("stand.take = null; stand.report = null").await;
        tab.click(".kept-take").await;
        tab.wait("stand.report && document.querySelector('.finding')")
            .await;
        assert_eq!(tab.texts(".finding").await, before);
        // Its pictures and its sound are there again.
        tab.wait("[...document.querySelectorAll('#plots img')].every((i) => i.complete && i.naturalWidth > 0)")
            .await;
        tab.click(".finding").await;
        tab.wait("!player.paused").await;
        for (width, scheme) in [(390, "light"), (1280, "dark")] {
            tab.scheme(scheme).await;
            tab.window(width, 900).await;
            tab.keep_picture(&format!("history-{width}-{scheme}")).await;
        }
    })
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn several_takes_are_a_class() {
    let served = Served::start(&[]);
    let folder = served.folder.clone();
    browse(&served, |tab| async move {
        let (line, take) = made("faults");
        std::fs::copy(&take, folder.path().join("anna.flac")).expect("a take");
        std::fs::copy(made("restart").1, folder.path().join("cem.flac")).expect("a take");
        std::fs::write(folder.path().join("broken.wav"), b"RIFF\x10\0\0\0WAVEjunk")
            .expect("a file");
        tab.drop_text(
            "line.musicxml",
            &std::fs::read_to_string(&line).expect("the line"),
        )
        .await;
        tab.wait("stand.line").await;
        let names = ["anna.flac", "cem.flac", "broken.wav"];
        let paths = names.map(|name| folder.path().join(name).display().to_string());
        tab.choose("#take-file", Path::new(&paths.join("\n"))).await;
        tab.wait("!document.getElementById('class').hidden").await;
        assert_eq!(
            tab.texts("#class-table tbody th").await,
            ["anna", "cem"],
            "a row a player, one bad file reported"
        );
        let said = tab.text("#class").await;
        assert!(
            said.to_lowercase().contains("broken.wav: ") && !said.contains("/tmp"),
            "{said}"
        );
        for (width, scheme) in [(390, "dark"), (1280, "light")] {
            tab.scheme(scheme).await;
            tab.assert_fits(width).await;
            tab.keep_picture(&format!("class-{width}-{scheme}")).await;
        }
        // A player's name puts the marked part on the stand.
        tab.click("#class-table tbody a").await;
        tab.wait("stand.report && !stand.busy").await;
        assert_eq!(
            tab.texts(".finding").await,
            wanted_texts(&checked(&line, &take))
        );
    })
    .await;
}

/// Rules of axe-core (npm, `scripts/setup test`), the reference checker of WCAG 2.2.
#[tokio::test(flavor = "multi_thread")]
async fn axe_has_no_serious_finding() {
    let place =
        Path::new(env!("CARGO_MANIFEST_DIR")).join("target/tools/node_modules/axe-core/axe.min.js");
    let Ok(axe) = std::fs::read_to_string(&place) else {
        // Only where neither npm nor its registry is to be had.
        eprintln!("axe-core is not here: `scripts/setup test` brings it where there is npm");
        return;
    };
    let served = Served::start(&[]);
    browse(&served, |tab| async move {
        let look = async |when: &str| {
            tab.run(&axe).await;
            tab.run("window.told = null; axe.run().then((r) => { told = r; }, (e) => { told = { violations: [{ impact: 'serious', id: String(e), nodes: [] }], passes: [] }; })").await;
            tab.wait("window.told").await;
            let found = tab.run("return told.violations.map((v) => [v.impact, v.id, v.nodes.map((n) => n.target.join(' ')).slice(0, 5)])").await;
            let passed = tab.run("return told.passes.length").await;
            assert!(passed.as_i64().is_some_and(|n| n > 10), "axe looked at nothing: {passed}");
            println!("axe-core {when}: {passed} rules passed, findings {found}");
            let serious = found.as_array().expect("a list").iter().filter(|v| v[0] == "serious" || v[0] == "critical").count();
            assert_eq!(serious, 0, "{when}: {found}");
        };
        for scheme in ["light", "dark"] {
            tab.scheme(scheme).await;
            look(&format!("empty, {scheme}")).await;
        }
        put_up(&tab, "faults").await;
        tab.wait("document.querySelector('.kept-take') && !document.getElementById('picture').hidden || !stand.canEngrave").await;
        for scheme in ["light", "dark"] {
            tab.scheme(scheme).await;
            for width in [390, 1280] {
                tab.window(width, 900).await;
                look(&format!("checked, {width}, {scheme}")).await;
            }
        }
    })
    .await;
}
