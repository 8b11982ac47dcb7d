//! One macroblock: every way to code it is tried, the cheapest is written.

use super::super::Level;
use super::super::neighbour::{Neighbour, predictor};
use super::super::predict::Patch;
use super::super::syntax::*;
use super::super::tables::step;
use super::super::work::Work;
use super::choice::Choice;
use super::elements::{walk_mode, walk_vector};
use super::planes::Planes;
use super::quantise::Trail;
use super::write::{BIT, Levels, Rates, Sink, Writer, walk};
use crate::coding::Weights;
use crate::coding::dirty::Cells;

/// What things are worth against squared error.
#[derive(Clone, Copy, Debug)]
pub struct Worth {
    /// Squared error of a bit, over the square of the quantiser step.
    pub lambda: f32,
    pub weights: Weights,
    pub search: u8,
}

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
    /// Levels are rounded, not searched: a first comparison.
    pub rough: bool,
    /// Absolute differences of the best motion found for this macroblock.
    pub moved_sad: f32,
}

impl Picture<'_> {
    /// Codes the macroblock with `quantiser` as its aim.
    pub fn macroblock(&mut self, column: usize, line: usize, quantiser: u8) {
        let frozen = self.frozen[line * self.columns + column];
        let context = SKIP + usize::from(self.left.skip) + usize::from(self.above[column].skip);
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
        let poor = cost.min(keep) > self.intra_threshold(quantiser);
        if self.key || poor && self.may_be_intra(column, line) {
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
    pub(super) fn lambda(&self, quantiser: u8) -> f32 {
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
            skip: true,
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
                let predictor = predictor(
                    &left,
                    &self.above[column..],
                    line,
                    choice.split,
                    i,
                    &choice.vectors,
                );
                same = choice.vectors[i] == predictor;
                pen.flag(SAME + usize::from(choice.split), same);
                if !same {
                    walk_vector(&mut pen, predictor, choice.vectors[i]);
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
                let kind = match (i < 4, block.transform4x4, choice.intra) {
                    (false, ..) => Kind::Chroma,
                    (_, true, _) => Kind::Transform4x4,
                    (_, _, true) => Kind::Intra,
                    _ => Kind::Inter,
                };
                if i < 4 && level == Level::Full {
                    pen.flag(
                        TRANSFORM_4X4 + usize::from(choice.intra),
                        block.transform4x4,
                    );
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
            self.work.block(last_of(&block.levels), block.transform4x4);
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
            skip: false,
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
