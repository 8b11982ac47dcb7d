//! `thumbreel convert`: clips become reels.

use std::collections::HashSet;
use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

use anyhow::Result;

use super::Usage;
use super::bars::{Bars, clock, size};
use super::choose::ChoiceArgs;
use super::out::{self, say};
use super::show::{fields, plain, typed};
use super::values;
use crate::budget::Link;
use crate::convert::fit::{FitGoal, Fitted, fit};
use crate::convert::{
    Choices, ConvertError, ConvertPlan, LinkVerdict, Outcome, Quiet, check_copies, foreseen,
    listen, run as convert, verdicts,
};
use crate::files::{Destination, Kind, Spool};
use crate::firmware::{PLAYLIST, playlist};

/// Convert clips into reels
#[derive(clap::Args)]
pub struct Args {
    /// Clips in any format that the media library reads; - reads one from standard input
    #[arg(required = true, value_name = "CLIP")]
    clips: Vec<PathBuf>,
    /// Reel to write, or an existing folder [default: next to each clip]
    #[arg(short, long, value_name = "PATH")]
    output: Option<PathBuf>,
    /// Replace existing reels
    #[arg(long)]
    overwrite: bool,
    /// Choose size, frame rate and coding so that the reel plays on this board over the given link (card, wifi, or any), and check the choice by budget and rehearsals
    #[arg(long, value_name = "LINK", num_args = 0..=1, default_missing_value = "any")]
    fit: Option<FitLink>,
    /// Share of each capacity that a fitted reel leaves free, in percent
    #[arg(long, value_name = "PERCENT", default_value_t = 15, value_parser = values::whole::<u8>(0, 50), allow_negative_numbers = true)]
    fit_margin: u8,
    /// Print the plan without converting
    #[arg(long)]
    plan: bool,
    /// Number of clips to convert at the same time
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = values::whole::<u16>(1, 256), allow_negative_numbers = true)]
    jobs: u16,
    /// Also write the sound as WAV next to the reel, and a second WAV that simulates the board's speaker, 6 dB lower [default: off]
    #[arg(long)]
    preview: bool,
    /// Also write PLAYLIST.TXT into the folder: firmware plays the reels in the order of the clips and repeats the list
    #[arg(long)]
    playlist: bool,
    /// Print one JSON object per clip, in the order of the clips
    #[arg(long)]
    json: bool,
    /// Print no progress and no summary
    #[arg(long)]
    quiet: bool,
    #[command(flatten)]
    choices: ChoiceArgs,
}

/// Converts all clips.
///
/// # Errors
/// The command line is wrong, or signals cannot be watched.
pub fn run(args: Args) -> Result<ExitCode> {
    let mut choices = args.choices.choices()?;
    choices.overwrite = args.overwrite;
    choices.reads = args.clips.clone();
    choices.reads.push(args.choices.board_name().into());
    if let Some(output) = &args.output {
        stream_alone(&args, output)?;
    }
    let list = list_for(&args)?;
    let mut spooled = None;
    let pairs = pairs(&args, &mut spooled)?;
    if list.is_some() {
        // Refused before anything is converted.
        playlist(&names(pairs.iter().map(|p| &p.output))).map_err(|e| Usage(e.to_string()))?;
    }
    if choices.threads == 0 && args.jobs > 1 {
        let cores = std::thread::available_parallelism().map_or(1, usize::from);
        choices.threads = (cores / usize::from(args.jobs)).max(1);
    }
    let batch = Batch {
        stop: super::stop::on_signal(),
        bars: Bars::new(args.quiet || args.json || args.plan),
        report: Mutex::new(Report::new(&args, pairs.len())),
        next: AtomicUsize::new(0),
        plan_only: args.plan,
        preview: args.preview,
        fit: args.fit.map(|link| FitGoal {
            link: link.link(),
            margin: f64::from(args.fit_margin) / 100.0,
            ..FitGoal::default()
        }),
        choices,
        pairs,
    };
    let report = batch.run(args.jobs.into());
    if let Some(to) = list {
        report.write_list(&to)?;
    }
    Ok(report.close(&args))
}

