//! The `K:` field: tonic, mode, accidentals (3.1.14).

use super::super::Key;

/// A key signature as it acts on notes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Signature {
    pub key: Key,
    /// Alteration of each letter, C first.
    pub alters: [i8; 7],
}

impl Default for Signature {
    fn default() -> Self {
        Signature {
            key: Key {
                fifths: 0,
                mode: "major".into(),
            },
            alters: [0; 7],
        }
    }
}

/// A `K:` field read: the key, if it names one, and the words that are no part of it.
#[derive(Debug, PartialEq, Eq)]
pub struct KeyField {
    pub signature: Option<Signature>,
    /// Clef, `transpose=` and the like, for the voice.
    pub properties: Vec<String>,
    /// The first word, where it is neither a key nor a property.
    pub not_understood: Option<String>,
}

/// Modes by their first three letters, with the distance of their signature from the major
/// key's on the line of fifths.
const MODES: [(&str, &str, i32); 10] = [
    ("maj", "major", 0),
    ("min", "minor", -3),
    ("m", "minor", -3),
    ("ion", "ionian", 0),
    ("aeo", "aeolian", -3),
    ("mix", "mixolydian", -1),
    ("dor", "dorian", -2),
    ("phr", "phrygian", -4),
    ("lyd", "lydian", 1),
    ("loc", "locrian", -5),
];

/// Letters in the order in which sharps are added: F C G D A E B, as indices from C.
const SHARP_ORDER: [usize; 7] = [3, 0, 4, 1, 5, 2, 6];

/// Clef names, which may stand in `K:` without `clef=` (4.6).
const CLEFS: [&str; 8] = [
    "treble",
    "alto",
    "tenor",
    "bass",
    "perc",
    "soprano",
    "mezzosoprano",
    "baritone",
];

/// Reads the text after `K:`, its words already split by [`super::fields::words`].
pub fn parse(words: &[String]) -> KeyField {
    let mut field = KeyField {
        signature: None,
        properties: Vec::new(),
        not_understood: None,
    };
    let mut rest = words;
    if let Some((first, after)) = words.split_first()
        && !is_property(first)
        && !is_accidental(first)
    {
        rest = after;
        let accidentals = first.find(['^', '_', '=']).unwrap_or(first.len());
        match tonic(&first[..accidentals], after.first()) {
            Some((mut signature, n_words)) => {
                if accidentals < first.len() {
                    signature.alter(&first[accidentals..]);
                }
                field.signature = Some(signature);
                rest = &after[n_words..];
            }
            None => field.not_understood = Some(first.clone()),
        }
    }
    for word in rest {
        if is_accidental(word) {
            field.signature.get_or_insert_default().alter(word);
        } else if word.eq_ignore_ascii_case("exp") {
            let signature = field.signature.get_or_insert_default();
            signature.alters = [0; 7];
            signature.key.fifths = 0;
        } else {
            field.properties.push(word.clone());
        }
    }
    field
}

/// `clef=bass`, `bass`, `treble-8`, `-8va`; but `Dmix=c` is a key with an accidental.
fn is_property(word: &str) -> bool {
    let name: String = word
        .to_lowercase()
        .chars()
        .take_while(char::is_ascii_alphabetic)
        .collect();
    let is_assignment = word
        .split_once('=')
        .is_some_and(|(name, _)| !name.is_empty() && tonic(name, None).is_none());
    is_assignment || CLEFS.contains(&name.as_str()) || word.starts_with(['+', '-'])
}

fn is_accidental(word: &str) -> bool {
    word.starts_with(['^', '_', '=']) && word.len() > 1
}

/// The key named by the first word, with how many of the following words belong to it.
fn tonic(word: &str, next: Option<&String>) -> Option<(Signature, usize)> {
    match word {
        "HP" => return Some((Signature::default(), 0)),
        // The Highland pipe's own scale, marked on the staff: F sharp, C sharp, G natural.
        "Hp" => return Some((Signature::of(2, "major"), 0)),
        _ if word.eq_ignore_ascii_case("none") => return Some((Signature::default(), 0)),
        _ if word.eq_ignore_ascii_case("exp") => return Some((Signature::default(), 0)),
        _ => {}
    }
    let mut chars = word.chars();
    // Lower-case tonics are not in the standard but cannot mean anything else.
    let letter = chars.next()?.to_ascii_uppercase();
    let mut position = "FCGDAEB".find(letter)? as i32 - 1;
    let mut tail = chars.as_str();
    if let Some(after) = tail.strip_prefix(['#', '♯']) {
        position += 7;
        tail = after;
    } else if let Some(after) = tail.strip_prefix(['b', '♭']) {
        position -= 7;
        tail = after;
    } else if tail == "n" {
        // A natural spelled out, in older files.
        tail = "";
    }
    if tail.is_empty() {
        return Some(match next.and_then(|n| mode(n)) {
            Some((name, fifths)) => (Signature::of(position + fifths, name), 1),
            None => (Signature::of(position, "major"), 0),
        });
    }
    let (name, fifths) = mode(tail)?;
    Some((Signature::of(position + fifths, name), 0))
}

