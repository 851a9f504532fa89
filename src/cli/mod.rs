//! Commands: arguments in, text or JSON out. Knows no music; every command is one file here.

pub mod check;
pub mod class;
pub mod demo;
pub mod devices;
pub mod drill;
pub mod engrave_apart;
pub mod fingers;
pub mod hear;
pub mod ladder;
pub mod latency;
pub mod library;
pub mod line;
pub mod listen;
pub mod manifest;
mod marked;
pub mod output;
pub mod page;
pub mod play;
pub mod practise;
pub mod review;

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
    /// Hold a recorded take against its line: wrong notes, uneven runs, tempo, tuning
    Check(check::CheckArguments),
    /// Follow a take while it is played, and report on it
    Listen(listen::ListenArguments),
    /// List microphones and loudspeakers
    Devices(devices::DevicesArguments),
    /// Measure how long the click takes from loudspeaker to microphone
    Latency(latency::LatencyArguments),
    /// Show what is heard in a take, without any line
    Hear(hear::HearArguments),
    /// Kept takes of an étude over days: what changed beyond the errors, and what did not
    Review(review::ReviewArguments),
    /// Check a folder of takes, one player a file: a table by player and bar
    Class(class::ClassArguments),
    /// Plan the fingerings of a line ahead: little fingers, forks, side keys, slides
    Fingers(fingers::FingersArguments),
    /// Make drills from what is hard in a line or a take: music to print, hear and check
    Drill(drill::DrillArguments),
    /// Today's sheet: which drills in which order, for the minutes there are
    Practise(practise::PractiseArguments),
    /// Hear passes of a drill and say the tempo of the next
    Ladder(ladder::LadderArguments),
    /// Hear the line as it is written
    Play(play::PlayArguments),
    /// Open the page: line, take and findings in the browser of this machine
    Page(page::PageArguments),
    /// The kept takes: list, delete, export, import
    Library(library::LibraryArguments),
    /// Make a small étude and takes of it, and check them
    Demo(demo::DemoArguments),
    /// Engrave MusicXML from standard input for another process of this program
    #[command(hide = true)]
    EngraveApart(engrave_apart::EngraveArguments),
}

/// What a command found, for the exit status.
pub enum Done {
    /// Nothing to report, or nothing that a status tells: 0.
    Quiet,
    /// The player has something to look at: 1.
    Findings,
}

/// Any reason why a command could not be done; its text says what to change.
pub type CommandError = Box<dyn std::error::Error>;

/// 0 done, 1 done with findings, 2 could not be done, with the reason on standard error.
pub fn exit_code(done: Result<Done, CommandError>) -> ExitCode {
    match done {
        Ok(Done::Quiet) => ExitCode::SUCCESS,
        Ok(Done::Findings) => ExitCode::from(1),
        Err(reason) => {
            eprintln!("passagework: {reason}");
            ExitCode::from(2)
        }
    }
}