/// Where a playlist goes: the folder of the reels, which is the card's root.
fn list_for(args: &Args) -> Result<Option<Destination>> {
    let folder = match &args.output {
        _ if !args.playlist => return Ok(None),
        Some(folder) if folder.is_dir() => folder,
        _ => {
            let text = "--playlist needs the card's folder; name an existing folder with --output";
            return Err(Usage(text.into()).into());
        }
    };
    let to = Destination::new(folder.join(PLAYLIST), Kind::Text)
        .overwrite(args.overwrite)
        .apart_from(&args.clips);
    to.check()?;
    Ok(Some(to))
}

/// The names of files without their folder.
fn names<'a>(paths: impl Iterator<Item = &'a PathBuf>) -> Vec<String> {
    paths
        .map(|path| {
            path.file_name()
                .unwrap_or_default()
                .to_string_lossy()
                .into()
        })
        .collect()
}

/// A reel that goes to standard output leaves no room there, and has no name
/// for files beside it.
fn stream_alone(args: &Args, output: &Path) -> Result<()> {
    let to = Destination::new(output, Kind::Reel);
    if !to.is_stream() {
        return Ok(());
    }
    let refused = match () {
        () if args.preview => Some("--preview writes next to the reel"),
        () if args.choices.is_split() => Some("--part-size writes several files"),
        () if args.clips.len() > 1 => Some("several reels need names"),
        () => None,
    };
    if let Some(why) = refused {
        return Err(Usage(format!("{why}; name a file instead of -")).into());
    }
    if !args.plan {
        super::out::reserve(to, args.json)?;
    }
    Ok(())
}

/// Each clip with its reel.
fn pairs(args: &Args, spooled: &mut Option<Spool>) -> Result<Vec<Pair>> {
    let mut pairs = Vec::new();
    let mut taken = HashSet::new();
    for clip in &args.clips {
        let standard_input = clip.as_os_str() == "-";
        if clip.is_dir() {
            let text = format!(
                "{} is a folder; name the clips in it, for example {}/*.mp4",
                clip.display(),
                typed(clip).trim_end_matches('/')
            );
            return Err(Usage(text).into());
        }
        let output = output_for(args, clip, standard_input)?;
        if !taken.insert(one_spelling(&output)) {
            let text = format!(
                "two clips would be written to {}; convert them separately",
                output.display()
            );
            return Err(Usage(text).into());
        }
        let mut source = clip.clone();
        if standard_input {
            let file = crate::source::spool(std::io::stdin().lock())?;
            source = spooled.insert(file).path().to_owned();
        }
        pairs.push(Pair {
            title: standard_input.then(|| stem(&output)),
            name: clip
                .file_name()
                .unwrap_or(OsStr::new("-"))
                .to_string_lossy()
                .into_owned(),
            source,
            output,
        });
    }
    Ok(pairs)
}

fn output_for(args: &Args, clip: &Path, standard_input: bool) -> Result<PathBuf> {
    let several = args.clips.len() > 1;
    let usage = |text: String| Err(Usage(text).into());
    let named = clip.with_extension("tbr");
    match &args.output {
        Some(output) if output.is_dir() && !standard_input => {
            Ok(output.join(named.file_name().unwrap_or_default()))
        }
        Some(output) if output.as_os_str().as_encoded_bytes().ends_with(b"/") => usage(format!(
            "there is no folder {}; create it first",
            output.display()
        )),
        Some(output) if several => usage(format!(
            "{} is no folder, which several reels need; create a folder and name that",
            output.display()
        )),
        Some(output) => Ok(output.clone()),
        None if standard_input => {
            usage("standard input has no file name; name the reel with --output".into())
        }
        None if named == *clip && super::nature::not_a_clip(clip).is_some() => Ok(named),
        None if named == *clip => usage(format!(
            "{} already has the name of a reel; name the output with --output",
            clip.display()
        )),
        None => Ok(named),
    }
}

/// A name by the one spelling of its folder, if that is there.
fn one_spelling(path: &Path) -> PathBuf {
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty());
    match folder.unwrap_or(Path::new(".")).canonicalize() {
        Ok(folder) => folder.join(path.file_name().unwrap_or_default()),
        Err(_) => path.into(),
    }
}

