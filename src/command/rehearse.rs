//! `thumbreel rehearse`: will it play, by playing it in simulated time.

use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::Context;

use crate::budget::power::{PowerModel, changes, sentences};
use crate::budget::{Budget, Line, Link, Part, ReelFacts, Terms, Verdict};
use crate::rehearsal::{Cause, Conditions, Fault, FaultKind, Least, Outlook, Rehearsal, StallPlan};
use crate::units::Nanos;

use super::bars::Bars;
use super::budget::{LinkArg, SettingsArgs, board, bytes, exit_code, facts};
use super::out::{chart_to, complain, say};
use super::{Usage, size, values};
use crate::budget::clock;
use crate::chart::alone;

/// Play a reel thousands of times in simulated time, with stalls and losses.
#[derive(clap::Args)]
pub struct Args {
    /// Reel to rehearse; without one, the settings below are rehearsed.
    reel: Option<PathBuf>,
    /// Built-in board, or a profile's path (see: thumbreel boards).
    #[arg(long, short)]
    board: String,
    /// Link that the reel is read from [default: card if there is one, else wifi].
    #[arg(long)]
    link: Option<LinkArg>,
    /// Number of rehearsals.
    #[arg(long, default_value_t = 1000, value_parser = values::whole::<u32>(1, 1_000_000), allow_negative_numbers = true)]
    runs: u32,
    /// Seed of the first rehearsal; each next one adds 1.
    #[arg(long, default_value_t = 1, value_parser = values::whole::<u64>(0, u64::MAX), allow_negative_numbers = true)]
    seed: u64,
    /// Fill of the ring buffer before playback starts [default: the player's, else the reel's].
    #[arg(long, value_name = "BYTES", value_parser = size::bytes)]
    start: Option<u64>,
    /// Size of the ring buffer [default: the memory that is left].
    #[arg(long, value_name = "BYTES", value_parser = size::bytes)]
    ring_buffer: Option<u64>,
    /// Stall at this time in the reel, instead of random stalls; may be repeated.
    #[arg(long, value_name = "TIME=MS", value_parser = stall)]
    stall_at: Vec<(Nanos, f64)>,
    /// No stalls.
    #[arg(long)]
    no_stalls: bool,
    /// Write a chart of the ring buffer level in the worst rehearsal (SVG).
    #[arg(long, value_name = "FILE")]
    chart: Option<PathBuf>,
    /// Replace a chart that exists.
    #[arg(long)]
    overwrite: bool,
    #[command(flatten)]
    settings: SettingsArgs,
    /// Print one JSON object.
    #[arg(long)]
    json: bool,
}

fn stall(text: &str) -> Result<(Nanos, f64), String> {
    let wrong = || "write it as TIME=MILLISECONDS, for example 0:20=250".to_owned();
    let (at, ms) = text.split_once('=').ok_or_else(wrong)?;
    let ms: f64 = ms.parse().map_err(|_| wrong())?;
    if !(0.0..=600_000.0).contains(&ms) {
        return Err(wrong());
    }
    Ok((values::time(at)?, ms))
}

/// Rehearsals that find the least buffers; more would take longer than they tell.
const LEAST_RUNS: u32 = 200;

/// Runs the command.
///
/// # Errors
/// Board or reel cannot be used, or the picture cannot be written.
pub fn run(args: Args) -> anyhow::Result<ExitCode> {
    let board = board(&args.board)?;
    let reel = facts(args.reel.as_deref(), &args.settings, &board)?;
    let first = Link::of(&board)
        .first()
        .copied()
        .context("the board has no link")?;
    let link = args.link.map_or(first, LinkArg::link);
    let profile = PathBuf::from(&args.board);
    let reads = args.reel.iter().chain([&profile]);
    let chart_to = chart_to(args.chart.as_ref(), args.overwrite, args.json, reads)?;
    let conditions = conditions(&args, &reel)?;
    let rehearsal = Rehearsal::new(&reel, &board, link, &conditions)?;
    // Rehearsals are about time alone.
    let budget = Budget::new(&reel, &board, link, Terms::default())?;
    let unfit = |line: &&Line| {
        matches!(line.part, Part::Panel | Part::I2s) && line.verdict == Verdict::DoesNotFit
    };
    for note in budget
        .lines
        .iter()
        .filter(unfit)
        .filter_map(|l| l.note.as_deref())
    {
        complain!("thumbreel: note: {note}");
    }
    let task = Bars::new(args.json).busy("rehearsing");
    let mut outlook = rehearsal.outlook(args.runs, args.seed);
    if args.no_stalls || !args.stall_at.is_empty() {
        // Stalls that were asked for stand in the place of the profile's.
        outlook.sweep = None;
    }
    let tally = &outlook.tally;
    let least = rehearsal.least(args.runs.min(LEAST_RUNS), args.seed);
    task.close();
    let worst = tally
        .worst_gap
        .or(tally.worst_late)
        .map_or(args.seed, |(_, seed)| seed);
    if let Some(to) = chart_to {
        to.write(alone(&[rehearsal.trace(worst).plot()]).as_bytes())?;
    }
    let power = PowerModel::new(&reel, &board, link).power();
    if args.json {
        let (ring, start) = rehearsal.buffers();
        let document = serde_json::json!({
            "board": board.name, "link": link, "origin": rehearsal.origin(), "seed": args.seed, "ring_buffer_bytes": ring, "start_bytes": start,
            "outlook": outlook, "verdict": outlook.verdict(), "least": least, "least_runs": args.runs.min(LEAST_RUNS), "worst": rehearsal.run(worst), "power": power,
        });
        super::out::json(&serde_json::to_string_pretty(&document)?);
    } else {
        let what = args.reel.as_ref().map_or_else(
            || "settings (typical pictures, assumed)".into(),
            |p| p.display().to_string(),
        );
        say!("{what} on {} from {}", board.name, link.name());
        print(&rehearsal, &outlook, &least, &args);
        for sentence in sentences(&power, &changes(&reel, &board, link)) {
            say!("  {sentence}");
        }
    }
    Ok(exit_code(outlook.verdict()))
}

