//! `thumbreel firmware FOLDER --board B`: C source files for a board, ready to be filled
//! in and flashed.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::Context;
use serde_json::json;

use super::bars::Bars;
use super::budget::{board, reel_facts};
use super::out::say;
use super::show::typed;
use crate::files::{Destination, Kind};
use crate::firmware::{Configuration, Made, Sized};
use crate::reel::ReelFile;
use crate::rehearsal::Judgement;

/// Write the firmware for a board into a new folder: C source files that play a card's
/// reels, with a configuration for this board and its reels.
///
/// All files compile as they are written. Left to fill in are the functions that depend
/// on the chip, a line or two each, in pins.c; README.txt in the folder says what to do
/// next. Sizes and clocks in config.h come from the budget and from rehearsals, each with
/// its reason. Without a reel they are for the largest typical reel that plays on the
/// board.
#[derive(clap::Args)]
pub struct Args {
    /// Folder to write, which is made
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,

    /// Built-in board, or a profile's path (see: thumbreel boards)
    #[arg(short, long, value_name = "BOARD")]
    board: String,

    /// Reel that will be played; may be repeated [default: the board's largest typical reel]
    #[arg(long, value_name = "REEL")]
    reel: Vec<PathBuf>,

    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

/// Writes the folder.
///
/// # Errors
/// The board or a reel cannot be used, or the folder exists or cannot be written.
pub fn run(args: Args) -> anyhow::Result<ExitCode> {
    let board = board(&args.board)?;
    let reads = args
        .reel
        .iter()
        .cloned()
        .chain([PathBuf::from(&args.board)]);
    let to = Destination::new(&args.folder, Kind::Folder).apart_from(reads);
    if !is_empty(&args.folder) {
        to.check()?;
    }
    let reels = args.reel.iter().map(|path| made(path));
    let reels = reels.collect::<anyhow::Result<Vec<_>>>()?;
    let task = Bars::new(args.json).busy("rehearsing");
    let configuration = Configuration::new(&board, &reels)?;
    task.close();
    let files = configuration.files();
    if is_empty(&args.folder) {
        // Fails where something has been put in meanwhile.
        std::fs::remove_dir(&args.folder).map_err(to.failed())?;
    }
    let workshop = to.workshop()?;
    for (name, text) in &files {
        std::fs::write(workshop.path().join(name), text.as_bytes()).map_err(workshop.failed())?;
    }
    workshop.publish()?;
    if args.json {
        let reels = |sized: &Sized| -> Vec<_> {
            let told = |(reel, judged): &(String, Judgement)| json!({ "reel": reel, "verdict": judged.verdict(), "line": judged.line() });
            sized.verdicts.iter().map(told).collect()
        };
        let [one_loop, two_tasks] = configuration.programs.each_ref().map(reels);
        let [loop_differs, tasks_differ] = configuration
            .programs
            .each_ref()
            .map(|s| s.otherwise(&board));
        let names: Vec<&str> = files.iter().map(|(name, _)| *name).collect();
        let object = json!({
            "folder": args.folder.display().to_string(),
            "board": board.name,
            "files": names,
            "program": configuration.program(),
            "one_loop": one_loop,
            "two_tasks": two_tasks,
            "one_loop_differs": loop_differs,
            "two_tasks_differ": tasks_differ,
        });
        super::out::json(&object.to_string());
        return Ok(ExitCode::SUCCESS);
    }
    for sized in &configuration.programs {
        for (reel, judged) in &sized.verdicts {
            say!("{}, {reel}: {}", sized.program.words(), judged.line());
        }
        let otherwise = sized.otherwise(&board);
        if !otherwise.is_empty() {
            say!(
                "  judged with {}; convert and budget judge the profile as it stands",
                otherwise.join(", ")
            );
        }
    }
    say!(
        "{} files written to {}, set to {}",
        files.len(),
        args.folder.display(),
        configuration.program().words()
    );
    say!("next: read {}", typed(&args.folder.join("README.txt")));
    Ok(ExitCode::SUCCESS)
}

/// Whether a folder is there with nothing in it: the new one takes its place.
fn is_empty(path: &Path) -> bool {
    path.file_name().is_some()
        && path.symlink_metadata().is_ok_and(|found| found.is_dir())
        && std::fs::read_dir(path).is_ok_and(|mut entries| entries.next().is_none())
}

/// A reel's facts and header.
fn made(path: &Path) -> anyhow::Result<Made> {
    let facts = reel_facts(path)?;
    let name = path.display().to_string();
    let header = *ReelFile::open(path).with_context(|| name.clone())?.header();
    Ok(Made {
        facts,
        header,
        name,
    })
}
