//! Music code cut into tokens (4): notes, bars, brackets, decorations, inline fields.

/// A note as it is written, before key and bar give it its alteration.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NoteToken {
    /// Explicit accidental in semitones; fractions of one are rounded.
    pub accidental: Option<i8>,
    /// 0 = C … 6 = B.
    pub letter: u8,
    pub octave: i8,
    /// Multiples of the default length.
    pub length: f64,
}

/// The signs of a bar line (4.8).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct BarSigns {
    /// Colons before and after the line: `::|` has 2 before it.
    pub colons_before: u32,
    pub colons_after: u32,
    /// `||`, `|]`, `[|`: the end of a section.
    pub double: bool,
}

#[derive(Clone, Debug, PartialEq)]
pub enum Token {
    Note(NoteToken),
    /// The notes of `[CEG]2` with whether each is tied on inside the bracket.
    Chord(Vec<(NoteToken, bool)>),
    /// `z` or `x`, in multiples of the default length.
    Rest(f64),
    /// `Z4`, `X4`: bars of rest.
    BarRests(f64),
    GraceOpen,
    GraceClose,
    Tuplet {
        p: u32,
        q: Option<u32>,
        r: Option<u32>,
    },
    /// `>` is 1, `>>` 2, `<` −1.
    Broken(i32),
    Tie,
    SlurOpen,
    SlurClose,
    /// The name between exclamation marks.
    Decoration(String),
    /// A one-letter sign: `.`, `~`, `H` to `W`, `h` to `w`.
    Sign(char),
    Bar(BarSigns),
    Ending(Vec<u32>),
    Field(char, String),
    Overlay,
    OverlayOpen,
    OverlayClose,
    /// What the standard gives no meaning here.
    NotUnderstood(String),
    /// A length that is none: `a/0`.
    BadLength,
}

/// Longest note, rest or bar rest in multiples of the default length; beyond is a slip.
pub const LENGTH_MAX: f64 = 4096.0;

/// Where a closing sign was found, so that a line is searched once for each of its signs and
/// not anew for every opening one.
struct Seen {
    wanted: char,
    /// Searched from here.
    from: usize,
    /// The first one from there on; the line's length where there is none.
    found: usize,
}

/// Cuts one line of music; `column` of each token counts characters from 1.
pub struct Lexer {
    chars: Vec<char>,
    at: usize,
    /// Tokens read ahead: a chord brings slurs and decorations with it.
    waiting: std::collections::VecDeque<(usize, Token)>,
    seen: Vec<Seen>,
    /// `I:linebreak !` (6.1.1): the sign ends a printed line and begins no decoration.
    pub exclamation_breaks_lines: bool,
}

impl Iterator for Lexer {
    type Item = (usize, Token);

    fn next(&mut self) -> Option<(usize, Token)> {
        loop {
            if let Some(token) = self.waiting.pop_front() {
                return Some(token);
            }
            let column = self.at + 1;
            let c = self.bump()?;
            if let Some(token) = self.token(c) {
                self.waiting.push_back((column, token));
            }
        }
    }
}

impl Lexer {
    pub fn new(line: &str) -> Lexer {
        Lexer {
            chars: line.chars().collect(),
            at: 0,
            waiting: Default::default(),
            seen: Vec::new(),
            exclamation_breaks_lines: false,
        }
    }

    fn peek(&self) -> Option<char> {
        self.chars.get(self.at).copied()
    }

    fn bump(&mut self) -> Option<char> {
        let c = self.peek()?;
        self.at += 1;
        Some(c)
    }

    fn eat(&mut self, wanted: char) -> bool {
        let found = self.peek() == Some(wanted);
        self.at += usize::from(found);
        found
    }

    /// How far ahead `wanted` stands on the line, if it is near.
    fn ahead(&mut self, wanted: char) -> Option<usize> {
        let known = self.seen.iter().position(|seen| seen.wanted == wanted);
        let known = known.unwrap_or_else(|| {
            self.seen.push(Seen {
                wanted,
                from: 0,
                found: 0,
            });
            self.seen.len() - 1
        });
        let seen = &mut self.seen[known];
        if self.at < seen.from || seen.found < self.at {
            seen.from = self.at;
            let rest = &self.chars[self.at..];
            let distance = rest.iter().position(|c| *c == wanted);
            seen.found = self.at + distance.unwrap_or(rest.len());
        }
        let distance = seen.found - self.at;
        (seen.found < self.chars.len() && distance < BRACKET_CHARS_MAX).then_some(distance)
    }

