//! The report of a reel as one HTML page. The answer comes first: verdict, limit and
//! change for each link, a bar a part, the player, and one plot of the whole reel;
//! then the cautions. The rest is folded away: contact sheet, figures of each link,
//! sound, quality, settings, sources. The page is one file and opens without a server.

mod before_after;
mod cautions;
mod curves;
mod html;
mod links;
mod measure;
mod pieces;
mod reel_plot;
mod sources;
mod text;

use std::path::Path;

use crate::board::Board;
use crate::budget::power::{self, PowerModel};
use crate::budget::{Change, Link, Origin, OverTime, ReelFacts, Verdict};
use crate::chart::{Curve, Plot};
use crate::export::{ExportError, Walk};
use crate::picture::PanelPicture;
use crate::rehearsal::{Judgement, Trace};

pub use measure::Measured;

/// Why a report could not be made.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ReportError {
    /// The reel cannot be read or its pictures not decoded.
    #[error(transparent)]
    Reel(#[from] ExportError),
    /// A picture could not be drawn.
    #[error("cannot draw a picture of the report: {0}")]
    Draw(String),
}

/// A link judged by formula and by rehearsal.
pub struct LinkFindings {
    /// The link.
    pub link: Link,
    /// Need against capacity, and what rehearsals say.
    pub judgement: Judgement,
    /// One rehearsal drawn out in time, the worst; none where it cannot be
    /// rehearsed.
    pub trace: Option<Trace>,
    /// What both are computed from.
    pub origin: Origin,
    /// The change of the board that helps most.
    pub best: Option<Change>,
    /// The budget's lines window by window.
    pub over_time: OverTime,
    /// What would let a cell last longer.
    pub changes: Vec<power::Change>,
}

impl LinkFindings {
    /// The worse of what formula and rehearsals say; what cannot be rehearsed
    /// does not play.
    #[must_use]
    pub fn verdict(&self) -> Verdict {
        self.judgement.verdict()
    }
}

/// The speaker in its box, and what the reel's sound does to supply and heat.
pub struct SpeakerFindings {
    /// Level and excursion over frequency.
    pub chart: [Plot; 2],
    /// What the chart shows, in words.
    pub box_words: String,
    /// The amplifier's current and the temperatures, a sentence each.
    pub supply: Vec<String>,
    /// The amplifier's current in milliamperes over seconds: as it is, and
    /// behind the speaker's high-pass.
    pub current: [Curve; 2],
}

/// How near one picture comes to the clip's.
#[derive(Clone, Copy, Debug)]
pub struct Quality {
    /// Seconds from the start.
    pub seconds: f64,
    /// Peak signal-to-noise ratio in dB.
    pub psnr: f64,
    /// Structural similarity, at most 1.
    pub ssim: f64,
}

/// Everything a report is made of.
pub struct Findings<'a> {
    /// The reel's file.
    pub path: &'a Path,
    /// The board.
    pub board: &'a Board,
    /// What playing it costs.
    pub facts: &'a ReelFacts,
    /// The board's links.
    pub links: Vec<LinkFindings>,
    /// Against the clip, if it was given.
    pub quality: Option<Vec<Quality>>,
    /// A picture without and with the reel's tone, if the clip was given and
    /// the tone is not neutral.
    pub tone: Option<[PanelPicture; 2]>,
    /// The speaker in its box, and what the sound draws from the supply; none
    /// for a silent reel.
    pub speaker: Option<SpeakerFindings>,
    /// How the reel was made, as it says itself.
    pub note: String,
    /// The reel's bytes for the player; `None` if they are too many for a page.
    pub reel: Option<Vec<u8>>,
}

impl Findings<'_> {
    /// The worst verdict over the best of the links.
    #[must_use]
    pub fn best(&self) -> Option<&LinkFindings> {
        self.links.iter().min_by_key(|link| link.verdict())
    }
}

/// The page as HTML.
///
/// # Errors
/// When the reel cannot be read or a picture not made.
pub fn page(findings: &Findings<'_>) -> Result<String, ReportError> {
    let mut walk = Walk::open(findings.path)?;
    let power = findings
        .best()
        .map(|link| PowerModel::new(findings.facts, findings.board, link.link));
    let measured = measure::measure(&mut walk, power.as_ref())?;
    html::page(findings, walk.header(), &measured)
}
