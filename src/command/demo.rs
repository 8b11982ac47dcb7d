//! `thumbreel demo`: a first reel without a clip and without a network.

use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::atomic::Ordering;

use anyhow::{Result, anyhow, bail};

use super::Usage;
use super::bars::Bars;
use super::convert::{closing, quietly};
use super::out::say;
use super::show::typed;
use crate::board::Board;
use crate::convert::Choices;
use crate::demo;
use crate::export::{Damages, Span, Step, Walk};
use crate::files::{Destination, Kind, OutputError};

/// Make a short harbour film, convert it and check the reel
#[derive(clap::Args)]
pub struct Args {
    /// Folder for film and reel (created if missing)
    #[arg(default_value = "thumbreel-demo")]
    folder: PathBuf,
    /// Board to convert for
    #[arg(short, long, default_value = "lantern-room")]
    board: String,
    /// Replace the files of an earlier demo
    #[arg(long)]
    overwrite: bool,
}

/// Rehearsals of the report for each link.
const REHEARSALS: u32 = 200;

/// Makes film and reel, checks the reel, and ends with its report.
///
/// # Errors
/// The board is unknown, or a file cannot be written or read back.
pub fn run(args: Args) -> Result<ExitCode> {
    let board = Board::find(&args.board).map_err(|e| Usage(e.to_string()))?;
    super::out::folder(&args.folder)?;
    let film = args.folder.join("harbour-at-dusk.mp4");
    let reel = args.folder.join("harbour-at-dusk.tbr");
    let page = args.folder.join("harbour-at-dusk.html");
    let to = |path: &Path, kind| {
        Destination::new(path, kind)
            .overwrite(args.overwrite)
            .apart_from([&args.board])
    };
    for (path, kind) in [
        (&film, Kind::Film),
        (&reel, Kind::Reel),
        (&page, Kind::Page),
    ] {
        to(path, kind).check().map_err(|error| match error {
            OutputError::Exists(path, _) => anyhow!(
                "{} exists; name another folder, or add --overwrite to make the demo anew",
                path.display()
            ),
            error => error.into(),
        })?;
    }
    let stop = super::stop::on_signal();
    let task = Bars::new(false).busy("drawing, converting, checking");
    make_film(&to(&film, Kind::Film))?;
    if stop.load(Ordering::Relaxed) {
        bail!("stopped before the reel was made");
    }
    let choices = Choices {
        overwrite: args.overwrite,
        title: Some("Harbour at dusk".into()),
        ..Choices::new(board)
    };
    let outcome = quietly(&choices, &film, &reel, &stop)?;
    let (slices, pictures) = check(&reel)?;
    let report = super::report::Request {
        reel: &reel,
        board: &choices.board,
        // Measuring every picture takes as long as all else together.
        clip: None,
        clip_from: None,
        rehearsals: REHEARSALS,
        carry: u64::MAX,
        task: None,
    };
    report.write(&to(&page, Kind::Page))?;
    task.close();
    say!("drawn, played and encoded: {}", film.display());
    let made = format!("converted for {}: ", choices.board.name);
    for (i, line) in closing(&outcome).iter().enumerate() {
        say!("{}{line}", if i == 0 { &made } else { "" });
    }
    say!("verified: {slices} slices, {pictures} pictures decoded, every checksum right");
    say!("report, to be opened in a browser: {}", page.display());
    say!("");
    let (next, onto_the_board) = next_steps(&film, &reel, &args.board);
    say!("What to try next:");
    for line in next {
        say!("  {line}");
    }
    say!("");
    say!("Onto the board, by a card with FAT32 or by Wi-Fi, and the firmware that plays it:");
    for line in onto_the_board {
        say!("  {line}");
    }
    Ok(ExitCode::SUCCESS)
}

/// The film, beside its name until it is whole.
fn make_film(film: &Destination) -> Result<()> {
    let draft = film.begin()?;
    demo::write_film(draft.place(), &|_| {})?;
    Ok(draft.publish()?)
}

/// Plays the reel and counts its slices and pictures.
fn check(path: &Path) -> Result<(u32, u32)> {
    let mut walk = Walk::open(path)?;
    let (mut slices, mut pictures) = (0, 0);
    let all = Span {
        from: 0,
        to: u64::MAX,
    };
    let damages = walk.run(all, |step| {
        match step {
            Step::Slice { .. } => slices += 1,
            Step::Picture(_) => pictures += 1,
            Step::Sound(_) => {}
        }
        Ok(())
    })?;
    let header = walk.header();
    if damages != Damages::default()
        || slices != header.slice_count
        || pictures != header.picture_count
    {
        bail!(
            "{} does not read back as it was written; please report this",
            path.display()
        );
    }
    Ok((slices, pictures))
}

/// What to look at, and how the reel gets onto the board.
fn next_steps(film: &Path, reel: &Path, board: &str) -> ([String; 3], [String; 3]) {
    let folder = typed(reel.parent().unwrap_or(reel));
    let (film, reel) = (typed(film), typed(reel));
    let board = typed(Path::new(board));
    let next = [
        format!("thumbreel report {reel} --board {board} --clip {film} --overwrite"),
        format!("thumbreel convert {film} --board {board} --plan"),
        "thumbreel boards".into(),
    ];
    let onto_the_board = [
        format!("cp {reel} CARD"),
        format!("thumbreel serve {folder}"),
        format!("thumbreel firmware FOLDER --board {board} --reel {reel}"),
    ];
    (next, onto_the_board)
}
