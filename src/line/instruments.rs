//! The instruments a line can be for: transposition, sounding range and the names they go by.
//!
//! Transpositions and ranges are those of the instrument table in Debian's package
//! musescore-common 2.3.2; the transpositions of piccolo, flute, English horn, clarinets,
//! saxophones, horn, trumpet and double bass agree with music21's `instrument.py`.
//! D clarinet, B flat euphonium in treble clef and the voices are common practice, from memory.

/// One row of the table.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Instrument {
    /// The name that `--instrument` takes.
    pub name: &'static str,
    /// The name in words.
    pub label: &'static str,
    /// Written to sounding, semitones: −2 for a clarinet in B flat.
    pub transpose_semitones: i32,
    /// Lowest and highest sounding MIDI number an amateur is expected to play.
    pub amateur: (i32, i32),
    /// The same for a professional; always holds the amateur's range.
    pub professional: (i32, i32),
    /// Sound id of the MusicXML 4.0 sound list.
    pub sound_id: &'static str,
    /// Names it has in scores, folded as by [`fold`]; all words of one must be present.
    score_names: &'static [&'static str],
}

/// The instrument with exactly this name; case and `_` or blank for `-` do not matter.
pub fn find(name: &str) -> Option<&'static Instrument> {
    let wanted = name.trim().to_lowercase().replace(['_', ' '], "-");
    TABLE.iter().find(|i| i.name == wanted)
}

/// The names nearest to a wrong one, nearest first; never empty, at most [`N_NEAREST`].
pub fn nearest(name: &str) -> Vec<&'static str> {
    let wanted: String = fold(name)
        .chars()
        .take(40)
        .collect::<String>()
        .replace(' ', "-");
    let holds =
        |i: &Instrument| wanted.len() >= 3 && (i.name.contains(&wanted) || wanted.contains(i.name));
    let mut ranked: Vec<(usize, usize, &str)> = TABLE
        .iter()
        .enumerate()
        .map(|(row, i)| {
            let distance = if holds(i) {
                0
            } else {
                edit_distance(&wanted, i.name)
            };
            (distance, row, i.name)
        })
        .collect();
    ranked.sort();
    ranked
        .iter()
        .take(N_NEAREST)
        .map(|(_, _, name)| *name)
        .collect()
}

/// How many names a wrong one is answered with: few enough to read at a glance.
const N_NEAREST: usize = 4;

/// The instrument a score means by its hints: part names, instrument names and MusicXML sound ids,
/// best first.
///
/// A bare "Clarinet" is settled by `transpose_semitones`, the file's own transposition;
/// where that leaves several, the next hint is asked. A transposition alone never names one.
pub fn from_hints<'a>(
    hints: impl IntoIterator<Item = &'a str>,
    transpose_semitones: Option<i32>,
) -> Option<&'static Instrument> {
    hints.into_iter().find_map(|hint| {
        let exact = by_sound_id(hint);
        // Scores often call every clarinet `wind.reed.clarinet`: the transposition says more.
        let family = match exact {
            Some(known) => TABLE
                .iter()
                .filter(|i| i.sound_id.starts_with(known.sound_id))
                .collect(),
            None => by_score_name(hint),
        };
        settle(&family, transpose_semitones).or(exact)
    })
}

/// The instrument that players mean by the first hint that names any: the usual one of a family.
pub fn usual_of_hints<'a>(hints: impl IntoIterator<Item = &'a str>) -> Option<&'static Instrument> {
    hints
        .into_iter()
        .find_map(|hint| by_score_name(hint).first().copied().or(by_sound_id(hint)))
}

fn by_sound_id(id: &str) -> Option<&'static Instrument> {
    TABLE.iter().find(|i| i.sound_id == id.trim())
}

/// Those whose name in scores fits best, several where the name leaves it open.
fn by_score_name(part_name: &str) -> Vec<&'static Instrument> {
    let folded = fold(part_name);
    let words: Vec<&str> = folded.split(' ').collect();
    let fit = |i: &Instrument| {
        i.score_names
            .iter()
            .filter(|n| n.split(' ').all(|word| words.contains(&word)))
            .map(|n| n.len())
            .max()
    };
    match TABLE.iter().filter_map(fit).max() {
        Some(best) => TABLE.iter().filter(|i| fit(i) == Some(best)).collect(),
        None => Vec::new(),
    }
}

