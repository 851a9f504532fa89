//! Information fields that carry numbers: `M:`, `L:`, `Q:`, `P:` and the properties of `V:`.

use super::super::TempoMark;

/// A metre as it acts on bars and tuplets (3.1.6).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Metre {
    /// Length of a bar; `None` for free metre (`M:none`).
    pub bar_quarters: Option<f64>,
    /// Length of a beat: a dotted quarter in 6/8, 9/8 and 12/8, the group where all groups are
    /// equal, else the denominator's unit.
    pub beat_quarters: f64,
    /// 6/8, 9/8 or 12/8: tuplets of 5, 7 and 9 are in the time of three (4.13).
    pub compound: bool,
}

impl Metre {
    pub const FREE: Metre = Metre {
        bar_quarters: None,
        beat_quarters: 1.0,
        compound: false,
    };

    /// The default note length in quarters where there is no `L:` (3.1.7): a sixteenth for
    /// metres below 3/4 as a decimal, an eighth for the others and for none.
    pub fn default_length_quarters(&self) -> f64 {
        match self.bar_quarters {
            Some(quarters) if quarters < 3.0 => 0.25,
            _ => 0.5,
        }
    }
}

/// Numbers of a metre beyond these are slips of the pen.
const METRE_NUMBER_MAX: u32 = 256;

/// Reads the text after `M:`; `None` when it is no metre.
pub fn metre(text: &str) -> Option<Metre> {
    let text: String = text.chars().filter(|c| !c.is_whitespace()).collect();
    let plain = |bar_quarters, beat_quarters| Metre {
        bar_quarters: Some(bar_quarters),
        beat_quarters,
        compound: false,
    };
    match text.as_str() {
        "C" | "c" => return Some(plain(4.0, 1.0)),
        "C|" | "c|" => return Some(plain(4.0, 2.0)),
        "" => return Some(Metre::FREE),
        none if none.eq_ignore_ascii_case("none") => return Some(Metre::FREE),
        _ => {}
    }
    let (over, under) = text.split_once('/')?;
    let number = |s: &str| {
        s.parse::<u32>()
            .ok()
            .filter(|n| (1..=METRE_NUMBER_MAX).contains(n))
    };
    let groups: Vec<u32> = over
        .trim_matches(['(', ')'])
        .split('+')
        .map(number)
        .collect::<Option<_>>()?;
    let unit = number(under).filter(|n| n.is_power_of_two())?;
    let unit_quarters = 4.0 / unit as f64;
    let n: u32 = groups.iter().sum();
    let compound = unit == 8 && matches!(n, 6 | 9 | 12) && groups.len() == 1;
    let beat = match groups[0] {
        _ if compound => 3,
        group if groups.len() > 1 && groups.iter().all(|g| *g == group) => group,
        _ => 1,
    };
    Some(Metre {
        bar_quarters: Some(n as f64 * unit_quarters),
        beat_quarters: beat as f64 * unit_quarters,
        compound,
    })
}

/// Reads a fraction of a whole note such as `1/8` and gives quarters; `None` when it is none.
pub fn length_quarters(text: &str) -> Option<f64> {
    let text: String = text.chars().filter(|c| !c.is_whitespace()).collect();
    let (over, under) = text.split_once('/').unwrap_or((&text, "1"));
    let number = |s: &str| s.parse::<u32>().ok().filter(|n| (1..=1024).contains(n));
    Some(4.0 * number(over)? as f64 / number(under)? as f64)
}

/// Tempi outside this range cannot be played or are not beats per minute at all.
const BPM: std::ops::RangeInclusive<f64> = 1.0..=1000.0;

/// Reads the text after `Q:` (3.1.8); `Ok(None)` for words alone.
///
/// Several beats are one: `1/4 3/8=40` is 5/8 = 40. Without a beat (`Q:120`) or with `C` the
/// outdated forms of section 10 count notes of the default length.
pub fn tempo(text: &str, unit_quarters: f64) -> Result<Option<TempoMark>, ()> {
    let bare = outside_quotes(text);
    let bare = bare.trim();
    if bare.is_empty() {
        return Ok(None);
    }
    let (beats, bpm) = bare.rsplit_once('=').unwrap_or(("", bare));
    let mut beat_quarters = 0.0;
    for beat in beats.split_whitespace() {
        beat_quarters += match beat.strip_prefix('C') {
            Some("") => unit_quarters,
            Some(times) => {
                unit_quarters
                    * times
                        .trim_start_matches('=')
                        .parse::<u8>()
                        .map_err(|_| ())? as f64
            }
            None => length_quarters(beat).ok_or(())?,
        };
    }
    if beat_quarters == 0.0 {
        beat_quarters = unit_quarters;
    }
    // The first number counts: "100-112", "c. 120".
    let digits = bpm.trim_start_matches(|c: char| !c.is_ascii_digit());
    let end = digits
        .find(|c: char| !c.is_ascii_digit() && c != '.')
        .unwrap_or(digits.len());
    let bpm: f64 = digits[..end]
        .trim_end_matches('.')
        .parse()
        .map_err(|_| ())?;
    if !BPM.contains(&bpm) {
        return Err(());
    }
    Ok(Some(TempoMark { beat_quarters, bpm }))
}

