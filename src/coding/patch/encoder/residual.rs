//! What a prediction leaves: the six blocks, each coded or not.

use super::super::entropy::Coefficients;
use super::super::predict::Target;
use super::super::syntax::{GREEN, Kind, LUMA, ORANGE, QUANT, TRANSFORM_4X4};
use super::super::tables::step;
use super::super::{Level, transform};
use super::choice::{Block, Choice, Samples};
use super::macroblock::Picture;
use super::planes::error;
use super::quantise::{
    Aim, Quantised, Residual, Spectrum, forward_fours, forward8, quantise, rounded,
};
use super::write::{BIT, Levels};

/// A block dearer than this is also tried as four.
const FOURS_FROM: u32 = 24 * BIT;

impl Picture<'_> {
    /// Codes the six blocks of a moved choice and adds their cost.
    pub(super) fn residual(
        &mut self,
        column: usize,
        line: usize,
        lambda: f32,
        context: usize,
        choice: &mut Choice,
    ) {
        let mut price = self.price_change(choice.quantiser);
        let mut error_sum = 0.0;
        let before = choice.samples.clone();
        for i in 0..4 {
            let near = self.near_luma(column, i, &choice.blocks);
            let (gain, p) = self.luma_block(column, line, i, near, lambda, choice);
            error_sum += gain;
            price += p;
        }
        let (e, p) = self.chroma_blocks(column, line, lambda, choice);
        error_sum += e;
        price += p;
        if choice.blocks.iter().any(Option::is_some) {
            price += self.rates.flag(context, true);
        } else {
            price = self.rates.flag(context, false);
        }
        choice.cost += error_sum + lambda * price as f32;
        // The whole residual may not be worth its flags.
        if choice.blocks.iter().any(Option::is_some) && !choice.intra {
            let plain = self.error_of(column, line, &before)
                + lambda * self.rates.flag(context, false) as f32;
            let with = error_sum + lambda * price as f32;
            if plain <= with {
                choice.cost += plain - with;
                choice.samples = before;
                choice.blocks = Default::default();
            }
        }
    }

    fn levels(&mut self, spectrum: &Spectrum, aim: &Aim) -> Quantised {
        match self.rough {
            true => rounded(&self.rates, spectrum, aim),
            false => quantise(&self.rates, spectrum, aim, &mut self.trail),
        }
    }

    fn error_of(&self, column: usize, line: usize, samples: &Samples) -> f32 {
        let (x, y) = (column * 16, line * 16);
        let mut sum = 0;
        for j in 0..16 {
            let row: &[u8; 16] = samples.luma[j * 16..].first_chunk().expect("a row");
            sum += error(self.source.0[0].row::<16>(x, y + j), row);
        }
        for p in 0..2 {
            for j in 0..8 {
                let row: &[u8; 8] = samples.chroma[p][j * 8..].first_chunk().expect("a row");
                sum += error(self.source.0[p + 1].row::<8>(x / 2, y / 2 + j), row);
            }
        }
        sum as f32
    }

    pub(super) fn near_luma(&self, column: usize, i: usize, blocks: &[Option<Block>; 6]) -> usize {
        let (left, above) = (&self.left, &self.above[column]);
        let l = if i & 1 == 0 {
            left.luma[i >> 1]
        } else {
            blocks[i - 1].is_some()
        };
        let a = if i < 2 {
            above.luma[i]
        } else {
            blocks[i - 2].is_some()
        };
        usize::from(l) + usize::from(a)
    }

    pub(super) fn price_change(&self, quantiser: u8) -> u32 {
        let change = i32::from(quantiser) - i32::from(self.quantiser);
        self.rates.number(QUANT, 5, change.unsigned_abs()) + if change != 0 { BIT } else { 0 }
    }

    /// Codes luma block `i` on the prediction in `choice.samples`: squared
    /// error and price of its flag and levels.
    pub(super) fn luma_block(
        &mut self,
        column: usize,
        line: usize,
        i: usize,
        near: usize,
        lambda: f32,
        choice: &mut Choice,
    ) -> (f32, u32) {
        let (bx, by) = ((i & 1) * 8, (i >> 1) * 8);
        let at = by * 16 + bx;
        let source = &self.source.0[0];
        let (sx, sy) = (column * 16 + bx, line * 16 + by);
        let residual = residual_of(
            |j| *source.row(sx, sy + j),
            |j| {
                *choice.samples.luma[at + j * 16..]
                    .first_chunk()
                    .expect("a row")
            },
        );
        let context = LUMA + 3 * usize::from(choice.intra) + near;
        let (on, off) = (
            self.rates.flag(context, true) + self.show_price(choice, Some(i)),
            self.rates.flag(context, false),
        );
        let work = self.work_price();
        let transform4x4 = TRANSFORM_4X4 + usize::from(choice.intra);
        let full = self.rates.level == Level::Full;
        let aim = |kind, extra: u32| Aim {
            kind,
            near,
            step: step(choice.quantiser) as f32 / 16.0,
            lambda,
            coded: (on + extra) as i32 - off as i32,
            work,
        };
        let kind = if choice.intra {
            Kind::Intra
        } else {
            Kind::Inter
        };
        let eight_flag = if full {
            self.rates.flag(transform4x4, false)
        } else {
            0
        };
        let before = squares(&residual);
        if aim(kind, eight_flag).is_vain(before) {
            choice.blocks[i] = None;
            return (before as f32, off);
        }
        let spectrum = forward8(&residual);
        let eight = self.levels(&spectrum, &aim(kind, eight_flag));
        let mut chosen = (eight, false, eight_flag);
        if full && chosen.0.price > FOURS_FROM && self.worth.search > 0 {
            let four_flag = self.rates.flag(transform4x4, true);
            let spectrum4 = forward_fours(&residual);
            let four = self.levels(&spectrum4, &aim(Kind::Transform4x4, four_flag));
            let cost = |q: &Quantised, s: &Spectrum, flag: u32| {
                gain(s, &q.levels, step(choice.quantiser)) + lambda * (q.price + flag) as f32
            };
            if four.any
                && cost(&four, &spectrum4, four_flag) < cost(&chosen.0, &spectrum, eight_flag)
            {
                chosen = (four, true, four_flag);
            }
        }
        let (q, transform4x4, flag) = chosen;
        let price = if q.any { on + flag + q.price } else { off };
        if q.any {
            rebuild(
                &q.levels,
                transform4x4,
                choice.quantiser,
                &mut Target {
                    plane: &mut choice.samples.luma,
                    stride: 16,
                    x: bx,
                    y: by,
                },
            );
            choice.blocks[i] = Some(Block {
                transform4x4,
                levels: q.levels,
            });
        } else {
            choice.blocks[i] = None;
        }
        let mut sum = 0;
        for j in 0..8 {
            let row: &[u8; 8] = choice.samples.luma[at + j * 16..]
                .first_chunk()
                .expect("a row");
            sum += error(source.row::<8>(sx, sy + j), row);
        }
        (sum as f32, price)
    }

    pub(super) fn chroma_blocks(
        &mut self,
        column: usize,
        line: usize,
        lambda: f32,
        choice: &mut Choice,
    ) -> (f32, u32) {
        let (left, above) = (self.left, self.above[column]);
        let mut total = (0.0, 0);
        for p in 0..2 {
            let (near, context) = if p == 0 {
                let near = usize::from(left.orange) + usize::from(above.orange);
                (near, ORANGE + near)
            } else {
                let near = usize::from(left.green) + usize::from(above.green);
                (
                    near,
                    GREEN + 3 * usize::from(choice.blocks[4].is_some()) + near,
                )
            };
            let show = match choice.blocks[4].is_some() && p == 1 {
                true => 0,
                false => self.show_price(choice, None),
            };
            let source = &self.source.0[p + 1];
            let (x, y) = (column * 8, line * 8);
            let samples = &mut choice.samples.chroma[p];
            let residual = residual_of(
                |j| *source.row(x, y + j),
                |j| *samples[j * 8..].first_chunk().expect("a row"),
            );
            let (on, off) = (
                self.rates.flag(context, true) + show,
                self.rates.flag(context, false),
            );
            let aim = Aim {
                kind: Kind::Chroma,
                near,
                step: step(choice.quantiser) as f32 / 16.0,
                lambda,
                coded: on as i32 - off as i32,
                work: self.work_price(),
            };
            let before = squares(&residual);
            if aim.is_vain(before) {
                total.0 += before as f32;
                total.1 += off;
                choice.blocks[4 + p] = None;
                continue;
            }
            let q = self.levels(&forward8(&residual), &aim);
            if q.any {
                let mut to = Target {
                    plane: samples,
                    stride: 8,
                    x: 0,
                    y: 0,
                };
                rebuild(&q.levels, false, choice.quantiser, &mut to);
                total.1 += on + q.price;
                choice.blocks[4 + p] = Some(Block {
                    transform4x4: false,
                    levels: q.levels,
                });
            } else {
                total.1 += off;
                choice.blocks[4 + p] = None;
            }
            for j in 0..8 {
                let row: &[u8; 8] = samples[j * 8..].first_chunk().expect("a row");
                total.0 += error(source.row::<8>(x, y + j), row) as f32;
            }
        }
        total
    }
}

