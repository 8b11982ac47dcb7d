//! One macroblock: every way to code it is tried, the cheapest is written.

use super::super::neighbour::{Neighbour, guess};
use super::super::predict::{Edge, Mode, Patch, Target};
use super::super::syntax::*;
use super::super::tables::step;
use super::super::{Level, transform};
use super::planes::{Past, Planes, error};
use super::quantise::{Aim, Quantised, Spectrum, Trail, forward_fours, forward8, quantise};
use super::search::Search;
use super::work::{PIXEL, Work};
use super::write::{BIT, Levels, Rates, Sink, Writer, walk};
use crate::coding::Weights;
use crate::coding::dirty::Cells;

/// Samples of one macroblock: 16x16 luma, 8x8 Co, 8x8 Cg.
#[derive(Clone)]
pub struct Samples {
    luma: [u8; 256],
    chroma: [[u8; 64]; 2],
}

/// One way to code a macroblock.
#[derive(Clone)]
struct Choice {
    cost: f32,
    intra: bool,
    split: bool,
    vectors: [[i16; 2]; 4],
    modes: [Mode; 4],
    chroma_mode: Mode,
    quantiser: u8,
    blocks: [Option<Block>; 6],
    samples: Samples,
}

#[derive(Clone)]
struct Block {
    fours: bool,
    levels: Levels,
}

/// What things are worth against squared error.
#[derive(Clone, Copy, Debug)]
pub struct Worth {
    /// Squared error of a bit, over the square of the quantiser step.
    pub lambda: f32,
    pub weights: Weights,
    pub effort: u8,
}

/// How much more an instruction is worth in *light*: the level exists for the
/// least work, and its bytes at equal SSIM hardly rise by it.
const LIGHT_WORTH: f32 = 100.0;

/// A block dearer than this is also tried as four.
const FOURS_FROM: u32 = 24 * BIT;

/// Everything that lives while one picture is coded.
pub struct Picture<'a> {
    pub source: &'a Planes,
    pub past: &'a Planes,
    pub now: &'a mut Planes,
    pub rates: Rates,
    pub writer: Writer,
    pub above: Vec<Neighbour>,
    pub left: Neighbour,
    pub quantiser: u8,
    pub key: bool,
    pub worth: Worth,
    pub cells: Cells,
    pub patch: Patch,
    pub hints: &'a mut [[i16; 2]],
    /// Macroblocks that must keep their pixels.
    pub frozen: &'a [bool],
    pub columns: usize,
    pub work: Work,
    pub trail: Box<Trail>,
}

