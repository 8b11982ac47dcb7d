//! `thumbreel boards`: the profiles, one by one.

use std::process::ExitCode;

use clap::Subcommand;

use super::budget::board;
use super::out::say;
use crate::board::{Board, sections};

/// Board profiles: list, show, explain, check.
#[derive(clap::Args)]
pub struct Args {
    #[command(subcommand)]
    action: Option<Action>,
}

#[derive(Subcommand)]
enum Action {
    /// List the built-in boards (also without any word).
    List {
        /// One JSON array.
        #[arg(long)]
        json: bool,
    },
    /// Print a whole profile with every key explained.
    Show {
        /// A built-in board's name or a profile's path.
        board: String,
        /// JSON instead of TOML.
        #[arg(long)]
        json: bool,
    },
    /// Explain every key: meaning, unit, default, where to find it.
    Keys,
    /// Check profiles and say what looks odd.
    Check {
        /// Built-in names or paths.
        #[arg(required = true)]
        boards: Vec<String>,
    },
}

/// Runs the command.
///
/// # Errors
/// The profile is unknown, unreadable or wrong.
pub fn run(args: Args) -> anyhow::Result<ExitCode> {
    match args.action.unwrap_or(Action::List { json: false }) {
        Action::List { json } => list(json),
        Action::Show { board, json } => show(&board, json),
        Action::Keys => Ok(keys()),
        Action::Check { boards } => Ok(check(&boards)),
    }
}

fn list(json: bool) -> anyhow::Result<ExitCode> {
    let boards = Board::built_in();
    if json {
        say!("{}", serde_json::to_string_pretty(&boards)?);
        return Ok(ExitCode::SUCCESS);
    }
    let width = boards.iter().map(|b| b.name.len()).max().unwrap_or(0);
    for board in &boards {
        say!("{:width$}  {}", board.name, board.description);
    }
    Ok(ExitCode::SUCCESS)
}

fn show(name: &str, json: bool) -> anyhow::Result<ExitCode> {
    let board = board(name)?;
    if json {
        say!("{}", serde_json::to_string_pretty(&board)?);
    } else {
        super::out::bytes(board.to_toml().as_bytes());
    }
    Ok(ExitCode::SUCCESS)
}

fn keys() -> ExitCode {
    for (section, keys) in sections() {
        say!("[{section}]");
        for key in keys {
            say!("  {}:{} [{}]", key.name, key.what, key.unit);
            say!("      {}", key.whence);
        }
        say!("");
    }
    ExitCode::SUCCESS
}

fn check(names: &[String]) -> ExitCode {
    let mut failed = false;
    for name in names {
        match Board::find(name) {
            Ok(board) => {
                say!("{name}: good: {}", board.description);
                for advice in board.advice() {
                    say!("  {}: {}", advice.key, advice.text);
                }
            }
            Err(error) => {
                failed = true;
                eprintln!("thumbreel: {error}");
            }
        }
    }
    ExitCode::from(u8::from(failed))
}
