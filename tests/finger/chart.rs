//! Charts held against the acoustics of the clarinet, and charts that must be refused.

use std::collections::BTreeSet;

use passagework::finger::chart::Confidence;
use passagework::finger::{Chart, Fingering};

fn clarinet() -> Chart {
    Chart::built_in("clarinet-bb").expect("there is a clarinet chart")
}

/// Key names of a fingering.
fn keys(chart: &Chart, fingering: &Fingering) -> BTreeSet<String> {
    chart.names_of(fingering.keys).into_iter().collect()
}

fn without(keys: &BTreeSet<String>, gone: &[&str]) -> BTreeSet<String> {
    let stays = |k: &&String| !gone.contains(&k.as_str());
    keys.iter().filter(stays).cloned().collect()
}

/// Written MIDI number of the lowest tone that a set of keys of the 17-key clarinet gives, from
/// where the air column is open; `None` for combinations not in use. Common practice of the
/// mechanism, written down apart from the chart.
fn lowest_tone(keys: &BTreeSet<String>) -> Option<i32> {
    let has = |key: &str| keys.contains(key);
    let rest = |gone: &[&str]| without(keys, gone);
    let only = |left: BTreeSet<String>, wanted: &[&str]| {
        left == wanted.iter().map(|k| k.to_string()).collect()
    };
    let first = |cases: &[(&[&str], i32)], left: &BTreeSet<String>| {
        cases
            .iter()
            .find(|(wanted, _)| only(left.clone(), wanted))
            .map(|c| c.1)
    };
    if has("LA") {
        let cases: &[(&[&str], i32)] = &[
            (&[], 69),
            (&["reg"], 70),
            (&["side3"], 70),
            (&["side3", "side4"], 71),
        ];
        return first(cases, &rest(&["LA"]));
    }
    if has("LGs") {
        return only(rest(&[]), &["LGs"]).then_some(68);
    }
    if !has("thumb") {
        return first(&[(&[], 67), (&["L1"], 66)], keys);
    }
    if !has("L1") {
        return first(&[(&[], 65), (&["side1", "side2"], 66)], &rest(&["thumb"]));
    }
    if !has("L2") {
        return first(&[(&[], 64), (&["R1"], 63)], &rest(&["thumb", "L1"]));
    }
    if !has("L3") {
        let cases: &[(&[&str], i32)] = &[(&[], 62), (&["side1"], 63), (&["LsliverEb"], 63)];
        return first(cases, &rest(&["thumb", "L1", "L2"]));
    }
    let hand = rest(&["thumb", "L1", "L2", "L3"]);
    let right_holes = ["R1", "R2", "R3", "RsliverB"];
    let little = without(&hand, &right_holes);
    let right: BTreeSet<String> = hand.difference(&little).cloned().collect();
    let base = first(
        &[
            (&[], 60),
            (&["R1"], 58),
            (&["R2"], 59),
            (&["R1", "RsliverB"], 59),
            (&["R1", "R2"], 57),
            (&["R1", "R2", "R3"], 55),
        ],
        &right,
    )?;
    if little.is_empty() {
        return Some(base);
    }
    if base == 60 {
        return only(little, &["LCs"]).then_some(61);
    }
    if base != 55 {
        return None;
    }
    // A lower key closes everything below as well.
    let any = |names: &[&str]| names.iter().any(|n| little.contains(*n));
    let tone = if any(&["RloEb"]) {
        51
    } else if any(&["LE", "RE"]) {
        52
    } else if any(&["LF", "RF"]) {
        53
    } else if any(&["LFs", "RFs"]) {
        54
    } else {
        56
    };
    Some(tone)
}

#[test]
fn chalumeau_and_throat_entries_follow_the_mechanism() {
    let chart = clarinet();
    let mut checked = 0;
    for f in &chart.fingerings {
        if matches!(f.register.as_str(), "chalumeau" | "throat") && f.needs == 0 {
            let down = keys(&chart, f);
            assert_eq!(lowest_tone(&down), Some(f.midi), "{} {}", f.note, f.name);
            // What may be held besides does not change the note either; on the throat notes the
            // right hand is below every open hole.
            for &group in f.held.iter().filter(|_| f.register == "chalumeau") {
                let more = down
                    .union(&chart.names_of(group).into_iter().collect())
                    .cloned()
                    .collect();
                assert_eq!(
                    lowest_tone(&more),
                    Some(f.midi),
                    "{} {} held",
                    f.note,
                    f.name
                );
            }
            checked += 1;
        }
    }
    assert!(checked >= 30, "{checked}");
}

/// J. Wolfe et al., UNSW Music Acoustics: the clarinet overblows at the twelfth (19 semitones);
/// the altissimo is the fifth (28) or seventh (33) mode with the first hole vented.
#[test]
fn upper_registers_follow_the_odd_harmonics() {
    let chart = clarinet();
    for f in &chart.fingerings {
        let down = keys(&chart, f);
        let tag = format!("{} {}", f.note, f.name);
        match f.register.as_str() {
            "clarion" if f.needs == 0 => {
                assert!(down.contains("reg"), "{tag}");
                assert_eq!(
                    lowest_tone(&without(&down, &["reg"])),
                    Some(f.midi - 19),
                    "{tag}"
                );
            }
            "altissimo" => {
                let mut base = without(&down, &["reg", "RAb"]);
                assert!(base.insert("L1".into()), "{tag}: L1 is vented");
                let below = lowest_tone(&base).map(|b| f.midi - b);
                assert!(matches!(below, Some(28) | Some(33)), "{tag}: {below:?}");
            }
            _ => {}
        }
    }
}