fn mode(word: &str) -> Option<(&'static str, i32)> {
    let first_three: String = word.to_lowercase().chars().take(3).collect();
    MODES
        .iter()
        .find(|(short, _, _)| *short == first_three)
        .map(|(_, name, fifths)| (*name, *fifths))
}

impl Signature {
    fn of(fifths: i32, mode: &str) -> Signature {
        Signature {
            key: Key {
                fifths,
                mode: mode.into(),
            },
            alters: alters_of(fifths),
        }
    }

    /// Adds the accidentals of one word, `^f` or `^f_b`; letters of either case mean all octaves.
    fn alter(&mut self, word: &str) {
        let mut alter = 0;
        let mut naturalled = false;
        for c in word.chars() {
            match c {
                '^' => alter += 1,
                '_' => alter -= 1,
                '=' => naturalled = true,
                c => {
                    if let Some(letter) = "CDEFGAB".find(c.to_ascii_uppercase()) {
                        self.alters[letter] = if naturalled {
                            0
                        } else {
                            i8::clamp(alter, -2, 2)
                        };
                    }
                    (alter, naturalled) = (0, false);
                }
            }
        }
        // A signature that is some key's own is called by it, any other by its sharps less its flats.
        let plain = (-7..=7).find(|&fifths| alters_of(fifths) == self.alters);
        self.key.fifths = plain.unwrap_or_else(|| self.alters.iter().map(|&a| a as i32).sum());
    }
}

fn alters_of(fifths: i32) -> [i8; 7] {
    let mut alters = [0; 7];
    for i in 0..fifths.unsigned_abs() as usize {
        if fifths > 0 {
            alters[SHARP_ORDER[i % 7]] += 1;
        } else {
            alters[SHARP_ORDER[6 - i % 7]] -= 1;
        }
    }
    alters
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fifths(text: &str) -> i32 {
        let words = super::super::fields::words(text);
        parse(&words).signature.expect(text).key.fifths
    }

    /// ABC 2.1, 3.1.14: the table of keys and modes, rows of three sharps and three flats.
    #[test]
    fn keys_of_three_sharps_and_of_three_flats() {
        for key in ["A", "F#m", "EMix", "BDor", "C#Phr", "DLyd", "G#Loc"] {
            assert_eq!(fifths(key), 3, "{key}");
        }
        for key in ["Eb", "Cm", "BbMix", "FDor", "GPhr", "AbLyd", "DLoc"] {
            assert_eq!(fifths(key), -3, "{key}");
        }
    }

    /// 3.1.14: spaces, case and letters after the third do not count: three spellings of A minor's key.
    #[test]
    fn modes_by_their_first_three_letters_in_any_case() {
        for key in [
            "C maj",
            "C major",
            "C Ionian",
            "Cionian",
            "A minor",
            "AMIN",
            "Am",
            "A Aeolian",
            "D dorian",
        ] {
            assert_eq!(fifths(key), 0, "{key}");
        }
    }

    /// 3.1.14: `K:D Phr ^f` is D phrygian with F sharp; `K:D exp _b _e ^f` gives its signature in full.
    #[test]
    fn explicit_accidentals() {
        let alters = |text: &str| {
            parse(&super::super::fields::words(text))
                .signature
                .unwrap()
                .alters
        };
        assert_eq!(alters("D Phr ^f"), [0, 0, -1, 1, 0, 0, -1]);
        assert_eq!(alters("D exp _b _e ^f"), [0, 0, -1, 1, 0, 0, -1]);
        assert_eq!(alters("D maj =c"), [0, 0, 0, 1, 0, 0, 0]);
        assert_eq!(fifths("D maj =c"), 1);
        assert_eq!(alters("Dmix=c^g"), [0, 0, 0, 1, 1, 0, 0]);
        assert_eq!((fifths("EM"), fifths("Em"), fifths("Bn")), (1, 1, 5));
        assert_eq!(alters("Hp"), [1, 0, 0, 1, 0, 0, 0]);
        assert_eq!(alters("HP"), [0; 7]);
        assert_eq!(alters("none"), [0; 7]);
    }

    #[test]
    fn clef_and_transpose_are_not_the_key() {
        let field = parse(&super::super::fields::words("C transpose=-2 clef=bass"));
        assert_eq!(field.signature.unwrap().key.fifths, 0);
        assert_eq!(field.properties, ["transpose=-2", "clef=bass"]);
        let field = parse(&super::super::fields::words("bass octave=-1"));
        assert_eq!((field.signature, field.not_understood), (None, None));
        assert_eq!(
            parse(&super::super::fields::words("Q"))
                .not_understood
                .as_deref(),
            Some("Q")
        );
    }
}
