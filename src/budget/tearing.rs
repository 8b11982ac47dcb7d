//! How much of a picture is seen torn, and what the panel's signal line would
//! change.

use serde::Serialize;

use super::{Costs, MemoryPlan, ReelFacts};
use crate::board::Board;

/// Places of the scan at which a picture may begin to be written.
const PHASES: u32 = 64;
/// Lines at which scan and writing are compared.
const LINES: u32 = 64;

/// Whole pictures written against the panel's own scan; computed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Tearing {
    /// Time to write a whole picture, milliseconds.
    pub write_ms: f64,
    /// Time in which the panel scans its memory once, milliseconds.
    pub scan_ms: f64,
    /// Share of the time in which a picture is shown part old, part new.
    pub torn_share: f64,
    /// The same if writing waited for the panel's signal.
    pub with_signal: f64,
    /// The profile's player waits for it.
    pub waits: bool,
}

impl Tearing {
    /// For pictures of `reel` that change as a whole.
    #[must_use]
    pub fn new(reel: &ReelFacts, board: &Board) -> Self {
        let costs = Costs::new(board, reel.coding, &MemoryPlan::new(reel, board));
        let pixels = u64::from(reel.width) * u64::from(reel.height);
        let write_ms = costs.send_ns(pixels, 1) / 1e6;
        let scan_ms = 1e3 / board.panel.refresh_hz;
        let share = |scans: f64| (scans * scan_ms * reel.rate / 1e3).min(1.0);
        let by_chance: f64 = (0..PHASES)
            .map(|i| torn_scans(write_ms, scan_ms, f64::from(i) / f64::from(PHASES)))
            .sum();
        let signalled = share(torn_scans(write_ms, scan_ms, 0.0));
        let waits = board.player.wait_tearing && board.panel.tearing_signal;
        let chance = share(by_chance / f64::from(PHASES));
        Self {
            write_ms,
            scan_ms,
            torn_share: if waits { signalled } else { chance },
            with_signal: signalled,
            waits,
        }
    }

    /// In a sentence.
    #[must_use]
    pub fn sentence(&self) -> String {
        let Self {
            write_ms, scan_ms, ..
        } = self;
        let percent = |share: f64| 100.0 * share;
        let seen = format!(
            "a whole picture takes {write_ms:.1} ms to write against a scan of {scan_ms:.1} ms: torn in {:.0} % of the time where everything moves (computed)",
            percent(self.torn_share)
        );
        if self.waits {
            return seen;
        }
        format!(
            "{seen}; {:.0} % if the tearing signal were wired and waited for",
            percent(self.with_signal)
        )
    }
}

/// Scans that show part of the new and part of the old picture, where writing
/// begins when the scan is at `phase` of the picture's height; both run down
/// the picture evenly.
fn torn_scans(write: f64, scan: f64, phase: f64) -> f64 {
    let passes = (write / scan).ceil() as u32 + 2;
    let torn = |pass: &u32| {
        let begins = (f64::from(*pass) - phase) * scan;
        let new = |line: u32| {
            let y = (f64::from(line) + 0.5) / f64::from(LINES);
            y * write <= begins + y * scan
        };
        (1..LINES).any(|line| new(line) != new(0))
    };
    f64::from((0..=passes).filter(torn).count() as u32)
}

#[cfg(test)]
mod tests {
    use super::torn_scans;

    /// Writing that begins with the scan never meets it while it takes at most
    /// two scans (common practice, no source); a longer one is caught up with.
    #[test]
    fn the_signal_line_helps_up_to_two_scans() {
        for write in [4.0, 10.0, 16.0, 25.0, 33.0] {
            assert_eq!(torn_scans(write, 16.7, 0.0), 0.0, "{write}");
        }
        assert_eq!(torn_scans(46.0, 16.7, 0.0), 1.0);
    }

    /// By hand: a write of half a scan that begins while the scan is in the
    /// middle shows old above and new below once, as it overtakes the scan.
    #[test]
    fn without_it_a_picture_tears_once_or_more() {
        assert_eq!(torn_scans(5.0, 10.0, 0.25), 1.0);
        // 23 ms against 16.7: the scan catches up where y (23 - 16.7) is more than
        // (1 - phase) 16.7, inside the picture for phases above 0.62.
        let slow: f64 = (0..10)
            .map(|i| torn_scans(23.0, 16.7, f64::from(i) / 10.0))
            .sum();
        assert_eq!(slow, 3.0);
    }
}
