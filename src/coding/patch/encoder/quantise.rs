//! Forward transforms, and levels chosen by rate and distortion.
//!
//! Coefficients are orthonormal, so that squared errors here are squared
//! errors of samples. Arithmetic is plain IEEE 754 single precision in a
//! fixed order: the same on every machine.

use super::super::Level;
use super::super::syntax::Kind;
use super::super::tables::{BAND, SCAN4, SCAN8};
use super::super::work::{FULL_LEVEL, FULL_PLACE, LIGHT_LEVEL, block};
use super::write::{BIT, Levels, Meter, Rates, next_near, walk};

/// What a prediction leaves of a block, rows of samples.
pub type Residual = [[i16; 8]; 8];

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

/// One direction of the 8x8 transform, on rows of lanes: sums and differences
/// of the outer and inner rows first, which the basis has in common.
#[inline(never)]
fn pass(r: &[[f32; 8]; 8], out: &mut [[f32; 8]; 8]) {
    let (mut sum, mut step) = ([[0.0; 8]; 4], [[0.0; 8]; 4]);
    for i in 0..4 {
        for x in 0..8 {
            sum[i][x] = r[i][x] + r[7 - i][x];
            step[i][x] = r[i][x] - r[7 - i][x];
        }
    }
    for k in 0..4 {
        let (even, odd) = (&BASIS8[2 * k], &BASIS8[2 * k + 1]);
        for x in 0..8 {
            out[2 * k][x] = even[0] * sum[0][x]
                + even[1] * sum[1][x]
                + even[2] * sum[2][x]
                + even[3] * sum[3][x];
        }
        for x in 0..8 {
            out[2 * k + 1][x] = odd[0] * step[0][x]
                + odd[1] * step[1][x]
                + odd[2] * step[2][x]
                + odd[3] * step[3][x];
        }
    }
}

/// 8x8 transform of a residual, in the order of the scan.
pub fn forward8(r: &Residual) -> Spectrum {
    let mut rows = [[0.0; 8]; 8];
    for (row, r) in rows.iter_mut().zip(r) {
        for i in 0..8 {
            row[i] = f32::from(r[i]);
        }
    }
    let mut out = [[0.0; 8]; 8];
    pass(&rows, &mut out);
    // The second pass works on the transpose, so that rows are vectors.
    for x in 0..8 {
        for k in 0..8 {
            rows[x][k] = out[k][x];
        }
    }
    pass(&rows, &mut out);
    SCAN8.map(|at| out[usize::from(at) & 7][usize::from(at) >> 3])
}

/// Four 4x4 transforms, interleaved as they are coded.
pub fn forward_fours(r: &Residual) -> Spectrum {
    let r = r.map(|row| row.map(f32::from));
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
    /// Price of an instruction of the decoder.
    pub work: f32,
}

impl Aim {
    /// Whether a block of this squared error cannot gain by any levels: they
    /// cost a sign and "coded" at least, and none is more than the whole.
    pub fn is_vain(&self, error: u32) -> bool {
        let least = self.lambda * (self.coded + BIT as i32) as f32;
        error as f32 <= least.max(0.3 * self.step * self.step)
    }
}

