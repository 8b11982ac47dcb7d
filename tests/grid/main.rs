//! `convert --fit` on a grid of boards and clips. By default a small part of
//! it; `THUMBREEL_GRID=all cargo test --release --test grid -- --nocapture`
//! runs thirty boards by five clips and prints a line each.

mod boards;

use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicBool;
use thumbreel::board::Board;
use thumbreel::budget::{Budget, Link, Part, ReelFacts, Terms, Verdict};
use thumbreel::convert::fit::{FitGoal, fit};
use thumbreel::convert::{Choices, ConvertError, Quiet};
use thumbreel::rehearsal::{Conditions, Rehearsal};
use thumbreel::units::Nanos;

/// Clips that `.ci/install test` unpacks.
const CLIPS: [&str; 5] = [
    "carphone_pristine.mp4",
    "bikes.mp4",
    "bigbuckbunny.mp4",
    "cup.mp4",
    "vtest.avi",
];
const MARGIN: f64 = 0.15;

fn clip(name: &str) -> PathBuf {
    let home = std::env::var("HOME").expect("a home folder");
    let path = Path::new(&home).join(".cache/thumbreel/clips").join(name);
    assert!(
        path.exists(),
        "{} is missing; run .ci/install test",
        path.display()
    );
    path
}

#[test]
fn every_fit_plays_and_uses_what_the_board_gives() {
    let whole = std::env::var("THUMBREEL_GRID").is_ok_and(|v| v == "all");
    let mut boards = boards::all();
    assert_eq!(boards.len(), 30);
    let clips = if whole {
        &CLIPS[..]
    } else {
        boards = boards.into_iter().step_by(15).collect();
        &CLIPS[..1]
    };
    let mut wrong = Vec::new();
    for board in &boards {
        for name in clips {
            match one(board, name, if whole { 5.0 } else { 1.5 }) {
                Ok(line) => println!("{:<12} {name:<22} {line}", board.name),
                Err(line) => wrong.push(format!("{} {name}: {line}", board.name)),
            }
        }
    }
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}

/// Fits one clip and judges the reel by other seeds, tightened limits, and
/// how much of the bottleneck it uses.
fn one(board: &Board, name: &str, seconds: f64) -> Result<String, String> {
    let folder = tempfile::tempdir().unwrap();
    let reel = folder.path().join("fit.tbr");
    let mut choices = Choices::new(board.clone());
    choices.length = Some(Nanos((seconds * 1e9) as i64));
    let goal = FitGoal {
        margin: MARGIN,
        ..FitGoal::default()
    };
    let fitted = match fit(
        &choices,
        &clip(name),
        &reel,
        goal,
        &Quiet,
        &AtomicBool::new(false),
    ) {
        Ok(fitted) => fitted,
        // An honest no names the part that is short.
        Err(ConvertError::NoFit { reason, .. }) => return Ok(format!("no fit: {reason}")),
        Err(error) => return Err(error.to_string()),
    };
    let facts = ReelFacts::read(&reel).unwrap();
    let terms = Terms {
        margin: MARGIN,
        ..Terms::default()
    };
    let budget = Budget::new(&facts, board, fitted.link, terms).unwrap();
    let power = [Part::Regulator, Part::Heat, Part::Source, Part::Space];
    if let Some(line) = budget
        .lines
        .iter()
        .find(|l| l.verdict != Verdict::Fit && !power.contains(&l.part))
    {
        return Err(format!("{} is {}", line.part.name(), line.verdict.word()));
    }
    clean(&facts, board, fitted.link, 1000).map_err(|e| format!("other seeds: {e}"))?;
    for (what, tight) in tightened(board) {
        clean(&facts, &tight, fitted.link, 300).map_err(|e| format!("{what} tightened: {e}"))?;
    }
    let o = &fitted.outcome;
    let tightest = budget.bottleneck();
    let share = tightest.ratio() / (1.0 - MARGIN) * 100.0;
    Ok(format!(
        "{} {}x{} at {:.2}/s as {}: {} at {share:.0} % of what is allowed",
        fitted.link.name(),
        o.width,
        o.height,
        o.rate,
        o.coding,
        tightest.part.name()
    ))
}

fn clean(facts: &ReelFacts, board: &Board, link: Link, runs: u32) -> Result<(), String> {
    let rehearsal =
        Rehearsal::new(facts, board, link, &Conditions::default()).map_err(|e| e.to_string())?;
    // Far from the seeds that the fit itself used.
    let tally = rehearsal.many(runs, 1_000_000);
    if tally.clean == tally.runs {
        return Ok(());
    }
    Err(format!(
        "{} of {} clean: {:?} {:?}",
        tally.clean, tally.runs, tally.worst_gap, tally.worst_late
    ))
}

/// The board with one limit less by the margin, written apart from the fit's own.
fn tightened(board: &Board) -> Vec<(&'static str, Board)> {
    let keep = 1.0 - MARGIN;
    let less = |hz: u32| (f64::from(hz) * keep) as u32;
    let edit = |f: &dyn Fn(&mut Board)| {
        let mut changed = board.clone();
        f(&mut changed);
        changed
    };
    vec![
        ("bus", edit(&|b| b.panel.clock_hz = less(b.panel.clock_hz))),
        ("core", edit(&|b| b.cpu.clock_hz = less(b.cpu.clock_hz))),
        (
            "card",
            edit(&|b| {
                if let Some(c) = &mut b.card {
                    c.clock_hz = less(c.clock_hz);
                }
            }),
        ),
        (
            "air",
            edit(&|b| {
                if let Some(w) = &mut b.wifi {
                    w.usable_share *= keep;
                }
            }),
        ),
    ]
}
