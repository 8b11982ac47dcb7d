//! `thumbreel report REEL --board B`: the report of a reel.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::Context;

use super::Usage;
use super::bars::{Bars, Task};
use super::out::say;
use super::values;
use crate::board::Board;
use crate::budget::power::changes;
use crate::budget::{Link, Origin, OverTime, ReelFacts, Terms, best_change};
use crate::convert::compare::{compare, tone_before_after};
use crate::files::{Destination, Kind as FileKind};
use crate::reel::{Event, Kind, ReelFile};
use crate::rehearsal::{Conditions, Judgement, Rehearsal, Trace};
use crate::report::{self, Findings, LinkFindings, Quality, SpeakerFindings};
use crate::units::Nanos;

/// Write a report of a reel as one page: player, contact sheet, load and capacity
/// over time, rehearsals, loudness, current, quality, settings, verdict, cautions.
/// The page is one file that opens without a server.
#[derive(clap::Args)]
pub struct Args {
    /// The reel
    #[arg(value_name = "REEL")]
    reel: PathBuf,

    /// Built-in board, or a profile's path (see: thumbreel boards)
    #[arg(short, long)]
    board: String,

    /// Page to write [default: the reel's name with .html]
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,

    /// The source clip: adds quality over time
    #[arg(long, value_name = "CLIP")]
    clip: Option<PathBuf>,

    /// Time of the clip at which the reel begins [default: the reel's own]
    #[arg(long, value_name = "TIME", value_parser = values::time)]
    clip_from: Option<Nanos>,

    /// Number of rehearsals per link
    #[arg(long, value_name = "COUNT", default_value_t = 1000, value_parser = values::whole::<u32>(1, 100_000), allow_negative_numbers = true)]
    rehearsals: u32,

    /// Largest reel to embed in the page, in MB
    #[arg(long, value_name = "MB", default_value_t = 64, value_parser = values::whole::<u64>(0, 1_000_000), allow_negative_numbers = true)]
    carry: u64,

    /// Replace an existing page
    #[arg(long)]
    overwrite: bool,

    /// Print nothing
    #[arg(long)]
    quiet: bool,
}

/// Writes the page.
///
/// # Errors
/// When the board is unknown, the reel cannot be read, or the page not written.
pub fn run(args: Args) -> anyhow::Result<ExitCode> {
    let board = Board::find(&args.board).map_err(|error| Usage(error.to_string()))?;
    super::nature::reel(&args.reel)?;
    if let Some(clip) = &args.clip {
        super::nature::source(clip)?;
    }
    let output = args
        .output
        .clone()
        .unwrap_or_else(|| args.reel.with_extension("html"));
    let page = Request {
        reel: &args.reel,
        board: &board,
        clip: args.clip.as_deref(),
        clip_from: args.clip_from,
        rehearsals: args.rehearsals,
        carry: args.carry.saturating_mul(1_000_000),
        task: None,
    };
    let to = Destination::new(&output, FileKind::Page)
        .overwrite(args.overwrite)
        .apart_from([&args.reel, &PathBuf::from(&args.board)])
        .apart_from(&args.clip);
    let to = super::out::reserve(to, false)?;
    let bars = Bars::new(args.quiet);
    let task = match args.clip {
        Some(_) => bars.task("reporting"),
        None => bars.busy("reporting"),
    };
    task.at(0.0);
    let page = Request {
        task: Some(&task),
        ..page
    };
    page.write(&to)?;
    task.close();
    if !args.quiet && !to.is_stream() {
        say!("{}", output.display());
    }
    Ok(ExitCode::SUCCESS)
}

/// What a report is asked to be made of.
pub(super) struct Request<'a> {
    pub reel: &'a Path,
    pub board: &'a Board,
    pub clip: Option<&'a Path>,
    /// Where in the clip the reel begins, if not as the reel says.
    pub clip_from: Option<Nanos>,
    pub rehearsals: u32,
    /// Bytes that the page may carry for its player.
    pub carry: u64,
    /// Told how much is done.
    pub task: Option<&'a Task>,
}

