//! `passagework engrave-apart`, not for people: a file is engraved in a process of its own, so that
//! one that stops the engraver stops nothing else.

use std::io::Read;

use clap::Args;
use passagework::show::marked::engraver::{self, Breaks};

use super::{CommandError, Done, output};

#[derive(Args)]
pub struct EngraveArguments {
    /// Width of the staves
    width: u32,
}

/// Names this program for the work.
pub fn ready() {
    // Without it the work is done in this process.
    if let Ok(program) = std::env::current_exe() {
        engraver::set_program(program);
    }
}

pub fn run(arguments: &EngraveArguments) -> Result<Done, CommandError> {
    let mut xml = String::new();
    std::io::stdin().read_to_string(&mut xml)?;
    let pages = engraver::engrave(&xml, arguments.width, Breaks::Document)?;
    output::print(&serde_json::to_string(&pages)?)?;
    Ok(Done::Quiet)
}