/// A file's name without its folder and ending.
fn stem(path: &Path) -> String {
    path.file_stem()
        .unwrap_or_default()
        .to_string_lossy()
        .into_owned()
}

struct Pair {
    name: String,
    /// Title where the clip states none and has no name to take one from.
    title: Option<String>,
    source: PathBuf,
    output: PathBuf,
}

struct Batch {
    pairs: Vec<Pair>,
    choices: Choices,
    plan_only: bool,
    preview: bool,
    fit: Option<FitGoal>,
    stop: std::sync::Arc<AtomicBool>,
    bars: Bars,
    report: Mutex<Report>,
    next: AtomicUsize,
}

impl Batch {
    fn run(self, jobs: usize) -> Report {
        std::thread::scope(|scope| {
            for _ in 0..jobs.min(self.pairs.len()) {
                scope.spawn(|| self.work());
            }
        });
        self.report
            .into_inner()
            .unwrap_or_else(std::sync::PoisonError::into_inner)
    }

    fn work(&self) {
        while let Some((index, pair)) = self.take() {
            let done = self.one(pair);
            let mut report = match self.report.lock() {
                Ok(report) => report,
                Err(poisoned) => poisoned.into_inner(),
            };
            if let Err(error) = &done
                && !report.json
            {
                self.bars.line(&format!("thumbreel: {error}"));
            }
            report.enter(index, &pair.name, done);
        }
    }

    fn take(&self) -> Option<(usize, &Pair)> {
        let index = self.next.fetch_add(1, Ordering::Relaxed);
        Some((index, self.pairs.get(index)?))
    }

    fn one(&self, pair: &Pair) -> Result<Done, ConvertError> {
        if self.stop.load(Ordering::Relaxed) {
            return Err(ConvertError::Stopped(pair.output.clone()));
        }
        if let Some(sentence) = super::nature::not_a_clip(&pair.source) {
            return Err(ConvertError::NotAClip(sentence));
        }
        let choices = Choices {
            untitled: pair.title.clone(),
            ..self.choices.clone()
        };
        if let Some(goal) = self.fit {
            let bar = self.bars.bar(pair.name.clone());
            let fitted = fit(&choices, &pair.source, &pair.output, goal, &bar, &self.stop);
            bar.close();
            let mut fitted = fitted?;
            fitted.outcome.previews = self.preview(pair, &fitted.outcome.files)?;
            fitted.outcome.plays = self.verdicts(&fitted.outcome)?;
            return Ok(Done::Fitted(Box::new(fitted)));
        }
        if self.plan_only {
            let plan = ConvertPlan::preview(&choices, &pair.source, &pair.output)?;
            let plays = foreseen(&plan, &choices.board);
            return Ok(Done::Plan(Box::new(plan), plays));
        }
        let plan = ConvertPlan::resolve(&choices, &pair.source, &pair.output)?;
        if self.preview {
            check_copies(&plan.destination)?;
        }
        let bar = self.bars.bar(pair.name.clone());
        let outcome = convert(&plan, &bar, &self.stop);
        bar.close();
        let mut outcome = outcome?;
        outcome.previews = self.preview(pair, &outcome.files)?;
        outcome.plays = self.verdicts(&outcome)?;
        Ok(Done::Reel(Box::new(outcome)))
    }

    /// Link by link, whether the reel plays; of a reel in parts, the first. A
    /// reel that went to standard output is no longer there to be looked at.
    fn verdicts(&self, outcome: &Outcome) -> Result<Vec<LinkVerdict>, ConvertError> {
        if Destination::new(&outcome.output, Kind::Reel).is_stream() {
            return Ok(Vec::new());
        }
        let first = outcome.files.first().unwrap_or(&outcome.output);
        verdicts(first, &self.choices.board)
    }

