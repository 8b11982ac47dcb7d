//! Flashes by WCAG 2.3.1, over the pictures the panel shows.
//!
//! A general flash is a pair of opposing changes of relative luminance of 10 %
//! or more of the maximum, the darker state below 0.80; a red flash is a pair
//! of opposing changes to or from a saturated red (R/(R+G+B) of 0.8 or more in
//! linear light) by more than 0.2 in the CIE 1976 UCS diagram. More than three
//! in any second over a quarter of the panel are reported. The standard
//! exempts areas under 0.006 steradian, a square of 23 mm seen from 300 mm;
//! a small panel is looked at from nearer than that, so none is exempt here.

use std::collections::VecDeque;

use super::curves::srgb_to_linear;
use super::plan::Shape;
use crate::units::{Nanos, mask};

/// The panel is judged in this many cells a side; a cell is one mean colour.
const CELLS: usize = 16;
/// Changes allowed in a second: three flashes of two.
const CHANGES: usize = 6;
/// Share of cells that must flash, one in this many.
const QUARTER: usize = 4;
const SECOND: i64 = 1_000_000_000;

/// Which limit is passed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum FlashKind {
    /// Luminance.
    General,
    /// Saturated red.
    Red,
}

/// A part of the clip that flashes more than three times in a second.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FlashWarning {
    /// Which limit.
    pub kind: FlashKind,
    /// First change of the part.
    pub from: Nanos,
    /// Last change of the part.
    pub to: Nanos,
}

/// Watches pictures in order of time.
pub struct FlashChecker {
    shape: Shape,
    linear: [f32; 256],
    cells: Vec<Cell>,
    warnings: Vec<FlashWarning>,
}

#[derive(Clone, Default)]
struct Cell {
    /// Extreme since the last change, and whether it is a peak; `None` before
    /// the first change.
    low: f32,
    high: f32,
    rising: Option<bool>,
    /// Chromaticity and redness of the last state.
    state: Option<([f32; 2], bool)>,
    general: VecDeque<i64>,
    red: VecDeque<i64>,
}

impl Default for FlashChecker {
    fn default() -> Self {
        Self::new(Shape::default())
    }
}

impl FlashChecker {
    /// For a panel of which `shape` is visible.
    #[must_use]
    pub fn new(shape: Shape) -> Self {
        Self {
            shape,
            linear: std::array::from_fn(|v| srgb_to_linear(v as f64 / 255.0) as f32),
            cells: vec![Cell::default(); CELLS * CELLS],
            warnings: Vec::new(),
        }
    }

    /// Takes the picture that is shown from `time` on: 8-bit red, green, blue,
    /// `width` pixels per row. Pictures that change nothing may be left out.
    pub fn look(&mut self, time: Nanos, rgb: &[u8], width: usize) {
        let means = self.means(rgb, width);
        for (cell, mean) in self.cells.iter_mut().zip(means) {
            if let Some(mean) = mean {
                cell.take(time.0, mean);
            }
        }
        let (general, red) = (self.flashing(|c| &c.general), self.flashing(|c| &c.red));
        self.report(FlashKind::General, general);
        self.report(FlashKind::Red, red);
    }

    /// The first and the last change of the past second, if a quarter of the
    /// panel flashes too often.
    fn flashing(&self, changes: fn(&Cell) -> &VecDeque<i64>) -> Option<(Nanos, Nanos)> {
        let over = self.cells.iter().filter(|c| changes(c).len() > CHANGES);
        let (mut count, mut from, mut to) = (0, i64::MAX, i64::MIN);
        for changes in over.map(changes) {
            count += 1;
            from = from.min(changes[0]);
            to = to.max(changes[changes.len() - 1]);
        }
        // Hidden corners, and panels under 16 pixels, leave cells without any.
        let all = self.cells.iter().filter(|c| c.state.is_some()).count();
        (count > 0 && count * QUARTER >= all).then_some((Nanos(from), Nanos(to)))
    }

    /// What was found, in order of time.
    #[must_use]
    pub fn warnings(&self) -> &[FlashWarning] {
        &self.warnings
    }

    fn report(&mut self, kind: FlashKind, part: Option<(Nanos, Nanos)>) {
        let Some((from, to)) = part else { return };
        let last = self.warnings.iter_mut().rev().find(|w| w.kind == kind);
        match last {
            Some(last) if last.to >= from => last.to = to,
            _ => self.warnings.push(FlashWarning { kind, from, to }),
        }
    }