impl Picture<'_> {
    /// Codes the macroblock with `quantiser` as its aim.
    pub fn macroblock(&mut self, column: usize, line: usize, quantiser: u8) {
        let frozen = self.frozen[line * self.columns + column];
        let context = KEEP + usize::from(self.left.keep) + usize::from(self.above[column].keep);
        let lambda = self.lambda(quantiser);
        let keep = self.keep_cost(column, line) + lambda * self.rates.flag(context, true) as f32;
        if frozen {
            return self.keep(column, context);
        }
        let mut best: Option<Choice> = None;
        if !self.key {
            self.try_moved(column, line, quantiser, lambda, &mut best);
        }
        let cost = best.as_ref().map_or(f32::INFINITY, |b| b.cost);
        if self.key || cost.min(keep) > self.intra_threshold(quantiser) {
            self.try_intra(column, line, quantiser, lambda, &mut best);
        }
        match best {
            Some(best) if self.key || best.cost < keep => {
                Sink::flag(&mut self.writer.with(&mut self.rates), context, false);
                self.write(column, line, &best);
            }
            _ => {
                self.hints[line * self.columns + column] = [0; 2];
                self.restore(column, line);
                self.keep(column, context);
            }
        }
    }

    /// Squared error worth 1/256 bit at `quantiser`.
    fn lambda(&self, quantiser: u8) -> f32 {
        let step = step(quantiser) as f32 / 16.0;
        self.worth.lambda * step * step / BIT as f32
    }

    fn intra_threshold(&self, quantiser: u8) -> f32 {
        let step = step(quantiser) as f32 / 16.0;
        // Below this a macroblock is so cheap that intra cannot gain much.
        step * step * 8.0
    }

    fn keep(&mut self, column: usize, context: usize) {
        Sink::flag(&mut self.writer.with(&mut self.rates), context, true);
        self.left = Neighbour {
            keep: true,
            ..Neighbour::default()
        };
        self.above[column] = self.left;
    }

    /// Undoes what the trial of intra modes left in the luma plane.
    fn restore(&mut self, column: usize, line: usize) {
        for y in line * 16..line * 16 + 16 {
            *self.now.0[0].row_mut::<16>(column * 16, y) = *self.past.0[0].row(column * 16, y);
        }
    }

    fn keep_cost(&self, column: usize, line: usize) -> f32 {
        if self.key {
            return f32::INFINITY;
        }
        self.source.error(self.past, column, line) as f32
    }

    fn try_moved(
        &mut self,
        column: usize,
        line: usize,
        quantiser: u8,
        lambda: f32,
        best: &mut Option<Choice>,
    ) {
        let (x, y) = (column * 16, line * 16);
        let vectors = [[0i16; 2]; 4];
        let whole = guess(&self.left, &self.above[column..], line, false, 0, &vectors);
        let here = line * self.columns + column;
        let starts = [
            whole,
            self.left.vectors[0],
            self.above[column].vectors[0],
            self.above[column + 1].vectors[0],
            self.hints[here],
        ];
        let root = lambda.sqrt() * (BIT as f32).sqrt();
        let past = Past::new(&self.past.0[0], line, 16);
        let search = |x, y, guess| Search {
            level: self.rates.level,
            source: &self.source.0[0],
            past: &past,
            x,
            y,
            guess,
            lambda: root,
        };
        let found = search(x, y, whole).run::<16>(&starts, self.worth.effort, &mut self.patch);
        self.hints[here] = found.vector;
        // Four vectors pay only where one leaves much.
        let mut parts = None;
        if found.cost > 256.0 * 1.2 && self.worth.effort > 0 {
            let mut four = [[0i16; 2]; 4];
            let mut cost = 0.0;
            for i in 0..4 {
                let g = guess(&self.left, &self.above[column..], line, true, i, &four);
                let (x, y) = (x + (i & 1) * 8, y + (i >> 1) * 8);
                let part = search(x, y, g).run::<8>(&[g, found.vector], 0, &mut self.patch);
                four[i] = part.vector;
                cost += part.cost;
            }
            if cost + 2.0 * root < found.cost && four != [four[0]; 4] {
                parts = Some(four);
            }
        }
        let worth_it = found.vector != whole
            && search(x, y, whole).exact::<16>(whole, &mut self.patch)
                < found.cost * 1.25 + 2.0 * root;
        self.moved(
            column,
            line,
            quantiser,
            lambda,
            false,
            [found.vector; 4],
            best,
        );
        if worth_it {
            self.moved(column, line, quantiser, lambda, false, [whole; 4], best);
        }
        if let Some(four) = parts {
            self.moved(column, line, quantiser, lambda, true, four, best);
        }
    }

    /// Costs one moved choice.
    #[allow(clippy::too_many_arguments)] // one place, one aim, one choice
    fn moved(
        &mut self,
        column: usize,
        line: usize,
        quantiser: u8,
        lambda: f32,
        split: bool,
        vectors: [[i16; 2]; 4],
        best: &mut Option<Choice>,
    ) {
        let samples = self.predict_moved(column, line, split, &vectors);
        let (left, above) = (&self.left, &self.above[column]);
        let mut price = self.rates.flag(
            KEEP + usize::from(left.keep) + usize::from(above.keep),
            false,
        ) + self.rates.flag(
            INTRA + usize::from(left.intra) + usize::from(above.intra),
            false,
        ) + self.rates.flag(SPLIT, split);
        let mut same = true;
        for i in 0..if split { 4 } else { 1 } {
            let guess = guess(left, &self.above[column..], line, split, i, &vectors);
            same = vectors[i] == guess;
            price += self.rates.flag(SAME + usize::from(split), same);
            if !same {
                price += price_vector(&self.rates, guess, vectors[i]);
            }
        }
        let mut choice = Choice {
            cost: lambda * price as f32 + self.burden(lambda, &vectors),
            intra: false,
            split,
            vectors,
            modes: [Mode::Mean; 4],
            chroma_mode: Mode::Mean,
            quantiser,
            blocks: Default::default(),
            samples,
        };
        let coded = CODED + usize::from(split || !same);
        self.residual(column, line, lambda, coded, &mut choice);
        if best.as_ref().is_none_or(|b| choice.cost < b.cost) {
            *best = Some(choice);
        }
    }

    /// Bus time and instructions, in squared error.
    fn burden(&self, lambda: f32, vectors: &[[i16; 2]; 4]) -> f32 {
        let w = &self.worth.weights;
        let fraction = vectors.iter().filter(|v| (v[0] | v[1]) & 3 != 0).count() as f32;
        let work = match self.rates.level {
            Level::Full => 4500.0 + 900.0 * fraction,
            Level::Light if vectors == &[[0; 2]; 4] => 500.0,
            Level::Light => 4500.0,
        };
        lambda * (BIT as f32 * w.bus * 512.0 + self.work_price() * work)
    }

    /// Price of an instruction.
    fn work_price(&self) -> f32 {
        let worth = self.worth.weights.instruction * BIT as f32;
        match self.rates.level {
            Level::Full => worth,
            Level::Light => worth * LIGHT_WORTH,
        }
    }

    /// Price of the pixels shown only because a block is coded, in *light*.
    fn show_price(&self, choice: &Choice, luma: Option<usize>) -> u32 {
        let still = |i: usize| !choice.intra && choice.vectors[i] == [0; 2];
        let cells = match luma {
            Some(i) => usize::from(still(i)),
            None => (0..4)
                .filter(|&i| still(i) && choice.blocks[i].is_none())
                .count(),
        };
        let pixels = 64 * cells as u64;
        match self.rates.level {
            Level::Full => 0,
            Level::Light => (self.work_price() * (pixels * PIXEL) as f32) as u32,
        }
    }

    /// Price of an instruction of the residual, where it is counted.
    fn residual_price(&self) -> f32 {
        match self.rates.level {
            Level::Full => 0.0,
            Level::Light => self.work_price(),
        }
    }

    fn predict_moved(
        &mut self,
        column: usize,
        line: usize,
        split: bool,
        vectors: &[[i16; 2]; 4],
    ) -> Samples {
        let mut out = Samples {
            luma: [0; 256],
            chroma: [[0; 64]; 2],
        };
        let (x, y) = (column * 16, line * 16);
        for (i, v) in vectors
            .iter()
            .copied()
            .enumerate()
            .take(if split { 4 } else { 1 })
        {
            let (luma, chroma) = match self.rates.level {
                Level::Light => (v.map(|v| v * 4), v.map(|v| v >> 1 << 3)),
                Level::Full => (v, v),
            };
            let (bx, by) = ((i & 1) * 8, (i >> 1) * 8);
            let past = Past::new(&self.past.0[0], line, 16);
            let mut to = Target {
                plane: &mut out.luma,
                stride: 16,
                x: bx,
                y: by,
            };
            if split {
                self.patch.luma::<8>(&past, x + bx, y + by, luma);
                self.patch.put_luma::<8>(&mut to, luma);
            } else {
                self.patch.luma::<16>(&past, x, y, luma);
                self.patch.put_luma::<16>(&mut to, luma);
            }
            for (p, plane) in out.chroma.iter_mut().enumerate() {
                let past = Past::new(&self.past.0[p + 1], line, 8);
                let mut to = Target {
                    plane,
                    stride: 8,
                    x: bx / 2,
                    y: by / 2,
                };
                if split {
                    self.patch
                        .chroma::<4>(&past, (x + bx) / 2, (y + by) / 2, chroma);
                    self.patch.put_chroma::<4>(&mut to, chroma);
                } else {
                    self.patch.chroma::<8>(&past, x / 2, y / 2, chroma);
                    self.patch.put_chroma::<8>(&mut to, chroma);
                }
            }
        }
        out
    }

    /// Codes the six blocks of a moved choice and adds their cost.
    fn residual(
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

    fn near_luma(&self, column: usize, i: usize, blocks: &[Option<Block>; 6]) -> usize {
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

    fn price_change(&self, quantiser: u8) -> u32 {
        let change = i32::from(quantiser) - i32::from(self.quantiser);
        self.rates.number(QUANT, 5, change.unsigned_abs()) + if change != 0 { BIT } else { 0 }
    }

    /// Codes luma block `i` on the prediction in `choice.samples`: squared
    /// error and price of its flag and levels.
    fn luma_block(
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
        let work = self.residual_price();
        let fours = FOURS + usize::from(choice.intra);
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
            Kind::Moved
        };
        let eight_flag = if full {
            self.rates.flag(fours, false)
        } else {
            0
        };
        let spectrum = forward8(&residual);
        let eight = quantise(
            &self.rates,
            &spectrum,
            &aim(kind, eight_flag),
            &mut self.trail,
        );
        let mut chosen = (eight, false, eight_flag);
        if full && chosen.0.price > FOURS_FROM && self.worth.effort > 0 {
            let four_flag = self.rates.flag(fours, true);
            let spectrum4 = forward_fours(&residual);
            let four = quantise(
                &self.rates,
                &spectrum4,
                &aim(Kind::Fours, four_flag),
                &mut self.trail,
            );
            let cost = |q: &Quantised, s: &Spectrum, flag: u32| {
                gain(s, &q.levels, step(choice.quantiser)) + lambda * (q.price + flag) as f32
            };
            if four.any
                && cost(&four, &spectrum4, four_flag) < cost(&chosen.0, &spectrum, eight_flag)
            {
                chosen = (four, true, four_flag);
            }
        }
        let (q, fours, flag) = chosen;
        let price = if q.any { on + flag + q.price } else { off };
        if q.any {
            rebuild(
                &q.levels,
                fours,
                choice.quantiser,
                &mut choice.samples.luma,
                at,
                16,
            );
            choice.blocks[i] = Some(Block {
                fours,
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

    fn chroma_blocks(
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
                work: self.residual_price(),
            };
            let q = quantise(&self.rates, &forward8(&residual), &aim, &mut self.trail);
            if q.any {
                rebuild(&q.levels, false, choice.quantiser, samples, 0, 8);
                total.1 += on + q.price;
                choice.blocks[4 + p] = Some(Block {
                    fours: false,
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

    fn try_intra(
        &mut self,
        column: usize,
        line: usize,
        quantiser: u8,
        lambda: f32,
        best: &mut Option<Choice>,
    ) {
        let (left, above) = (self.left, self.above[column]);
        let mut price = self.rates.flag(
            KEEP + usize::from(left.keep) + usize::from(above.keep),
            false,
        );
        if !self.key {
            price += self.rates.flag(
                INTRA + usize::from(left.intra) + usize::from(above.intra),
                true,
            );
        }
        let mut choice = Choice {
            cost: self.burden(lambda, &[[0; 2]; 4]),
            intra: true,
            split: false,
            vectors: [[0; 2]; 4],
            modes: [Mode::Mean; 4],
            chroma_mode: Mode::Mean,
            quantiser,
            blocks: Default::default(),
            samples: Samples {
                luma: [0; 256],
                chroma: [[0; 64]; 2],
            },
        };
        price += self.price_change(quantiser) + self.rates.flag(CODED + 2, true);
        let mut total = 0.0;
        let bar = best.as_ref().map_or(f32::INFINITY, |b| b.cost);
        for i in 0..4 {
            let (bx, by) = ((i & 1) * 8, (i >> 1) * 8);
            let (x, y) = (column * 16 + bx, line * 16 + by);
            let edge = Edge::of(&self.now.0[0].data, self.now.0[0].stride, x, y);
            let (mode, mode_price) = self.pick_mode(&edge, 0, x, y, MODE_LUMA, lambda);
            choice.modes[i] = mode;
            price += mode_price;
            let at = by * 16 + bx;
            edge.predict(mode, |j, row| {
                choice.samples.luma[at + j * 16..][..8].copy_from_slice(&row);
            });
            let near = self.near_luma(column, i, &choice.blocks);
            let (e, p) = self.luma_block(column, line, i, near, lambda, &mut choice);
            total += e;
            price += p;
            for j in 0..8 {
                *self.now.0[0].row_mut::<8>(x, y + j) = *choice.samples.luma[at + j * 16..]
                    .first_chunk()
                    .expect("a row");
            }
            if total + lambda * price as f32 > bar {
                return;
            }
        }
        let edges = [1, 2].map(|p| {
            Edge::of(
                &self.now.0[p].data,
                self.now.0[p].stride,
                column * 8,
                line * 8,
            )
        });
        let mut found = (f32::INFINITY, Mode::Mean, 0);
        for mode in Mode::ALL {
            let p = price_mode(&self.rates, MODE_CHROMA, mode);
            let mut cost = lambda.sqrt() * (BIT as f32).sqrt() * p as f32 / BIT as f32;
            for (k, edge) in edges.iter().enumerate() {
                cost += self.mode_error(edge, k + 1, column * 8, line * 8, mode);
            }
            if cost < found.0 {
                found = (cost, mode, p);
            }
        }
        choice.chroma_mode = found.1;
        price += found.2;
        for (p, edge) in edges.iter().enumerate() {
            edge.predict(found.1, |j, row| {
                choice.samples.chroma[p][j * 8..][..8].copy_from_slice(&row);
            });
        }
        let (e, p) = self.chroma_blocks(column, line, lambda, &mut choice);
        if !choice.blocks.iter().any(Option::is_some) {
            // Flags of the blocks are not sent then; the price is a little high.
            price = price.saturating_sub(self.price_change(quantiser));
        }
        choice.cost += total + e + lambda * (price + p) as f32;
        if best.as_ref().is_none_or(|b| choice.cost < b.cost) {
            *best = Some(choice);
        }
    }

    fn mode_error(&self, edge: &Edge, plane: usize, x: usize, y: usize, mode: Mode) -> f32 {
        let source = &self.source.0[plane];
        let mut sum = 0;
        edge.predict(mode, |j, row| {
            let s = source.row::<8>(x, y + j);
            for i in 0..8 {
                sum += u32::from(s[i].abs_diff(row[i]));
            }
        });
        sum as f32
    }

    fn pick_mode(
        &self,
        edge: &Edge,
        plane: usize,
        x: usize,
        y: usize,
        base: usize,
        lambda: f32,
    ) -> (Mode, u32) {
        let root = lambda.sqrt() * (BIT as f32).sqrt() / BIT as f32;
        let mut found = (f32::INFINITY, Mode::Mean, 0);
        for mode in Mode::ALL {
            let price = price_mode(&self.rates, base, mode);
            let cost = self.mode_error(edge, plane, x, y, mode) + root * price as f32;
            if cost < found.0 {
                found = (cost, mode, price);
            }
        }
        (found.1, found.2)
    }

    /// Writes what was chosen and puts its samples in place.
    fn write(&mut self, column: usize, line: usize, choice: &Choice) {
        let level = self.rates.level;
        let (left, above) = (self.left, self.above[column]);
        let mut same = true;
        let mut nears = [0; 6];
        for (i, near) in nears.iter_mut().enumerate().take(4) {
            *near = self.near_luma(column, i, &choice.blocks);
        }
        nears[4] = usize::from(left.orange) + usize::from(above.orange);
        nears[5] = usize::from(left.green) + usize::from(above.green);
        let mut pen = self.writer.with(&mut self.rates);
        if !self.key {
            pen.flag(
                INTRA + usize::from(left.intra) + usize::from(above.intra),
                choice.intra,
            );
        }
        if choice.intra {
            for mode in choice.modes {
                walk_mode(&mut pen, MODE_LUMA, mode);
            }
            walk_mode(&mut pen, MODE_CHROMA, choice.chroma_mode);
        } else {
            pen.flag(SPLIT, choice.split);
            for i in 0..if choice.split { 4 } else { 1 } {
                let guess = guess(
                    &left,
                    &self.above[column..],
                    line,
                    choice.split,
                    i,
                    &choice.vectors,
                );
                same = choice.vectors[i] == guess;
                pen.flag(SAME + usize::from(choice.split), same);
                if !same {
                    walk_vector(&mut pen, guess, choice.vectors[i]);
                }
            }
        }
        let context = match (choice.intra, choice.split || !same) {
            (true, _) => CODED + 2,
            (false, other) => CODED + usize::from(other),
        };
        let any = choice.blocks.iter().any(Option::is_some);
        pen.flag(context, any);
        if any {
            pen.signed(
                QUANT,
                5,
                i32::from(choice.quantiser) - i32::from(self.quantiser),
            );
            self.quantiser = choice.quantiser;
            for (near, block) in nears.iter().zip(&choice.blocks).take(4) {
                pen.flag(LUMA + 3 * usize::from(choice.intra) + near, block.is_some());
            }
            pen.flag(ORANGE + nears[4], choice.blocks[4].is_some());
            let orange = usize::from(choice.blocks[4].is_some());
            pen.flag(GREEN + 3 * orange + nears[5], choice.blocks[5].is_some());
            for (i, block) in choice.blocks.iter().enumerate() {
                let Some(block) = block else { continue };
                let kind = match (i < 4, block.fours, choice.intra) {
                    (false, ..) => Kind::Chroma,
                    (_, true, _) => Kind::Fours,
                    (_, _, true) => Kind::Intra,
                    _ => Kind::Moved,
                };
                if i < 4 && level == Level::Full {
                    pen.flag(FOURS + usize::from(choice.intra), block.fours);
                }
                walk(level, &mut pen, kind, nears[i], &block.levels);
            }
        }
        self.place(column, line, choice);
    }

    /// Adds up the decoder's work.
    fn account(&mut self, choice: &Choice) {
        match (choice.intra, choice.split) {
            (true, _) => self.work.intra(),
            (false, false) => self.work.moved(choice.vectors[0], 16),
            (false, true) => choice.vectors.iter().for_each(|&v| self.work.moved(v, 8)),
        }
        for block in choice.blocks.iter().flatten() {
            self.work.block(last_of(&block.levels), block.fours);
        }
    }

    fn place(&mut self, column: usize, line: usize, choice: &Choice) {
        let (x, y) = (column * 16, line * 16);
        for j in 0..16 {
            *self.now.0[0].row_mut::<16>(x, y + j) =
                *choice.samples.luma[j * 16..].first_chunk().expect("a row");
        }
        for p in 0..2 {
            for j in 0..8 {
                *self.now.0[p + 1].row_mut::<8>(x / 2, y / 2 + j) = *choice.samples.chroma[p]
                    [j * 8..]
                    .first_chunk()
                    .expect("a row");
            }
        }
        self.account(choice);
        let some = |i: usize| choice.blocks[i].is_some();
        for i in 0..4 {
            if choice.intra || choice.vectors[i] != [0; 2] || some(i) || some(4) || some(5) {
                self.cells.set(x / 8 + (i & 1), y / 8 + (i >> 1));
            }
        }
        let at = |i: usize, j: usize| Neighbour {
            keep: false,
            intra: choice.intra,
            orange: some(4),
            green: some(5),
            luma: [some(i), some(j)],
            vectors: [choice.vectors[i], choice.vectors[j]],
        };
        self.left = at(1, 3);
        self.above[column] = at(2, 3);
        if choice.intra {
            self.hints[line * self.columns + column] = [0; 2];
        }
    }
}

fn last_of(levels: &Levels) -> usize {
    levels.iter().rposition(|&l| l != 0).unwrap_or(0)
}

fn residual_of(
    source: impl Fn(usize) -> [u8; 8],
    guess: impl Fn(usize) -> [u8; 8],
) -> [[f32; 8]; 8] {
    core::array::from_fn(|j| {
        let (s, g) = (source(j), guess(j));
        core::array::from_fn(|i| f32::from(i16::from(s[i]) - i16::from(g[i])))
    })
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

fn rebuild(
    levels: &Levels,
    fours: bool,
    quantiser: u8,
    plane: &mut [u8],
    at: usize,
    stride: usize,
) {
    use super::super::entropy::Coefficients;
    let mut values = [0; 64];
    let mut out = Coefficients {
        values: &mut values,
        step: step(quantiser),
        fours,
    };
    let mut last = 0;
    for (place, &l) in levels.iter().enumerate() {
        if l != 0 {
            out.put(place, l.unsigned_abs().into(), l < 0);
            last = place;
        }
    }
    if fours {
        transform::add_fours(&mut values, plane, at, stride);
    } else {
        transform::add8(&mut values, last, plane, at, stride);
    }
}

fn parts(guess: [i16; 2], vector: [i16; 2]) -> [i32; 2] {
    core::array::from_fn(|k| i32::from(vector[k]) - i32::from(guess[k]))
}

fn price_vector(rates: &Rates, guess: [i16; 2], vector: [i16; 2]) -> u32 {
    let [x, y] = parts(guess, vector);
    let still = u32::from(x == 0);
    rates.number(ACROSS, 9, x.unsigned_abs())
        + rates.number(DOWN, 9, y.unsigned_abs() - still)
        + BIT * (u32::from(x != 0) + u32::from(y != 0))
}

fn walk_vector(pen: &mut impl Sink, guess: [i16; 2], vector: [i16; 2]) {
    let [x, y] = parts(guess, vector);
    pen.signed(ACROSS, 9, x);
    pen.number(DOWN, 9, y.unsigned_abs() - u32::from(x == 0));
    if y != 0 {
        pen.bits(1, u32::from(y < 0));
    }
}

fn mode_flags(mode: Mode) -> ([(usize, bool); 3], usize) {
    match mode {
        Mode::Mean => ([(0, true), (1, false), (0, false)], 2),
        Mode::Smooth => ([(0, true), (1, true), (0, false)], 2),
        Mode::Slope => ([(0, false), (2, true), (0, false)], 2),
        Mode::Across => ([(0, false), (2, false), (3, true)], 3),
        Mode::Down => ([(0, false), (2, false), (3, false)], 3),
    }
}

fn price_mode(rates: &Rates, base: usize, mode: Mode) -> u32 {
    let (flags, n) = mode_flags(mode);
    flags[..n]
        .iter()
        .map(|&(i, f)| rates.flag(base + i, f))
        .sum()
}

fn walk_mode(pen: &mut impl Sink, base: usize, mode: Mode) {
    let (flags, n) = mode_flags(mode);
    for &(i, f) in &flags[..n] {
        pen.flag(base + i, f);
    }
}