fn settle(
    candidates: &[&'static Instrument],
    transpose_semitones: Option<i32>,
) -> Option<&'static Instrument> {
    if let [only] = candidates {
        return Some(only);
    }
    let transpose = transpose_semitones?;
    let mut fitting = candidates
        .iter()
        .filter(|i| i.transpose_semitones == transpose);
    match (fitting.next(), fitting.next()) {
        (Some(only), None) => Some(only),
        _ => None,
    }
}

/// Lower case, accents off, punctuation to blanks, `♭` to `b`: what names are compared as.
fn fold(name: &str) -> String {
    let mut folded = String::new();
    for c in name.chars().take(200).flat_map(char::to_lowercase) {
        match c {
            'à' | 'á' | 'â' | 'ä' | 'å' => folded.push('a'),
            'è' | 'é' | 'ê' | 'ë' => folded.push('e'),
            'ì' | 'í' | 'î' | 'ï' => folded.push('i'),
            'ò' | 'ó' | 'ô' | 'ö' | 'ø' => folded.push('o'),
            'ù' | 'ú' | 'û' | 'ü' => folded.push('u'),
            'ç' => folded.push('c'),
            'ß' => folded.push_str("ss"),
            '♭' => folded.push('b'),
            '♯' => folded.push('#'),
            c if c.is_alphanumeric() || c == '#' => folded.push(c),
            _ => folded.push(' '),
        }
    }
    folded.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Levenshtein distance: insertions, deletions and replacements, each of cost 1.
fn edit_distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, from) in a.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, to) in b.iter().enumerate() {
            let replaced = diagonal + usize::from(from != *to);
            diagonal = row[j + 1];
            row[j + 1] = replaced.min(row[j] + 1).min(diagonal + 1);
        }
    }
    row[b.len()]
}

/// MIDI number of a pitch name such as `Bb3`; only for the table below.
const fn midi(name: &str) -> i32 {
    let bytes = name.as_bytes();
    let natural = match bytes[0] {
        b'C' => 0,
        b'D' => 2,
        b'E' => 4,
        b'F' => 5,
        b'G' => 7,
        b'A' => 9,
        _ => 11,
    };
    let alter = match bytes[1] {
        b'b' => -1,
        b'#' => 1,
        _ => 0,
    };
    let octave = (bytes[bytes.len() - 1] - b'0') as i32;
    12 * (octave + 1) + natural + alter
}

/// A row: name, label, transposition, amateur range, professional range, sound id, names in scores.
const fn row(
    name: &'static str,
    label: &'static str,
    transpose_semitones: i32,
    amateur: [&str; 2],
    professional: [&str; 2],
    sound_id: &'static str,
    score_names: &'static [&'static str],
) -> Instrument {
    Instrument {
        name,
        label,
        transpose_semitones,
        amateur: (midi(amateur[0]), midi(amateur[1])),
        professional: (midi(professional[0]), midi(professional[1])),
        sound_id,
        score_names,
    }
}