fn residual_of(
    source: impl Fn(usize) -> [u8; 8],
    predictor: impl Fn(usize) -> [u8; 8],
) -> Residual {
    let mut out = [[0; 8]; 8];
    for (j, row) in out.iter_mut().enumerate() {
        let (s, g) = (source(j), predictor(j));
        for i in 0..8 {
            row[i] = i16::from(s[i]) - i16::from(g[i]);
        }
    }
    out
}

fn squares(residual: &Residual) -> u32 {
    let all = residual.as_flattened().iter();
    all.map(|&r| (i32::from(r) * i32::from(r)) as u32).sum()
}

/// Squared error with the levels less that without.
fn gain(spectrum: &Spectrum, levels: &Levels, step: i32) -> f32 {
    let step = step as f32 / 16.0;
    let mut sum = 0.0;
    for (c, &l) in spectrum.iter().zip(levels) {
        let left = c - f32::from(l) * step;
        sum += left * left - c * c;
    }
    sum
}

fn rebuild(levels: &Levels, transform4x4: bool, quantiser: u8, to: &mut Target<'_>) {
    let mut values = [0; 64];
    let mut out = Coefficients {
        values: &mut values,
        step: step(quantiser),
        transform4x4,
        sum: 0,
    };
    let mut last = 0;
    for (place, &l) in levels.iter().enumerate() {
        if l != 0 {
            out.put(place, l.unsigned_abs().into(), l < 0);
            last = place;
        }
    }
    let sum = out.sum;
    if transform4x4 {
        transform::add_fours(&mut values, to);
    } else {
        transform::add8(&mut values, last, sum, to);
    }
}
