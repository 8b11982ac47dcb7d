//! What a reel needs of a board, second by second.

use crate::board::Board;
use crate::budget::{Costs, MemoryPlan, ReelFacts};

/// Width of the window that each figure is taken over, in seconds.
const WINDOW: f64 = 1.0;

/// Figures over windows of one second that begin at each slice: seconds from
/// the reel's start and value.
#[derive(Clone, Debug, Default)]
pub struct OverTime {
    /// Bytes per second from the link.
    pub link: Vec<(f64, f64)>,
    /// Share of the time that the panel's bus is busy, in percent.
    pub bus: Vec<(f64, f64)>,
    /// Share of the time that the display core decodes, in percent.
    pub core: Vec<(f64, f64)>,
}

impl OverTime {
    /// The needs of `reel` on `board`.
    #[must_use]
    pub fn new(reel: &ReelFacts, board: &Board) -> Self {
        let costs = Costs::new(board, reel.coding, &MemoryPlan::new(reel, board));
        let clock = f64::from(reel.clock_rate.max(1));
        let window = ((WINDOW * clock) as u64).max(1);
        let first = reel.slices.first().map_or(0, |slice| slice.tick);
        let end = first + reel.ticks();
        // Only windows that end with the reel or before it; of a shorter reel, the first.
        let whole = |tick: &u64| *tick == first || tick + window <= end;
        let starts = reel.slices.iter().map(|slice| slice.tick).filter(whole);
        let starts: Vec<u64> = starts.collect();
        let span = window.min(end - first).max(1) as f64 / clock;
        let link = reel.slices.iter().map(|s| (s.tick, f64::from(s.bytes)));
        let pictures = || reel.pictures.iter();
        let sent =
            |p: &crate::budget::PictureFacts| costs.send_ns(p.pixels.into(), p.windows.into());
        let bus = pictures().map(|p| (p.tick, sent(p) / 1e7));
        let work = |p: &crate::budget::PictureFacts| {
            costs.decode_ns(p.instructions.into(), p.pixels.into())
        };
        let core = pictures().map(|p| (p.tick, work(p) / 1e7));
        let rates = |events: Vec<(u64, f64)>| {
            let sums = windows(&events, &starts, window);
            let figure = |(tick, sum): (u64, f64)| ((tick - first) as f64 / clock, sum / span);
            sums.into_iter().map(figure).collect()
        };
        Self {
            link: rates(link.collect()),
            bus: rates(bus.collect()),
            core: rates(core.collect()),
        }
    }
}

/// The sum of the values whose ticks lie in the `window` from each start. Both
/// lists are in order.
fn windows(events: &[(u64, f64)], starts: &[u64], window: u64) -> Vec<(u64, f64)> {
    let (mut from, mut to, mut sum) = (0, 0, 0.0);
    let sums = starts.iter().map(|&start| {
        while to < events.len() && events[to].0 < start + window {
            sum += events[to].1;
            to += 1;
        }
        while from < to && events[from].0 < start {
            sum -= events[from].1;
            from += 1;
        }
        (start, f64::max(sum, 0.0))
    });
    sums.collect()
}

#[cfg(test)]
mod tests {
    use super::windows;

    #[test]
    fn a_window_sums_what_begins_in_it() {
        let events = [(0, 1.0), (5, 2.0), (10, 4.0), (15, 8.0)];
        let sums = windows(&events, &[0, 5, 10, 15], 10);
        assert_eq!(sums, [(0, 3.0), (5, 6.0), (10, 12.0), (15, 8.0)]);
    }
}
