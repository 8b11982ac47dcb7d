//! Dirty rectangles: from changed cells to the fewest windows.
//!
//! A cell is 8x8 pixels, 128 bytes on the bus; a window costs 11. So a clean
//! cell is never worth sending, and bus time is least when the changed cells
//! are cut into the fewest rectangles. Strips along either axis are tried and
//! the better cut is taken: no memory, bounded work.

use crate::units::Rect;

/// Pixels on a side of a cell.
pub const CELL: u16 = 8;
/// Most cells on a side.
pub const MOST_CELLS: usize = 64;

/// Which cells of a picture of up to 512x512 pixels changed.
#[derive(Clone, Debug)]
pub struct Cells {
    width: u16,
    height: u16,
    rows: [u64; MOST_CELLS],
}

impl Cells {
    /// A clean map for a panel of `width` x `height` pixels, at most 512 each.
    #[must_use]
    pub const fn new(width: u16, height: u16) -> Self {
        Self {
            width,
            height,
            rows: [0; MOST_CELLS],
        }
    }

    /// Marks every cell clean.
    pub fn clear(&mut self) {
        self.rows = [0; MOST_CELLS];
    }

    /// Marks the cell in column `x`, row `y`; one outside the panel is ignored.
    pub fn set(&mut self, x: usize, y: usize) {
        if x < self.columns() && y < self.lines() {
            self.rows[y] |= 1 << x;
        }
    }

    /// Whether the cell in column `x`, row `y` changed.
    #[must_use]
    pub fn get(&self, x: usize, y: usize) -> bool {
        x < MOST_CELLS && y < MOST_CELLS && self.rows[y] >> x & 1 != 0
    }

    /// Cells across.
    #[must_use]
    pub fn columns(&self) -> usize {
        usize::from(self.width.div_ceil(CELL)).min(MOST_CELLS)
    }

    /// Cells down.
    #[must_use]
    pub fn lines(&self) -> usize {
        usize::from(self.height.div_ceil(CELL)).min(MOST_CELLS)
    }

    /// Pixels in changed cells.
    #[must_use]
    pub fn pixels(&self) -> u32 {
        let mut sum = 0;
        for y in 0..self.lines() {
            for x in 0..self.columns() {
                if self.get(x, y) {
                    sum += self.rect(x, y, x + 1, y + 1).area();
                }
            }
        }
        sum
    }

    /// Gives the changed cells as rectangles in pixels that do not overlap.
    pub fn rectangles(&self, mut give: impl FnMut(Rect)) {
        if self.count::<true>() <= self.count::<false>() {
            self.cut::<true>(&mut give);
        } else {
            self.cut::<false>(&mut give);
        }
    }

    /// Windows that [`Self::rectangles`] gives.
    #[must_use]
    pub fn windows(&self) -> u16 {
        self.count::<true>().min(self.count::<false>())
    }

    /// Bytes on the panel's bus: pixels and windows.
    #[must_use]
    pub fn bus_bytes(&self) -> u32 {
        2 * self.pixels() + super::WINDOW_BYTES * u32::from(self.windows())
    }

    fn count<const ALONG: bool>(&self) -> u16 {
        let mut n = 0;
        self.cut::<ALONG>(&mut |_| n += 1);
        n
    }

    /// Runs of cells in a row (`ALONG`) or a column, joined while the next
    /// row or column holds the very same run.
    fn cut<const ALONG: bool>(&self, give: &mut impl FnMut(Rect)) {
        let (across, down) = if ALONG {
            (self.columns(), self.lines())
        } else {
            (self.lines(), self.columns())
        };
        for line in 0..down {
            let mut start = 0;
            while start < across {
                if !self.at::<ALONG>(start, line) {
                    start += 1;
                    continue;
                }
                let mut end = start + 1;
                while end < across && self.at::<ALONG>(end, line) {
                    end += 1;
                }
                if line == 0 || !self.is_run::<ALONG>(start, end, line - 1) {
                    let mut last = line + 1;
                    while last < down && self.is_run::<ALONG>(start, end, last) {
                        last += 1;
                    }
                    give(if ALONG {
                        self.rect(start, line, end, last)
                    } else {
                        self.rect(line, start, last, end)
                    });
                }
                start = end;
            }
        }
    }

    fn at<const ALONG: bool>(&self, i: usize, line: usize) -> bool {
        if ALONG {
            self.get(i, line)
        } else {
            self.get(line, i)
        }
    }

    fn is_run<const ALONG: bool>(&self, start: usize, end: usize, line: usize) -> bool {
        let edge = |i: usize| self.at::<ALONG>(i, line);
        let longer = start > 0 && edge(start - 1) || edge(end);
        !longer && (start..end).all(edge)
    }

    fn rect(&self, x0: usize, y0: usize, x1: usize, y1: usize) -> Rect {
        let px = |c: usize, most: u16| (c as u16 * CELL).min(most);
        let (x, y) = (px(x0, self.width), px(y0, self.height));
        Rect {
            x,
            y,
            w: px(x1, self.width) - x,
            h: px(y1, self.height) - y,
        }
    }
}

#[cfg(all(test, feature = "host"))]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_cross_is_cut_in_three_and_a_full_picture_in_one() {
        let mut cells = Cells::new(240, 240);
        for i in 0..30 {
            cells.set(i, 14);
            cells.set(14, i);
        }
        assert_eq!(cells.windows(), 3);
        let mut full = Cells::new(170, 36);
        for y in 0..5 {
            for x in 0..22 {
                full.set(x, y);
            }
        }
        let mut seen = Vec::new();
        full.rectangles(|r| seen.push(r));
        assert_eq!(
            seen,
            [Rect {
                x: 0,
                y: 0,
                w: 170,
                h: 36
            }]
        );
        assert_eq!(full.bus_bytes(), 170 * 36 * 2 + 11);
    }

    proptest! {
        #[test]
        fn rectangles_cover_the_changed_cells_once(bits in proptest::collection::vec(any::<bool>(), 12 * 9)) {
            let mut cells = Cells::new(93, 70);
            for (i, on) in bits.iter().enumerate() {
                if *on { cells.set(i % 12, i / 12); }
            }
            let mut hits = vec![0u8; 93 * 70];
            let mut windows = 0;
            cells.rectangles(|r| {
                windows += 1;
                for y in r.y..r.y + r.h { for x in r.x..r.x + r.w {
                    hits[usize::from(y) * 93 + usize::from(x)] += 1;
                } }
            });
            prop_assert_eq!(windows, cells.windows());
            for y in 0..70 { for x in 0..93 {
                prop_assert_eq!(hits[y * 93 + x] == 1, cells.get(x / 8, y / 8));
                prop_assert!(hits[y * 93 + x] < 2);
            } }
        }
    }
}
