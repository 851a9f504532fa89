//! Commands: arguments in, text or JSON out. Knows no music; every command is one file here.

pub mod line;
pub mod output;

use std::process::ExitCode;

use clap::{Parser, Subcommand};

/// Hears a player work on a hard line: which notes were wrong, which runs uneven, where the
/// tempo drifted.
#[derive(Parser)]
#[command(version, arg_required_else_help = true)]
pub struct Passagework {
    #[command(subcommand)]
    pub command: Command,
}

#[derive(Subcommand)]
pub enum Command {
    /// Show the written line of an étude as it is understood
    Line(line::LineArguments),
}

/// What a command found, for the exit status.
pub enum Done {
    /// Nothing to report, or nothing that a status tells: 0.
    Quiet,
}

/// Any reason why a command could not be done; its text says what to change.
pub type CommandError = Box<dyn std::error::Error>;

/// 0 done, 2 could not be done, with the reason on standard error.
pub fn exit_code(done: Result<Done, CommandError>) -> ExitCode {
    match done {
        Ok(Done::Quiet) => ExitCode::SUCCESS,
        Err(reason) => {
            eprintln!("passagework: {reason}");
            ExitCode::from(2)
        }
    }
}