#[test]
fn the_clarinet_has_every_note_from_e3_to_c7() {
    let chart = clarinet();
    for midi in 52..=96 {
        assert!(!chart.of_midi(midi).is_empty(), "written {midi}");
    }
    let low = |f: &&Fingering| f.confidence == Confidence::Low;
    let doubtful: BTreeSet<&str> = chart
        .fingerings
        .iter()
        .filter(low)
        .map(|f| f.note.as_str())
        .collect();
    assert_eq!(doubtful, BTreeSet::from(["G6", "G#6", "A#6", "B6", "C7"]));
}

/// UNSW pages: A6 is E6 without the Ab/Eb key; B4 is E3 with the register key; from A#4 to B4
/// eight fingers, the thumb and the knuckle of the index finger move.
#[test]
fn relations_read_on_the_unsw_pages() {
    let chart = clarinet();
    let first = |midi: i32| {
        let range = chart.of_midi(midi);
        keys(&chart, &chart.fingerings[range.start])
    };
    assert_eq!(first(93), without(&first(88), &["RAb"]));
    assert_eq!(without(&first(71), &["reg"]), first(52));
    let held: BTreeSet<String> = ["RF".to_string()].into();
    let b4: BTreeSet<String> = first(71).union(&held).cloned().collect();
    let moved: BTreeSet<String> = b4.symmetric_difference(&first(70)).cloned().collect();
    let fingers = ["L1", "L2", "L3", "LE", "R1", "R2", "R3", "RF"];
    assert!(fingers.iter().all(|f| moved.contains(*f)), "{moved:?}");
    assert!(moved.contains("thumb") && moved.contains("LA"), "{moved:?}");
}

#[test]
fn every_built_in_chart_says_whose_word_it_is() {
    let charts = Chart::all_built_in();
    assert_eq!(charts.len(), 4);
    for chart in charts {
        assert!(!chart.instruments.is_empty());
        for f in &chart.fingerings {
            assert!(!f.source.is_empty(), "{} {}", chart.name, f.note);
            for code in &f.source {
                assert!(chart.sources.iter().any(|(c, _)| c == code), "{code}");
            }
        }
        for name in chart.instruments.iter().chain(&chart.also_for) {
            assert!(
                passagework::line::instruments::find(name).is_some(),
                "{name}"
            );
        }
    }
}

/// Written ranges: Debian's table of musescore-common 2.3.2 (see the instrument table), as far as
/// the charts claim to go.
#[test]
fn the_other_charts_have_no_holes_in_their_range() {
    for (instrument, low, high) in [("alto-sax", 58, 90), ("flute", 59, 96), ("oboe", 58, 84)] {
        let chart = Chart::built_in(instrument).expect("there is a chart");
        for midi in low..=high {
            assert!(
                !chart.of_midi(midi).is_empty(),
                "{instrument}: written {midi}"
            );
        }
    }
    // The bass clarinet's altissimo is fingered in other ways.
    let bass = Chart::built_in("bass-clarinet").expect("there is a chart");
    assert!(!bass.of_midi(84).is_empty() && bass.of_midi(85).is_empty());
    assert!(Chart::built_in("violin").is_none());
}

const SMALL: &str = r#"
schema = "passagework.chart/1"
name = "two keys"
[sources]
ME = "the test"
[[finger]]
name = "left index finger"
keys = ["A", "B"]
[[fingering]]
note = "C4"
register = "low"
rank = 1
name = "plain"
keys = ["A"]
conf = "high"
source = ["ME"]
"#;

#[test]
fn a_chart_of_ones_own_is_read() {
    let chart = Chart::parse("small.toml", SMALL).expect("a good chart");
    assert_eq!(chart.of_midi(60).len(), 1);
    assert_eq!(chart.names_of(chart.fingerings[0].keys), ["A"]);
}

#[test]
fn broken_charts_say_what_to_change() {
    let cases = [
        (
            "keys = [\"A\"]\nconf",
            "keys = [\"A\", \"B\"]\nconf",
            "several keys at once",
        ),
        (
            "keys = [\"A\"]\nconf",
            "keys = [\"C\"]\nconf",
            "no finger works a key called C",
        ),
        ("note = \"C4\"", "note = \"H4\"", "is no note"),
        ("rank = 1", "rank = 2", "ranks begin with 1"),
        (
            "source = [\"ME\"]",
            "source = [\"YOU\"]",
            "YOU is not explained",
        ),
        ("source = [\"ME\"]", "source = []", "whose word"),
        ("conf = \"high\"", "conf = \"sure\"", "unknown variant"),
        ("chart/1", "chart/9", "this program reads"),
        ("rank = 1", "rank = 1\nreserve_ms = -1", "from 0 to 10000"),
        ("register = \"low\"", "colour = \"low\"", "unknown field"),
    ];
    for (old, new, wanted) in cases {
        let broken = SMALL.replacen(old, new, 1);
        assert_ne!(broken, SMALL);
        let error = Chart::parse("small.toml", &broken)
            .expect_err(new)
            .to_string();
        assert!(error.contains(wanted), "{new}: {error}");
        assert!(error.contains("small.toml"), "{error}");
    }
}
