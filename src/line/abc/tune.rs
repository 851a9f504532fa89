//! One tune: its header, then its body line by line, into one voice each.

use std::collections::HashMap;
use std::ops::Range;

use super::super::score::Score;
use super::AbcTune;
use super::fields::{self, Metre, VoiceProperties};
use super::file::{TextLine, TuneLines};
use super::key::{self, Signature};
use super::macros::Macros;
use super::problems::{Place, Problems};
use super::token::{Lexer, Token};
use super::voice::{Propagation, Voice};

/// Reads a tune; `file_header` holds for all tunes of the file.
pub fn read(file_header: &[TextLine<'_>], lines: &TuneLines<'_>) -> AbcTune {
    let mut tune = Tune::default();
    for line in file_header {
        if let Some((field, text)) = field_of(without_comment(line.text), true)
            && b"LMmUIQ".contains(&(field as u8))
        {
            tune.field(
                field,
                text,
                Place {
                    line: line.number,
                    column: 0,
                },
            );
        }
        tune.directive(line);
    }
    if lines.number.is_none() {
        tune.problems.say(
            Place { line: 1, column: 0 },
            "there is no X: field; the file is taken as one tune",
        );
    }
    let key_line = lines.lines.iter().position(|l| l.text.starts_with("K:"));
    for (i, line) in lines.lines.iter().enumerate() {
        if lines.went_on_at.binary_search(&line.number).is_ok() {
            tune.problems.say(
                Place {
                    line: line.number,
                    column: 0,
                },
                "a blank line ends a tune, but more of it follows: it is read on",
            );
        }
        // Before the key there is no music: whatever else stands there is a slip, not notes.
        let is_slip = key_line.is_some_and(|key| i < key)
            && !line.text.starts_with('%')
            && field_of(line.text, true).is_none();
        if is_slip {
            let place = Place {
                line: line.number,
                column: 0,
            };
            tune.problems
                .say(place, "this line of the header is no field and is left out");
        } else {
            tune.line(line);
        }
    }
    tune.finish()
}

/// Longer lines than this hold no music that anyone plays.
const LINE_BYTES_MAX: usize = 1 << 20;
/// More voices than a score has staves.
const VOICES_MAX: usize = 128;

#[derive(Default)]
struct Tune {
    title: String,
    in_body: bool,
    /// Header values, from which voices begin.
    signature: Signature,
    metre: Option<Metre>,
    unit_quarters: Option<f64>,
    tempo: Option<(String, Place)>,
    properties: VoiceProperties,
    section_order: Option<(String, Place)>,
    voices: Vec<Voice>,
    current: usize,
    /// What a `V:` field of the header said, before its voice exists.
    declared: Vec<(String, VoiceProperties)>,
    signs: HashMap<char, String>,
    macros: Macros,
    propagation: Propagation,
    exclamation_breaks_lines: bool,
    problems: Problems,
}

impl Tune {
    fn line(&mut self, line: &TextLine<'_>) {
        let place = Place {
            line: line.number,
            column: 0,
        };
        self.directive(line);
        let text = without_comment(line.text);
        if text.trim().is_empty() {
            return;
        }
        if text.len() > LINE_BYTES_MAX {
            self.problems.say(
                place,
                format!("a line of more than {LINE_BYTES_MAX} bytes is left out"),
            );
            return;
        }
        match field_of(text, !self.in_body) {
            Some((field, value)) => self.field(field, value, place),
            None => self.music(text, line.number),
        }
    }

    /// `%%name value` is `I:name value` (11).
    fn directive(&mut self, line: &TextLine<'_>) {
        if let Some(text) = line.text.strip_prefix("%%") {
            let place = Place {
                line: line.number,
                column: 0,
            };
            self.instruction(text, place);
        }
    }

    fn instruction(&mut self, text: &str, place: Place) {
        let words: Vec<&str> = text.split_whitespace().collect();
        match words[..] {
            ["propagate-accidentals", how, ..] => {
                self.propagation = match how {
                    "not" => Propagation::Not,
                    "octave" => Propagation::Octave,
                    _ => Propagation::Pitch,
                };
            }
            ["linebreak", ..] => self.exclamation_breaks_lines = words.contains(&"!"),
            ["abc-include", name, ..] => {
                self.problems.say(
                    place,
                    format!("the file {name} is not read in; put its text here"),
                );
            }
            ["MIDI", "transpose" | "rtranspose", ..] => {
                self.problems.once(place, "%%MIDI transpose is for other programs; transpose= in K: or V: says how it sounds");
            }
            _ => {}
        }
    }

    fn field(&mut self, field: char, text: &str, place: Place) {
        let text = text.trim();
        match field {
            'T' if self.title.is_empty() && !self.in_body => {
                self.title = super::text::unescape(text)
            }
            'M' => match fields::metre(text) {
                Some(metre) if self.in_body => {
                    let voice = self.voice();
                    voice.metre = metre;
                }
                Some(metre) => self.metre = Some(metre),
                None => self
                    .problems
                    .say(place, format!("\"{text}\" is no metre; M:3/4 would be one")),
            },
            'L' => match fields::length_quarters(text) {
                Some(quarters) if self.in_body => self.voice().unit_quarters = quarters,
                Some(quarters) => self.unit_quarters = Some(quarters),
                None => self.problems.say(
                    place,
                    format!("\"{text}\" is no note length; L:1/8 would be one"),
                ),
            },
            'Q' if self.in_body => {
                let unit = self.voice().unit_quarters;
                match fields::tempo(text, unit) {
                    Ok(Some(tempo)) => {
                        let voice = self.voice();
                        if voice.tempo.is_none() && voice.n_notes() == 0 {
                            voice.tempo = Some(tempo);
                        }
                    }
                    Ok(None) => {}
                    Err(()) => self.bad_tempo(text, place),
                }
            }
            'Q' => self.tempo = Some((text.to_string(), place)),
            'K' => self.key(text, place),
            'V' => self.choose_voice(text, place),
            'P' if self.in_body => {
                let label = text.chars().next().filter(char::is_ascii_alphabetic);
                self.voice().begin_section(label);
            }
            'P' => self.section_order = Some((text.to_string(), place)),
            'U' => self.define_sign(text, place),
            'm' if self.macros.add(text) => {}
            'm' => self.problems.say(
                place,
                "this macro is not understood; m: ~G3 = G{A}G{F}G would be one",
            ),
            'I' => self.instruction(text, place),
            _ => {}
        }
    }

    fn bad_tempo(&mut self, text: &str, place: Place) {
        self.problems.say(
            place,
            format!("\"{text}\" is no tempo; Q:1/4=120 would be one"),
        );
    }

    fn key(&mut self, text: &str, place: Place) {
        let field = key::parse(&fields::words(text));
        if let Some(word) = &field.not_understood {
            self.problems.say(
                place,
                format!("\"{word}\" is no key; K:C or K:F# minor would be one"),
            );
        }
        let properties = VoiceProperties::parse(&field.properties);
        if self.in_body {
            let voice = self.voice();
            if let Some(signature) = field.signature {
                voice.signature = signature;
            }
            merge(&mut voice.properties, properties);
        } else {
            self.signature = field.signature.unwrap_or_default();
            merge(&mut self.properties, properties);
            self.in_body = true;
        }
    }

    /// `U: T = !trill!` (4.16).
    fn define_sign(&mut self, text: &str, place: Place) {
        let parsed = text.split_once('=').and_then(|(letter, name)| {
            let letter = letter.trim().chars().next()?;
            Some((letter, name.trim().trim_matches(['!', '+'])))
        });
        match parsed {
            Some((letter, name)) => {
                self.signs.insert(letter, name.to_string());
            }
            None => self.problems.say(
                place,
                "this sign is not understood; U: T = !trill! would be one",
            ),
        }
    }

    /// `V:1 name="Clarinet" transpose=-2`: in the header it declares, in the body it turns to a voice.
    fn choose_voice(&mut self, text: &str, place: Place) {
        let words = fields::words(text);
        let Some((id, rest)) = words.split_first() else {
            self.problems.say(place, "V: needs the voice's name");
            return;
        };
        let properties = VoiceProperties::parse(rest);
        if !self.in_body {
            match self.declared.iter().position(|(known, _)| known == id) {
                Some(at) => merge(&mut self.declared[at].1, properties),
                None if self.declared.len() < VOICES_MAX => {
                    self.declared.push((id.clone(), properties))
                }
                None => {}
            }
            return;
        }
        self.begin_voices();
        if let Some(known) = self.voices.iter().position(|v| v.id == *id) {
            self.current = known;
        } else if self.voices.len() < VOICES_MAX {
            self.add_voice(id, VoiceProperties::default());
            self.current = self.voices.len() - 1;
        } else {
            self.problems.once(
                place,
                "there are more voices than a score has staves; the last takes the rest",
            );
        }
        merge(&mut self.voices[self.current].properties, properties);
    }

    fn add_voice(&mut self, id: &str, own: VoiceProperties) {
        let metre = self.metre.unwrap_or(Metre::FREE);
        let unit = self
            .unit_quarters
            .unwrap_or(metre.default_length_quarters());
        let mut properties = self.properties.clone();
        merge(&mut properties, own);
        let mut voice = Voice::new(id, properties, self.signature.clone(), metre, unit);
        if let Some((text, place)) = self.tempo.clone() {
            match fields::tempo(&text, unit) {
                Ok(tempo) => voice.tempo = tempo,
                Err(()) => {
                    self.bad_tempo(&text, place);
                    self.tempo = None;
                }
            }
        }
        self.voices.push(voice);
    }

    /// Makes the declared voices when the body begins.
    fn begin_voices(&mut self) {
        if self.voices.is_empty() {
            for (id, properties) in std::mem::take(&mut self.declared) {
                self.add_voice(&id, properties);
            }
        }
    }

    /// The voice that music belongs to: the first declared, or one without a name.
    fn voice(&mut self) -> &mut Voice {
        self.begin_voices();
        if self.voices.is_empty() {
            self.add_voice("1", VoiceProperties::default());
        }
        &mut self.voices[self.current]
    }

    fn music(&mut self, text: &str, line: usize) {
        if !self.in_body {
            self.problems.say(
                Place { line, column: 0 },
                "music before the K: field; C major is taken",
            );
            self.in_body = true;
        }
        if self.voice().is_full() {
            return;
        }
        let replaced = self.macros.apply(text);
        let mut lexer = Lexer::new(replaced.as_deref().unwrap_or(text));
        lexer.exclamation_breaks_lines = self.exclamation_breaks_lines;
        for (column, token) in lexer {
            let place = Place { line, column };
            match token {
                Token::Field(letter, text) => self.field(letter, &text, place),
                Token::Sign(letter) => {
                    let name = self
                        .signs
                        .get(&letter)
                        .cloned()
                        .unwrap_or_else(|| standard_sign(letter).to_string());
                    self.voice().decorate(&name);
                }
                token => {
                    let propagation = self.propagation;
                    // A voice about to be made may have something to say itself.
                    self.voice();
                    let voice = &mut self.voices[self.current];
                    voice.take(token, place, propagation);
                }
            }
        }
    }

    fn finish(mut self) -> AbcTune {
        self.voice();
        let mut parts = Vec::new();
        let mut sections = Vec::new();
        for voice in self.voices {
            let (part, its_sections) = voice.finish();
            // Labels stand once, often in the first voice only.
            if sections.is_empty() {
                sections = its_sections;
            }
            parts.push(part);
        }
        let n_bars = parts.iter().map(|p| p.measures.len()).max().unwrap_or(0);
        let section_order = match &self.section_order {
            Some((text, place)) => {
                order_of_bars(text, *place, &sections, n_bars, &mut self.problems)
            }
            None => Vec::new(),
        };
        AbcTune {
            score: Score {
                title: self.title,
                parts,
                problems: self.problems.into_vec(),
            },
            section_order,
        }
    }
}

/// Ranges of bars in the order of the header's `P:`; music before the first label comes first.
fn order_of_bars(
    text: &str,
    place: Place,
    sections: &[(char, usize)],
    n_bars: usize,
    problems: &mut Problems,
) -> Vec<Range<usize>> {
    let (order, faulty) = fields::section_order(text);
    if faulty {
        problems.say(
            place,
            format!("the order of sections \"{text}\" is only partly understood"),
        );
    }
    if sections.is_empty() {
        return Vec::new();
    }
    let ends = sections
        .iter()
        .skip(1)
        .map(|(_, first)| *first)
        .chain([n_bars]);
    let ranges: Vec<(char, Range<usize>)> = sections
        .iter()
        .zip(ends)
        .map(|((label, first), end)| (*label, *first..end))
        .collect();
    let mut played = Vec::new();
    if sections[0].1 > 0 {
        played.push(0..sections[0].1);
    }
    for label in order {
        match ranges.iter().find(|(l, _)| *l == label) {
            Some((_, range)) => played.push(range.clone()),
            None => problems.once(place, &format!("there is no section {label} in the tune")),
        }
    }
    played
}

fn merge(into: &mut VoiceProperties, from: VoiceProperties) {
    into.name = from.name.or(into.name.take());
    into.transpose_semitones = from.transpose_semitones.or(into.transpose_semitones);
    into.octave = from.octave.or(into.octave);
    into.clef_octave = from.clef_octave.or(into.clef_octave);
}

/// The signs that need no `U:` (4.14).
fn standard_sign(letter: char) -> &'static str {
    match letter {
        '.' => "staccato",
        '~' => "roll",
        'H' => "fermata",
        'L' => "accent",
        'M' => "lowermordent",
        'O' => "coda",
        'P' => "uppermordent",
        'S' => "segno",
        'T' => "trill",
        _ => "",
    }
}

/// A field line: a letter, a colon, the rest. In the body `A:|` and `d::` are music.
fn field_of(text: &str, in_header: bool) -> Option<(char, &str)> {
    let text = text.trim_start();
    let mut chars = text.chars();
    let letter = chars
        .next()
        .filter(|c| c.is_ascii_alphabetic() || *c == '+')?;
    let value = chars.as_str().strip_prefix(':')?;
    let is_note = matches!(letter, 'A'..='G' | 'a'..='g' | 'x' | 'z');
    let music = is_note && value.starts_with(['|', ':', ']']);
    (in_header || !music).then_some((letter, value))
}

/// The line up to its comment; `\%` is a percent sign.
fn without_comment(text: &str) -> &str {
    let mut escaped = false;
    for (at, c) in text.char_indices() {
        if c == '%' && !escaped {
            return &text[..at];
        }
        escaped = c == '\\' && !escaped;
    }
    text
}