/// All instruments, families together, the usual member of a family first.
#[rustfmt::skip]
pub static TABLE: &[Instrument] = &[
    row("clarinet-bb", "clarinet in B flat", -2, ["D3", "F6"], ["D3", "Bb6"], "wind.reed.clarinet.bflat",
        &["clarinet", "clarinet bb", "clarinet b flat", "clarinet b", "klarinette", "klarinette b", "clarinette", "clarinette sib", "clarinette si bemol", "clarinette si b", "clarinetto", "clarinetto sib", "clarinetto si bemolle", "clarinetto si b", "clarinete", "clarinete sib", "clarinete si bemol", "klarinet", "klarinet bes", "klarinett", "klarinett b", "clarinets", "bb clarinets"]),
    row("clarinet-a", "clarinet in A", -3, ["C#3", "E6"], ["C#3", "A6"], "wind.reed.clarinet.a",
        &["clarinet", "clarinet a", "klarinette", "klarinette a", "clarinette", "clarinette la", "clarinetto", "clarinetto la", "clarinete", "clarinete la", "klarinet", "klarinet a", "klarinett", "klarinett a"]),
    row("clarinet-c", "clarinet in C", 0, ["E3", "F6"], ["E3", "Bb6"], "wind.reed.clarinet",
        &["clarinet", "clarinet c", "klarinette", "klarinette c", "clarinette", "clarinette ut", "clarinette do", "clarinetto", "clarinetto do", "clarinete", "clarinete do", "klarinet", "klarinett"]),
    row("clarinet-eb", "clarinet in E flat", 3, ["G3", "Bb6"], ["G3", "Eb7"], "wind.reed.clarinet.eflat",
        &["clarinet", "clarinet eb", "clarinet e flat", "klarinette", "klarinette es", "clarinette", "clarinette mib", "clarinette mi bemol", "clarinette mi b", "petite clarinette", "clarinetto", "clarinetto mib", "clarinetto mi bemolle", "clarinetto piccolo", "clarinete", "clarinete mib", "clarinete mi bemol", "requinto", "klarinet", "klarinet es", "klarinett", "klarinett ess"]),
    row("clarinet-d", "clarinet in D", 2, ["F#3", "A6"], ["F#3", "D7"], "wind.reed.clarinet.d",
        &["clarinet", "clarinet d", "klarinette", "klarinette d", "clarinette", "clarinette re", "clarinetto", "clarinetto re"]),
    row("alto-clarinet", "alto clarinet", -9, ["G2", "Ab5"], ["G2", "C6"], "wind.reed.clarinet.alto",
        &["alto clarinet", "altklarinette", "clarinette alto", "clarinetto contralto", "clarinete alto"]),
    row("basset-horn", "basset horn", -7, ["F2", "C6"], ["F2", "D6"], "wind.reed.basset-horn",
        &["basset horn", "bassethorn", "bassetthorn", "cor basset", "corno bassetto"]),
    row("bass-clarinet", "bass clarinet", -14, ["C#2", "Eb5"], ["Bb1", "G5"], "wind.reed.clarinet.bass",
        &["bass clarinet", "bassklarinette", "clarinette basse", "clarinetto basso", "clarone", "clarinete bajo", "basklarinet", "basklarinett"]),
    row("flute", "flute", 0, ["C4", "A6"], ["B3", "D7"], "wind.flutes.flute",
        &["flute", "flutes", "flote", "floete", "querflote", "grosse flote", "flauto", "flauta", "fluit"]),
    row("piccolo", "piccolo", 12, ["D5", "A7"], ["D5", "C8"], "wind.flutes.flute.piccolo",
        &["piccolo", "piccolo flute", "piccoloflote", "piccolo flote", "kleine flote", "petite flute", "ottavino", "flauto piccolo", "flautin"]),
    row("alto-flute", "alto flute", -5, ["G3", "E6"], ["G3", "G6"], "wind.flutes.flute.alto",
        &["alto flute", "altflote", "flute alto", "flauto contralto", "flauta alto", "flute sol"]),
    row("oboe", "oboe", 0, ["Bb3", "Eb6"], ["Bb3", "C7"], "wind.reed.oboe",
        &["oboe", "oboes", "hautbois", "hoboe", "hobo"]),
    row("english-horn", "English horn", -7, ["E3", "A5"], ["E3", "B5"], "wind.reed.english-horn",
        &["english horn", "englischhorn", "englisch horn", "cor anglais", "corno inglese", "corno ingles", "althobo"]),
    row("bassoon", "bassoon", 0, ["Bb1", "A4"], ["Bb1", "E5"], "wind.reed.bassoon",
        &["bassoon", "bassoons", "fagott", "basson", "fagotto", "fagot"]),
    row("contrabassoon", "contrabassoon", -12, ["Bb0", "A3"], ["Bb0", "C4"], "wind.reed.contrabassoon",
        &["contrabassoon", "double bassoon", "kontrafagott", "contrebasson", "controfagotto", "contrafagot"]),
    row("soprano-sax", "soprano saxophone", -2, ["Ab3", "F6"], ["Ab3", "Bb6"], "wind.reed.saxophone.soprano",
        &["soprano saxophone", "soprano sax", "sopransaxophon", "saxophone soprano", "sassofono soprano", "saxofon soprano", "sax soprano"]),
    row("alto-sax", "alto saxophone", -9, ["C#3", "Bb5"], ["C#3", "Eb6"], "wind.reed.saxophone.alto",
        &["alto saxophone", "alto sax", "altsaxophon", "saxophone alto", "sassofono contralto", "saxofon alto", "sax alto", "sax contralto"]),
    row("tenor-sax", "tenor saxophone", -14, ["Ab2", "F5"], ["Ab2", "Bb5"], "wind.reed.saxophone.tenor",
        &["tenor saxophone", "tenor sax", "tenorsaxophon", "saxophone tenor", "sassofono tenore", "saxofon tenor", "sax tenore"]),
    row("baritone-sax", "baritone saxophone", -21, ["C#2", "Bb4"], ["C2", "Eb5"], "wind.reed.saxophone.baritone",
        &["baritone saxophone", "baritone sax", "baritonsaxophon", "saxophone baryton", "sassofono baritono", "saxofon baritono", "sax baritono", "bari sax"]),
    row("horn-f", "horn in F", -7, ["F2", "A4"], ["G1", "F5"], "brass.french-horn",
        &["horn", "horns", "french horn", "horn f", "cor", "cor fa", "corno", "corno fa", "trompa", "trompa fa", "hoorn", "waldhorn"]),
    row("trumpet-bb", "trumpet in B flat", -2, ["E3", "Ab5"], ["E3", "C#6"], "brass.trumpet.bflat",
        &["trumpet", "trumpet bb", "trumpet b flat", "trompete", "trompete b", "trompette", "trompette sib", "trompette si bemol", "tromba", "tromba sib", "tromba si b", "trompeta", "trompeta sib", "trompet"]),
    row("trumpet-c", "trumpet in C", 0, ["F#3", "Bb5"], ["F#3", "C#6"], "brass.trumpet.c",
        &["trumpet", "trumpet c", "trompete", "trompete c", "trompette", "trompette ut", "tromba", "tromba do", "trompeta", "trompeta do", "trompet"]),
    row("trombone", "trombone", 0, ["E2", "B4"], ["C2", "D5"], "brass.trombone",
        &["trombone", "trombones", "posaune", "trombon"]),
    row("euphonium", "euphonium", 0, ["E2", "Bb4"], ["E2", "D5"], "brass.euphonium",
        &["euphonium", "eufonio", "bombardino"]),
    row("euphonium-bb", "euphonium in B flat, treble clef", -14, ["E2", "Bb4"], ["E2", "D5"], "brass.euphonium",
        &["euphonium", "euphonium bb", "euphonium treble", "euphonium tc"]),
    row("tuba", "tuba", 0, ["E1", "Bb3"], ["Bb0", "C5"], "brass.tuba",
        &["tuba", "basstuba"]),
    row("soprano-recorder", "soprano recorder", 0, ["C5", "A6"], ["C5", "D7"], "wind.flutes.recorder.soprano",
        &["soprano recorder", "descant recorder", "sopranblockflote", "flute bec soprano", "flauto dolce soprano"]),
    row("alto-recorder", "alto recorder", 0, ["F4", "E6"], ["F4", "G6"], "wind.flutes.recorder.alto",
        &["alto recorder", "treble recorder", "recorder", "altblockflote", "blockflote", "flute bec", "flute bec alto", "flauto dolce", "flauto dolce contralto"]),
    row("tenor-recorder", "tenor recorder", 0, ["C4", "A5"], ["C4", "D6"], "wind.flutes.recorder.tenor",
        &["tenor recorder", "tenorblockflote", "flute bec tenor", "flauto dolce tenore"]),
    row("violin", "violin", 0, ["G3", "E6"], ["G3", "G7"], "strings.violin",
        &["violin", "violins", "violine", "geige", "violon", "violino", "viool"]),
    row("viola", "viola", 0, ["C3", "G5"], ["C3", "A6"], "strings.viola",
        &["viola", "violas", "bratsche", "altviool"]),
    row("cello", "cello", 0, ["C2", "G4"], ["C2", "F#6"], "strings.cello",
        &["cello", "cellos", "violoncello", "violoncelle", "violonchelo", "violoncelli"]),
    row("double-bass", "double bass", -12, ["E1", "D4"], ["C1", "G4"], "strings.contrabass",
        &["double bass", "contrabass", "kontrabass", "contrebasse", "contrabbasso", "contrabajo", "contrabas"]),
    row("voice", "voice", 0, ["E2", "A5"], ["C2", "F6"], "voice.vocals",
        &["voice", "vocals", "soprano", "mezzo soprano", "alto", "tenor", "baritone", "bass", "singstimme", "gesang", "voix", "voce", "canto", "voz"]),
];