fn outside_quotes(text: &str) -> String {
    text.split('"').step_by(2).collect::<Vec<_>>().join(" ")
}

/// More sections than any piece has; the order is cut here.
const SECTIONS_MAX: usize = 2000;
/// Brackets deeper than this are not read.
const NESTING_MAX: usize = 32;

/// The order of sections in the header's `P:` (3.1.9): `A3`, `(AB)3`, `((AB)3.(CD)3)2`.
///
/// Dots and blanks are ignored. The second value is true when the order was cut at
/// its bound or has characters that belong to none.
pub fn section_order(text: &str) -> (Vec<char>, bool) {
    let chars: Vec<char> = text
        .chars()
        .filter(|c| *c != '.' && !c.is_whitespace())
        .collect();
    let mut open: Vec<Vec<char>> = vec![Vec::new()];
    let mut faulty = false;
    let mut i = 0;
    while i < chars.len() {
        let c = chars[i];
        i += 1;
        let done = match c {
            '(' if open.len() < NESTING_MAX => {
                open.push(Vec::new());
                continue;
            }
            ')' if open.len() > 1 => open.pop().unwrap_or_default(),
            c if c.is_ascii_alphabetic() => vec![c],
            _ => {
                faulty = true;
                continue;
            }
        };
        let digits = chars[i..].iter().take_while(|c| c.is_ascii_digit()).count();
        let times: String = chars[i..i + digits].iter().collect();
        i += digits;
        let times = if digits == 0 {
            1
        } else {
            times.parse().unwrap_or(usize::MAX)
        };
        if let Some(outer) = open.last_mut() {
            faulty |= times > SECTIONS_MAX;
            for _ in 0..times.min(SECTIONS_MAX) {
                if outer.len() + done.len() > SECTIONS_MAX {
                    faulty = true;
                    break;
                }
                outer.extend(&done);
            }
        }
    }
    faulty |= open.len() > 1;
    let mut order: Vec<char> = open.concat();
    order.truncate(SECTIONS_MAX);
    (order, faulty)
}

/// What a `V:` or `K:` field says of a voice beside the key (4.6, 7.1).
#[derive(Clone, Debug, Default, PartialEq)]
pub struct VoiceProperties {
    pub name: Option<String>,
    /// Written to sounding, in playback only.
    pub transpose_semitones: Option<i32>,
    /// Octaves by which the notes are written higher than the letters say.
    pub octave: Option<i32>,
    /// Octaves between staff and sound of a clef such as `treble-8`.
    pub clef_octave: Option<i32>,
}

impl VoiceProperties {
    /// Reads words such as `name="Clarinet"`, `transpose=-2`, `bass-8`; unknown ones are for print.
    pub fn parse(words: &[String]) -> VoiceProperties {
        let mut found = VoiceProperties::default();
        for word in words {
            let (name, value) = word.split_once('=').unwrap_or(("clef", word));
            let value = value.trim_matches('"');
            let number = |max: i32| {
                value
                    .trim_start_matches('+')
                    .parse::<i32>()
                    .ok()
                    .filter(|n| n.abs() <= max)
            };
            match name.to_ascii_lowercase().as_str() {
                "name" | "nm" => found.name = Some(super::text::unescape(value)),
                "transpose" => found.transpose_semitones = number(60).or(found.transpose_semitones),
                "octave" => found.octave = number(5).or(found.octave),
                "clef" => {
                    // `-8va` is how older files write `-8`.
                    found.clef_octave = Some(match value.trim_end_matches("va") {
                        v if v.ends_with("-15") => -2,
                        v if v.ends_with("-8") => -1,
                        v if v.ends_with("+15") => 2,
                        v if v.ends_with("+8") => 1,
                        _ => 0,
                    });
                }
                _ => {}
            }
        }
        found
    }
}

