//! A blue-noise mask by void-and-cluster (Ulichney 1993). Integers only, so
//! that every machine makes the same mask.

use std::sync::OnceLock;

/// Side of the mask in pixels.
pub const SIDE: usize = 64;

const COUNT: usize = SIDE * SIDE;
/// Points of the first pattern.
const FIRST: usize = COUNT / 10;
/// Spread of the energy in pixels.
const SIGMA: f64 = 1.5;
/// The energy rounds to nothing beyond this distance.
const REACH: usize = 8;

/// The rank of every pixel, a permutation of 0..[`SIDE`]^2, row by row. It
/// is made at first use and kept.
#[must_use]
pub fn ranks() -> &'static [u16] {
    static RANKS: OnceLock<Vec<u16>> = OnceLock::new();
    RANKS.get_or_init(make)
}

/// A set of pixels on a torus and the energy it spreads.
#[derive(Clone)]
struct Pattern {
    on: Vec<bool>,
    energy: Vec<i32>,
    kernel: Vec<i32>,
}

impl Pattern {
    fn empty() -> Self {
        let reach = REACH as i32;
        let weight = |d: i32| f64::from(d * d) / (2.0 * SIGMA * SIGMA);
        let kernel = (-reach..=reach)
            .flat_map(|y| (-reach..=reach).map(move |x| weight(x) + weight(y)))
            .map(|exponent| ((-exponent).exp() * f64::from(1 << 20)).round() as i32)
            .collect();
        Self {
            on: vec![false; COUNT],
            energy: vec![0; COUNT],
            kernel,
        }
    }

    fn set(&mut self, place: usize, on: bool) {
        self.on[place] = on;
        let sign = if on { 1 } else { -1 };
        let (x, y) = (place % SIDE, place / SIDE);
        let width = 2 * REACH + 1;
        for (dy, row) in self.kernel.chunks_exact(width).enumerate() {
            let line = (y + SIDE + dy - REACH) % SIDE * SIDE;
            for (dx, &weight) in row.iter().enumerate() {
                self.energy[line + (x + SIDE + dx - REACH) % SIDE] += sign * weight;
            }
        }
    }

    /// The fullest place that is on.
    fn cluster(&self) -> usize {
        let fullest = (0..COUNT).filter(|&i| self.on[i]);
        fullest
            .max_by_key(|&i| (self.energy[i], COUNT - i))
            .unwrap_or(0)
    }

    /// The emptiest place that is off.
    fn void(&self) -> usize {
        let emptiest = (0..COUNT).filter(|&i| !self.on[i]);
        emptiest.min_by_key(|&i| (self.energy[i], i)).unwrap_or(0)
    }
}

fn make() -> Vec<u16> {
    let first = first_pattern();
    let mut ranks = vec![0; COUNT];
    let mut pattern = first.clone();
    for rank in (0..FIRST).rev() {
        let place = pattern.cluster();
        pattern.set(place, false);
        ranks[place] = rank as u16;
    }
    // Past the half the emptiest void among the on pixels is the fullest
    // cluster of off pixels: the energies of both add up to a constant.
    pattern = first;
    for rank in FIRST..COUNT {
        let place = pattern.void();
        pattern.set(place, true);
        ranks[place] = rank as u16;
    }
    ranks
}

/// Scattered points, moved from clusters to voids until none moves.
fn first_pattern() -> Pattern {
    let mut pattern = Pattern::empty();
    let mut state = 1_u32;
    let mut count = 0;
    while count < FIRST {
        // Numerical Recipes' linear congruential generator.
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let place = (state >> 16) as usize % COUNT;
        if !pattern.on[place] {
            pattern.set(place, true);
            count += 1;
        }
    }
    loop {
        let cluster = pattern.cluster();
        pattern.set(cluster, false);
        let void = pattern.void();
        pattern.set(void, true);
        if void == cluster {
            return pattern;
        }
    }
}
