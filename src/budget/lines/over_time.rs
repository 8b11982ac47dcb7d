//! The lines of a budget window by window: their greatest values are the lines' needs.

use crate::board::Board;

use super::super::memory::MemoryPlan;
use super::super::{Link, Part, ReelFacts, Terms};
use super::Case;

/// Seconds from the reel's start where a window begins, and the value in it.
pub type Series = Vec<(f64, f64)>;

/// What a reel needs of a board, window by window, over the whole length: from the
/// last window on, its value stands to the end.
#[derive(Clone, Debug, Default)]
pub struct OverTime {
    /// Bytes per second from the link.
    pub link: Series,
    /// Milliseconds per second that the panel's bus is busy, with the card's where they
    /// share it.
    pub bus: Series,
    /// Milliseconds per second that the display core works, with all it does.
    pub display_core: Series,
    /// The same of the I/O core, where there are two.
    pub io_core: Option<Series>,
}

impl OverTime {
    /// The needs of `reel` on `board` over `link`. What reading takes of bus and cores is
    /// counted at the rate of the worst window, as in the budget's lines.
    #[must_use]
    pub fn new(reel: &ReelFacts, board: &Board, link: Link, terms: Terms) -> Self {
        let memory = MemoryPlan::new(reel, board);
        let case = Case::new(reel, board, link, terms, &memory);
        let first = reel.slices.first().map_or(0, |slice| slice.tick);
        let end = case.seconds(reel.ticks());
        let length = case.seconds(case.window);
        let since = |at: f64| at - case.seconds(first);
        // One window that the end cuts short is still shown: it may be the worst.
        let whole = |all: &mut dyn Iterator<Item = (f64, f64)>, more: f64| {
            let mut series = Series::new();
            for (value, at) in all {
                series.push((since(at), value + more));
                if since(at) + length > end {
                    break;
                }
            }
            let last = series.last().copied();
            series.extend(last.filter(|l| l.0 < end).map(|l| (end, l.1)));
            series
        };
        let (read, sound) = case.read_and_sound();
        let one = board.cpu.cores == 1;
        let mut rates = reel
            .byte_rates(case.window)
            .map(|(rate, tick)| (rate, case.seconds(tick)));
        Self {
            link: whole(&mut rates, 0.0),
            bus: whole(&mut case.loads(|p| case.send(p)), case.shared_bus_load()),
            display_core: whole(
                &mut case.loads(|p| case.display_work(p)),
                sound + if one { read } else { 0.0 },
            ),
            io_core: (!one).then(|| vec![(0.0, read), (end, read)]),
        }
    }

    /// The series of a part, if it has one.
    #[must_use]
    pub fn of(&self, part: Part) -> Option<&Series> {
        match part {
            Part::Card | Part::Wifi => Some(&self.link),
            Part::Bus => Some(&self.bus),
            Part::DisplayCore => Some(&self.display_core),
            Part::IoCore => self.io_core.as_ref(),
            _ => None,
        }
    }
}