#[cfg(test)]
mod tests {
    use super::*;

    /// Written ranges of the Debian table, professional: the sounding range less the transposition.
    #[test]
    fn written_ranges_match_the_table_they_are_from() {
        for (name, low, high) in [
            ("piccolo", "D4", "C7"),
            ("alto-flute", "C4", "C7"),
            ("english-horn", "B3", "F#6"),
            ("clarinet-eb", "E3", "C7"),
            ("clarinet-bb", "E3", "C7"),
            ("clarinet-a", "E3", "C7"),
            ("basset-horn", "C3", "A6"),
            ("alto-clarinet", "E3", "A6"),
            ("bass-clarinet", "C3", "A6"),
            ("contrabassoon", "Bb1", "C5"),
            ("soprano-sax", "Bb3", "C7"),
            ("alto-sax", "Bb3", "C7"),
            ("tenor-sax", "Bb3", "C7"),
            ("baritone-sax", "A3", "C7"),
            ("horn-f", "D2", "C6"),
            ("trumpet-bb", "F#3", "Eb6"),
            ("double-bass", "C2", "G5"),
        ] {
            let i = find(name).expect(name);
            let written = (
                i.professional.0 - i.transpose_semitones,
                i.professional.1 - i.transpose_semitones,
            );
            assert_eq!(written, (midi(low), midi(high)), "{name}");
        }
    }

