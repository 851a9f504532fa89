//! The commands of `passagework`, one file each in `cli`.

mod cli;

use std::process::ExitCode;

use clap::Parser;
use cli::{Command, Passagework};

fn main() -> ExitCode {
    cli::engrave_apart::ready();
    let done = match Passagework::parse().command {
        Command::Line(arguments) => cli::line::run(&arguments),
        Command::Check(arguments) => cli::check::run(&arguments),
        Command::Listen(arguments) => cli::listen::run(&arguments),
        Command::Devices(arguments) => cli::devices::run(&arguments),
        Command::Latency(arguments) => cli::latency::run(&arguments),
        Command::Hear(arguments) => cli::hear::run(&arguments),
        Command::Review(arguments) => cli::review::run(&arguments),
        Command::Class(arguments) => cli::class::run(&arguments),
        Command::Fingers(arguments) => cli::fingers::run(&arguments),
        Command::Drill(arguments) => cli::drill::run(&arguments),
        Command::Practise(arguments) => cli::practise::run(&arguments),
        Command::Ladder(arguments) => cli::ladder::run(&arguments),
        Command::Play(arguments) => cli::play::run(&arguments),
        Command::Page(arguments) => cli::page::run(&arguments),
        Command::Library(arguments) => cli::library::run(&arguments),
        Command::Demo(arguments) => cli::demo::run(&arguments),
        Command::EngraveApart(arguments) => cli::engrave_apart::run(&arguments),
    };
    cli::exit_code(done)
}
