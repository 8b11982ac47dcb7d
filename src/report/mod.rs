//! The report of a reel as one HTML page: player, contact sheet, load and
//! capacity over time, rehearsal, loudness, current, quality, settings, verdict,
//! cautions. The page is one file and opens without a server.

mod before_after;
mod cautions;
mod curves;
mod html;
mod links;
mod measure;
mod over_time;
mod pieces;
mod plot;
mod text;

use std::path::Path;

use crate::board::Board;
use crate::budget::{Duty, Link, Origin, Part, ReelFacts, Verdict};
use crate::export::{ExportError, Walk};
use crate::picture::PanelPicture;
use crate::rehearsal::{Judgement, Trace};

pub use measure::Measured;
pub use over_time::OverTime;
pub use plot::{Curve, Level, Plot};

/// Why a report could not be made.
#[derive(Debug, thiserror::Error)]
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
    /// Level over frequency as SVG.
    pub chart: String,
    /// What the chart shows, in words.
    pub box_words: String,
    /// Currents against limits, temperatures, run time, a sentence each.
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
/// When the reel cannot be read or a picture not drawn.
pub fn page(findings: &Findings<'_>) -> Result<String, ReportError> {
    let mut walk = Walk::open(findings.path)?;
    let over_time = OverTime::new(findings.facts, findings.board);
    let duty = duty(findings, &over_time);
    let measured = measure::measure(&mut walk, findings.board, duty)?;
    html::page(findings, walk.header(), &over_time, &measured)
}

/// How busy the parts are in the mean while they play over the best link.
fn duty(findings: &Findings<'_>, over_time: &OverTime) -> Duty {
    let cores = mean(&over_time.core) / 100.0;
    let carried = findings.best().map_or(0.0, |link| {
        let line = link.judgement.budget.lines.iter().find(|line| {
            let part = if link.link == Link::Card {
                Part::Card
            } else {
                Part::Wifi
            };
            line.part == part
        });
        line.map_or(0.0, |line| mean(&over_time.link) / line.capacity.max(1.0))
    });
    let from_card = findings.best().is_none_or(|link| link.link == Link::Card);
    Duty {
        cores: cores.min(2.0),
        card: if from_card { carried.min(1.0) } else { 0.0 },
        radio: if from_card { 0.0 } else { 1.0 },
    }
}

fn mean(points: &[(f64, f64)]) -> f64 {
    points.iter().map(|point| point.1).sum::<f64>() / points.len().max(1) as f64
}