    fn token(&mut self, c: char) -> Option<Token> {
        match c {
            'A'..='G' | 'a'..='g' | '^' | '_' | '=' => {
                self.at -= 1;
                self.note()
            }
            'z' | 'x' => Some(self.length().map_or(Token::BadLength, Token::Rest)),
            'Z' | 'X' => Some(self.length().map_or(Token::BadLength, Token::BarRests)),
            'y' => {
                // A spacer; a number after it is its width.
                self.number();
                None
            }
            '[' => self.bracket(),
            '|' | ':' | ']' => {
                self.at -= 1;
                self.bar()
            }
            '{' => {
                self.eat('/');
                Some(Token::GraceOpen)
            }
            '}' => Some(Token::GraceClose),
            '(' if self.peek().is_some_and(|c| c.is_ascii_digit()) => Some(self.tuplet()),
            '(' if self.eat('&') => Some(Token::OverlayOpen),
            '(' => Some(Token::SlurOpen),
            ')' => Some(Token::SlurClose),
            '&' if self.eat(')') => Some(Token::OverlayClose),
            '&' => Some(Token::Overlay),
            '>' => Some(self.broken('>', 1)),
            '<' => Some(self.broken('<', -1)),
            '-' => Some(Token::Tie),
            '"' => self.annotation(),
            '!' => self.decoration('!'),
            '+' => self.decoration('+'),
            // A dot before a slur, a tie or a bar line makes those dotted.
            '.' if matches!(self.peek(), Some('(' | '-' | '|')) => None,
            '.' | '~' | 'H'..='W' | 'h'..='w' => Some(Token::Sign(c)),
            // Blanks, beam marks, line continuations, and characters kept for later use (8.1).
            ' ' | '\t' | '`' | '\\' | '#' | '*' | ';' | '?' | '@' | '$' => None,
            '\'' | ',' | '/' | '0'..='9' => {
                let rest = self.run(|c| c.is_ascii_digit() || matches!(c, '\'' | ',' | '/'));
                Some(Token::NotUnderstood(format!("{c}{rest}")))
            }
            c if c.is_whitespace() => None,
            c => Some(Token::NotUnderstood(c.into())),
        }
    }

    fn run(&mut self, belongs: impl Fn(char) -> bool) -> String {
        let mut run = String::new();
        while let Some(c) = self.peek().filter(|c| belongs(*c)) {
            run.push(c);
            self.at += 1;
        }
        run
    }

    /// Digits as a number; too many of them give the largest.
    fn number(&mut self) -> Option<u32> {
        let digits = self.run(|c| c.is_ascii_digit());
        (!digits.is_empty()).then(|| digits.parse().unwrap_or(u32::MAX))
    }

    /// `3/2`, `/`, `//`, `/4` (4.3); 1 where there is none, `None` for zero or beyond [`LENGTH_MAX`].
    fn length(&mut self) -> Option<f64> {
        let mut length = self.number().unwrap_or(1) as f64;
        while self.eat('/') {
            length /= self.number().unwrap_or(2) as f64;
        }
        (length.is_finite() && length > 1e-6 && length <= LENGTH_MAX).then_some(length)
    }

    /// Accidental, letter, octave marks; the length is left.
    fn pitch(&mut self) -> Option<NoteToken> {
        let accidental = self.accidental();
        let c = self.peek().filter(|c| matches!(c, 'A'..='G' | 'a'..='g'))?;
        self.at += 1;
        let mut octave = if c.is_ascii_lowercase() { 5i8 } else { 4 };
        while let Some(mark) = self.peek().filter(|c| matches!(c, ',' | '\'')) {
            octave = octave.saturating_add(if mark == ',' { -1 } else { 1 });
            self.at += 1;
        }
        Some(NoteToken {
            accidental,
            letter: "CDEFGAB".find(c.to_ascii_uppercase())? as u8,
            octave,
            length: 1.0,
        })
    }

    /// `^`, `^^`, `_`, `__`, `=`; a fraction such as `^1/2` or `_/` is rounded to a semitone.
    fn accidental(&mut self) -> Option<i8> {
        let sign = self.run(|c| matches!(c, '^' | '_' | '='));
        let semitones = match sign.as_bytes() {
            [] => return None,
            [b'=', ..] => 0,
            marks if marks[0] == b'^' => marks.len().min(2) as i8,
            marks => -(marks.len().min(2) as i8),
        };
        if self.peek().is_some_and(|c| c == '/' || c.is_ascii_digit()) {
            let share = self.length().unwrap_or(1.0).min(2.0);
            return Some((semitones as f64 * share).round() as i8);
        }
        Some(semitones)
    }

