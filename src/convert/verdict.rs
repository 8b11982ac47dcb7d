//! Whether a reel plays, link by link, and what would make it play.

use std::path::Path;

use serde::Serialize;

use super::error::ConvertError;
use super::plan::ConvertPlan;
use crate::board::Board;
use crate::budget::{Link, PictureCoding, ReelFacts, Settings, SoundCoding, Terms, Verdict};
use crate::coding::Coding;
use crate::coding::patch::Level;
use crate::rehearsal::{Judgement, USUAL_RUNS};

/// One link's verdict.
#[derive(Clone, Debug, Serialize)]
pub struct LinkVerdict {
    /// The link.
    pub link: Link,
    /// Fit, tight or not.
    pub verdict: Verdict,
    /// In a line.
    pub line: String,
    /// The supply is the cause, which no other picture changes.
    pub by_supply: bool,
    /// Options of `convert` that make it play, each tried by calculation.
    pub options: Vec<String>,
}

/// Shares of width and height that are tried, in eighths.
const EIGHTHS: [u16; 4] = [7, 6, 5, 4];
/// Every so many pictures are tried.
const KEPT: [u32; 3] = [2, 3, 4];

/// The verdict of the reel at `path` on each link of `board`.
///
/// # Errors
/// The reel cannot be read.
pub fn verdicts(path: &Path, board: &Board) -> Result<Vec<LinkVerdict>, ConvertError> {
    let facts = ReelFacts::read(path).map_err(|e| ConvertError::Choice(e.to_string()))?;
    Ok(verdicts_of(&facts, board))
}

/// The same of a reel's facts.
#[must_use]
pub fn verdicts_of(facts: &ReelFacts, board: &Board) -> Vec<LinkVerdict> {
    let links = Link::of(board).into_iter();
    links
        .filter_map(|link| verdict(facts, board, link))
        .collect()
}

/// The verdict of what a plan would make of typical pictures (assumed), before
/// anything is encoded.
#[must_use]
pub fn foreseen(plan: &ConvertPlan, board: &Board) -> Vec<LinkVerdict> {
    let coding = match (plan.coding.coding, plan.coding.level) {
        (Coding::Raw, _) => PictureCoding::Raw,
        (Coding::Jpeg, _) => PictureCoding::Jpeg,
        (Coding::Patch, Level::Light) => PictureCoding::PatchLight,
        (Coding::Patch, Level::Full) => PictureCoding::PatchFull,
    };
    let (width, height) = (plan.picture.width, plan.picture.height);
    let mut settings = Settings::typical(width, height, plan.rate, coding);
    settings.sound_rate = plan.clock_rate();
    settings.sound = plan
        .sound
        .as_ref()
        .map_or(SoundCoding::None, |s| match s.coding {
            crate::sound::SoundCoding::Pcm16 => SoundCoding::Pcm16,
            crate::sound::SoundCoding::Pcm8 => SoundCoding::Pcm8,
            crate::sound::SoundCoding::Adpcm => SoundCoding::Adpcm,
        });
    let length = plan.expected_length().map_or(60.0, |l| l.as_secs_f64());
    settings.seconds = length.clamp(1.0, 60.0);
    if plan.picture.shape == crate::picture::Shape::Ellipse {
        settings.visible = std::f64::consts::FRAC_PI_4;
    }
    verdicts_of(&settings.facts(), board)
}

fn verdict(facts: &ReelFacts, board: &Board, link: Link) -> Option<LinkVerdict> {
    let judged = judge(facts, board, link)?;
    let verdict = judged.verdict();
    let by_supply = judged.binding().is_some_and(|l| l.part.is_supply());
    Some(LinkVerdict {
        link,
        verdict,
        line: judged.line(),
        by_supply,
        options: if verdict == Verdict::Fits || by_supply {
            Vec::new()
        } else {
            options(facts, board, link)
        },
    })
}

fn judge(facts: &ReelFacts, board: &Board, link: Link) -> Option<Judgement> {
    Judgement::new(facts, board, link, Terms::default(), USUAL_RUNS).ok()
}

/// The first rate and the first size with which it plays.
fn options(facts: &ReelFacts, board: &Board, link: Link) -> Vec<String> {
    let plays = |reel: &ReelFacts| {
        judge(reel, board, link).is_some_and(|judged| judged.verdict() == Verdict::Fits)
    };
    let rate = KEPT.into_iter().find(|keep| plays(&facts.thinned(*keep)));
    let rate = rate.map(|keep| format!("--frame-rate {:.3}", facts.rate / f64::from(keep)));
    let side = |v: u16, eighths: u16| (u32::from(v) * u32::from(eighths) / 64 * 8).max(16) as u16;
    let sizes = EIGHTHS.map(|n| (side(facts.width, n), side(facts.height, n)));
    let size = sizes
        .into_iter()
        .find(|(w, h)| plays(&facts.scaled(*w, *h)));
    let size = size.map(|(w, h)| format!("--size {w}x{h}"));
    rate.into_iter().chain(size).collect()
}

impl LinkVerdict {
    /// The line, and what to paste where it does not play.
    #[must_use]
    pub fn sentence(&self) -> String {
        match &self.options[..] {
            [] if self.verdict == Verdict::Fits || self.by_supply => self.line.clone(),
            [] => format!(
                "{}; no lower rate and no smaller picture alone helps, by calculation: --fit tries more",
                self.line
            ),
            options => format!(
                "{}; by calculation it would with {}, and --fit does it",
                self.line,
                options.join(", or ")
            ),
        }
    }
}
