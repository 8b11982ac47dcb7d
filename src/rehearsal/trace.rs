//! One rehearsal drawn out in time.

use serde::Serialize;

use super::Rehearsal;
use super::outcome::Run;
use super::stage::Scratch;

/// What lay in the ring buffer through one run.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Trace {
    /// The run's outcome.
    pub run: Run,
    /// Seconds from the first request and bytes in the ring buffer, at every slice
    /// that came in or was given back.
    pub level: Vec<(f64, u64)>,
    /// Bytes that the ring buffer holds.
    pub ring_buffer_bytes: u64,
}

impl Rehearsal {
    /// One rehearsal with the level of its ring.
    #[must_use]
    pub fn trace(&self, seed: u64) -> Trace {
        let mut scratch = Scratch::default();
        let run = self.run_with(seed, self.rules, &self.link, &mut scratch, true);
        // Each side notes by its own clock.
        scratch.levels.sort_by_key(|(t, _)| *t);
        let level = scratch
            .levels
            .iter()
            .map(|(t, bytes)| (*t as f64 / 1e9, *bytes))
            .collect();
        Trace {
            run,
            level,
            ring_buffer_bytes: self.rules.ring,
        }
    }
}
