//! Forward transforms, and levels chosen by rate and distortion.
//!
//! Coefficients are orthonormal, so that squared errors here are squared
//! errors of samples. Arithmetic is plain IEEE 754 single precision in a
//! fixed order: the same on every machine.

use super::super::Level;
use super::super::syntax::Kind;
use super::super::tables::{SCAN4, SCAN8};
use super::write::{BIT, Levels, Rates, next_near};

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
}

/// Chooses the levels of least distortion + lambda x price.
pub fn quantise(rates: &Rates, c: &Spectrum, aim: &Aim) -> Quantised {
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
        Level::Full => trellis(rates, c, &sizes, last, aim),
        Level::Light => runs(c, &sizes, last, aim),
    }
    .unwrap_or(nothing)
}

#[derive(Clone, Copy)]
struct Node {
    cost: f32,
    price: u32,
    /// Size chosen here and the state before.
    size: u16,
    from: u8,
}

const DEAD: Node = Node {
    cost: f32::INFINITY,
    price: 0,
    size: 0,
    from: 0,
};

/// Best path through the scan; a state is (near, size before, 0..=3).
fn trellis(
    rates: &Rates,
    c: &Spectrum,
    sizes: &[u16; 64],
    last: usize,
    aim: &Aim,
) -> Option<Quantised> {
    let mut nodes = [[DEAD; 12]; 65];
    nodes[0][aim.near * 4] = Node { cost: 0.0, ..DEAD };
    // State at the start is as after a zero.
    let mut best = (0.0f32, 0u32, 0usize, 0usize);
    let mut found = false;
    for place in 0..=last {
        let c = c[place].abs();
        for state in 0..12 {
            let node = nodes[place][state];
            if node.cost == f32::INFINITY {
                continue;
            }
            let (near, before) = (state >> 2, state & 3);
            let after_zero = before == 0;
            let context = Rates::place(aim.kind, place, near);
            let more = if after_zero {
                0
            } else {
                rates.flag(context, true)
            };
            let step = |size: u32, nodes: &mut [Node; 12]| {
                let mut price = node.price + more;
                if !(after_zero && place == 63) {
                    price += rates.flag(context + 1, size > 0);
                }
                if size > 0 {
                    price += rates.size(aim.kind, near, size);
                }
                // Distortion saved against leaving this coefficient out.
                let left = c - size as f32 * aim.step;
                let cost =
                    node.cost + left * left - c * c + aim.lambda * (price - node.price) as f32;
                let next = next_near(size, before) * 4 + size.min(3) as usize;
                if cost < nodes[next].cost {
                    nodes[next] = Node {
                        cost,
                        price,
                        size: size as u16,
                        from: state as u8,
                    };
                }
                (cost, price, next)
            };
            let size = u32::from(sizes[place]);
            for size in [size, size.saturating_sub(1)] {
                if size == 0 {
                    continue;
                }
                let (cost, price, next) = step(size, &mut nodes[place + 1]);
                let end = if place < 63 {
                    rates.flag(Rates::place(aim.kind, place + 1, next >> 2), false)
                } else {
                    0
                };
                let total = cost + aim.lambda * (end as f32 + aim.coded as f32);
                if total < best.0 && nodes[place + 1][next].cost == cost {
                    best = (total, price + end, place + 1, next);
                    found = true;
                }
            }
            if place < last {
                step(0, &mut nodes[place + 1]);
            }
        }
    }
    if !found {
        return None;
    }
    let mut levels = [0; 64];
    let (mut place, mut state) = (best.2, best.3);
    while place > 0 {
        let node = nodes[place][state];
        levels[place - 1] = node.size as i16 * if c[place - 1] < 0.0 { -1 } else { 1 };
        state = node.from.into();
        place -= 1;
    }
    Some(Quantised {
        levels,
        price: best.1,
        any: true,
    })
}

/// The same for runs and levels in Exp-Golomb codes.
fn runs(c: &Spectrum, sizes: &[u16; 64], last: usize, aim: &Aim) -> Option<Quantised> {
    // best[i]: cost with a level at place i - 1 as the last one so far.
    let mut best = [(f32::INFINITY, 0u32, 0usize, 0u16); 65];
    best[0] = (0.0, 0, 0, 0);
    let mut end = (0.0f32, 0usize);
    for place in 0..=last {
        let size = u32::from(sizes[place]);
        let magnitude = c[place].abs();
        for size in [size, size.saturating_sub(1)] {
            if size == 0 {
                continue;
            }
            let left = magnitude - size as f32 * aim.step;
            let gain = left * left - magnitude * magnitude;
            let own = (2 * size.ilog2() + 2 + u32::from(place < 63)) * BIT;
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
        let total = best[place + 1].0 + aim.lambda * aim.coded as f32;
        if total < end.0 {
            end = (total, place + 1);
        }
    }
    if end.1 == 0 {
        return None;
    }
    let mut levels = [0; 64];
    let mut at = end.1;
    let price = best[at].1;
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