impl Request<'_> {
    /// Writes the page, whole or not at all.
    pub fn write(&self, to: &Destination) -> anyhow::Result<()> {
        let mut draft = to.begin()?;
        let facts = ReelFacts::read(self.reel)?;
        let findings = Findings {
            path: self.reel,
            board: self.board,
            facts: &facts,
            links: self.links(&facts)?,
            quality: self.quality(&facts)?,
            tone: match self.clip {
                Some(clip) => tone_before_after(self.reel, clip, self.clip_from)?,
                None => None,
            },
            speaker: self.speaker()?,
            note: note(self.reel)?,
            reel: self.carried(facts.total_bytes)?,
        };
        let page = report::page(&findings)?;
        draft.write_all(page.as_bytes()).map_err(draft.failed())?;
        Ok(draft.publish()?)
    }

    fn quality(&self, facts: &ReelFacts) -> anyhow::Result<Option<Vec<Quality>>> {
        let Some(clip) = self.clip else {
            return Ok(None);
        };
        let whole = facts.seconds();
        let tell = |seconds: f64| {
            if let Some(task) = self.task {
                task.at(seconds / whole);
            }
        };
        quality(self.reel, clip, self.clip_from, tell).map(Some)
    }

    fn links(&self, facts: &ReelFacts) -> anyhow::Result<Vec<LinkFindings>> {
        let judge = |link| {
            let terms = Terms::default();
            let judgement = Judgement::new(facts, self.board, link, terms, self.rehearsals)?;
            Ok(LinkFindings {
                link,
                trace: self.worst(facts, link, &judgement),
                judgement,
                best: best_change(facts, self.board, link, terms)?,
                over_time: OverTime::new(facts, self.board, link, terms),
                origin: Origin::of_play(facts, self.board, link),
                changes: changes(facts, self.board, link),
            })
        };
        Link::of(self.board).into_iter().map(judge).collect()
    }

    /// The worst of the rehearsals by chance, drawn out in time.
    fn worst(&self, facts: &ReelFacts, link: Link, judged: &Judgement) -> Option<Trace> {
        let tally = &judged.outlook.as_ref().ok()?.tally;
        let conditions = Conditions::default();
        let rehearsal = Rehearsal::new(facts, self.board, link, &conditions).ok()?;
        let worst = tally.worst_gap.or(tally.worst_late);
        Some(rehearsal.trace(worst.map_or(1, |(_, seed)| seed)))
    }

    /// The speaker in its box, and what the sound draws at the strapped gain.
    fn speaker(&self) -> anyhow::Result<Option<SpeakerFindings>> {
        let Some((supply, current)) = super::gain::drawn(self.reel, self.board)? else {
            return Ok(None);
        };
        let (chart, box_words) = super::enclosure::drawn(self.board)?;
        Ok(Some(SpeakerFindings {
            chart,
            box_words,
            supply,
            current,
        }))
    }

    fn carried(&self, length: u64) -> anyhow::Result<Option<Vec<u8>>> {
        if length > self.carry {
            return Ok(None);
        }
        let bytes = std::fs::read(self.reel);
        Ok(Some(bytes.with_context(|| {
            format!("{}: cannot read", self.reel.display())
        })?))
    }
}

fn quality(
    reel: &Path,
    clip: &Path,
    from: Option<Nanos>,
    tell: impl Fn(f64),
) -> anyhow::Result<Vec<Quality>> {
    let terms = crate::convert::compare::Terms {
        from,
        ..Default::default()
    };
    let mut scores = Vec::new();
    compare(reel, clip, terms, |score, _| {
        tell(score.seconds);
        scores.push(Quality {
            seconds: score.seconds,
            psnr: score.psnr,
            ssim: score.ssim,
        });
    })?;
    Ok(scores)
}

/// The reel's note on how it was made; it precedes the first slice.
fn note(path: &Path) -> anyhow::Result<String> {
    let mut reel = ReelFile::open(path).with_context(|| path.display().to_string())?;
    loop {
        let seen = reel.next_event(|event| match event {
            Event::Chunk(head, bytes) if head.kind() == Some(Kind::Note) => {
                Some(String::from_utf8_lossy(bytes).into_owned())
            }
            Event::Slice(_) | Event::End(_) => Some(String::new()),
            _ => None,
        })?;
        match seen {
            Some(None) => (),
            Some(Some(note)) => return Ok(note),
            None => return Ok(String::new()),
        }
    }
}
