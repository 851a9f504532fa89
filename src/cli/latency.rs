//! `passagework latency`: how long the click takes from loudspeaker to microphone.

use clap::Args;
use passagework::live::latency::{Remembered, measure};
use passagework::live::place::data_folder;
use passagework::live::taking::DEFAULT_CLICK_DB;

use super::check::Busy;
use super::listen::gain;
use super::{CommandError, Done, output};

#[derive(Args)]
pub struct LatencyArguments {
    /// The microphone, as `passagework devices` names it [default: the system's]
    #[arg(long, value_name = "NAME")]
    input: Option<String>,
    /// The loudspeaker, as `passagework devices` names it [default: the system's]
    #[arg(long, value_name = "NAME")]
    output: Option<String>,
    /// Level of the clicks, dB re full scale; keep headphones off your ears
    #[arg(long, value_name = "DB", default_value_t = DEFAULT_CLICK_DB, allow_negative_numbers = true)]
    click_level: f64,
}

pub fn run(arguments: &LatencyArguments) -> Result<Done, CommandError> {
    let busy = Busy::new();
    busy.say("clicks go out and come back; be quiet for seven seconds");
    let measured = measure(
        arguments.input.as_deref(),
        arguments.output.as_deref(),
        gain(arguments.click_level)?,
    );
    busy.done();
    let (input, output_name, latency) = measured?;
    output::print(&format!(
        "{:.1} ms from {output_name} to {input} ({} clicks, spread {:.1} ms)\n",
        latency.median_ms, latency.clicks, latency.spread_ms
    ))?;
    let folder = data_folder()?;
    Remembered::load(&folder)
        .keep(&folder, &input, &output_name, latency)
        .map_err(|e| {
            format!(
                "the figure cannot be remembered in {}: {e}; make the folder writable",
                folder.display()
            )
        })?;
    Ok(Done::Quiet)
}