    fn note(&mut self) -> Option<Token> {
        let from = self.at;
        let Some(mut note) = self.pitch() else {
            let stray: String = self.chars[from..self.at].iter().collect();
            return Some(Token::NotUnderstood(stray));
        };
        Some(match self.length() {
            Some(length) => {
                note.length = length;
                Token::Note(note)
            }
            None => Token::BadLength,
        })
    }

    /// After `[`: an inline field, a bar line, an ending or a chord.
    fn bracket(&mut self) -> Option<Token> {
        let next = self.peek();
        let after = self.chars.get(self.at + 1).copied();
        match (next, after) {
            (Some(letter), Some(':')) if letter.is_ascii_alphabetic() => {
                let Some(end) = self.ahead(']') else {
                    return Some(Token::NotUnderstood("[".into()));
                };
                let text = self.chars[self.at + 2..self.at + end].iter().collect();
                self.at += end + 1;
                Some(Token::Field(letter, text))
            }
            (Some('|' | ']'), _) => {
                self.at -= 1;
                self.bar()
            }
            (Some(c), _) if c.is_ascii_digit() => Some(self.ending()),
            _ => self.chord(']'),
        }
    }

    /// A run of `|`, `:`, `[` before `|`, and `]`.
    fn bar(&mut self) -> Option<Token> {
        let from = self.at;
        while let Some(c) = self.peek() {
            let belongs = match c {
                '|' | ':' | ']' => true,
                '[' => matches!(self.chars.get(self.at + 1), Some('|' | ']')),
                '.' => self.chars.get(self.at + 1) == Some(&'|'),
                _ => false,
            };
            if !belongs {
                break;
            }
            self.at += 1;
        }
        let column = from + 1;
        let run: Vec<char> = self.chars[from..self.at].to_vec();
        // `|` after `:|` opens the next bar, and `:||:` is one line: cut only at the colons' ends.
        let lines = run.iter().filter(|c| **c == '|').count();
        let colons = run.iter().filter(|c| **c == ':').count() as u32;
        let before = run.iter().take_while(|c| **c == ':').count() as u32;
        let signs = if lines == 0 {
            match colons {
                // A bracket alone ends a section's line; a colon alone is a slip.
                0 => {
                    return Some(Token::Bar(BarSigns {
                        double: false,
                        ..Default::default()
                    }));
                }
                // `:]` can only be meant for `:|]`.
                1 if run.contains(&']') => BarSigns {
                    colons_before: 1,
                    colons_after: 0,
                    double: true,
                },
                1 => return Some(Token::NotUnderstood(":".into())),
                _ => BarSigns {
                    colons_before: colons / 2,
                    colons_after: colons - colons / 2,
                    double: true,
                },
            }
        } else {
            BarSigns {
                colons_before: before,
                colons_after: colons - before,
                // `[|]` is a bar line that is not seen (4.8).
                double: run != ['[', '|', ']']
                    && (lines > 1 || run.contains(&'[') || run.contains(&']')),
            }
        };
        if self.peek().is_some_and(|c| c.is_ascii_digit()) {
            self.waiting.push_back((column, Token::Bar(signs)));
            return Some(self.ending());
        }
        Some(Token::Bar(signs))
    }

    /// `1`, `1,3`, `1-3`, `1,3,5-7` (4.9, 4.10).
    fn ending(&mut self) -> Token {
        let mut numbers = Vec::new();
        while let Some(first) = self.number() {
            let range = self.peek() == Some('-') && self.digit_at(1);
            let last = if range {
                self.at += 1;
                self.number().unwrap_or(first)
            } else {
                first
            };
            numbers.extend((first..=last).take(ENDINGS_MAX));
            if !(self.peek() == Some(',') && self.digit_at(1)) {
                break;
            }
            self.at += 1;
        }
        numbers.retain(|n| (1..=ENDINGS_MAX as u32).contains(n));
        numbers.truncate(ENDINGS_MAX);
        Token::Ending(numbers)
    }

    fn digit_at(&self, ahead: usize) -> bool {
        self.chars
            .get(self.at + ahead)
            .is_some_and(char::is_ascii_digit)
    }

