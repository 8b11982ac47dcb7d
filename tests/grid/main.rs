//! `convert --fit` on a grid of boards and clips. By default a small part of
//! it; `THUMBREEL_TESTS=all cargo test --release --test grid -- --nocapture`
//! runs thirty boards by five clips and prints a line each, and `THUMBREEL_GRID`
//! with names of boards, with commas, those.

#[path = "../common/extent.rs"]
mod extent;

mod boards;
mod limits;

use extent::extent;
use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicBool;
use thumbreel::board::Board;
use thumbreel::budget::{Budget, Link, Part, ReelFacts, Terms, Verdict};
use thumbreel::coding::Coding;
use thumbreel::coding::patch::Level;
use thumbreel::convert::fit::{FitGoal, Fitted, fit};
use thumbreel::convert::{Choices, ConvertError, ConvertPlan, Outcome, Quiet, run};
use thumbreel::reel::ReelFile;
use thumbreel::rehearsal::{Conditions, Rehearsal};
use thumbreel::units::{Nanos, Ratio};

/// Clips that `.ci/install test` unpacks.
const CLIPS: [&str; 5] = [
    "carphone_pristine.mp4",
    "bikes.mp4",
    "bigbuckbunny.mp4",
    "cup.mp4",
    "vtest.avi",
];
const MARGIN: f64 = 0.15;
/// What no encoding can do anything about.
const POWER: [Part; 4] = [Part::Regulator, Part::Heat, Part::Source, Part::Space];
/// How far below what the margin allows a fit may stay.
const SLACK: f64 = 0.15;

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
    let asked = std::env::var("THUMBREEL_GRID").unwrap_or_default();
    let whole = !asked.is_empty() || extent(false, false, true);
    let mut boards = boards::all();
    assert_eq!(boards.len(), 30);
    if !asked.is_empty() {
        boards.retain(|b| asked.split(',').any(|name| name == b.name));
        assert!(!boards.is_empty(), "no board is named in {asked}");
    }
    let clips = if whole {
        &CLIPS[..]
    } else {
        boards = boards.into_iter().step_by(15).collect();
        &CLIPS[..1]
    };
    let mut wrong = Vec::new();
    for board in &boards {
        for name in clips {
            match one(board, name, if whole { 4.0 } else { 1.5 }) {
                Ok(line) => println!("{:<12} {name:<22} {line}", board.name),
                Err(line) => {
                    println!("{:<12} {name:<22} WRONG {line}", board.name);
                    wrong.push(format!("{} {name}: {line}", board.name));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}

/// Nothing fits: the part is named, with what is needed and what there is; no
/// file is left behind.
#[test]
fn what_is_short_is_named_with_how_much() {
    let folder = tempfile::tempdir().unwrap();
    let mut board = Board::find("bell-buoy").unwrap();
    board.memory.internal_bytes = 40_000;
    let mut choices = Choices::new(board);
    choices.length = Some(Nanos(500_000_000));
    let reel = folder.path().join("fit.tbr");
    let stop = AtomicBool::new(false);
    let goal = FitGoal::default();
    let fitted = fit(&choices, &clip(CLIPS[0]), &reel, goal, &Quiet, &stop);
    let Err(ConvertError::NoFit { reason, .. }) = fitted else {
        panic!("it fits");
    };
    let (_, short) = reason.split_once("internal memory is short by ").unwrap();
    let figures: Vec<f64> = short
        .split(|c: char| !c.is_ascii_digit())
        .filter_map(|n| n.parse().ok())
        .collect();
    // 40,000 bytes less the 5 % that stay free.
    let [percent, need, 38_000.0] = figures[..] else {
        panic!("{reason}");
    };
    assert_eq!(
        percent,
        ((need / 38_000.0 - 1.0) * 100.0).round(),
        "{reason}"
    );
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
}

/// A slow link: the bytes of the pictures keep to the bucket that the reel
/// states, and without it they would not.
#[test]
fn pictures_keep_to_what_the_link_allows() {
    let folder = tempfile::tempdir().unwrap();
    let mut board = Board::find("lantern-room").unwrap();
    board.wifi.as_mut().unwrap().usable_share = 0.015;
    let mut choices = Choices::new(board);
    choices.length = Some(Nanos(1_500_000_000));
    let goal = FitGoal {
        link: Some(Link::Wifi),
        ..FitGoal::default()
    };
    let reel = folder.path().join("fit.tbr");
    let stop = AtomicBool::new(false);
    let fitted = fit(&choices, &clip("bikes.mp4"), &reel, goal, &Quiet, &stop).unwrap();
    let facts = ReelFacts::read(&reel).unwrap();
    let (rate, depth) = stated_bucket(&reel).unwrap();
    assert!(over_bucket(&facts, rate, depth) <= 0.0);

    let made = fitted.outcome;
    choices.size = Some((made.width, made.height));
    choices.rate = Ratio::new((made.rate * 1001.0).round() as u32, 1001);
    choices.coding.coding = Some(Coding::Patch);
    choices.coding.quality = Some(90);
    let free = folder.path().join("free.tbr");
    let plan = ConvertPlan::resolve(&choices, &clip("bikes.mp4"), &free).unwrap();
    run(&plan, &Quiet, &stop).unwrap();
    let free = ReelFacts::read(&free).unwrap();
    assert!(over_bucket(&free, rate, depth) > 0.0);
}

/// Rate (bytes/s) and depth (bytes) of the limit on the link that a reel's
/// note states.
fn stated_bucket(reel: &Path) -> Option<(f64, f64)> {
    let note = ReelFile::open(reel).unwrap().note().unwrap().unwrap();
    let note: serde_json::Value = serde_json::from_str(&note).unwrap();
    let link = &note["picture"]["limits"]["link"];
    Some((link["rate"].as_f64()?, link["depth"].as_f64()?))
}

/// By how many bytes the pictures overfill a leaky bucket at the worst.
fn over_bucket(facts: &ReelFacts, rate: f64, depth: f64) -> f64 {
    let (mut filled, mut last, mut over) = (0.0_f64, 0, f64::NEG_INFINITY);
    for picture in &facts.pictures {
        let seconds = (picture.tick - last) as f64 / f64::from(facts.clock_rate);
        last = picture.tick;
        filled = (filled - rate * seconds).max(0.0) + f64::from(picture.bytes);
        over = over.max(filled - depth);
    }
    over
}

/// Fits one clip and judges the reel by other seeds, by limits tightened one
/// at a time, and by whether it makes use of what there is.
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
    if let Some(line) = budget
        .lines
        .iter()
        .find(|l| l.verdict != Verdict::Fits && !POWER.contains(&l.part))
    {
        return Err(format!("{} is {}", line.part.name(), line.verdict.word()));
    }
    if let Some((rate, depth)) = stated_bucket(&reel) {
        let over = over_bucket(&facts, rate, depth);
        if over > 1.0 {
            return Err(format!("the link's limit is passed by {over:.0} bytes"));
        }
    }
    clean(&facts, board, fitted.link, 1000).map_err(|e| format!("other seeds: {e}"))?;
    for (limit, tight) in limits::with_less(board, 1.0 - MARGIN) {
        holds(&facts, &tight, fitted.link).map_err(|e| format!("{limit} tightened: {e}"))?;
    }
    let o = &fitted.outcome;
    let what = format!(
        "{} {}x{} at {:.2}/s as {}",
        fitted.link.name(),
        o.width,
        o.height,
        o.rate,
        o.coding
    );
    match used_up(&facts, board, fitted.link) {
        Some(limit) => Ok(format!("{what}: bound by {limit}")),
        None => {
            let why = best_there_is(&choices, name, &fitted, folder.path());
            why.map(|why| format!("{what}: {why}"))
                .map_err(|why| format!("{what}: nothing binds, and {why}"))
        }
    }
}

/// The limit that leaves less than 15 % of what the margin allows: with that
/// much less of it, and without the margin, the reel no longer plays.
fn used_up(facts: &ReelFacts, board: &Board, link: Link) -> Option<&'static str> {
    let less = limits::with_less(board, (1.0 - MARGIN) * (1.0 - SLACK));
    less.into_iter()
        .find(|(_, tight)| holds(facts, tight, link).is_err())
        .map(|(limit, _)| limit)
}

/// Where no limit binds, the reel must be as good as it can be: encoded
/// without any limit it is no larger, and nothing that shows more pixels a
/// second fits.
fn best_there_is(
    choices: &Choices,
    name: &str,
    fitted: &Fitted,
    folder: &Path,
) -> Result<String, String> {
    let o = &fitted.outcome;
    let panel = choices.board.panel.upright_size();
    let mut free = choices.clone();
    let rate = Ratio::new((o.rate * 1001.0).round() as u32, 1001).unwrap();
    let asked = ConvertPlan::resolve(choices, &clip(name), &folder.join("asked.tbr")).unwrap();
    let own = asked.clip.picture.rate;
    let own = f64::from(own.num) / f64::from(own.den);
    let divisor = (own / o.rate).round() as u32;
    if divisor > 1 {
        let mut faster = choices.clone();
        let clip_rate = asked.clip.picture.rate;
        faster.rate = Ratio::new(clip_rate.num, clip_rate.den * (divisor - 1));
        faster.size = Some(panel);
        return none_shows_more(&faster, name, fitted, folder)
            .map(|()| format!("1/{} of the clip's rate shows no more", divisor - 1));
    }
    if (o.width, o.height) != panel && (o.height, o.width) != panel {
        let larger = |v: u16| (f64::from(v) * 1.2 / 8.0) as u16 * 8;
        let mut larger_one = choices.clone();
        larger_one.size = Some((larger(o.width).min(panel.0), larger(o.height).min(panel.1)));
        return none_shows_more(&larger_one, name, fitted, folder)
            .map(|()| format!("{:?} shows no more", larger_one.size.unwrap()));
    }
    if o.coding == "raw" {
        return Ok("raw at the clip's own rate".into());
    }
    free.rate = Some(rate);
    free.coding.coding = Some(Coding::Patch);
    free.coding.level = Some(Level::Full);
    free.coding.quality = Some(90);
    let path = folder.join("free.tbr");
    let plan = ConvertPlan::resolve(&free, &clip(name), &path).unwrap();
    run(&plan, &Quiet, &AtomicBool::new(false)).unwrap();
    let (fitted, free) = (
        o.bytes as f64,
        std::fs::metadata(&path).unwrap().len() as f64,
    );
    if fitted > (1.0 - SLACK) * free {
        return Ok(format!(
            "{:.0} % of the bytes of one without limits",
            fitted / free * 100.0
        ));
    }
    Err(format!(
        "without limits it would be {:.2} times as large",
        free / fitted
    ))
}

/// That what fits these choices, if anything, shows no more pixels per second;
/// an error if it does.
fn none_shows_more(
    choices: &Choices,
    name: &str,
    fitted: &Fitted,
    folder: &Path,
) -> Result<(), String> {
    let goal = FitGoal {
        margin: MARGIN,
        link: Some(fitted.link),
        ..FitGoal::default()
    };
    let stop = AtomicBool::new(false);
    let path = folder.join("better.tbr");
    let shown = |o: &Outcome| f64::from(o.width) * f64::from(o.height) * o.rate;
    match fit(choices, &clip(name), &path, goal, &Quiet, &stop) {
        Err(ConvertError::NoFit { .. }) => Ok(()),
        Err(error) => Err(error.to_string()),
        Ok(other) if shown(&other.outcome) <= shown(&fitted.outcome) => Ok(()),
        Ok(better) => {
            let o = better.outcome;
            Err(format!("{}x{} at {:.2}/s fits", o.width, o.height, o.rate))
        }
    }
}

/// No need above its capacity, and rehearsals clean.
fn holds(facts: &ReelFacts, board: &Board, link: Link) -> Result<(), String> {
    let terms = Terms {
        margin: 0.0,
        ..Terms::default()
    };
    let budget = Budget::new(facts, board, link, terms).map_err(|e| e.to_string())?;
    let over = budget
        .lines
        .iter()
        .find(|l| l.verdict == Verdict::DoesNotFit && !POWER.contains(&l.part));
    if let Some(line) = over {
        return Err(format!(
            "{} at {:.0} %",
            line.part.name(),
            line.ratio() * 100.0
        ));
    }
    clean(facts, board, link, 300)
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
