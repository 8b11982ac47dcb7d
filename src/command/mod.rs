//! The command line: one file per command, with its arguments, call and output.
//! Exit code 0: success; 1: failure; 2: bad command line.

mod bars;
mod boards;
mod budget;
mod choose;
mod compare;
mod convert;
mod demo;
mod enclosure;
mod examples;
mod export;
mod firmware;
mod gain;
mod inspect;
pub mod manual;
mod nature;
mod needs;
pub(crate) mod out;
mod refused;
mod rehearse;
mod repair;
mod report;
mod serve;
mod show;
mod size;
mod stop;
mod values;
mod verify;
mod wildcards;

use std::process::ExitCode;

use clap::{FromArgMatches, Parser, Subcommand};
use out::complain;

use crate::convert::ConvertError;
use crate::export::ExportError;
use crate::files::OutputError;

/// The end of `thumbreel help`.
const FROM_CLIP_TO_BOARD: &str = "\
From clip to board:
  thumbreel convert CLIP --board BOARD    makes a reel
  cp REEL CARD                            puts it on a card with FAT32,
  thumbreel serve FOLDER                  or sends it over Wi-Fi
  thumbreel firmware FOLDER --board BOARD writes the C files that play it: fill in, build, flash";

/// Film clips with sound for tiny panels.
#[derive(Parser)]
#[command(name = "thumbreel", version, max_term_width = 100, after_help = FROM_CLIP_TO_BOARD)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

/// One variant per command, in alphabetical order.
#[derive(Subcommand)]
enum Command {
    Boards(boards::Args),
    Budget(budget::Args),
    Compare(compare::Args),
    Convert(Box<convert::Args>),
    Demo(demo::Args),
    Enclosure(enclosure::Args),
    Export(export::Args),
    Firmware(firmware::Args),
    Gain(gain::Args),
    Inspect(inspect::Args),
    Manual(manual::Args),
    Rehearse(rehearse::Args),
    Repair(repair::Args),
    Report(report::Args),
    Serve(serve::Args),
    Verify(verify::Args),
}

/// The command line is wrong: exit code 2.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub(crate) struct Usage(pub(crate) String);

/// Parses the command line, runs the command and returns its exit code.
#[must_use]
pub fn main() -> ExitCode {
    if let Err(error) = stop::watch() {
        complain!(
            "thumbreel: signals cannot be watched: {}",
            crate::files::reason(&error)
        );
    }
    match read().and_then(run) {
        Ok(code) => code,
        Err(error) => {
            complain!("thumbreel: {}", told(&error));
            ExitCode::from(if is_usage(&error) { 2 } else { 1 })
        }
    }
}

/// The command that was typed.
fn read() -> anyhow::Result<Command> {
    let words: Vec<_> = match cfg!(windows) {
        true => wildcards::expanded(std::env::args_os()),
        false => std::env::args_os().collect(),
    };
    let understood = |error: clap::Error| match refused::sentence(&error, &words) {
        Some(sentence) => Usage(sentence),
        None => error.exit(),
    };
    let typed = examples::command().try_get_matches_from(&words);
    let typed = typed.map_err(understood)?;
    needs::check(&typed)?;
    let cli = Cli::from_arg_matches(&typed).map_err(understood)?;
    Ok(cli.command)
}

/// Whether the command line is at fault.
fn is_usage(error: &anyhow::Error) -> bool {
    let by_kind = |error: &OutputError| error.is_usage();
    error.is::<Usage>()
        || error.downcast_ref().is_some_and(by_kind)
        || matches!(error.downcast_ref(), Some(ExportError::Output(e)) if e.is_usage())
        || error.downcast_ref().is_some_and(ConvertError::is_usage)
}

/// An error with its causes, without repetition.
fn told(error: &anyhow::Error) -> String {
    let mut text = String::new();
    let words = |cause: &(dyn std::error::Error + 'static)| match cause.downcast_ref() {
        Some(error) => crate::files::reason(error),
        None => cause.to_string(),
    };
    for cause in error.chain().map(words) {
        if !text.ends_with(&cause) {
            let colon = if text.is_empty() { "" } else { ": " };
            text.push_str(colon);
            text.push_str(&cause);
        }
    }
    text
}

fn run(command: Command) -> anyhow::Result<ExitCode> {
    match command {
        Command::Boards(args) => boards::run(args),
        Command::Budget(args) => budget::run(args),
        Command::Compare(args) => compare::run(args),
        Command::Convert(args) => convert::run(*args),
        Command::Demo(args) => demo::run(args),
        Command::Enclosure(args) => enclosure::run(args),
        Command::Export(args) => export::run(args),
        Command::Firmware(args) => firmware::run(args),
        Command::Gain(args) => gain::run(args),
        Command::Inspect(args) => inspect::run(args),
        Command::Manual(args) => manual::run(args),
        Command::Rehearse(args) => rehearse::run(args),
        Command::Repair(args) => repair::run(args),
        Command::Report(args) => report::run(args),
        Command::Serve(args) => serve::run(args),
        Command::Verify(args) => verify::run(args),
    }
}
