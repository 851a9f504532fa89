//! `passagework page`: line, take and findings in the browser of this machine.

use std::path::PathBuf;

use clap::Args;
use passagework::page::{PageOptions, serve};

use super::library::LibraryChoice;
use super::line::LineChoice;
use super::{CommandError, Done, output};

#[derive(Args)]
pub struct PageArguments {
    /// The étude to begin with: MusicXML (.musicxml, .xml, .mxl), MIDI (.mid) or ABC (.abc)
    line: Option<PathBuf>,
    #[command(flatten)]
    choice: LineChoice,
    /// Port on this machine [default: any that is free]
    #[arg(long, value_name = "N", default_value_t = 0, hide_default_value = true)]
    port: u16,
    /// Listen to this recording in place of the microphone
    #[arg(long, value_name = "FILE")]
    take: Option<PathBuf>,
    /// The microphone, as `passagework devices` names it [default: the system's]
    #[arg(long, value_name = "NAME")]
    input: Option<String>,
    /// The loudspeaker, as `passagework devices` names it [default: the system's]
    #[arg(long, value_name = "NAME")]
    output: Option<String>,
    #[command(flatten)]
    place: LibraryChoice,
    /// Open the page in the default browser
    #[arg(long)]
    open: bool,
}

pub fn run(arguments: &PageArguments) -> Result<Done, CommandError> {
    let choice = arguments.choice.options(false);
    let options = PageOptions {
        port: arguments.port,
        line: arguments.line.clone(),
        part: choice.part,
        voice: choice.voice,
        tune: choice.tune,
        instrument: choice.instrument,
        library: arguments.place.folder(),
        fed_take: arguments.take.clone(),
        input: arguments.input.clone(),
        output: arguments.output.clone(),
    };
    serve(&options, |address| {
        // A reader that has gone away takes the address with it, not the page.
        let _ = output::print(&format!(
            "The page is at\n  {address}\nfor a browser on this machine; nothing leaves it. Ctrl-C ends it.\n"
        ));
        if arguments.open && !open(address) {
            eprintln!("passagework: no browser could be started; open the address yourself");
        }
    })?;
    Ok(Done::Quiet)
}

/// Asks the desktop for its default browser.
fn open(address: &str) -> bool {
    let (program, before): (&str, &[&str]) = if cfg!(target_os = "macos") {
        ("open", &[])
    } else if cfg!(windows) {
        ("cmd", &["/C", "start", ""])
    } else {
        ("xdg-open", &[])
    };
    std::process::Command::new(program)
        .args(before)
        .arg(address)
        .stdout(std::process::Stdio::null())
        .stderr(std::process::Stdio::null())
        .spawn()
        .is_ok()
}