    fn preview(&self, pair: &Pair, reels: &[PathBuf]) -> Result<Vec<PathBuf>, ConvertError> {
        let mut copies = Vec::new();
        for reel in reels.iter().filter(|_| self.preview) {
            let board = &self.choices.board;
            let beside = Destination::new(reel, Kind::Reel)
                .overwrite(self.choices.overwrite)
                .apart_from([&pair.source])
                .apart_from(&self.choices.reads);
            copies.extend(listen(&beside, board)?);
        }
        Ok(copies)
    }
}

enum Done {
    Plan(Box<ConvertPlan>, Vec<LinkVerdict>),
    Reel(Box<Outcome>),
    Fitted(Box<Fitted>),
}

/// The link to fit.
#[derive(Clone, Copy, clap::ValueEnum)]
enum FitLink {
    /// The memory card
    Card,
    /// The wireless link
    Wifi,
    /// The first link that fits, the card first
    Any,
}

impl FitLink {
    fn link(self) -> Option<Link> {
        match self {
            Self::Card => Some(Link::Card),
            Self::Wifi => Some(Link::Wifi),
            Self::Any => None,
        }
    }
}

/// What became of each clip, printed in the order of the clips.
struct Report {
    json: bool,
    quiet: bool,
    entries: Vec<Option<Entry>>,
    printed: usize,
}

struct Entry {
    lines: Vec<String>,
    failed: bool,
    usage: bool,
    /// What was written, the parts of a reel in their order.
    reels: Vec<PathBuf>,
}

impl Report {
    fn new(args: &Args, clips: usize) -> Self {
        Self {
            json: args.json,
            quiet: args.quiet && !args.plan,
            entries: std::iter::repeat_with(|| None).take(clips).collect(),
            printed: 0,
        }
    }

    fn enter(&mut self, index: usize, name: &str, done: Result<Done, ConvertError>) {
        let entry = Entry {
            lines: if self.json {
                vec![json(name, &done)]
            } else {
                human(name, &done)
            },
            failed: done.is_err(),
            usage: done.as_ref().err().is_some_and(ConvertError::is_usage),
            reels: match &done {
                Ok(Done::Reel(outcome)) => outcome.files.clone(),
                Ok(Done::Fitted(fitted)) => fitted.outcome.files.clone(),
                Ok(Done::Plan(..)) | Err(_) => Vec::new(),
            },
        };
        self.entries[index] = Some(entry);
        while let Some(Some(entry)) = self.entries.get(self.printed) {
            for line in &entry.lines {
                match self.json {
                    true => out::json(line),
                    false if self.quiet => {}
                    false => say!("{line}"),
                }
            }
            self.printed += 1;
        }
    }

    /// Writes the list of all reels, in the order of the clips. Without one of them it
    /// would not be what was asked for, and is not written.
    fn write_list(&self, to: &Destination) -> Result<()> {
        let entries: Vec<_> = self.entries.iter().flatten().collect();
        if entries.len() < self.entries.len() || entries.iter().any(|e| e.failed) {
            return Ok(());
        }
        let names = names(entries.iter().flat_map(|entry| &entry.reels));
        to.write(playlist(&names)?.as_bytes())?;
        if !self.json && !self.quiet {
            say!(
                "{}: {}, played in this order, repeated",
                to.path().display(),
                match names.len() {
                    1 => "1 reel".into(),
                    n => format!("{n} reels"),
                }
            );
        }
        Ok(())
    }

    /// Says what failed, and gives the exit code.
    fn close(self, args: &Args) -> ExitCode {
        let entries: Vec<_> = self.entries.iter().flatten().collect();
        let failed: Vec<_> = entries.iter().filter(|e| e.failed).collect();
        if entries.len() > 1 && !self.json && !self.quiet {
            say!(
                "{} of {} clips done",
                entries.len() - failed.len(),
                entries.len()
            );
            for (clip, entry) in args.clips.iter().zip(&self.entries) {
                let word = match entry {
                    Some(entry) if !entry.failed => "done",
                    Some(_) => "failed",
                    None => "not begun",
                };
                say!("  {word:9} {}", clip.display());
            }
        }
        match failed.len() {
            0 => ExitCode::SUCCESS,
            _ if failed.iter().all(|e| e.usage) => ExitCode::from(2),
            _ => ExitCode::from(1),
        }
    }
}

