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

    /// Marks every cell that `other` marks; both maps are of the same panel.
    pub fn add(&mut self, other: &Self) {
        for (row, more) in self.rows.iter_mut().zip(other.rows) {
            *row |= more;
        }
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
        let (columns, lines) = (self.columns(), self.lines());
        let mut sum = 0;
        for (y, row) in self.rows.iter().enumerate().take(lines) {
            // The last column may be narrow, the last line low.
            let last = u32::from(row >> (columns - 1) & 1 != 0);
            let missing = columns as u32 * u32::from(CELL) - u32::from(self.width);
            let across = row.count_ones() * u32::from(CELL) - last * missing;
            sum += across * u32::from(self.rect(0, y, 1, y + 1).h);
        }
        sum
    }

    /// Gives the changed cells as rectangles in pixels that do not overlap.
    pub fn rectangles(&self, mut give: impl FnMut(Rect)) {
        let turned = self.turned();
        let (rows, columns) = (&self.rows[..self.lines()], &turned[..self.columns()]);
        if count(rows) <= count(columns) {
            cut(rows, |x0, x1, y0, y1| give(self.rect(x0, y0, x1, y1)));
        } else {
            cut(columns, |y0, y1, x0, x1| give(self.rect(x0, y0, x1, y1)));
        }
    }

    /// Windows that [`Self::rectangles`] gives.
    #[must_use]
    pub fn windows(&self) -> u16 {
        count(&self.rows[..self.lines()]).min(count(&self.turned()[..self.columns()]))
    }

    /// Bytes on the panel's bus: pixels and windows.
    #[must_use]
    pub fn bus_bytes(&self) -> u32 {
        2 * self.pixels() + super::WINDOW_BYTES * u32::from(self.windows())
    }

    /// The columns as rows.
    fn turned(&self) -> [u64; MOST_CELLS] {
        let mut turned = [0; MOST_CELLS];
        for (y, &row) in self.rows.iter().enumerate().take(self.lines()) {
            let mut rest = row;
            while rest != 0 {
                turned[rest.trailing_zeros() as usize] |= 1 << y;
                rest &= rest - 1;
            }
        }
        turned
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

/// Each run of set bits in `row`, as a mask.
fn runs(row: u64) -> impl Iterator<Item = u64> {
    let mut rest = row;
    core::iter::from_fn(move || {
        let low = rest & rest.wrapping_neg();
        let run = rest & !rest.wrapping_add(low);
        rest &= !run;
        (run != 0).then_some(run)
    })
}

/// Whether `row` holds the very same run.
const fn holds(row: u64, run: u64) -> bool {
    row & (run | run << 1 | run >> 1) == run
}

/// Rectangles that [`cut`] gives.
fn count(rows: &[u64]) -> u16 {
    let mut above = 0;
    let mut n = 0;
    for &row in rows {
        if row != above {
            n += runs(row).filter(|&run| !holds(above, run)).count() as u16;
        }
        above = row;
    }
    n
}

/// Runs of cells in a row, joined while the next row holds the very same run:
/// first and end of the run, first and end of the rows.
fn cut(rows: &[u64], mut give: impl FnMut(usize, usize, usize, usize)) {
    let mut above = 0;
    for (line, &row) in rows.iter().enumerate() {
        for run in runs(row).filter(|&run| !holds(above, run)) {
            let below = rows[line + 1..].iter();
            let more = below.take_while(|&&row| holds(row, run)).count();
            let start = run.trailing_zeros() as usize;
            let end = start + run.count_ones() as usize;
            give(start, end, line, line + 1 + more);
        }
        above = row;
    }
}

#[cfg(all(test, feature = "files"))]
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
