//! Macroblocks that move: search, prediction, cost.

use super::super::Level;
use super::super::neighbour::predictor;
use super::super::predict::{Mode, Target};
use super::super::syntax::{CODED, INTRA, SAME, SKIP, SPLIT};
use super::choice::{Choice, Samples};
use super::elements::price_vector;
use super::macroblock::Picture;
use super::planes::Past;
use super::search::Search;
use super::write::BIT;

impl Picture<'_> {
    pub(super) fn try_moved(
        &mut self,
        column: usize,
        line: usize,
        quantiser: u8,
        lambda: f32,
        best: &mut Option<Choice>,
    ) {
        let (x, y) = (column * 16, line * 16);
        let vectors = [[0i16; 2]; 4];
        let whole = predictor(&self.left, &self.above[column..], line, false, 0, &vectors);
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
        let search = |x, y, predictor| Search {
            level: self.rates.level,
            source: &self.source.0[0],
            past: &past,
            x,
            y,
            predictor,
            lambda: root,
        };
        let found = search(x, y, whole).run::<16>(&starts, self.worth.search, &mut self.patch);
        self.hints[here] = found.vector;
        // Four vectors pay only where one leaves much.
        let mut parts = None;
        if found.cost > 256.0 * 1.2 && self.worth.search > 0 {
            let mut four = [[0i16; 2]; 4];
            let mut cost = 0.0;
            for i in 0..4 {
                let g = predictor(&self.left, &self.above[column..], line, true, i, &four);
                let (x, y) = (x + (i & 1) * 8, y + (i >> 1) * 8);
                let part = search(x, y, g).near(&[g, found.vector], &mut self.patch);
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
        self.moved_sad = found.cost;
        let tried = [
            Some((false, [found.vector; 4])),
            worth_it.then_some((false, [whole; 4])),
            parts.map(|four| (true, four)),
        ];
        let moved = |this: &mut Self, (split, vectors), best: &mut Option<Choice>| {
            this.moved(column, line, quantiser, lambda, split, vectors, best);
        };
        if self.worth.search > 2 || tried.iter().flatten().count() == 1 {
            for choice in tried.into_iter().flatten() {
                moved(self, choice, best);
            }
            return;
        }
        let mut rough = None;
        self.rough = true;
        for choice in tried.into_iter().flatten() {
            moved(self, choice, &mut rough);
        }
        self.rough = false;
        if let Some(choice) = rough {
            moved(self, (choice.split, choice.vectors), best);
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
            SKIP + usize::from(left.skip) + usize::from(above.skip),
            false,
        ) + self.rates.flag(
            INTRA + usize::from(left.intra) + usize::from(above.intra),
            false,
        ) + self.rates.flag(SPLIT, split);
        let mut same = true;
        for i in 0..if split { 4 } else { 1 } {
            let predictor = predictor(left, &self.above[column..], line, split, i, &vectors);
            same = vectors[i] == predictor;
            price += self.rates.flag(SAME + usize::from(split), same);
            if !same {
                price += price_vector(&self.rates, predictor, vectors[i]);
            }
        }
        let mut choice = Choice {
            cost: 0.0,
            intra: false,
            split,
            vectors,
            modes: [Mode::Dc; 4],
            chroma_mode: Mode::Dc,
            quantiser,
            blocks: Default::default(),
            samples,
        };
        choice.cost = lambda * price as f32 + self.burden(lambda, &choice);
        let coded = CODED + usize::from(split || !same);
        self.residual(column, line, lambda, coded, &mut choice);
        if best.as_ref().is_none_or(|b| choice.cost < b.cost) {
            *best = Some(choice);
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
                self.patch.luma::<8>(&past.previous(), x + bx, y + by, luma);
                self.patch.put_luma::<8>(&mut to, luma);
            } else {
                self.patch.luma::<16>(&past.previous(), x, y, luma);
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
                        .chroma::<4>(&past.previous(), (x + bx) / 2, (y + by) / 2, chroma);
                    self.patch.put_chroma::<4>(&mut to, chroma);
                } else {
                    self.patch
                        .chroma::<8>(&past.previous(), x / 2, y / 2, chroma);
                    self.patch.put_chroma::<8>(&mut to, chroma);
                }
            }
        }
        out
    }
}
