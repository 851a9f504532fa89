//! What a player sees in the terminal while playing: where, how fast, how loud, how in tune.
//!
//! Calm on purpose: words and numbers in fixed places, nothing that moves along with the notes,
//! and what went wrong only when the phrase is over.

use std::collections::VecDeque;

use ratatui::Frame;
use ratatui::layout::{Constraint, Layout};
use ratatui::style::{Modifier, Style};
use ratatui::text::{Line as Text, Span};
use ratatui::widgets::{Paragraph, Wrap};

use super::events::{Event, HeardOutcome};
use crate::line::Line;

/// Notes shown ahead.
const NEXT_NOTES: usize = 6;

/// Newest notes that the words on time and tuning are taken from.
const NEWEST: usize = 6;

/// Within this the player is on the beat, milliseconds (a listener's threshold for one note
/// among steady ones is about 10 to 20: common practice).
const ON_TIME_MS: f64 = 15.0;

/// Within this the tuning is good, cents (common practice).
const IN_TUNE_CENTS: f64 = 6.0;

/// Widest deviation the time scale shows, milliseconds.
const SCALE_MS: f64 = 60.0;

/// Quietest level the level bar shows, dB re full scale.
const BAR_FROM_DBFS: f64 = -60.0;

/// How long a clipping warning stays, seconds.
const WARNING_S: f64 = 3.0;

/// Lines of the last phrase shown at the most.
const PHRASE_LINES: usize = 5;

/// The state of the screen; events in, text out.
pub struct Screen {
    line: Line,
    place: Option<usize>,
    lost: bool,
    beat: Option<(String, f64, bool)>,
    heard_s: f64,
    level_dbfs: f64,
    clipped_s: Option<f64>,
    ahead_ms: VecDeque<f64>,
    cents: VecDeque<f64>,
    phrase: Option<Vec<String>>,
    warnings: Vec<String>,
    n_right: usize,
    gaps: u64,
    click: Option<String>,
}

impl Screen {
    /// `click` in words, such as `q. = 92`.
    pub fn new(line: Line, click: Option<String>) -> Screen {
        Screen {
            line,
            place: None,
            lost: false,
            beat: None,
            heard_s: 0.0,
            level_dbfs: BAR_FROM_DBFS,
            clipped_s: None,
            ahead_ms: VecDeque::new(),
            cents: VecDeque::new(),
            phrase: None,
            warnings: Vec::new(),
            n_right: 0,
            gaps: 0,
            click,
        }
    }

    pub fn apply(&mut self, event: &Event) {
        match event {
            Event::CountIn(beat) => self.beat = Some((beat.bar.clone(), beat.beat, true)),
            Event::Click(beat) => self.beat = Some((beat.bar.clone(), beat.beat, false)),
            Event::Position { index, .. } => self.place = Some(*index),
            Event::Heard {
                outcome,
                cents,
                ahead_ms,
                ..
            } => {
                let keep = |values: &mut VecDeque<f64>, value: &Option<f64>| {
                    values.extend(value);
                    while values.len() > NEWEST {
                        values.pop_front();
                    }
                };
                if *outcome == HeardOutcome::Right {
                    self.n_right += 1;
                    keep(&mut self.cents, cents);
                }
                keep(&mut self.ahead_ms, ahead_ms);
            }
            Event::Phrase {
                findings, warnings, ..
            } => {
                self.phrase = Some(findings.iter().map(|f| f.text.clone()).collect());
                self.warnings.extend_from_slice(warnings);
            }
            Event::Lost { .. } => self.lost = true,
            Event::Found { index, .. } => {
                self.lost = false;
                self.place = Some(*index);
            }
            Event::Level {
                said_s,
                dbfs,
                clipped,
            } => {
                self.heard_s = *said_s;
                self.level_dbfs = *dbfs;
                if *clipped {
                    self.clipped_s = Some(*said_s);
                }
            }
            Event::Gap { .. } => self.gaps += 1,
            Event::Done { .. } => {}
        }
    }