    /// After `[`: notes up to `]`, then the length of the whole. `close` is `+` in the outdated
    /// `+CEG+` of section 10.
    fn chord(&mut self, close: char) -> Option<Token> {
        let bar = self.ahead('|');
        let end = self.ahead(close);
        let Some(end) = end.filter(|end| bar.is_none_or(|bar| bar > *end)) else {
            return Some(Token::NotUnderstood("[".into()));
        };
        let close = self.at + end;
        let column = self.at;
        let mut notes: Vec<(NoteToken, bool)> = Vec::new();
        let mut after = Vec::new();
        while self.at < close {
            let here = self.at + 1;
            let Some(c) = self.bump() else { break };
            // Brackets do not nest, and reading them so would be unbounded.
            let token = if c == '[' {
                Some(Token::NotUnderstood("[".into()))
            } else {
                self.token(c)
            };
            match token {
                Some(Token::Note(note)) => notes.push((note, false)),
                Some(Token::Tie) => {
                    if let Some((_, tied)) = notes.last_mut() {
                        *tied = true;
                    }
                }
                Some(Token::SlurClose) => after.push((here, Token::SlurClose)),
                Some(t @ (Token::SlurOpen | Token::Decoration(_) | Token::Sign(_))) => {
                    self.waiting.push_back((here, t));
                }
                Some(Token::BadLength) => self.waiting.push_back((here, Token::BadLength)),
                Some(_) => self
                    .waiting
                    .push_back((here, Token::NotUnderstood(c.into()))),
                None => {}
            }
        }
        self.at = self.at.max(close + 1);
        let length = self.length();
        if notes.is_empty() {
            return None;
        }
        match length {
            Some(length) => {
                for (note, _) in &mut notes {
                    note.length *= length;
                }
                self.waiting.push_back((column, Token::Chord(notes)));
            }
            None => self.waiting.push_back((column, Token::BadLength)),
        }
        self.waiting.extend(after);
        None
    }

    /// `(p:q:r` with q and r left out at will (4.13).
    fn tuplet(&mut self) -> Token {
        let p = self.number().unwrap_or(0);
        let mut given = [None, None];
        for slot in &mut given {
            if !self.eat(':') {
                break;
            }
            *slot = self.number();
        }
        Token::Tuplet {
            p,
            q: given[0],
            r: given[1],
        }
    }

    fn broken(&mut self, sign: char, direction: i32) -> Token {
        let more = self.run(|c| c == sign).len() as i32;
        Token::Broken(direction * (1 + more))
    }

    /// Chord symbols and annotations in quotation marks are for the eye.
    fn annotation(&mut self) -> Option<Token> {
        match self.ahead('"') {
            Some(end) => {
                self.at += end + 1;
                None
            }
            None => Some(Token::NotUnderstood("\"".into())),
        }
    }

    /// A name between two signs on one line; a lone `!` is an old line break, a lone `+` nothing.
    fn decoration(&mut self, sign: char) -> Option<Token> {
        if sign == '!' && self.exclamation_breaks_lines {
            return None;
        }
        let name: Option<String> = self
            .ahead(sign)
            .map(|end| self.chars[self.at..self.at + end].iter().collect());
        let is_chord = |name: &String| {
            name.contains(|c: char| matches!(c, 'A'..='G' | 'a'..='g'))
                && name
                    .chars()
                    .all(|c| matches!(c, 'A'..='G' | 'a'..='g' | '0'..='9' | '/' | ',' | '\'' | '^' | '_' | '='))
        };
        match name.filter(|n| !n.is_empty() && !n.contains([' ', '|'])) {
            Some(name) if sign == '+' && is_chord(&name) => self.chord('+'),
            Some(name) => {
                self.at += name.chars().count() + 1;
                Some(Token::Decoration(name))
            }
            None if sign == '!' => None,
            None => Some(Token::NotUnderstood("+".into())),
        }
    }
}

/// Nothing in brackets, quotation or exclamation marks is longer; a sign further off closes
/// something else.
const BRACKET_CHARS_MAX: usize = 300;

/// More different endings, or a higher number of one, than any repeat has.
const ENDINGS_MAX: usize = 64;

/// The text of a note by its diatonic step, 0 = `C`, 7 = `c`, −1 = `B,`.
pub fn pitch_text(step: i32) -> String {
    let letter = b"CDEFGAB"[step.rem_euclid(7) as usize] as char;
    match step.div_euclid(7) {
        octave @ ..=0 => format!("{letter}{}", ",".repeat(octave.unsigned_abs() as usize)),
        octave => format!(
            "{}{}",
            letter.to_ascii_lowercase(),
            "'".repeat(octave as usize - 1)
        ),
    }
}
