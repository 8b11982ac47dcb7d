//! Closed-form needs of a reel against the capacities of a board: link, bus,
//! cores, memory, I2S, card space and power, each with margin and verdict.
//!
//! A reel, or settings alone, is first reduced to [`ReelFacts`]; the needs are
//! those of its worst window, not of the mean.

mod air;
mod airtime;
mod asked;
mod change;
mod choice;
mod clusters;
mod compare;
mod cost;
mod counted;
mod facts;
mod less;
mod line;
mod lines;
mod memory;
pub mod power;
#[cfg(feature = "files")]
mod read;
mod remarks;
mod settings;
mod stall;
mod start;
mod tcp;
mod tearing;
mod words;

use serde::Serialize;

use crate::board::{Board, Stalls};
use crate::budget::power::Power;

pub use air::{
    AirLimit, chunk_overhead, frame_us, mcs_at, rate_bps, reach_m, tcp_bps, udp_bps, window_bps,
};
pub use airtime::{AccessPoint, Contention, airtime};
pub use asked::Asked;
pub use change::{Change, best_change};
pub use choice::{Choice, Wish};
pub use clusters::Clusters;
pub use compare::{Comparison, Crossover};
pub use cost::{Costs, card_rate, card_read_ns, card_wire_ns, quantile_mean_us};
pub use counted::{Counted, sound_instructions, typical_estimate};
pub use facts::{PictureCoding, PictureFacts, ReelFacts, SliceFacts, SoundCoding};
pub use line::{Line, Origin, Part, Source, Verdict};
pub use lines::{FAT32_FILE, MEMORY_MARGIN, OverTime, link_rate};
pub use memory::{Buffer, MemoryPlan, Place};
#[cfg(feature = "files")]
pub use read::FactsError;
pub use remarks::remarks;
pub use settings::Settings;
pub use stall::{StallNeed, stall_need};
pub use start::{StartUp, start_level};
pub use tcp::Flow;
pub use tearing::Tearing;
pub use words::{amount, clock, size};

/// Where a reel is read from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Link {
    /// The memory card.
    Card,
    /// The wireless link.
    Wifi,
}

impl Link {
    /// The links that a board has.
    #[must_use]
    pub fn of(board: &Board) -> Vec<Self> {
        let card = board.card.is_some().then_some(Self::Card);
        let wifi = board.wifi.is_some().then_some(Self::Wifi);
        card.into_iter().chain(wifi).collect()
    }

    /// The stalls of this link on a board, if it has the link.
    #[must_use]
    pub fn stalls(self, board: &Board) -> Option<&Stalls> {
        match self {
            Self::Card => board.card.as_ref().map(|c| &c.stalls),
            Self::Wifi => board.wifi.as_ref().map(|w| &w.stalls),
        }
    }

    /// Instructions of a core for each byte that it brings.
    #[must_use]
    pub fn instructions_per_byte(self, board: &Board) -> f64 {
        match self {
            Self::Card => board.card.as_ref().map_or(0.0, |c| c.instructions_per_byte),
            Self::Wifi => board.wifi.as_ref().map_or(0.0, |w| w.instructions_per_byte),
        }
    }

    /// The link's name in tables.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Card => "card",
            Self::Wifi => "Wi-Fi",
        }
    }
}

/// How a budget is made.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Terms {
    /// Share of each capacity that must stay free for the verdict "fit".
    pub margin: f64,
    /// Length of the window whose worst is taken, in seconds.
    pub window: f64,
}

impl Default for Terms {
    fn default() -> Self {
        Self {
            margin: 0.15,
            window: 1.0,
        }
    }
}

/// Why there is no budget.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum BudgetError {
    /// The board has no such link.
    #[error(
        "the board `{board}` has no [{section}] section, so nothing can be read from there; add one, or choose the other link"
    )]
    NoLink {
        /// The board's name.
        board: String,
        /// The section that is missing.
        section: &'static str,
    },
    /// The reel holds no slice.
    #[error(
        "there is no slice in the reel, so there is nothing to play; `thumbreel repair` may find some"
    )]
    Empty,
}

