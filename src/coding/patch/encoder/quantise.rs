//! Forward transforms, and levels chosen by rate and distortion.
//!
//! Coefficients are orthonormal, so that squared errors here are squared
//! errors of samples. Arithmetic is plain IEEE 754 single precision in a
//! fixed order: the same on every machine.

use super::super::Level;
use super::super::syntax::Kind;
use super::super::tables::{SCAN4, SCAN8};
use super::work::{LIGHT_LEVEL, block};
use super::write::{BIT, Levels, Meter, Rates, next_near, walk};

/// Coefficients of a block in the order of the scan.
pub type Spectrum = [f32; 64];

const fn basis8() -> [[f32; 8]; 8] {
    let odd = [
        [89, 75, 50, 18],
        [75, -18, -89, -50],
        [50, -89, 18, 75],
        [18, -50, 75, -89],
    ];
    let even = [
        [64, 64, 64, 64],
        [83, 36, -36, -83],
        [64, -64, -64, 64],
        [36, -83, 83, -36],
    ];
    let mut m = [[0.0; 8]; 8];
    let mut k = 0;
    while k < 8 {
        let mut x = 0;
        while x < 8 {
            let half = if x < 4 { x } else { 7 - x };
            let v = if k & 1 == 0 {
                even[k / 2][half]
            } else if x < 4 {
                odd[k / 2][half]
            } else {
                -odd[k / 2][half]
            };
            // The rows' norm is 64 x sqrt 8.
            m[k][x] = v as f32 * 0.005_524_271_7;
            x += 1;
        }
        k += 1;
    }
    m
}

const BASIS8: [[f32; 8]; 8] = basis8();
const BASIS4: [[f32; 4]; 4] = {
    let m = [
        [64, 64, 64, 64],
        [83, 36, -36, -83],
        [64, -64, -64, 64],
        [36, -83, 83, -36],
    ];
    let mut out = [[0.0; 4]; 4];
    let mut i = 0;
    while i < 16 {
        out[i / 4][i % 4] = m[i / 4][i % 4] as f32 / 128.0;
        i += 1;
    }
    out
};

/// 8x8 transform of a residual, in the order of the scan.
pub fn forward8(r: &[[f32; 8]; 8]) -> Spectrum {
    let mut mid = [[0f32; 8]; 8];
    for k in 0..8 {
        for y in 0..8 {
            for x in 0..8 {
                mid[k][x] += BASIS8[k][y] * r[y][x];
            }
        }
    }
    // The second pass works on the transpose, so that rows are vectors.
    let turned: [[f32; 8]; 8] = core::array::from_fn(|x| core::array::from_fn(|k| mid[k][x]));
    let mut out = [[0f32; 8]; 8];
    for l in 0..8 {
        for x in 0..8 {
            for k in 0..8 {
                out[l][k] += BASIS8[l][x] * turned[x][k];
            }
        }
    }
    SCAN8.map(|at| out[usize::from(at) & 7][usize::from(at) >> 3])
}

/// Four 4x4 transforms, interleaved as they are coded.
pub fn forward_fours(r: &[[f32; 8]; 8]) -> Spectrum {
    let mut all = [[0f32; 16]; 4];
    for (i, block) in all.iter_mut().enumerate() {
        let (bx, by) = ((i & 1) * 4, (i >> 1) * 4);
        let mut mid = [[0f32; 4]; 4];
        for k in 0..4 {
            for y in 0..4 {
                for x in 0..4 {
                    mid[k][x] += BASIS4[k][y] * r[by + y][bx + x];
                }
            }
        }
        for k in 0..4 {
            for l in 0..4 {
                block[k * 4 + l] = (0..4).map(|x| BASIS4[l][x] * mid[k][x]).sum();
            }
        }
    }
    core::array::from_fn(|place| all[place & 3][usize::from(SCAN4[place >> 2])])
}

/// A block's levels and what they cost.
pub struct Quantised {
    pub levels: Levels,
    /// Price in 1/256 bit; 0 if nothing is coded.
    pub price: u32,
    pub any: bool,
}