    /// Mean linear red, green, blue of every cell that has visible pixels.
    fn means(&self, rgb: &[u8], width: usize) -> Vec<Option<[f32; 3]>> {
        let height = rgb.len() / 3 / width;
        let mut sums = vec![([0.0_f32; 3], 0.0_f32); CELLS * CELLS];
        // Every other pixel of every other row is enough for a mean.
        for (y, row) in rgb.chunks_exact(width * 3).enumerate().step_by(2) {
            let line = y * CELLS / height * CELLS;
            let (start, end) = match self.shape {
                Shape::Rectangle => (0, width),
                Shape::Ellipse => mask::row_span(width as u16, height as u16, y as u16)
                    .map_or((0, 0), |(start, end)| (start.into(), end.into())),
            };
            let visible = row.chunks_exact(3).enumerate().take(end).skip(start);
            for (x, pixel) in visible.step_by(2) {
                let (sum, count) = &mut sums[line + x * CELLS / width];
                for (sum, &value) in sum.iter_mut().zip(pixel) {
                    *sum += self.linear[usize::from(value)];
                }
                *count += 1.0;
            }
        }
        let mean = |(sum, count): &([f32; 3], f32)| (*count > 0.0).then(|| sum.map(|v| v / count));
        sums.iter().map(mean).collect()
    }
}

impl Cell {
    fn take(&mut self, time: i64, rgb: [f32; 3]) {
        for changes in [&mut self.general, &mut self.red] {
            while changes.front().is_some_and(|&t| t <= time - SECOND) {
                changes.pop_front();
            }
        }
        let luminance = 0.2126 * rgb[0] + 0.7152 * rgb[1] + 0.0722 * rgb[2];
        if self.state.is_none() {
            (self.low, self.high) = (luminance, luminance);
        }
        self.take_luminance(time, luminance);
        self.take_red(time, rgb);
    }

    fn take_luminance(&mut self, time: i64, luminance: f32) {
        let rose = luminance - self.low >= 0.1 && self.low < 0.8;
        let fell = self.high - luminance >= 0.1 && luminance < 0.8;
        if rose && self.rising != Some(true) {
            self.rising = Some(true);
            self.general.push_back(time);
            self.high = luminance;
        } else if fell && self.rising != Some(false) {
            self.rising = Some(false);
            self.general.push_back(time);
            self.low = luminance;
        }
        // What counts against the next change is the extreme since the last.
        match self.rising {
            Some(true) => {
                self.high = self.high.max(luminance);
                self.low = self.high;
            }
            Some(false) => {
                self.low = self.low.min(luminance);
                self.high = self.low;
            }
            None => {
                self.low = self.low.min(luminance);
                self.high = self.high.max(luminance);
            }
        }
    }

    fn take_red(&mut self, time: i64, rgb: [f32; 3]) {
        let state = (chromaticity(rgb), is_red(rgb));
        let (before, was_red) = *self.state.get_or_insert(state);
        let (dx, dy) = (state.0[0] - before[0], state.0[1] - before[1]);
        if dx.hypot(dy) > 0.2 && (state.1 || was_red) {
            self.red.push_back(time);
            self.state = Some(state);
        } else if state.1 == was_red {
            // Slow drifts are followed.
            self.state = Some(state);
        }
    }
}

fn is_red([r, g, b]: [f32; 3]) -> bool {
    let sum = r + g + b;
    // Below one part in a thousand of white there is no colour to see.
    sum > 0.003 && r / sum >= 0.8
}

/// CIE 1976 u', v' of linear BT.709 red, green, blue; black counts as grey.
fn chromaticity([r, g, b]: [f32; 3]) -> [f32; 2] {
    let x = 0.4124 * r + 0.3576 * g + 0.1805 * b;
    let y = 0.2126 * r + 0.7152 * g + 0.0722 * b;
    let z = 0.0193 * r + 0.1192 * g + 0.9505 * b;
    let sum = x + 15.0 * y + 3.0 * z;
    if sum < 0.003 {
        return [0.1978, 0.4683];
    }
    [4.0 * x / sum, 9.0 * y / sum]
}
