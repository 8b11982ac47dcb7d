//! The least buffers that would have been clean.

use serde::Serialize;

use super::stage::Scratch;
use super::{Rehearsal, Rules};

/// Least buffers with which every one of some rehearsals is clean; `None`
/// where none is enough.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Least {
    /// Least bytes before play begins, the ring buffer as it is.
    pub start_bytes: Option<u64>,
    /// Least bytes of the ring buffer, its start level as it is.
    pub ring_buffer_bytes: Option<u64>,
}

/// Steps of the search: sectors.
const STEP: u64 = 512;

impl Rehearsal {
    /// Searches the least start level and ring over the seeds `first`, ...
    /// More of either hardly ever hurts (where chunks wrap around in the ring buffer
    /// a little more may fit them worse), so that halving finds them.
    #[must_use]
    pub fn least(&self, runs: u32, first: u64) -> Least {
        let clean = |rules: Rules| self.all_clean(runs, first, rules);
        let most = self.rules.ring;
        let start_bytes = search(0, most, |start| {
            clean(Rules {
                start,
                ..self.rules
            })
        });
        let ring_buffer_bytes = search(self.least_ring, self.rules.ring, |ring| {
            clean(Rules {
                ring: ring / STEP * STEP,
                ..self.rules
            })
        });
        Least {
            start_bytes,
            ring_buffer_bytes,
        }
    }

    fn all_clean(&self, runs: u32, first: u64, rules: Rules) -> bool {
        let mut scratch = Scratch::default();
        (first..first + u64::from(runs)).all(|seed| {
            self.run_with(seed, rules, &self.link, &mut scratch, false)
                .is_clean()
        })
    }
}

/// The least value of whole steps from `low` to `high` that is good, if
/// `high` is.
fn search(low: u64, high: u64, good: impl Fn(u64) -> bool) -> Option<u64> {
    if !good(high) {
        return None;
    }
    let (mut low, mut high) = (low, high);
    while high - low > STEP {
        let middle = low + (high - low) / 2;
        if good(middle) {
            high = middle;
        } else {
            low = middle;
        }
    }
    Some(if good(low) { low } else { high })
}