fn conditions(args: &Args, reel: &ReelFacts) -> anyhow::Result<Conditions> {
    let stalls = if args.no_stalls {
        StallPlan::None
    } else if args.stall_at.is_empty() {
        StallPlan::Random
    } else {
        StallPlan::At(places(&args.stall_at, reel)?)
    };
    Ok(Conditions {
        start_bytes: args.start,
        ring_buffer_bytes: args.ring_buffer,
        stalls,
    })
}

/// Times in the reel as bytes of its slices.
fn places(stalls: &[(Nanos, f64)], reel: &ReelFacts) -> anyhow::Result<Vec<(u64, u64)>> {
    let place = |(at, ms): &(Nanos, f64)| {
        let tick = (at.0 as f64 / 1e9 * f64::from(reel.clock_rate)) as u64;
        if tick >= reel.ticks() {
            let text = format!(
                "--stall-at {} is beyond the end of the reel at {}; choose an earlier time",
                clock(at.0 as f64 / 1e9),
                clock(reel.seconds())
            );
            return Err(Usage(text));
        }
        let before = reel
            .slices
            .iter()
            .take_while(|s| s.tick + u64::from(s.ticks) <= tick);
        Ok((before.map(|s| u64::from(s.bytes)).sum(), (ms * 1e6) as u64))
    };
    let mut places = stalls.iter().map(place).collect::<Result<Vec<_>, _>>()?;
    places.sort_unstable();
    Ok(places)
}

fn print(rehearsal: &Rehearsal, outlook: &Outlook, least: &Least, args: &Args) {
    let tally = &outlook.tally;
    let (ring, start) = rehearsal.buffers();
    say!("  Verdict: {}", outlook.verdict().word());
    for words in outlook.words() {
        say!("  {}", sentence(&words));
    }
    say!(
        "  Ring buffer {}, filled to {} before playback: first sound after {:.0} ms on average, {:.0} ms at most",
        bytes(ring as f64),
        bytes(start as f64),
        ms(tally.mean_start_ns()),
        ms(tally.longest_start_ns)
    );
    if let Some((gap, seed)) = tally.worst_gap {
        say!(
            "  Sound gaps in {} rehearsals; the worst was {:.0} ms at {} (seed {seed}): {}",
            tally.with_gaps,
            ms(gap.length_ns),
            place(&gap),
            gap.cause.words()
        );
    }
    if let Some((late, seed)) = tally.worst_late {
        say!(
            "  Late or dropped frames in {} rehearsals: {} late, {} dropped in total",
            tally.with_late,
            tally.late,
            tally.dropped
        );
        let what = if late.kind == FaultKind::DroppedPicture {
            "dropped"
        } else {
            "late"
        };
        say!(
            "    the worst was {what} by {:.0} ms at {} (seed {seed}): {}",
            ms(late.length_ns),
            place(&late),
            late.cause.words()
        );
    }
    for cause in Cause::ALL {
        let first = tally.first_causes[cause as usize];
        if first > 0 {
            say!("  First fault of {first} rehearsals: {}", cause.words());
        }
    }
    say!(
        "  Largest lag of a complete frame behind the sound: {:.0} ms",
        ms(tally.worst_sync_ns)
    );
    if let Some(level) = tally.low_water_bytes {
        say!(
            "  Lowest ring buffer level at the start of a slice: {}",
            bytes(level as f64)
        );
    }
    if let Some(ahead) = tally.least_ahead_ns {
        say!(
            "  Smallest lead of a slice over the sound: {:.0} ms",
            ms(ahead)
        );
    }
    let runs = args.runs.min(LEAST_RUNS);
    let words = |bytes_or: Option<u64>| {
        bytes_or.map_or_else(|| "no size is enough".into(), |b| bytes(b as f64))
    };
    say!(
        "  Smallest values that keep {runs} rehearsals clean: before playback {}, ring buffer {}",
        words(least.start_bytes),
        words(least.ring_buffer_bytes)
    );
    say!("  All of this is {}", rehearsal.origin());
}

/// With a capital letter.
fn sentence(words: &str) -> String {
    let mut letters = words.chars();
    let first = letters.next().map(|c| c.to_uppercase().to_string());
    first.unwrap_or_default() + letters.as_str()
}

fn ms(ns: u64) -> f64 {
    ns as f64 / 1e6
}

fn place(fault: &Fault) -> String {
    clock(fault.at_ns as f64 / 1e9)
}