/// Splits at blanks outside quotation marks; `a = b` counts as one word.
pub fn words(text: &str) -> Vec<String> {
    let mut words: Vec<String> = Vec::new();
    let mut word = String::new();
    let mut quoted = false;
    for c in text.chars() {
        quoted ^= c == '"';
        if c.is_whitespace() && !quoted {
            if !word.is_empty() {
                words.push(std::mem::take(&mut word));
            }
        } else {
            word.push(c);
        }
    }
    if !word.is_empty() {
        words.push(word);
    }
    join_at_equals(words)
}

fn join_at_equals(words: Vec<String>) -> Vec<String> {
    let mut joined: Vec<String> = Vec::new();
    for word in words {
        match joined.last_mut() {
            Some(before) if (before.ends_with('=') && before.len() > 1) || word == "=" => {
                before.push_str(&word)
            }
            _ => joined.push(word),
        }
    }
    joined
}

#[cfg(test)]
mod tests {
    use super::*;

    /// ABC 2.1, 3.1.7 with its examples: 2/4 = 0.5 gives 1/16; 4/4, 6/8 and 3/4 give 1/8.
    #[test]
    fn default_lengths() {
        for (text, wanted) in [
            ("2/4", 0.25),
            ("3/4", 0.5),
            ("4/4", 0.5),
            ("6/8", 0.5),
            ("C", 0.5),
            ("C|", 0.5),
            ("none", 0.5),
            ("", 0.5),
            ("3/8", 0.25),
            ("5/8", 0.25),
        ] {
            let metre = metre(text).expect(text);
            assert_eq!(metre.default_length_quarters(), wanted, "M:{text}");
        }
    }

    #[test]
    fn metres() {
        let shape = |text| metre(text).map(|m| (m.bar_quarters, m.beat_quarters, m.compound));
        assert_eq!(shape("6/8"), Some((Some(3.0), 1.5, true)));
        assert_eq!(shape("12/8"), Some((Some(6.0), 1.5, true)));
        assert_eq!(shape("3/8"), Some((Some(1.5), 0.5, false)));
        assert_eq!(shape("C|"), Some((Some(4.0), 2.0, false)));
        assert_eq!(shape("(2+3+2)/8"), Some((Some(3.5), 0.5, false)));
        assert_eq!(shape("3+3/8"), Some((Some(3.0), 1.5, false)));
        assert_eq!(shape("none"), Some((None, 1.0, false)));
        for bad in ["0/4", "4/0", "4/3", "x", "4", "99999999999/4"] {
            assert_eq!(shape(bad), None, "{bad}");
        }
    }

    /// ABC 2.1, 3.1.8, and the outdated forms of section 10.
    #[test]
    fn tempi() {
        let read = |text| tempo(text, 0.5).map(|t| t.map(|t| (t.beat_quarters, t.bpm)));
        assert_eq!(read("1/2=120"), Ok(Some((2.0, 120.0))));
        assert_eq!(read("1/4 3/8 1/4 3/8=40"), Ok(Some((5.0, 40.0))));
        assert_eq!(read("\"Allegro\" 1/4=120"), Ok(Some((1.0, 120.0))));
        assert_eq!(read("3/8=50 \"Slowly\""), Ok(Some((1.5, 50.0))));
        assert_eq!(read("\"Andante\""), Ok(None));
        assert_eq!(read("120"), Ok(Some((0.5, 120.0))));
        assert_eq!(read("C=120"), Ok(Some((0.5, 120.0))));
        assert_eq!(read("C3=40"), Ok(Some((1.5, 40.0))));
        assert_eq!(read("1/4=c. 96.5"), Ok(Some((1.0, 96.5))));
        for bad in ["1/0=120", "1/4=", "1/4=0", "1/4=99999", "quick"] {
            assert_eq!(read(bad), Err(()), "{bad}");
        }
    }

    /// ABC 2.1, 3.1.9.
    #[test]
    fn orders_of_sections() {
        let order = |text| section_order(text).0.into_iter().collect::<String>();
        assert_eq!(order("A3"), "AAA");
        assert_eq!(order("AB"), "AB");
        assert_eq!(order("(AB)3"), "ABABAB");
        assert_eq!(order("A2.B2 C"), "AABBC");
        assert_eq!(order("((AB)3.(CD)3)2"), "ABABABCDCDCDABABABCDCDCD");
        let nested = format!("{}A9{}", "(".repeat(20), ")9".repeat(20));
        let (cut, faulty) = section_order(&nested);
        assert!(cut.len() <= SECTIONS_MAX && faulty);
        assert!(section_order("A999999999999999999999").1);
    }
}
