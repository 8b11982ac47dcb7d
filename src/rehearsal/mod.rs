//! Playback in simulated time: block reads with stalls, TCP window and loss,
//! ring, cores, decode times, DMA to the panel, I2S as the master clock.
//!
//! Time is whole nanoseconds. A run is a function of reel, board, conditions
//! and seed alone; draws are pinned to places in the reel, so that runs of
//! one seed on two boards meet the same luck. The reel is reduced once to
//! times and sizes, so that thousands of runs take seconds.
//!
//! What is simplified: stalls strike where bytes are fetched, also where a
//! full ring buffer would have hidden them; on one core, reading and sounding make
//! decoding longer instead of interrupting it; on a shared bus, card and
//! panel each get what the other leaves in its worst second.

mod least;
mod link;
mod outcome;
mod play;
mod random;
mod script;
mod trace;

use crate::board::{Board, LatePolicy, StarvePolicy};
use crate::budget::{Costs, Link, MemoryPlan, Origin, ReelFacts};

pub use least::Least;
pub use link::StallPlan;
pub use outcome::{CAUSES, Cause, Fault, FaultKind, Run, Tally};
pub use trace::{Trace, trace_chart};

use link::{LinkModel, LinkRun, Span};
use play::{Rules, Scratch, Stage};
use script::{Script, Sharing};

/// What can be set apart from the board's profile.
#[derive(Clone, Debug, PartialEq)]
pub struct Conditions {
    /// Bytes in the ring buffer before play begins; else the player's, else the reel's.
    pub start_bytes: Option<u64>,
    /// Bytes of the ring buffer; else what memory leaves.
    pub ring_buffer_bytes: Option<u64>,
    /// What happens to late pictures; else the player's.
    pub late: Option<LatePolicy>,
    /// What happens when the sound underruns; else the player's.
    pub starve: Option<StarvePolicy>,
    /// Stalls of the link.
    pub stalls: StallPlan,
}

impl Default for Conditions {
    fn default() -> Self {
        Self {
            start_bytes: None,
            ring_buffer_bytes: None,
            late: None,
            starve: None,
            stalls: StallPlan::Random,
        }
    }
}

/// Why a rehearsal cannot begin.
#[derive(Debug, thiserror::Error)]
pub enum RehearsalError {
    /// The board has no such link.
    #[error(
        "the board `{board}` has no {link} to play from; choose the other link or add its section to the profile"
    )]
    NoLink {
        /// The board's name.
        board: String,
        /// The link asked for.
        link: &'static str,
    },
    /// The ring buffer cannot hold a slice and a read.
    #[error(
        "a ring buffer of {ring} bytes cannot hold the largest slice and one read, {least} bytes; a smaller picture, a lower quality or external memory helps"
    )]
    RingTooSmall {
        /// Bytes of the ring.
        ring: u64,
        /// Bytes that it must have.
        least: u64,
    },
    /// Nothing to play.
    #[error(
        "there is no slice in the reel, so there is nothing to rehearse; `thumbreel repair` may find some"
    )]
    Empty,
}

/// A reel on a board, ready to be played many times.
pub struct Rehearsal {
    script: Script,
    link: LinkModel,
    rules: Rules,
    least_ring: u64,
    origin: Origin,
}

