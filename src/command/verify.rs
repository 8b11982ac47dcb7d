//! `thumbreel verify`: every checksum and rule of the format.

use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use serde_json::{Value, json};

use super::out::say;
use super::show::{count, grouped, time};
use crate::reel::{Finding, Verdict};

/// Check reels: every checksum and every rule of the format.
///
/// Prints one line a reel. Exit code 1 if any reel is damaged or cannot be
/// read; the line then tells the first damage, where it is and what it costs.
#[derive(clap::Args)]
#[command(after_help = "Example:\n  thumbreel verify /media/card/*.tbr")]
pub struct Args {
    /// Reels to check.
    #[arg(required = true, value_name = "REEL")]
    reels: Vec<PathBuf>,
    /// List everything that is wrong, not the first thing alone.
    #[arg(long)]
    all: bool,
    /// One JSON object a reel and line.
    #[arg(long)]
    json: bool,
}

/// Runs the command.
///
/// # Errors
/// None; what is wrong with a reel is printed and makes the exit code 1.
pub fn run(args: Args) -> anyhow::Result<ExitCode> {
    let mut code = ExitCode::SUCCESS;
    for path in &args.reels {
        if !check(path, &args) {
            code = ExitCode::from(1);
        }
    }
    Ok(code)
}

fn check(path: &Path, args: &Args) -> bool {
    let verdict = File::open(path)
        .map_err(|e| e.to_string())
        .and_then(|f| crate::reel::verify(BufReader::new(f)).map_err(|e| e.to_string()));
    match verdict {
        Err(error) => {
            if args.json {
                say!(
                    "{}",
                    json!({ "reel": path.display().to_string(), "error": error })
                );
            } else {
                eprintln!("thumbreel: {}: {error}", path.display());
            }
            false
        }
        Ok(verdict) => {
            if args.json {
                say!("{}", json_of(path, &verdict));
            } else {
                print(path, &verdict, args.all);
            }
            verdict.is_whole()
        }
    }
}

fn print(path: &Path, verdict: &Verdict, all: bool) {
    let name = path.display();
    let shown = if all { usize::MAX } else { 1 };
    for finding in verdict.findings.iter().take(shown) {
        say!("{name}: {}", sentence(verdict, finding));
    }
    if let Some(header) = &verdict.header {
        let slices = count(verdict.slices.into(), "slice");
        if verdict.is_whole() {
            let time = header.end_tick().map_or_else(
                || "live".to_owned(),
                |_| time(header.duration, header.clock_rate),
            );
            say!("{name}: whole, {slices}, {time}{}", gaps(verdict));
        } else {
            say!(
                "{name}: damaged, {} found, {slices} whole; try: thumbreel repair {name} -o NEW.tbr",
                count(verdict.count, "fault"),
            );
        }
    }
}

fn gaps(verdict: &Verdict) -> String {
    match verdict.gaps {
        0 => String::new(),
        n => format!("; {} where a repair found nothing", count(n.into(), "gap")),
    }
}

fn sentence(verdict: &Verdict, finding: &Finding) -> String {
    let (from, to) = finding.lost;
    let error = finding.error;
    let chunk = error
        .chunk
        .map_or(String::new(), |n| format!(" (chunk {n})"));
    let lost = match verdict.header {
        Some(h) if to > from => {
            let (from, to) = (from - h.first_tick.min(from), to - h.first_tick.min(to));
            format!(
                "; {} to {} is lost",
                time(from, h.clock_rate),
                time(to, h.clock_rate)
            )
        }
        _ => String::new(),
    };
    format!(
        "byte {}{chunk}: {}{lost}",
        grouped(error.offset),
        error.kind
    )
}

fn json_of(path: &Path, verdict: &Verdict) -> Value {
    let findings: Vec<Value> = verdict
        .findings
        .iter()
        .map(|f| {
            json!({
                "offset": f.error.offset,
                "chunk": f.error.chunk,
                "reason": f.error.kind.to_string(),
                "lost_from_tick": f.lost.0,
                "lost_to_tick": f.lost.1,
            })
        })
        .collect();
    json!({
        "reel": path.display().to_string(),
        "whole": verdict.is_whole(),
        "slices": verdict.slices,
        "gaps": verdict.gaps,
        "faults": verdict.count,
        "findings": findings,
    })
}