/// What a block is quantised for.
#[derive(Clone, Copy)]
pub struct Aim {
    pub kind: Kind,
    pub near: usize,
    /// Quantiser step in levels.
    pub step: f32,
    /// Squared error worth 1/256 bit.
    pub lambda: f32,
    /// Price of "coded" less that of "not coded".
    pub coded: i32,
    /// Price of an instruction of the decoder, in *light*.
    pub work: f32,
}

/// Chooses the levels of least distortion + lambda x price.
pub fn quantise(rates: &Rates, c: &Spectrum, aim: &Aim, trail: &mut Trail) -> Quantised {
    let inverse = 1.0 / aim.step;
    let mut sizes = [0u16; 64];
    let mut last = None;
    for (place, (size, c)) in sizes.iter_mut().zip(c).enumerate() {
        *size = (c.abs() * inverse + 0.4).min(2047.0) as u16;
        if *size > 0 {
            last = Some(place);
        }
    }
    let nothing = Quantised {
        levels: [0; 64],
        price: 0,
        any: false,
    };
    let Some(last) = last else { return nothing };
    match rates.level {
        Level::Full => trellis(rates, c, &sizes, last, aim, trail),
        Level::Light => runs(c, &sizes, last, aim),
    }
    .unwrap_or(nothing)
}

/// Levels by plain rounding and their price: near enough to compare
/// predictions by, and many times quicker.
pub fn rounded(rates: &Rates, c: &Spectrum, aim: &Aim) -> Quantised {
    let inverse = 1.0 / aim.step;
    let mut levels: Levels = [0; 64];
    let (mut gain, mut coded, mut last) = (0.0, 0u64, None);
    for (place, (level, &c)) in levels.iter_mut().zip(c).enumerate() {
        let size = (c.abs() * inverse + 0.3).min(2047.0) as i16;
        if size > 0 {
            *level = if c < 0.0 { -size } else { size };
            let left = c.abs() - f32::from(size) * aim.step;
            gain += left * left - c * c;
            coded += 1;
            last = Some(place);
        }
    }
    let mut quantised = Quantised {
        levels,
        price: 0,
        any: false,
    };
    if let Some(last) = last {
        let mut meter = Meter::new(rates);
        walk(rates.level, &mut meter, aim.kind, aim.near, &levels);
        let work = aim.work * (coded * LIGHT_LEVEL + block(last, false)) as f32;
        quantised.price = meter.price() + work as u32;
        let price = quantised.price as i32 + aim.coded;
        quantised.any = gain + aim.lambda * (price as f32) < 0.0;
    }
    if !quantised.any {
        (quantised.levels, quantised.price) = ([0; 64], 0);
    }
    quantised
}

/// Where each state of each place came from: size and state before. Kept from
/// block to block, since only what was written is followed.
pub type Trail = [[(u16, u8); 12]; 64];

/// The best way to a state.
#[derive(Clone, Copy)]
struct Node {
    cost: f32,
    price: u32,
}

const DEAD: Node = Node {
    cost: f32::INFINITY,
    price: 0,
};

/// What the elements of one place cost in each context class.
struct PlacePrices {
    more: u32,
    zero: u32,
    sizes: [u32; 2],
}

impl PlacePrices {
    fn of(rates: &Rates, kind: Kind, place: usize, near: usize, sizes: [u32; 2]) -> Self {
        let context = Rates::place(kind, place, near);
        let not_zero = rates.flag(context + 1, true);
        Self {
            more: rates.flag(context, true),
            zero: rates.flag(context + 1, false),
            sizes: sizes.map(|size| match size {
                0 => 0,
                _ => not_zero + rates.size(kind, near, size),
            }),
        }
    }
}