impl Rehearsal {
    /// Prepares `reel` on `board` over `link`.
    ///
    /// # Errors
    /// The board lacks the link, the ring buffer is too small, or the reel is empty.
    pub fn new(
        reel: &ReelFacts,
        board: &Board,
        link: Link,
        conditions: &Conditions,
    ) -> Result<Self, RehearsalError> {
        if reel.slices.is_empty() {
            return Err(RehearsalError::Empty);
        }
        let memory = MemoryPlan::new(reel, board);
        let script = Script::new(reel, board, link, &memory);
        let costs = Costs::new(board, reel.coding, &memory);
        let factor = Sharing::new(reel, board, link, &costs).card;
        let span = Span {
            bytes: reel.slice_bytes(),
            seconds: reel.seconds(),
        };
        let model = LinkModel::new(
            board,
            link,
            conditions.stalls.clone(),
            script.intake,
            factor,
            span,
        );
        let kind = link;
        let link = model.ok_or_else(|| RehearsalError::NoLink {
            board: board.name.clone(),
            link: link.name(),
        })?;
        let largest = reel
            .slices
            .iter()
            .map(|s| u64::from(s.bytes))
            .max()
            .unwrap_or(0);
        let least_ring = largest + link.unit;
        let ring = conditions
            .ring_buffer_bytes
            .unwrap_or(memory.ring_buffer_bytes);
        if ring < least_ring {
            return Err(RehearsalError::RingTooSmall {
                ring,
                least: least_ring,
            });
        }
        let start = conditions
            .start_bytes
            .unwrap_or_else(|| start_bytes(reel, board));
        let rules = Rules {
            ring,
            start: start.min(ring - least_ring),
            late: conditions.late.unwrap_or(board.player.late),
            starve: conditions.starve.unwrap_or(board.player.starve),
            tolerance: (board.player.tolerance_ms * 1e6) as u64,
            jitter: (board.cpu.jitter * 4_294_967_296.0) as u64,
        };
        Ok(Self {
            script,
            link,
            rules,
            least_ring,
            origin: Origin::of_play(reel, board, kind),
        })
    }

    /// Bytes of the ring buffer, and bytes in it before play begins.
    #[must_use]
    pub fn buffers(&self) -> (u64, u64) {
        (self.rules.ring, self.rules.start)
    }

    /// What every figure of a rehearsal is computed from.
    #[must_use]
    pub const fn origin(&self) -> &Origin {
        &self.origin
    }

    /// One rehearsal.
    #[must_use]
    pub fn run(&self, seed: u64) -> Run {
        self.run_with(seed, self.rules, &mut Scratch::default())
    }

    fn run_with(&self, seed: u64, rules: Rules, scratch: &mut Scratch) -> Run {
        let segments = std::mem::take(&mut scratch.segments);
        let link = LinkRun::new(&self.link, seed, segments);
        Stage::new(&self.script, rules, link, scratch, seed).play()
    }

    /// Rehearsals with the seeds `first`, `first` + 1, ..., on all cores.
    #[must_use]
    pub fn many(&self, runs: u32, first: u64) -> Tally {
        self.many_with(runs, first, self.rules)
    }

    fn many_with(&self, runs: u32, first: u64, rules: Rules) -> Tally {
        let threads = std::thread::available_parallelism().map_or(1, usize::from) as u64;
        let mut all = Tally::default();
        let seeds = first..first + u64::from(runs);
        std::thread::scope(|scope| {
            let start = |thread: u64| {
                let mine = seeds
                    .clone()
                    .skip(thread as usize)
                    .step_by(threads as usize);
                scope.spawn(move || self.some(mine, rules))
            };
            let handles: Vec<_> = (0..threads).map(start).collect();
            for handle in handles {
                // A thread that panicked has said why.
                all.merge(&handle.join().unwrap_or_default());
            }
        });
        all
    }

    fn some(&self, seeds: impl Iterator<Item = u64>, rules: Rules) -> Tally {
        let mut tally = Tally::default();
        let mut scratch = Scratch::default();
        for seed in seeds {
            tally.add(&self.run_with(seed, rules, &mut scratch), seed);
        }
        tally
    }
}

/// The player's start level, else the reel's, else two of its largest slices.
fn start_bytes(reel: &ReelFacts, board: &Board) -> u64 {
    match (board.player.start_bytes, reel.prebuffer) {
        (0, 0) => 2 * u64::from(reel.largest_chunk),
        (0, reel) => u64::from(reel),
        (player, _) => u64::from(player),
    }
}
