//! A file of tunes: the file header and the lines of each tune (2.2).

/// A line of text with its number in the file, from 1, comments still in it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TextLine<'a> {
    pub number: usize,
    pub text: &'a str,
}

/// The lines of one tune.
#[derive(Debug, PartialEq, Eq)]
pub struct TuneLines<'a> {
    /// The reference number of its `X:` field.
    pub number: Option<u32>,
    pub lines: Vec<TextLine<'a>>,
    /// Numbers of the lines, ascending, where the tune went on after a blank line, which should have ended it.
    pub went_on_at: Vec<usize>,
}

impl TuneLines<'_> {
    /// Whether anything marks these lines as a tune rather than words.
    pub fn is_tune(&self) -> bool {
        self.number.is_some() || self.lines.iter().any(|l| l.text.starts_with("K:"))
    }
}

#[derive(Debug, PartialEq, Eq)]
pub struct AbcFile<'a> {
    /// Lines before the first tune: fields in them hold for all tunes.
    pub header: Vec<TextLine<'a>>,
    /// Never empty: text without `X:` is taken as one tune.
    pub tunes: Vec<TuneLines<'a>>,
}

impl<'a> AbcFile<'a> {
    pub fn split(text: &'a str) -> AbcFile<'a> {
        let lines = without_text_blocks(lines_of(text));
        let starts: Vec<usize> = (0..lines.len())
            .filter(|&i| is_reference(lines[i].text))
            .collect();
        if starts.is_empty() {
            return AbcFile {
                header: Vec::new(),
                tunes: vec![tune_of(None, &lines)],
            };
        }
        let ends = starts.iter().skip(1).copied().chain([lines.len()]);
        let tunes = starts
            .iter()
            .zip(ends)
            .map(|(&start, end)| tune_of(reference_of(lines[start].text), &lines[start + 1..end]))
            .collect();
        AbcFile {
            header: lines[..starts[0]].to_vec(),
            tunes,
        }
    }
}

fn is_reference(line: &str) -> bool {
    line.trim_start().starts_with("X:") && reference_of(line).is_some()
}

fn reference_of(line: &str) -> Option<u32> {
    let digits = line.trim_start().strip_prefix("X:")?.trim_start();
    let n = digits.bytes().take_while(u8::is_ascii_digit).count();
    digits[..n].parse().ok()
}

/// Lines ended by LF, CR LF or CR.
fn lines_of(text: &str) -> Vec<TextLine<'_>> {
    let mut lines = Vec::new();
    let mut rest = text;
    while !rest.is_empty() {
        let end = rest.find(['\n', '\r']).unwrap_or(rest.len());
        lines.push(TextLine {
            number: lines.len() + 1,
            text: &rest[..end],
        });
        let ending = if rest[end..].starts_with("\r\n") {
            2
        } else {
            1
        };
        rest = rest.get(end + ending..).unwrap_or("");
    }
    lines
}

/// Leaves out `%%begintext` to `%%endtext` and the like (11.4): they hold no music.
fn without_text_blocks(lines: Vec<TextLine<'_>>) -> Vec<TextLine<'_>> {
    let mut block: Option<String> = None;
    lines
        .into_iter()
        .filter(|line| {
            let directive = line
                .text
                .strip_prefix("%%")
                .map(str::trim_start)
                .unwrap_or("");
            match &block {
                Some(kind) => {
                    if directive
                        .strip_prefix("end")
                        .is_some_and(|k| k.trim() == kind)
                    {
                        block = None;
                    }
                    false
                }
                None => {
                    if let Some(kind) = directive.strip_prefix("begin") {
                        block = kind.split_whitespace().next().map(str::to_string);
                    }
                    block.is_none()
                }
            }
        })
        .collect()
}

/// The lines up to the blank line that ends a tune. Blank lines where a tune cannot end, before
/// `K:` or before more music, are common in real files; the tune goes on there.
fn tune_of<'a>(number: Option<u32>, lines: &[TextLine<'a>]) -> TuneLines<'a> {
    let mut tune = TuneLines {
        number,
        lines: Vec::new(),
        went_on_at: Vec::new(),
    };
    let mut in_body = false;
    let mut i = 0;
    while i < lines.len() {
        let line = lines[i];
        if line.text.trim().is_empty() {
            let Some(next) = (i..lines.len()).find(|&j| !lines[j].text.trim().is_empty()) else {
                break;
            };
            if in_body && !more_music(&lines[next..]) {
                break;
            }
            if !tune.lines.is_empty() {
                tune.went_on_at.push(lines[next].number);
            }
            i = next;
            continue;
        }
        in_body |= line.text.starts_with("K:");
        tune.lines.push(line);
        i += 1;
    }
    tune
}

/// Whether the block of text up to the next blank line is music rather than words about it:
/// each of its lines is a field of a tune body, a comment or has a bar line.
fn more_music(lines: &[TextLine<'_>]) -> bool {
    let mut block = lines
        .iter()
        .map(|l| l.text.trim())
        .take_while(|t| !t.is_empty());
    let mut has_bar_line = false;
    let all_fit = block.all(|text| {
        let field = text.len() > 1
            && text.as_bytes()[1] == b':'
            && b"IKLMmNPQRrsTUVWw+".contains(&text.as_bytes()[0]);
        has_bar_line |= !field && text.contains('|');
        field || text.starts_with('%') || text.contains('|')
    });
    all_fit && has_bar_line
}
