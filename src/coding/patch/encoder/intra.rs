//! Macroblocks predicted from their own picture.

use super::super::predict::{Edge, Mode};
use super::super::syntax::{CODED, INTRA, MODE_CHROMA, MODE_LUMA, SKIP};
use super::choice::{Choice, Samples};
use super::elements::price_mode;
use super::macroblock::Picture;
use super::write::BIT;

/// Intra prediction from the source itself may be this many times worse than the
/// motion found, and coding it is still tried.
const INTRA_HOPE: f32 = 1.6;

impl Picture<'_> {
    /// Whether intra may gain: a predictor from the source, which is quick.
    pub(super) fn may_be_intra(&self, column: usize, line: usize) -> bool {
        if self.worth.search > 2 {
            return true;
        }
        let source = &self.source.0[0];
        let block = |i: usize| {
            let (x, y) = (column * 16 + (i & 1) * 8, line * 16 + (i >> 1) * 8);
            let edge = Edge::of(&source.data, source.stride, x, y);
            let error = |mode| self.mode_error(&edge, 0, x, y, mode);
            Mode::ALL.map(error).into_iter().fold(f32::MAX, f32::min)
        };
        (0..4).map(block).sum::<f32>() < INTRA_HOPE * self.moved_sad
    }

    pub(super) fn try_intra(
        &mut self,
        column: usize,
        line: usize,
        quantiser: u8,
        lambda: f32,
        best: &mut Option<Choice>,
    ) {
        let (left, above) = (self.left, self.above[column]);
        let mut price = self.rates.flag(
            SKIP + usize::from(left.skip) + usize::from(above.skip),
            false,
        );
        if !self.key {
            price += self.rates.flag(
                INTRA + usize::from(left.intra) + usize::from(above.intra),
                true,
            );
        }
        let mut choice = Choice {
            cost: 0.0,
            intra: true,
            split: false,
            vectors: [[0; 2]; 4],
            modes: [Mode::Dc; 4],
            chroma_mode: Mode::Dc,
            quantiser,
            blocks: Default::default(),
            samples: Samples {
                luma: [0; 256],
                chroma: [[0; 64]; 2],
            },
        };
        choice.cost = self.burden(lambda, &choice);
        price += self.price_change(quantiser) + self.rates.flag(CODED + 2, true);
        let mut total = 0.0;
        let mut block = [[0; 8]; 8];
        let bar = best.as_ref().map_or(f32::INFINITY, |b| b.cost);
        for i in 0..4 {
            let (bx, by) = ((i & 1) * 8, (i >> 1) * 8);
            let (x, y) = (column * 16 + bx, line * 16 + by);
            let edge = Edge::of(&self.now.0[0].data, self.now.0[0].stride, x, y);
            let (mode, mode_price) = self.pick_mode(&edge, 0, x, y, MODE_LUMA, lambda);
            choice.modes[i] = mode;
            price += mode_price;
            let at = by * 16 + bx;
            edge.predict(mode, &mut block);
            for (j, row) in block.iter().enumerate() {
                choice.samples.luma[at + j * 16..][..8].copy_from_slice(row);
            }
            let near = self.near_luma(column, i, &choice.blocks);
            let (e, p) = self.luma_block(column, line, i, near, lambda, &mut choice);
            total += e;
            price += p;
            for j in 0..8 {
                *self.now.0[0].row_mut::<8>(x, y + j) = *choice.samples.luma[at + j * 16..]
                    .first_chunk()
                    .expect("a row");
            }
            if choice.cost + total + lambda * price as f32 > bar {
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
        let mut found = (f32::INFINITY, Mode::Dc, 0);
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
            edge.predict(found.1, &mut block);
            choice.samples.chroma[p].copy_from_slice(block.as_flattened());
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
        let mut block = [[0; 8]; 8];
        edge.predict(mode, &mut block);
        let mut sum = 0;
        for (j, row) in block.iter().enumerate() {
            let s = source.row::<8>(x, y + j);
            for i in 0..8 {
                sum += u32::from(s[i].abs_diff(row[i]));
            }
        }
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
        let mut found = (f32::INFINITY, Mode::Dc, 0);
        for mode in Mode::ALL {
            let price = price_mode(&self.rates, base, mode);
            let cost = self.mode_error(edge, plane, x, y, mode) + root * price as f32;
            if cost < found.0 {
                found = (cost, mode, price);
            }
        }
        (found.1, found.2)
    }
}