    /// music21 7 to 9, `stream/base.py`, `toSoundingPitch`: written A4 on baritone saxophone sounds C3.
    #[test]
    fn written_a4_on_baritone_saxophone_sounds_c3() {
        assert_eq!(
            midi("A4") + find("baritone-sax").unwrap().transpose_semitones,
            midi("C3")
        );
    }

    #[test]
    fn names_are_unique_and_ranges_nest() {
        for (row, i) in TABLE.iter().enumerate() {
            assert!(
                TABLE[row + 1..].iter().all(|other| other.name != i.name),
                "{}",
                i.name
            );
            assert!(i.professional.0 <= i.amateur.0, "{}", i.name);
            assert!(i.professional.1 >= i.amateur.1, "{}", i.name);
            assert!(i.score_names.iter().all(|n| fold(n) == **n), "{}", i.name);
        }
    }

    #[test]
    fn a_wrong_name_is_answered_with_the_nearest() {
        assert_eq!(nearest("clarinet-b")[0], "clarinet-bb");
        assert_eq!(nearest("clarinett-a")[0], "clarinet-a");
        assert_eq!(nearest("basoon")[0], "bassoon");
        assert_eq!(nearest("tennor sax")[0], "tenor-sax");
        assert!(nearest("clarinet").contains(&"clarinet-bb"));
        assert_eq!(nearest("").len(), N_NEAREST);
        assert_eq!(nearest(&"x".repeat(1_000_000)).len(), N_NEAREST);
    }

    #[test]
    fn scores_name_instruments_in_several_languages() {
        for (part_name, transpose, wanted) in [
            ("Clarinet in B♭ 1", None, Some("clarinet-bb")),
            ("Klarinette in B", None, Some("clarinet-bb")),
            ("Clarinette en si bémol", Some(-2), Some("clarinet-bb")),
            ("Clarinetto in La", None, Some("clarinet-a")),
            ("Clarinet", Some(-3), Some("clarinet-a")),
            ("Clarinet", None, None),
            ("Bass Clarinet", Some(-14), Some("bass-clarinet")),
            ("Bassklarinette", Some(-2), Some("bass-clarinet")),
            ("Cor anglais", None, Some("english-horn")),
            ("Altsaxophon", None, Some("alto-sax")),
            ("Corno in Fa", None, Some("horn-f")),
            ("Flûte", None, Some("flute")),
            ("Violoncelle", None, Some("cello")),
            ("Melody", Some(-2), None),
        ] {
            let found = from_hints([part_name], transpose).map(|i| i.name);
            assert_eq!(found, wanted, "{part_name}");
        }
        let usual = |hint| usual_of_hints([hint]).map(|i| i.name);
        assert_eq!(usual("clarinet"), Some("clarinet-bb"));
        assert_eq!(usual("Clarinet in C"), Some("clarinet-c"));
        assert_eq!(usual("Melody"), None);
        let by_sound = |id, transpose| from_hints(["Part 1", id], transpose).map(|i| i.name);
        assert_eq!(
            by_sound("wind.reed.clarinet.bflat", None),
            Some("clarinet-bb")
        );
        assert_eq!(
            by_sound("wind.reed.clarinet", Some(-2)),
            Some("clarinet-bb")
        );
        assert_eq!(by_sound("wind.reed.bassoon", None), Some("bassoon"));
    }
}
