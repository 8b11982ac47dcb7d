//! The worst stall at every place in turn, which chance would hardly ever put
//! there.

use serde::Serialize;

use super::link::StallPlan;
use super::outcome::Tally;
use super::stage::Scratch;
use super::{Rehearsal, all};

/// Seconds of play from one stall to the next in one run.
const APART: f64 = 20.0;
/// Seconds of play between the places that are tried, and the least distance
/// between them in bytes.
const STEP: f64 = 0.05;
const LEAST_STEP: u64 = 512;
/// Hours of play that a sweep may simulate; a longer reel is tried at fewer
/// places.
const MOST_HOURS: f64 = 30.0;

/// What came of it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Sweep {
    /// Length of the stall in milliseconds.
    pub stall_ms: f64,
    /// How many places it was put at.
    pub places: u64,
    /// Milliseconds of play from place to place.
    pub step_ms: f64,
    /// The runs together.
    pub tally: Tally,
}

impl Rehearsal {
    /// Plays the reel with the profile's worst stall at every place, a number
    /// of them in one run; `None` where the link never stalls.
    #[must_use]
    pub fn sweep(&self) -> Option<Sweep> {
        Some(self.sweep_with(self.worst_stall?))
    }

    /// The same with a stall of `ns`.
    #[must_use]
    pub fn sweep_with(&self, ns: u64) -> Sweep {
        let script = &self.script;
        let seconds = (script.ns(script.ticks) as f64 / 1e9).max(0.001);
        let per_second = script.bytes as f64 / seconds;
        let apart = ((APART * per_second) as u64).clamp(1, script.bytes.max(1));
        let most = (MOST_HOURS * 3600.0 / seconds).max(1.0) as u64;
        let fine = ((STEP * per_second) as u64).max(LEAST_STEP);
        let step = fine.max(apart.div_ceil(most));
        let runs = apart.div_ceil(step);
        let run = |number: u64, scratch: &mut Scratch| {
            let places = (number * step..script.bytes).step_by(apart as usize);
            let stalls = StallPlan::At(places.map(|at| (at, ns)).collect());
            let link = self.link.stalled(stalls);
            (
                number,
                self.run_with(number, self.rules, &link, scratch, false),
            )
        };
        Sweep {
            stall_ms: ns as f64 / 1e6,
            places: script.bytes.div_ceil(step),
            step_ms: step as f64 / per_second * 1e3,
            tally: all(runs, run),
        }
    }
}
