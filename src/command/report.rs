//! `thumbreel report REEL --board B`: the report of a reel.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::Context;

use super::Usage;
use super::out::say;
use crate::board::Board;
use crate::budget::{Link, Origin, ReelFacts, Terms};
use crate::convert::compare::{compare, tone_before_after};
use crate::export::Target;
use crate::reel::{Event, Kind, ReelFile};
use crate::rehearsal::{Conditions, Judgement, Rehearsal, Trace};
use crate::report::{self, Findings, LinkFindings, Quality, SpeakerFindings};

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

    /// Number of rehearsals per link
    #[arg(long, value_name = "COUNT", default_value_t = 1000, value_parser = clap::value_parser!(u32).range(1..=100_000))]
    rehearsals: u32,

    /// Largest reel to embed in the page, in MB
    #[arg(long, value_name = "MB", default_value_t = 64)]
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
    let output = args
        .output
        .clone()
        .unwrap_or_else(|| args.reel.with_extension("html"));
    let page = Request {
        reel: &args.reel,
        board: &board,
        clip: args.clip.as_deref(),
        rehearsals: args.rehearsals,
        carry: args.carry.saturating_mul(1_000_000),
    };
    page.write(&output, args.overwrite)?;
    if !args.quiet {
        say!("{}", output.display());
    }
    Ok(ExitCode::SUCCESS)
}

/// What a report is asked to be made of.
pub(super) struct Request<'a> {
    pub reel: &'a Path,
    pub board: &'a Board,
    pub clip: Option<&'a Path>,
    pub rehearsals: u32,
    /// Bytes that the page may carry for its player.
    pub carry: u64,
}

impl Request<'_> {
    /// Writes the page to `output`, whole or not at all.
    pub fn write(&self, output: &Path, overwrite: bool) -> anyhow::Result<()> {
        super::out::apart(output, [self.reel].into_iter().chain(self.clip))?;
        let target = Target::file(output, overwrite)?;
        let facts = ReelFacts::read(self.reel)?;
        let findings = Findings {
            path: self.reel,
            board: self.board,
            facts: &facts,
            links: self.links(&facts)?,
            quality: self.clip.map(|clip| quality(self.reel, clip)).transpose()?,
            tone: match self.clip {
                Some(clip) => tone_before_after(self.reel, clip)?,
                None => None,
            },
            speaker: self.speaker()?,
            note: note(self.reel)?,
            reel: self.carried(facts.total_bytes)?,
        };
        let page = report::page(&findings)?;
        let written = std::fs::write(target.path(), page);
        written.with_context(|| format!("{}: cannot write", output.display()))?;
        Ok(target.publish()?)
    }

    fn links(&self, facts: &ReelFacts) -> anyhow::Result<Vec<LinkFindings>> {
        let judge = |link| {
            let terms = Terms::default();
            let judgement = Judgement::new(facts, self.board, link, terms, self.rehearsals)?;
            Ok(LinkFindings {
                link,
                trace: self.worst(facts, link, &judgement),
                judgement,
                origin: Origin::of_play(facts, self.board, link),
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

fn quality(reel: &Path, clip: &Path) -> anyhow::Result<Vec<Quality>> {
    let mut scores = Vec::new();
    compare(reel, clip, 0, |score, _| {
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
