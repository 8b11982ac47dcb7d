//! Playback in simulated time: the playback loop of [`crate::play`] itself,
//! answered by models of card, link, buses, cores and sound queue.
//!
//! Time is whole nanoseconds. A run is a function of reel, board, conditions
//! and seed alone; draws are pinned to places in the reel, so that runs of
//! one seed on two boards meet the same luck. The reel is reduced once to
//! times and sizes, so that thousands of runs take seconds.
//!
//! What is simplified: a picture is decoded and sent strip by strip with even
//! strips; on a shared bus a picture or a read is never interrupted.

mod judgement;
mod least;
mod link;
mod odds;
mod outcome;
mod outlook;
mod play;
mod random;
mod script;
mod stage;
mod sweep;
mod trace;

use crate::board::Board;
use crate::budget::{Link, MemoryPlan, Origin, ReelFacts, start_level};

pub use judgement::{Judgement, USUAL_RUNS};
pub use least::Least;
pub use link::StallPlan;
pub use odds::{CONFIDENCE, at_most};
pub use outcome::{CAUSES, Cause, Fault, FaultKind, Run, Tally};
pub use outlook::Outlook;
pub use sweep::Sweep;
pub use trace::Trace;

use link::{LinkModel, LinkRun, Span};
use play::Play;
use script::Script;
use stage::Scratch;

/// What can be set apart from the board's profile.
#[derive(Clone, Debug, PartialEq)]
pub struct Conditions {
    /// Bytes in the ring buffer before play begins; else the player's, else the reel's.
    pub start_bytes: Option<u64>,
    /// Bytes of the ring buffer; else what memory leaves.
    pub ring_buffer_bytes: Option<u64>,
    /// Stalls of the link.
    pub stalls: StallPlan,
}

impl Default for Conditions {
    fn default() -> Self {
        Self {
            start_bytes: None,
            ring_buffer_bytes: None,
            stalls: StallPlan::Random,
        }
    }
}

/// Why a rehearsal cannot begin.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
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
    /// The ring buffer cannot hold a slice.
    #[error(
        "a ring buffer of {ring} bytes cannot hold the largest slice, {least} bytes; a smaller picture, a lower quality or external memory helps"
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

/// Buffers and bounds of one rehearsal.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Rules {
    ring: u64,
    start: u64,
    /// Most bytes of one read.
    piece: u32,
    tolerance: u64,
    /// Greatest extra decode time, of 2^32.
    jitter: u64,
}

/// A reel on a board, ready to be played many times.
pub struct Rehearsal {
    script: Script,
    link: LinkModel,
    rules: Rules,
    least_ring: u64,
    worst_stall: Option<u64>,
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
        let span = Span {
            bytes: reel.slice_bytes(),
            seconds: reel.seconds(),
        };
        let stalls = conditions.stalls.clone();
        let model = LinkModel::new(board, link, stalls, script.intake, span);
        let model = model.ok_or_else(|| RehearsalError::NoLink {
            board: board.name.clone(),
            link: link.name(),
        })?;
        let largest = reel.slices.iter().map(|s| u64::from(s.bytes)).max();
        let least_ring = largest.unwrap_or(0).next_multiple_of(512);
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
            .unwrap_or_else(|| start_level(reel, board));
        Ok(Self {
            script,
            link: model,
            rules: Rules {
                ring,
                start,
                piece: board.player.read_bytes,
                tolerance: (board.player.tolerance_ms * 1e6) as u64,
                jitter: (board.cpu.jitter * 4_294_967_296.0) as u64,
            },
            least_ring,
            worst_stall: link
                .stalls(board)
                .filter(|s| s.strike())
                .map(|s| (s.worst_ms * 1e6) as u64),
            origin: Origin::of_play(reel, board, link),
        })
    }

    /// Bytes of the ring buffer, and bytes in it before play begins.
    #[must_use]
    pub fn buffers(&self) -> (u64, u64) {
        (self.rules.ring, self.rules.start.min(self.rules.ring))
    }

    /// What every figure of a rehearsal is computed from.
    #[must_use]
    pub const fn origin(&self) -> &Origin {
        &self.origin
    }

    /// One rehearsal.
    #[must_use]
    pub fn run(&self, seed: u64) -> Run {
        self.run_with(seed, self.rules, &self.link, &mut Scratch::default(), false)
    }

    fn run_with(
        &self,
        seed: u64,
        rules: Rules,
        link: &LinkModel,
        scratch: &mut Scratch,
        traced: bool,
    ) -> Run {
        let segments = std::mem::take(&mut scratch.segments);
        let link = LinkRun::new(link, seed, segments);
        Play::new(&self.script, rules, link, scratch, seed, traced).play()
    }

    /// Rehearsals with the seeds `first`, `first` + 1, ..., on all cores.
    #[must_use]
    pub fn many(&self, runs: u32, first: u64) -> Tally {
        let run = |number: u64, scratch: &mut Scratch| {
            let seed = first + number;
            (
                seed,
                self.run_with(seed, self.rules, &self.link, scratch, false),
            )
        };
        all(u64::from(runs), run)
    }
}

/// The tally of `count` runs, made by number, on all cores.
fn all(count: u64, run: impl Fn(u64, &mut Scratch) -> (u64, Run) + Sync) -> Tally {
    let threads = std::thread::available_parallelism().map_or(1, usize::from) as u64;
    let mut all = Tally::default();
    if threads == 1 {
        // A browser has no threads to start.
        let mut scratch = Scratch::default();
        for number in 0..count {
            let (seed, run) = run(number, &mut scratch);
            all.add(&run, seed);
        }
        return all;
    }
    std::thread::scope(|scope| {
        let start = |thread: u64| {
            let run = &run;
            scope.spawn(move || {
                let mut tally = Tally::default();
                let mut scratch = Scratch::default();
                for number in (thread..count).step_by(threads as usize) {
                    let (seed, run) = run(number, &mut scratch);
                    tally.add(&run, seed);
                }
                tally
            })
        };
        let handles: Vec<_> = (0..threads).map(start).collect();
        for handle in handles {
            match handle.join() {
                Ok(tally) => all.merge(&tally),
                Err(panic) => std::panic::resume_unwind(panic),
            }
        }
    });
    all
}
