//! What a player says about a take, as text: on the command line and on the page alike.

use serde::{Deserialize, Serialize};

use crate::align::{AlignOptions, Rhythm, passage};
use crate::judge::{ClickError, ClickOptions, JudgeOptions};
use crate::line::{Line, LineBar};
use crate::pipeline::TakeOptions;

/// Each as it was typed; `None` where nothing was said.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Said {
    /// The passage played, by printed bar numbers: `9-16` or `9`.
    pub bars: Option<String>,
    /// The rhythm a run of equal notes was practised in, such as `long-short`.
    pub rhythm: Option<String>,
    /// A note value and beats a minute, such as `q.=92`.
    pub click: Option<String>,
    /// Second of the take at which one of the clicks sounds.
    pub click_at_s: Option<f64>,
}

/// A bar range, rhythm or click that cannot be meant.
#[derive(Debug, thiserror::Error)]
pub enum SayError {
    #[error(
        "cannot read the bars \"{0}\": write the printed numbers of the first and the last, such as 9-16, or one, such as 9"
    )]
    Bars(String),
    #[error("the line has no bars {wanted}; it has {first} to {last}")]
    NoSuchBars {
        wanted: String,
        first: String,
        last: String,
    },
    #[error(
        "no rhythm is called \"{0}\"; write a chain such as long-short, short-long or long-short-short, or triplet"
    )]
    Rhythm(String),
    #[error(transparent)]
    Click(#[from] ClickError),
    #[error("--click-at takes a second of the take, such as 1.25")]
    ClickAt,
}

impl Said {
    /// What was said, understood; bars are held against the line.
    pub fn options(&self, line: &Line) -> Result<TakeOptions, SayError> {
        let bars = match &self.bars {
            Some(text) => Some(read_bars(text, line)?),
            None => None,
        };
        let rhythm = match &self.rhythm {
            Some(name) => Some(Rhythm::parse(name).ok_or_else(|| SayError::Rhythm(name.clone()))?),
            None => None,
        };
        let mut click = match &self.click {
            Some(text) => Some(ClickOptions::parse(text)?),
            None => None,
        };
        if let Some(click) = &mut click {
            if self.click_at_s.is_some_and(|s| !s.is_finite()) {
                return Err(SayError::ClickAt);
            }
            click.at_s = self.click_at_s;
        }
        Ok(TakeOptions {
            align: AlignOptions {
                bars,
                rhythm: rhythm.clone(),
                ..AlignOptions::default()
            },
            judge: JudgeOptions { click, rhythm },
        })
    }
}

/// First and last bar of `9-16` or `9`, as printed, where the line has them.
fn read_bars(text: &str, line: &Line) -> Result<(String, String), SayError> {
    let (from, to) = text.split_once('-').unwrap_or((text, text));
    let (from, to) = (from.trim(), to.trim());
    if from.is_empty() || to.is_empty() {
        return Err(SayError::Bars(text.into()));
    }
    if passage(line, from, to).is_none() {
        let number = |bar: Option<&LineBar>| bar.map_or_else(|| "?".into(), |b| b.number.clone());
        return Err(SayError::NoSuchBars {
            wanted: text.into(),
            first: number(line.bars.first()),
            last: number(line.bars.last()),
        });
    }
    Ok((from.into(), to.into()))
}