    pub fn draw(&self, frame: &mut Frame) {
        let strong = Style::new().add_modifier(Modifier::BOLD);
        let faint = Style::new().add_modifier(Modifier::DIM);
        let label = |text: &'static str| Span::styled(format!("{text:<9}"), faint);
        let minutes = (self.heard_s / 60.0) as u64;
        let mut rows = vec![
            Text::from(vec![
                Span::styled(self.line.title.clone(), strong),
                Span::styled(
                    format!("   {minutes}:{:02}", (self.heard_s % 60.0) as u64),
                    faint,
                ),
            ]),
            Text::default(),
            Text::from(vec![
                label("where"),
                Span::styled(self.place_words(), strong),
            ]),
            Text::from(vec![label("next"), Span::raw(self.next_words())]),
            Text::default(),
            Text::from(vec![label("time"), Span::raw(self.time_words())]),
            Text::from(vec![label("tuning"), Span::raw(self.tuning_words())]),
            Text::from(vec![label("level"), Span::raw(self.level_words())]),
        ];
        if let Some(click) = self.click_words() {
            rows.insert(5, Text::from(vec![label("click"), Span::raw(click)]));
        }
        if self.gaps > 0 {
            rows.push(Text::from(vec![
                label(""),
                Span::styled(
                    format!("sound was lost ({}×): close other programs", self.gaps),
                    strong,
                ),
            ]));
        }
        rows.extend(
            self.warnings
                .iter()
                .map(|warning| Text::from(Span::styled(warning.as_str(), strong))),
        );
        rows.push(Text::default());
        if let Some(phrase) = &self.phrase {
            rows.push(Text::from(Span::styled("the last phrase", faint)));
            if phrase.is_empty() {
                rows.push(Text::from("  nothing to remark"));
            }
            rows.extend(
                phrase
                    .iter()
                    .take(PHRASE_LINES)
                    .map(|text| Text::from(format!("  {text}"))),
            );
        }
        let [body, foot] =
            Layout::vertical([Constraint::Min(1), Constraint::Length(1)]).areas(frame.area());
        frame.render_widget(Paragraph::new(rows).wrap(Wrap { trim: false }), body);
        frame.render_widget(
            Paragraph::new(Span::styled("q ends the take; the report follows", faint)),
            foot,
        );
    }

    fn place_words(&self) -> String {
        if self.lost {
            return "listening for where you are".into();
        }
        match (&self.beat, self.place) {
            (Some((_, beat, true)), None) => format!("count-in, {}", beat.floor()),
            (_, None) => "waiting for the first note".into(),
            (_, Some(idx)) => {
                let note = &self.line.notes[idx];
                let beat = (100.0 * note.beat).round() / 100.0;
                format!("bar {}, beat {beat}   {}", note.bar, note.written)
            }
        }
    }

    fn next_words(&self) -> String {
        let from = self.place.map_or(0, |idx| idx + 1);
        let mut words = String::new();
        let mut bar = self.place.map(|idx| self.line.notes[idx].bar_idx);
        for note in self.line.notes.iter().skip(from).take(NEXT_NOTES) {
            if bar.is_some_and(|bar| bar != note.bar_idx) {
                words.push_str("|  ");
            }
            bar = Some(note.bar_idx);
            words.push_str(&format!("{}  ", note.written));
        }
        if words.is_empty() {
            words.push_str("the end");
        }
        words
    }

    fn time_words(&self) -> String {
        let Some(ms) = middle(&self.ahead_ms) else {
            return "–".into();
        };
        let width = 21;
        let at = ((ms / SCALE_MS).clamp(-1.0, 1.0) * (width / 2) as f64).round() as i32 + width / 2;
        let scale: String = (0..width)
            .map(|i| match (i == at, i == width / 2) {
                (true, _) => 'o',
                (_, true) => '|',
                _ => '.',
            })
            .collect();
        let words = if ms.abs() < ON_TIME_MS {
            "on the beat".to_string()
        } else if ms > 0.0 {
            format!("{ms:.0} ms behind")
        } else {
            format!("{:.0} ms ahead", -ms)
        };
        format!("ahead {scale} behind   {words}")
    }

    fn tuning_words(&self) -> String {
        match middle(&self.cents) {
            None => "–".into(),
            Some(cents) if cents.abs() < IN_TUNE_CENTS => "even with the rest of the take".into(),
            Some(cents) if cents > 0.0 => format!("{cents:.0} cents sharp of the take"),
            Some(cents) => format!("{:.0} cents flat of the take", -cents),
        }
    }

    fn level_words(&self) -> String {
        let share = ((self.level_dbfs - BAR_FROM_DBFS) / -BAR_FROM_DBFS).clamp(0.0, 1.0);
        let full = (share * 20.0).round() as usize;
        let bar = format!("{}{}", "=".repeat(full), " ".repeat(20 - full));
        let clipping = self
            .clipped_s
            .is_some_and(|at_s| self.heard_s - at_s < WARNING_S);
        if clipping {
            format!("[{bar}] too loud: turn the input level down")
        } else {
            format!("[{bar}] {:.0} dB", self.level_dbfs)
        }
    }

