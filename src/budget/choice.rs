//! The choice of picture coding and frame rate: of what fits, what leaves the
//! tightest part the most room; where that is plenty, what takes the fewest
//! bytes.

use crate::board::{Board, Shape};
use crate::units::Ratio;

use super::facts::{PictureCoding, SoundCoding};
use super::line::{Line, Part, Verdict};
use super::settings::Settings;
use super::{Budget, Link, Terms};

/// What is to be shown, before anything is encoded.
#[derive(Clone, Debug)]
pub struct Wish<'a> {
    /// Width and height in pixels.
    pub size: (u16, u16),
    /// The clip's own rate.
    pub clip: Ratio,
    /// The rate that is asked for, if one is.
    pub rate: Option<Ratio>,
    /// Codings that may be taken, the least lossy first.
    pub codings: &'a [PictureCoding],
    /// Sound coding and rate.
    pub sound: (SoundCoding, u32),
}

/// What was chosen.
#[derive(Clone, Debug, PartialEq)]
pub struct Choice {
    /// The coding.
    pub coding: PictureCoding,
    /// The frame rate.
    pub rate: Ratio,
    /// Whether typical pictures fit so.
    pub verdict: Verdict,
    /// Why, in one sentence.
    pub reason: String,
    /// Why it is not the clip's own rate, where that would not play.
    pub slowed: Option<String>,
}

/// Below this share of its tightest part a coding leaves room enough, and two
/// shares this near to each other are equal (assumed): bytes decide.
const ENOUGH: f64 = 0.5;
const EQUAL: f64 = 0.1;
/// Slowest rate that still moves, frames per second.
const SLOWEST: f64 = 6.0;
/// The clip's rate is divided by at most this, so that motion stays even.
const MOST_DIVISOR: u32 = 10;

/// A candidate, and its tightest part on the link that suits it best.
struct Tried {
    coding: PictureCoding,
    rate: Ratio,
    verdict: Verdict,
    part: Part,
    share: f64,
    /// Bytes of ten seconds.
    bytes: u64,
}

impl Choice {
    /// Tries each coding with typical pictures (assumed) by the budget: at the
    /// clip's rate, else at a whole fraction of it. `None` without a link.
    #[must_use]
    pub fn new(board: &Board, wish: &Wish<'_>) -> Option<Self> {
        let rates = rates(wish);
        let mut first: Option<Tried> = None;
        for rate in &rates {
            let mut tried: Vec<Tried> = wish
                .codings
                .iter()
                .filter_map(|coding| Tried::new(board, wish, *coding, *rate))
                .collect();
            let best = best(&mut tried)?;
            if best.verdict < Verdict::DoesNotFit {
                return Some(best.chosen(&tried, first.as_ref()));
            }
            first.get_or_insert(best);
        }
        // Nothing fits: the clip's rate, and the least that is missing.
        first.map(|best| best.chosen(&[], None))
    }
}

/// Takes the best out of what was tried.
fn best(tried: &mut Vec<Tried>) -> Option<Tried> {
    let used = |t: &Tried| t.share.max(ENOUGH);
    let least = tried.iter().map(used).fold(f64::INFINITY, f64::min);
    let at = (0..tried.len())
        .filter(|n| used(&tried[*n]) <= least + EQUAL)
        .min_by_key(|n| (tried[*n].verdict, tried[*n].bytes))?;
    Some(tried.remove(at))
}

fn rates(wish: &Wish<'_>) -> Vec<Ratio> {
    if let Some(rate) = wish.rate {
        return vec![rate];
    }
    let slower = |divisor: u32| Ratio::new(wish.clip.num, wish.clip.den.checked_mul(divisor)?);
    (1..=MOST_DIVISOR)
        .filter_map(slower)
        .enumerate()
        .filter(|(n, rate)| *n == 0 || hertz(*rate) >= SLOWEST)
        .map(|(_, rate)| rate)
        .collect()
}

fn hertz(rate: Ratio) -> f64 {
    f64::from(rate.num) / f64::from(rate.den)
}

/// Lines that a picture coding can do something about.
fn counts(line: &Line) -> bool {
    match line.part {
        Part::I2s
        | Part::Panel
        | Part::Space
        | Part::Regulator
        | Part::Heat
        | Part::Source
        | Part::Rail => false,
        // Memory is met or not.
        Part::Internal | Part::External => line.verdict == Verdict::DoesNotFit,
        _ => true,
    }
}

impl Tried {
    fn new(board: &Board, wish: &Wish<'_>, coding: PictureCoding, rate: Ratio) -> Option<Self> {
        let (width, height) = wish.size;
        let mut settings = Settings::typical(width, height, rate, coding);
        (settings.sound, settings.sound_rate) = wish.sound;
        settings.seconds = 10.0;
        if board.panel.shape == Shape::Ellipse {
            settings.visible = std::f64::consts::FRAC_PI_4;
        }
        let reel = settings.facts();
        let budgets = Link::of(board)
            .into_iter()
            .filter_map(|link| Budget::new(&reel, board, link, Terms::default()).ok());
        budgets
            .map(|budget| Self::of(coding, rate, &budget, reel.slice_bytes()))
            .min_by(|a, b| a.share.total_cmp(&b.share))
    }

    fn of(coding: PictureCoding, rate: Ratio, budget: &Budget, bytes: u64) -> Self {
        let lines = || budget.lines.iter().filter(|line| counts(line));
        let tightest = lines().max_by(|a, b| a.ratio().total_cmp(&b.ratio()));
        Self {
            coding,
            rate,
            verdict: lines()
                .map(|line| line.verdict)
                .max()
                .unwrap_or(Verdict::Fits),
            part: tightest.map_or(Part::Bus, |line| line.part),
            share: tightest.map_or(0.0, Line::ratio),
            bytes,
        }
    }

    fn words(&self) -> String {
        format!(
            "{} uses {:.0} % of {} and {:.0} kB/s",
            self.coding.words(),
            self.share * 100.0,
            self.part.name(),
            self.bytes as f64 / 1e4
        )
    }

    fn chosen(self, others: &[Self], faster: Option<&Self>) -> Choice {
        let mut reason = format!("with typical pictures (assumed) {}", self.words());
        if self.verdict == Verdict::DoesNotFit {
            reason = format!("nothing fits; {reason}");
        }
        for other in others {
            reason += &format!(", {}", other.words());
        }
        let slowed = faster.map(|faster| {
            reason += &format!(
                "; at {:.2} frames per second {}",
                hertz(faster.rate),
                faster.words()
            );
            format!(
                "its own would load {} to {:.0} % with typical pictures (assumed)",
                faster.part.name(),
                faster.share * 100.0
            )
        });
        Choice {
            coding: self.coding,
            rate: self.rate,
            verdict: self.verdict,
            reason,
            slowed,
        }
    }
}

impl PictureCoding {
    /// The coding and its level.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Raw => "raw",
            Self::Jpeg => "jpeg",
            Self::PatchLight => "patch light",
            Self::PatchFull => "patch full",
        }
    }
}
