//! `thumbreel boards`: the profiles, one by one.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Subcommand;

use super::budget::board;
use super::out::{chart_to, complain, say};
use crate::answer::latency_picture;
use crate::board::{Board, Latency, Measured, ask, sections, terms_of};
use crate::budget::remarks;
use crate::files::{Destination, Kind};

/// Board profiles: list, show, keys, new, measure, check.
#[derive(clap::Args)]
pub struct Args {
    #[command(subcommand)]
    action: Option<Action>,
}

#[derive(Subcommand)]
enum Action {
    /// List the built-in boards (the default).
    List {
        /// Print one JSON array.
        #[arg(long)]
        json: bool,
    },
    /// Print a complete profile with every key explained.
    Show {
        /// Built-in board, or a profile's path.
        board: String,
        /// Print JSON instead of TOML.
        #[arg(long)]
        json: bool,
    },
    /// Explain every key: meaning, unit, default, range, where to find it.
    Keys,
    /// Create a profile by answering questions; an empty answer keeps the value in brackets.
    New {
        /// Board to start from.
        #[arg(long, default_value = "lantern-room")]
        like: String,
        /// Profile to write [default: standard output].
        #[arg(short, long)]
        output: Option<PathBuf>,
        /// Replace a profile that exists.
        #[arg(long)]
        overwrite: bool,
    },
    /// Convert a log of the probe into measured values. `thumbreel firmware` writes the probe, probe.c.
    Measure {
        /// The log.
        log: PathBuf,
        /// The board that the probe ran on.
        #[arg(short, long)]
        board: String,
        /// Profile to write [default: print only the values].
        #[arg(short, long)]
        output: Option<PathBuf>,
        /// Write a chart of the measured times (SVG).
        #[arg(long, value_name = "FILE")]
        chart: Option<PathBuf>,
        /// Replace existing files.
        #[arg(long)]
        overwrite: bool,
        /// Print JSON instead of a table.
        #[arg(long)]
        json: bool,
    },
    /// Check profiles and report unusual values.
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
        Action::New {
            like,
            output,
            overwrite,
        } => {
            let to = output.map(|path| profile_to(path, overwrite, false, [&like]));
            new(&like, to.transpose()?)
        }
        Action::Measure {
            log,
            board,
            output,
            chart,
            overwrite,
            json,
        } => {
            let reads = [&log, &PathBuf::from(&board)];
            let chart = chart_to(chart.as_ref(), overwrite, json, reads)?;
            let profile = output.map(|path| profile_to(path, overwrite, json, reads));
            measure(&log, &board, profile.transpose()?, chart, json)
        }
        Action::Check { boards } => Ok(check(&boards)),
    }
}

fn list(json: bool) -> anyhow::Result<ExitCode> {
    let boards = Board::built_in();
    if json {
        super::out::json(&serde_json::to_string_pretty(&boards)?);
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
        super::out::json(&serde_json::to_string_pretty(&board)?);
    } else {
        super::out::bytes(board.to_toml().as_bytes());
    }
    Ok(ExitCode::SUCCESS)
}

fn keys() -> ExitCode {
    for (section, keys) in sections() {
        say!("[{section}]");
        for key in keys {
            say!("  {}:{} [{}]", key.name, key.what, terms_of(section, key));
            say!("      {}", key.source);
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
                let mut advice = board.advice();
                advice.extend(remarks(&board));
                let verdict = match advice.len() {
                    0 => "good".into(),
                    1 => "valid, with one remark".into(),
                    many => format!("valid, with {many} remarks"),
                };
                say!("{name}: {verdict}: {}", board.summary());
                for advice in advice {
                    say!("  {}: {}", advice.key, advice.text);
                }
                board.clock_notes().iter().for_each(|note| say!("  {note}"));
            }
            Err(error) => {
                failed = true;
                complain!("thumbreel: {error}");
            }
        }
    }
    ExitCode::from(u8::from(failed))
}

/// Where a profile goes, apart from the files that the call reads.
fn profile_to<P: Into<PathBuf>>(
    path: PathBuf,
    overwrite: bool,
    json: bool,
    reads: impl IntoIterator<Item = P>,
) -> anyhow::Result<Destination> {
    let to = Destination::new(path, Kind::Profile)
        .overwrite(overwrite)
        .apart_from(reads);
    super::out::reserve(to, json)
}

fn new(like: &str, output: Option<Destination>) -> anyhow::Result<ExitCode> {
    let like = board(like)?;
    let made = ask(
        &like,
        &mut std::io::stdin().lock(),
        // Not locked: who interrupts is told so there.
        &mut std::io::stderr(),
    )?;
    complain!("");
    let text = made.to_toml();
    match output {
        Some(to) => to.write(text.as_bytes())?,
        None => super::out::bytes(text.as_bytes()),
    }
    Ok(ExitCode::SUCCESS)
}

fn measure(
    log: &Path,
    name: &str,
    output: Option<Destination>,
    chart: Option<Destination>,
    json: bool,
) -> anyhow::Result<ExitCode> {
    let before = board(name)?;
    let file = log.display().to_string();
    let text = super::nature::log(log)?;
    let measured = Measured::parse(&text, &file)?;
    // Through the check, so that no measured figure breaks a rule unseen.
    let after = Board::parse(&measured.apply(&before).to_toml(), &file)?;
    if let Some(to) = chart {
        to.write(latency_picture(&measured).as_bytes())?;
    }
    if let Some(to) = output {
        to.write(after.to_toml().as_bytes())?;
    }
    if json {
        super::out::json(&serde_json::to_string_pretty(&measured)?);
    } else {
        print_measured(&measured, &after);
    }
    Ok(ExitCode::SUCCESS)
}

fn print_measured(measured: &Measured, after: &Board) {
    for (name, log) in [("card", &measured.card), ("Wi-Fi", &measured.wifi)] {
        if let Some(log) = log {
            print_latency(name, log);
        }
    }
    if measured.bus.is_some() {
        say!(
            "panel bus: {:.1} MHz, {:.0} us per window (measured)",
            f64::from(after.panel.clock_hz) / 1e6,
            after.panel.window_us
        );
    }
    if measured.work.is_some() {
        say!(
            "cores: {:.2} instructions per cycle, spread {:.0} % (measured)",
            after.cpu.instructions_per_cycle,
            after.cpu.jitter * 100.0
        );
    }
}

fn print_latency(name: &str, log: &Latency) {
    say!(
        "{name}: {} samples of {:.0} bytes in {:.1} minutes (measured)",
        log.count,
        log.bytes,
        log.minutes
    );
    for (share, us) in log.quantiles.iter().filter(|(share, _)| *share >= 0.5) {
        say!("  {:>5.1} % within {:>9.0} us", share * 100.0, us);
    }
    match log.stalls_us.last() {
        Some(worst) => say!(
            "  {} stalls, the longest {:.1} ms",
            log.stalls_us.len(),
            worst / 1e3
        ),
        None => say!(
            "  no stall measured; at most {:.2} per minute with 95 % confidence",
            3.0 / log.minutes
        ),
    }
}
