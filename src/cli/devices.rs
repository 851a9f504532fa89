//! `passagework devices`: the microphones and loudspeakers that can be used.

use clap::Args;
use passagework::sound::device::{DeviceError, Listed, list};

use super::{CommandError, Done, output};

#[derive(Args)]
pub struct DevicesArguments {}

pub fn run(_: &DevicesArguments) -> Result<Done, CommandError> {
    let (inputs, outputs) = list();
    if inputs.is_empty() && outputs.is_empty() {
        return Err(DeviceError::NoMicrophone.into());
    }
    let mut text = String::new();
    for (heading, devices) in [
        ("microphones (--input)", &inputs),
        ("loudspeakers (--output)", &outputs),
    ] {
        text.push_str(heading);
        text.push('\n');
        if devices.is_empty() {
            text.push_str("  none\n");
        }
        for device in devices {
            text.push_str(&row(device));
        }
    }
    output::print(&text)?;
    Ok(Done::Quiet)
}

fn row(device: &Listed) -> String {
    let channels = match device.n_channels {
        1 => "mono".into(),
        2 => "stereo".into(),
        n => format!("{n} channels"),
    };
    format!(
        "  {}{}\n      {}, {} Hz, {channels}, {}\n",
        device.name,
        if device.default {
            "  (used unless you say otherwise)"
        } else {
            ""
        },
        device.description,
        device.sample_rate_hz,
        device.format,
    )
}