fn json(name: &str, done: &Result<Done, ConvertError>) -> String {
    let value = match done {
        Ok(Done::Reel(outcome)) => serde_json::json!({"clip": name, "ok": true, "result": outcome}),
        Ok(Done::Fitted(fitted)) => {
            serde_json::json!({"clip": name, "ok": true, "result": fitted.outcome, "fit": fitted})
        }
        Ok(Done::Plan(plan, plays)) => {
            serde_json::json!({"clip": name, "ok": true, "plan": plan.view(), "plays": plays})
        }
        Err(error) => serde_json::json!({"clip": name, "ok": false, "error": error.to_string()}),
    };
    value.to_string()
}

/// Summary lines; failures are printed as they occur.
fn human(name: &str, done: &Result<Done, ConvertError>) -> Vec<String> {
    match done {
        Ok(Done::Reel(outcome)) => closing(outcome),
        Ok(Done::Fitted(fitted)) => closing(&fitted.outcome),
        Ok(Done::Plan(plan, plays)) => plan_text(name, plan, plays),
        Err(_) => Vec::new(),
    }
}

/// What was made, in a few lines.
pub(crate) fn closing(outcome: &Outcome) -> Vec<String> {
    let sound = match outcome.sound_rate {
        Some(rate) => format!("sound {rate} Hz"),
        None => "no sound".into(),
    };
    let made = format!(
        "{}: {}, {}x{}, {} fps, {}, {sound}, {}",
        outcome.output.display(),
        clock(outcome.seconds),
        outcome.width,
        outcome.height,
        plain(&outcome.rate.into()),
        outcome.coding,
        size(outcome.bytes),
    );
    let rate = format!(
        "  bytes per second (computed): {}; largest chunk {}; {:.1} times real time",
        rates(outcome),
        size(outcome.largest_chunk.into()),
        outcome.seconds / outcome.timings.whole.max(1e-9),
    );
    let mut lines = vec![made, rate];
    if let Some(sound) = &outcome.sound {
        let [done, found] = sound.sentences();
        lines.extend([done, found].map(|text| format!("  sound: {text}")));
    }
    if !outcome.previews.is_empty() {
        let copies = outcome.previews.iter();
        let copies: Vec<_> = copies.map(|path| path.display().to_string()).collect();
        lines.push(format!("  previews: {}", copies.join(", ")));
    }
    let notes = outcome
        .advice
        .iter()
        .cloned()
        .chain(outcome.flashes.iter().map(|flash| flash.sentence()))
        .chain(outcome.damage.sentence());
    lines.extend(notes.map(|note| format!("  note: {note}")));
    let plays = outcome.plays.iter();
    lines.extend(plays.map(|link| format!("  {}", link.sentence())));
    lines
}

/// Mean and worst rate; a mean over less than a second would tell nothing.
fn rates(outcome: &Outcome) -> String {
    let worst = size(outcome.worst_rate.into());
    match outcome.seconds {
        seconds if seconds < 1.0 => format!("{worst} in all, as the reel is shorter than a second"),
        _ => format!("mean {}, worst {worst}", size(outcome.mean_rate.into())),
    }
}

/// The plan as indented lines.
fn plan_text(name: &str, plan: &ConvertPlan, plays: &[LinkVerdict]) -> Vec<String> {
    let mut lines = vec![format!("plan for {name}:")];
    if let Ok(value) = serde_json::to_value(plan.view()) {
        fields(&value, 1, &mut lines);
    }
    let foreseen =
        |link: &LinkVerdict| format!("  with typical pictures (assumed) {}", link.sentence());
    lines.extend(plays.iter().map(foreseen));
    lines
}

/// One conversion without bars, for commands that convert on the way.
pub(crate) fn quietly(
    choices: &Choices,
    clip: &Path,
    reel: &Path,
    stop: &AtomicBool,
) -> Result<Outcome> {
    let plan = ConvertPlan::resolve(choices, clip, reel)?;
    Ok(convert(&plan, &Quiet, stop)?)
}
