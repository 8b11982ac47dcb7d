//! One rehearsal drawn out in time.

use serde::Serialize;

use crate::chart::{Level, Mark, Plot};

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

impl Trace {
    /// Seconds from the first request to the start of play.
    #[must_use]
    pub fn start(&self) -> f64 {
        self.run.start_ns as f64 / 1e9
    }

    /// Seconds from the first request until the last bytes are in: from then on the
    /// ring buffer only drains.
    #[must_use]
    pub fn last_in(&self) -> f64 {
        let rises = |w: &&[(f64, u64)]| w[1].1 > w[0].1;
        let rises = self.level.windows(2).filter(rises);
        rises.map(|w| w[1].0).fold(0.0, f64::max)
    }

    /// The worst moment of the run, in seconds from the first request, and what happens:
    /// the worst fault, else the lowest level while the link still brings bytes.
    #[must_use]
    pub fn worst(&self) -> Option<(f64, String)> {
        if let Some(fault) = self.run.worst_gap.or(self.run.worst_late) {
            let at = (self.run.start_ns + fault.at_ns) as f64 / 1e9;
            return Some((at, fault.words()));
        }
        let (start, last_in) = (self.start(), self.last_in());
        let playing = self.level.iter();
        let playing = playing.filter(|(at, _)| *at >= start && *at <= last_in);
        let (at, bytes) = playing.min_by_key(|(_, bytes)| *bytes)?;
        Some((*at, format!("lowest: {:.1} kB", *bytes as f64 / 1e3)))
    }

    /// The level in kilobytes over the time of play, as steps.
    #[must_use]
    pub fn steps(&self) -> Vec<(f64, f64)> {
        let mut before = 0.0;
        let pair = |(at, bytes): &(f64, u64)| {
            let (at, now) = (at - self.start(), *bytes as f64 / 1e3);
            let pair = [(at, before), (at, now)];
            before = now;
            pair
        };
        self.level.iter().flat_map(pair).collect()
    }

    /// The level of the ring buffer over the time of play, its worst moment marked.
    #[must_use]
    pub fn plot(&self) -> Plot {
        let mut plot = Plot::over_time("Ring buffer", "kB").with("level", self.steps());
        plot.across.unit = "seconds from the start of play".into();
        plot.levels.push(Level {
            name: format!("its size, {:.1} kB", self.ring_buffer_bytes as f64 / 1e3),
            value: self.ring_buffer_bytes as f64 / 1e3,
        });
        let mark = |at: f64, text: String| Mark {
            at: at - self.start(),
            text,
        };
        plot.marks
            .extend(self.worst().map(|(at, text)| mark(at, text)));
        if self.run.is_clean() {
            plot.marks.push(mark(
                self.last_in(),
                "last bytes in: from here it only drains".into(),
            ));
        }
        plot
    }
}
