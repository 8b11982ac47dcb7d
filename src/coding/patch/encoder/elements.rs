//! Elements of several flags and numbers: their price, and writing them.

use super::super::predict::Mode;
use super::super::syntax::{ACROSS, DOWN};
use super::write::{BIT, Rates, Sink};

fn parts(predictor: [i16; 2], vector: [i16; 2]) -> [i32; 2] {
    core::array::from_fn(|k| i32::from(vector[k]) - i32::from(predictor[k]))
}

pub(super) fn price_vector(rates: &Rates, predictor: [i16; 2], vector: [i16; 2]) -> u32 {
    let [x, y] = parts(predictor, vector);
    let still = u32::from(x == 0);
    rates.number(ACROSS, 9, x.unsigned_abs())
        + rates.number(DOWN, 9, y.unsigned_abs() - still)
        + BIT * (u32::from(x != 0) + u32::from(y != 0))
}

pub(super) fn walk_vector(pen: &mut impl Sink, predictor: [i16; 2], vector: [i16; 2]) {
    let [x, y] = parts(predictor, vector);
    pen.signed(ACROSS, 9, x);
    pen.number(DOWN, 9, y.unsigned_abs() - u32::from(x == 0));
    if y != 0 {
        pen.bits(1, u32::from(y < 0));
    }
}

fn mode_flags(mode: Mode) -> ([(usize, bool); 3], usize) {
    match mode {
        Mode::Dc => ([(0, true), (1, false), (0, false)], 2),
        Mode::Planar => ([(0, true), (1, true), (0, false)], 2),
        Mode::Gradient => ([(0, false), (2, true), (0, false)], 2),
        Mode::Horizontal => ([(0, false), (2, false), (3, true)], 3),
        Mode::Vertical => ([(0, false), (2, false), (3, false)], 3),
    }
}

pub(super) fn price_mode(rates: &Rates, base: usize, mode: Mode) -> u32 {
    let (flags, n) = mode_flags(mode);
    flags[..n]
        .iter()
        .map(|&(i, f)| rates.flag(base + i, f))
        .sum()
}

pub(super) fn walk_mode(pen: &mut impl Sink, base: usize, mode: Mode) {
    let (flags, n) = mode_flags(mode);
    for &(i, f) in &flags[..n] {
        pen.flag(base + i, f);
    }
}