/// Chooses the levels of least distortion + lambda x price.
pub fn quantise(rates: &Rates, c: &Spectrum, aim: &Aim, trail: &mut Trail) -> Quantised {
    let inverse = 1.0 / aim.step;
    let sizes = c.map(|c| (c.abs() * inverse + 0.4).min(2047.0) as i32 as u16);
    let last = sizes.iter().rposition(|&size| size > 0);
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
        let reading = match rates.level {
            Level::Light => coded * LIGHT_LEVEL,
            Level::Full => coded * FULL_LEVEL + (last as u64 + 1 - coded) * FULL_PLACE,
        };
        let transform4x4 = matches!(aim.kind, Kind::Transform4x4);
        let work = aim.work * (reading + block(last, transform4x4)) as f32;
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

/// The numbers of the bits that are set.
fn bits(mut mask: u16) -> impl Iterator<Item = usize> {
    core::iter::from_fn(move || {
        let lowest = mask.trailing_zeros() as usize;
        mask &= mask.wrapping_sub(1);
        (lowest < 16).then_some(lowest)
    })
}

/// What the flags of a place cost in one context class.
#[derive(Clone, Copy, Default)]
struct PlacePrices {
    more: u32,
    stop: u32,
    zero: u32,
    not_zero: u32,
}

impl PlacePrices {
    /// In the three classes; they are the same in every place of a band.
    fn of(rates: &Rates, kind: Kind, place: usize) -> [Self; 3] {
        core::array::from_fn(|near| {
            let context = Rates::place(kind, place, near);
            Self {
                more: rates.flag(context, true),
                stop: rates.flag(context, false),
                zero: rates.flag(context + 1, false),
                not_zero: rates.flag(context + 1, true),
            }
        })
    }
}

/// What levels cost, sign included.
struct SizePrices {
    one: [u32; 3],
    more: [u32; 3],
    /// Of sizes 2 and up, beyond `more`.
    sizes: [u32; SIZES],
}

/// Sizes whose prices are kept.
const SIZES: usize = 16;

impl SizePrices {
    fn of(rates: &Rates, kind: Kind, most: u32) -> Self {
        let flags = |yes| [0, 1, 2].map(|near| BIT + rates.one(kind, near, yes));
        let mut sizes = [0; SIZES];
        let kept = sizes.iter_mut().take(most.saturating_sub(1) as usize);
        for (size, price) in (2..).zip(kept) {
            *price = rates.more(kind, size);
        }
        Self {
            one: flags(false),
            more: flags(true),
            sizes,
        }
    }

    /// In the three context classes.
    fn size(&self, rates: &Rates, kind: Kind, size: u32) -> [u32; 3] {
        match size {
            0 => [0; 3],
            1 => self.one,
            _ => {
                let kept = self.sizes.get(size as usize - 2).copied();
                let price = kept.unwrap_or_else(|| rates.more(kind, size));
                self.more.map(|more| more + price)
            }
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
    let most = sizes[..=last].iter().copied().max().unwrap_or(0);
    let levels = SizePrices::of(rates, aim.kind, most.into());
    let work = |instructions: u64| (aim.work * instructions as f32) as u32;
    let (place_work, level_work) = (work(FULL_PLACE), work(FULL_LEVEL));
    let transform4x4 = matches!(aim.kind, Kind::Transform4x4);
    let mut prices = PlacePrices::of(rates, aim.kind, 0);
    let start = Node {
        cost: 0.0,
        price: 0,
    };
    // Only the states with a bit in `alive` count.
    let (mut now, mut alive) = ([start; 12], 1u16 << (4 * aim.near));
    // Cost, price, places and state of the best end.
    let mut best = (0.0f32, 0u32, 0usize, 0usize);
    let mut zeros = 0;
    for place in 0..=last {
        let after = match place < 63 && BAND[place + 1] != BAND[place] {
            true => PlacePrices::of(rates, aim.kind, place + 1),
            false => prices,
        };
        let size = u32::from(sizes[place]);
        // After two zeros there is but one state.
        if size == 0 && zeros > 1 {
            let own = prices[0].zero + place_work;
            now[0].cost += aim.lambda * own as f32;
            now[0].price += own;
            trail[place][0] = (0, 0);
            prices = after;
            continue;
        }
        zeros = if size == 0 { zeros + 1 } else { 0 };
        let magnitude = c[place].abs();
        let tried = [size, size.saturating_sub(1)];
        let gains = tried.map(|s| {
            let left = magnitude - s as f32 * aim.step;
            left * left - magnitude * magnitude
        });
        let owns = tried.map(|s| levels.size(rates, aim.kind, s));
        let (mut next, mut next_alive) = (now, 0u16);
        for state in bits(alive) {
            let node = &now[state];
            let (before, near) = (state & 3, state >> 2);
            let price = &prices[near];
            let more = if before == 0 { 0 } else { price.more };
            let mut step = |size: u32, gain: f32, own: u32| {
                let own = own + more;
                let cost = node.cost + gain + aim.lambda * own as f32;
                let to = next_near(size, before) * 4 + size.min(3) as usize;
                if next_alive >> to & 1 == 0 || cost < next[to].cost {
                    next_alive |= 1 << to;
                    next[to] = Node {
                        cost,
                        price: node.price + own,
                    };
                    trail[place][to] = (size as u16, state as u8);
                }
            };
            for (i, &size) in tried.iter().enumerate() {
                if size > 0 {
                    step(size, gains[i], price.not_zero + owns[i][near] + level_work);
                }
            }
            step(0, 0.0, price.zero + place_work);
        }
        if size > 0 {
            let rest = work(block(place, transform4x4));
            // Ends after a level, not after a zero.
            for state in bits(next_alive & 0xEEE) {
                let node = &next[state];
                let end = rest
                    + if place < 63 {
                        after[state >> 2].stop
                    } else {
                        0
                    };
                let total = node.cost + aim.lambda * (end as i32 + aim.coded) as f32;
                if total < best.0 {
                    best = (total, node.price + end, place + 1, state);
                }
            }
        }
        (now, alive, prices) = (next, next_alive, after);
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