/// A whole budget for one link.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Budget {
    /// The board's name.
    pub board: String,
    /// The link that it was made for.
    pub link: Link,
    /// Margin that "fit" asks for.
    pub margin: f64,
    /// Every need against its capacity.
    pub lines: Vec<Line>,
    /// Where each buffer lies.
    pub memory: MemoryPlan,
    /// Currents, worst instants, run time and heat.
    pub power: Power,
    /// From the first byte asked for to the first sound and picture, without stalls.
    pub start: StartUp,
    /// Worst verdict of all lines.
    pub verdict: Verdict,
    /// Minutes of such play in a gigabyte (10^9 bytes).
    pub minutes_per_gigabyte: f64,
    /// Picture rate of the reel, a second.
    pub rate: f64,
    /// Width and height of its pictures.
    pub size: (u16, u16),
}

impl Budget {
    /// The budget of `reel` on `board` over `link`.
    ///
    /// # Errors
    /// The board lacks the link, or the reel is empty.
    pub fn new(
        reel: &ReelFacts,
        board: &Board,
        link: Link,
        terms: Terms,
    ) -> Result<Self, BudgetError> {
        if !Link::of(board).contains(&link) {
            let section = if link == Link::Card { "card" } else { "wifi" };
            return Err(BudgetError::NoLink {
                board: board.name.clone(),
                section,
            });
        }
        if reel.slices.is_empty() || reel.ticks() == 0 {
            return Err(BudgetError::Empty);
        }
        let memory = MemoryPlan::new(reel, board);
        let start = StartUp::new(reel, board, link).ok_or(BudgetError::Empty)?;
        let (lines, power) = lines::all(reel, board, link, terms, &memory);
        let verdict = lines
            .iter()
            .map(|l| l.verdict)
            .max()
            .unwrap_or(Verdict::DoesNotFit);
        Ok(Self {
            board: board.name.clone(),
            link,
            margin: terms.margin,
            lines,
            memory,
            power,
            start,
            verdict,
            minutes_per_gigabyte: 1e9 / reel.total_bytes.max(1) as f64 * reel.seconds() / 60.0,
            rate: reel.rate,
            size: (reel.width, reel.height),
        })
    }

    /// The line whose need is the greatest share of its capacity. I2S, file
    /// size and memory, which are met or not and never half, count only when
    /// they are not.
    ///
    /// # Panics
    /// Never: a budget has lines.
    #[must_use]
    pub fn bottleneck(&self) -> &Line {
        let exact = |l: &Line| {
            matches!(
                l.part,
                Part::I2s | Part::Space | Part::Internal | Part::External | Part::Rail
            )
        };
        let binds = |l: &&Line| l.verdict == Verdict::DoesNotFit || !exact(l);
        self.lines
            .iter()
            .filter(binds)
            .max_by(|a, b| a.ratio().total_cmp(&b.ratio()))
            .expect("a budget has lines")
    }

    /// The line that is not met and that no other picture rate would meet.
    #[must_use]
    pub fn hindrance(&self) -> Option<&Line> {
        self.lines.iter().find(|l| {
            let exact = matches!(
                l.part,
                Part::I2s | Part::Panel | Part::Internal | Part::External
            );
            exact && l.verdict == Verdict::DoesNotFit
        })
    }

    /// The highest picture rate at which every line that depends on it keeps
    /// the margin, else equal. 0 if none does.
    #[must_use]
    pub fn highest_rate(&self) -> f64 {
        self.lines
            .iter()
            .filter_map(|l| l.highest_rate)
            .fold(f64::INFINITY, f64::min)
    }

    /// The factor on width and height at which every line keeps the margin.
    #[must_use]
    pub fn highest_scale(&self) -> f64 {
        self.lines
            .iter()
            .filter(|l| l.by_area)
            .filter_map(|l| l.growth().map(f64::sqrt))
            .fold(f64::INFINITY, f64::min)
    }
}
