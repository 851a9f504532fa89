//! `passagework practise`: today's sheet, for the minutes there are.

use clap::Args;
use passagework::practise::sheet::{MINUTES, sheet};
use passagework::show::practise;

use super::drill::DrillsFrom;
use super::{CommandError, Done, output};

#[derive(Args)]
pub struct PractiseArguments {
    #[command(flatten)]
    from: DrillsFrom,
    /// Minutes there are
    #[arg(long, value_name = "N", default_value_t = 30)]
    minutes: u32,
}

pub fn run(arguments: &PractiseArguments) -> Result<Done, CommandError> {
    if !MINUTES.contains(&arguments.minutes) {
        return Err(format!(
            "a sheet is for {} to {} minutes, not for {}",
            MINUTES.start(),
            MINUTES.end(),
            arguments.minutes
        )
        .into());
    }
    let made = arguments.from.made()?;
    let written = arguments.from.written(&made)?;
    let slots = sheet(&made.drills, arguments.minutes);
    let page = arguments.from.page(&made, &written, "today.html", &slots)?;
    output::print(&practise::sheet_text(&made.etude, &written.shown, &slots))?;
    output::print(&format!("\n{page}\n\n"))?;
    output::print(&practise::drills_text(&made.etude, &written.shown))?;
    Ok(Done::Quiet)
}