    fn click_words(&self) -> Option<String> {
        let tempo = self.click.as_ref()?;
        Some(match &self.beat {
            Some((_, beat, true)) => format!("{tempo}   count-in {}", beat.floor()),
            Some((bar, beat, false)) => format!("{tempo}   bar {bar}, beat {}", beat.floor()),
            None => tempo.clone(),
        })
    }
}

fn middle(values: &VecDeque<f64>) -> Option<f64> {
    let values: Vec<f64> = values.iter().copied().collect();
    crate::judge::stats::median(&values)
}

/// One event in plain words, for a terminal that is none; `None` for what only a screen shows.
pub fn plain(line: &Line, event: &Event) -> Option<String> {
    let place = |idx: usize| {
        let note = &line.notes[idx];
        format!(
            "bar {}, beat {}",
            note.bar,
            (100.0 * note.beat).round() / 100.0
        )
    };
    match event {
        Event::Phrase {
            findings, warnings, ..
        } if !(findings.is_empty() && warnings.is_empty()) => Some(
            findings
                .iter()
                .map(|finding| &finding.text)
                .chain(warnings)
                .map(String::as_str)
                .collect::<Vec<_>>()
                .join("\n"),
        ),
        Event::Lost { .. } => Some("listening for where you are".into()),
        Event::Found { index, .. } => Some(format!("found again: {}", place(*index))),
        Event::Gap {
            at_s,
            lost_samples: 0,
        } => Some(format!(
            "some sound was lost at {at_s:.1} s: close other programs"
        )),
        Event::Gap { at_s, lost_samples } => Some(format!(
            "{lost_samples} samples were lost at {at_s:.1} s: close other programs"
        )),
        Event::Done {
            reason: Some(reason),
            ..
        } => Some(reason.clone()),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hear::recording::AUTOMATIC_GAIN;
    use crate::line::read::{LineOptions, read_line};
    use crate::live::events::Beat;
    use ratatui::Terminal;
    use ratatui::backend::TestBackend;

    fn text(screen: &Screen) -> String {
        let mut terminal = Terminal::new(TestBackend::new(72, 20)).expect("a terminal");
        terminal.draw(|frame| screen.draw(frame)).expect("drawn");
        terminal
            .backend()
            .buffer()
            .content()
            .chunks(72)
            .map(|row| row.iter().map(|cell| cell.symbol()).collect::<String>() + "\n")
            .collect()
    }

    #[test]
    fn the_screen_says_where_what_next_and_how_loud() {
        let etude = concat!(env!("CARGO_MANIFEST_DIR"), "/src/cli/demo_etude.abc");
        let line = read_line(std::path::Path::new(etude), &LineOptions::default())
            .expect("the demo étude");
        let mut screen = Screen::new(line.clone(), Some("q. = 92".into()));
        screen.apply(&Event::CountIn(Beat {
            at_s: 0.1,
            bar: String::new(),
            beat: 2.0,
        }));
        assert!(text(&screen).contains("count-in, 2"), "{}", text(&screen));
        screen.apply(&Event::Position {
            index: 3,
            onset_s: 1.0,
            said_s: 1.02,
        });
        screen.apply(&Event::Level {
            said_s: 1.1,
            dbfs: -0.1,
            clipped: true,
        });
        let shown = text(&screen);
        assert!(
            shown.contains(&format!("bar {}", line.notes[3].bar)),
            "{shown}"
        );
        assert!(
            shown.contains(&line.notes[4].written.to_string()),
            "{shown}"
        );
        assert!(shown.contains("too loud"), "{shown}");
        screen.apply(&Event::Phrase {
            said_s: 1.5,
            findings: Vec::new(),
            warnings: vec![AUTOMATIC_GAIN.to_owned()],
        });
        // It stays when the next phrase has nothing new to warn of.
        screen.apply(&Event::Phrase {
            said_s: 1.8,
            findings: Vec::new(),
            warnings: Vec::new(),
        });
        let shown = text(&screen);
        assert!(shown.contains("automatic gain"), "{shown}");
        assert!(shown.contains("nothing to remark"), "{shown}");
        screen.apply(&Event::Lost {
            said_s: 2.0,
            index: Some(3),
        });
        assert!(text(&screen).contains("listening for where you are"));
    }
}
