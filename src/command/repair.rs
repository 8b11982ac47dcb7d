//! `thumbreel repair`: a whole reel from what is left of one.

use std::fs::File;
use std::io::{BufReader, Seek};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::Context;
use serde_json::{Value, json};

use super::bars::Bars;
use super::out::say;
use super::show::{count, time};
use crate::files::{Destination, Draft, Kind as FileKind, reason};
use crate::reel::{
    HeaderSource, Kind, ReelFile, RepairError, Repaired, SplitError, WriteError, split_to,
};

/// Repair a damaged or truncated reel from its intact slices.
///
/// Rebuilds header, index and totals, keeps every intact slice, and lists the
/// times of missing ones. A valid reel is copied unchanged. With --part-size,
/// splits the reel for a card with a file size limit.
#[derive(clap::Args)]
pub struct Args {
    /// Reel to repair; it is not changed.
    #[arg(value_name = "REEL")]
    reel: PathBuf,
    /// The new reel.
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
    /// Replace an existing output.
    #[arg(long)]
    overwrite: bool,
    /// Split into parts of at most SIZE bytes: 700M, 2Gi, or fat32. The parts
    /// are named like harbour.1of3.tbr.
    #[arg(long, value_name = "SIZE", value_parser = super::size::part)]
    part_size: Option<u64>,
    /// Print one JSON object.
    #[arg(long)]
    json: bool,
}

/// Runs the command.
///
/// # Errors
/// The reel cannot be read, nothing of it is whole, or the output cannot be written.
pub fn run(args: Args) -> anyhow::Result<ExitCode> {
    let reel = args.reel.display().to_string();
    super::nature::damaged_reel(&args.reel)?;
    let task = Bars::new(args.json).task("repairing");
    let source = File::open(&args.reel).and_then(|file| task.reading(file));
    let source = source.map_err(|e| anyhow::anyhow!("cannot read {reel}: {}", reason(&e)))?;
    let to = Destination::new(&args.output, FileKind::Reel)
        .overwrite(args.overwrite)
        .apart_from([&args.reel]);
    let to = super::out::reserve(to, args.json)?;
    let repaired = crate::reel::repair(BufReader::new(source), to.begin()?);
    let (mut draft, repaired) = repaired.map_err(|error| match error {
        RepairError::Write(WriteError::Io(reason)) => to.failed()(reason).into(),
        error => anyhow::Error::new(error).context(reel.clone()),
    })?;
    task.close();
    if is_untouched(&repaired) && is_whole(&args.reel)? {
        copy(&args.reel, &mut draft)?;
    }
    let parts = match args.part_size {
        None => {
            draft.publish()?;
            vec![args.output.clone()]
        }
        Some(limit) => {
            let name = args.output.display().to_string();
            let mut whole = ReelFile::new(draft).with_context(|| name.clone())?;
            let parts = split_to(&mut whole, &to, limit).map_err(|error| match error {
                SplitError::Output(error) => error.into(),
                SplitError::Write(WriteError::Io(reason)) => to.failed()(reason).into(),
                error => anyhow::Error::new(error).context(name),
            })?;
            parts.into_iter().map(|(path, _)| path).collect()
        }
    };
    if args.json {
        super::out::json(&json_of(&repaired, &parts).to_string());
    } else {
        print(&reel, &repaired, &parts);
    }
    Ok(ExitCode::SUCCESS)
}

/// Whether nothing was lost and the header needed no mending.
fn is_untouched(repaired: &Repaired) -> bool {
    repaired.header == HeaderSource::Own
        && repaired.lost.is_empty()
        && repaired.lost_chunks.is_empty()
        && !repaired.summary.header.is_live()
}

fn is_whole(reel: &Path) -> anyhow::Result<bool> {
    let verdict = crate::reel::verify(BufReader::new(File::open(reel)?))?;
    Ok(verdict.is_whole())
}

/// A reel that is whole comes out byte for byte as it was.
fn copy(reel: &Path, draft: &mut Draft) -> anyhow::Result<()> {
    let failed = draft.failed();
    let copied = File::open(reel).and_then(|mut from| {
        draft.rewind()?;
        let length = std::io::copy(&mut from, draft)?;
        draft.truncate(length)
    });
    Ok(copied.map_err(failed)?)
}

fn print(reel: &str, repaired: &Repaired, parts: &[PathBuf]) {
    let header = &repaired.summary.header;
    match repaired.header {
        HeaderSource::Own => {}
        HeaderSource::Mended { bit } => {
            say!("{reel}: bit {bit} of the header was wrong; it is mended")
        }
        HeaderSource::Second => say!("{reel}: the header was lost; its copy in sector 1 was used"),
        HeaderSource::Copy => say!("{reel}: the header was lost; its copy at the end was used"),
    }
    for kind in &repaired.lost_chunks {
        say!("{reel}: the {} is lost", kind_name(*kind));
    }
    for lost in &repaired.lost {
        let at = |tick: u64| time(tick - header.first_tick.min(tick), header.clock_rate);
        say!("{reel}: lost from {} to {}", at(lost.from), at(lost.to));
    }
    if repaired.kept_pictures > 0 {
        let pictures = count(repaired.kept_pictures.into(), "picture");
        say!(
            "{reel}: {pictures} in what was saved cannot be shown, being lost or built on a lost one; the panel keeps the one before"
        );
    }
    let saved = count(repaired.slices.into(), "slice");
    let lost: u64 = repaired.lost.iter().map(|l| l.to - l.from).sum();
    let lost = match lost {
        0 => "nothing".into(),
        lost => time(lost, header.clock_rate),
    };
    let names: Vec<String> = parts.iter().map(|p| name(p)).collect();
    say!("{}: {saved} saved, {lost} lost", names.join(", "));
}

fn name(path: &Path) -> String {
    path.display().to_string()
}

fn kind_name(kind: Kind) -> &'static str {
    match kind {
        Kind::Poster => "poster",
        Kind::Tables => "picture coding's tables chunk",
        Kind::Slice => "slice",
        Kind::Index => "index",
        Kind::End => "end",
        Kind::Note => "note",
    }
}

fn json_of(repaired: &Repaired, parts: &[PathBuf]) -> Value {
    let lost: Vec<Value> = repaired
        .lost
        .iter()
        .map(|l| json!({ "offset": l.offset, "from_tick": l.from, "to_tick": l.to }))
        .collect();
    let header = match repaired.header {
        HeaderSource::Own => "own",
        HeaderSource::Mended { .. } => "mended",
        HeaderSource::Second => "second",
        HeaderSource::Copy => "copy",
    };
    let chunks: Vec<&str> = repaired.lost_chunks.iter().map(|&k| kind_name(k)).collect();
    json!({
        "output": parts.iter().map(|p| name(p)).collect::<Vec<_>>(),
        "slices": repaired.slices,
        "clock_rate": repaired.summary.header.clock_rate,
        "lost": lost,
        "kept_pictures": repaired.kept_pictures,
        "lost_chunks": chunks,
        "header": header,
    })
}