/// Best path through the scan; a state is (near, size before, 0..=3).
fn trellis(
    rates: &Rates,
    c: &Spectrum,
    sizes: &[u16; 64],
    last: usize,
    aim: &Aim,
    trail: &mut Trail,
) -> Option<Quantised> {
    let mut now = [DEAD; 12];
    now[aim.near * 4] = Node {
        cost: 0.0,
        price: 0,
    };
    // Cost, price, places and state of the best end.
    let mut best = (0.0f32, 0u32, 0usize, 0usize);
    for place in 0..=last {
        let magnitude = c[place].abs();
        let size = u32::from(sizes[place]);
        let tried = [size, size.saturating_sub(1)];
        let gains = tried.map(|s| {
            let left = magnitude - s as f32 * aim.step;
            left * left - magnitude * magnitude
        });
        let prices: [PlacePrices; 3] =
            core::array::from_fn(|near| PlacePrices::of(rates, aim.kind, place, near, tried));
        let mut next = [DEAD; 12];
        for (state, node) in now.iter().enumerate() {
            if node.cost == f32::INFINITY {
                continue;
            }
            let (before, price) = (state & 3, &prices[state >> 2]);
            let more = if before == 0 { 0 } else { price.more };
            let mut step = |size: u32, gain: f32, own: u32| {
                let own = own + more;
                let cost = node.cost + gain + aim.lambda * own as f32;
                let to = next_near(size, before) * 4 + size.min(3) as usize;
                if cost < next[to].cost {
                    next[to] = Node {
                        cost,
                        price: node.price + own,
                    };
                    trail[place][to] = (size as u16, state as u8);
                }
            };
            for (i, &size) in tried.iter().enumerate() {
                if size > 0 {
                    step(size, gains[i], price.sizes[i]);
                }
            }
            step(0, 0.0, price.zero);
        }
        if size > 0 {
            for (state, node) in next.iter().enumerate() {
                if state & 3 == 0 || node.cost == f32::INFINITY {
                    continue;
                }
                let end = if place < 63 {
                    rates.flag(Rates::place(aim.kind, place + 1, state >> 2), false)
                } else {
                    0
                };
                let total = node.cost + aim.lambda * (end as i32 + aim.coded) as f32;
                if total < best.0 {
                    best = (total, node.price + end, place + 1, state);
                }
            }
        }
        now = next;
    }
    let (_, price, mut place, mut state) = best;
    if place == 0 {
        return None;
    }
    let mut levels = [0; 64];
    while place > 0 {
        place -= 1;
        let (size, from) = trail[place][state];
        levels[place] = size as i16 * if c[place] < 0.0 { -1 } else { 1 };
        state = from.into();
    }
    Some(Quantised {
        levels,
        price,
        any: true,
    })
}

/// The same for runs and levels in Exp-Golomb codes.
fn runs(c: &Spectrum, sizes: &[u16; 64], last: usize, aim: &Aim) -> Option<Quantised> {
    // best[i]: cost with a level at place i - 1 as the last one so far.
    let mut best = [(f32::INFINITY, 0u32, 0usize, 0u16); 65];
    best[0] = (0.0, 0, 0, 0);
    let mut end = (0.0f32, 0usize);
    let work = |instructions: u64| (aim.work * instructions as f32) as u32;
    for place in 0..=last {
        let size = u32::from(sizes[place]);
        let magnitude = c[place].abs();
        for size in [size, size.saturating_sub(1)] {
            if size == 0 {
                continue;
            }
            let left = magnitude - size as f32 * aim.step;
            let gain = left * left - magnitude * magnitude;
            let own = (2 * size.ilog2() + 2 + u32::from(place < 63)) * BIT + work(LIGHT_LEVEL);
            for from in (0..=place).rev() {
                if best[from].0 == f32::INFINITY {
                    continue;
                }
                let run = (place - from) as u32 + 1;
                let price = best[from].1 + own + (2 * run.ilog2() + 1) * BIT;
                let cost = best[from].0 + gain + aim.lambda * (price - best[from].1) as f32;
                if cost < best[place + 1].0 {
                    best[place + 1] = (cost, price, from, size as u16);
                }
            }
        }
        let rest = aim.coded + work(block(place, false)) as i32;
        let total = best[place + 1].0 + aim.lambda * rest as f32;
        if total < end.0 {
            end = (total, place + 1);
        }
    }
    if end.1 == 0 {
        return None;
    }
    let mut levels = [0; 64];
    let mut at = end.1;
    let price = best[at].1 + work(block(at - 1, false));
    while at > 0 {
        levels[at - 1] = best[at].3 as i16 * if c[at - 1] < 0.0 { -1 } else { 1 };
        at = best[at].2;
    }
    Some(Quantised {
        levels,
        price,
        any: true,
    })
}
