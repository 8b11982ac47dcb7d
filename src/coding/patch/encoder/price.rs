//! What the decoder's work and the bus are worth against squared error.

use super::super::Level;
use super::super::work::{INTRA, PIXEL, moved};
use super::choice::Choice;
use super::macroblock::Picture;
use super::write::BIT;

/// How much more an instruction is worth in *light*: the level exists for the
/// least work. From 60 to 300 the instructions at equal SSIM are the same on
/// real clips, but the bytes rise.
const LIGHT_WORTH: f32 = 90.0;
/// The same in *full*. From 1 to 20 the instructions at equal SSIM fall by a
/// quarter on real clips, and the bytes rise by 13 %.
const FULL_WORTH: f32 = 20.0;

impl Picture<'_> {
    /// Bus time and instructions of the prediction, in squared error.
    pub(super) fn burden(&self, lambda: f32, choice: &Choice) -> f32 {
        let w = &self.worth.weights;
        let work = prediction(self.rates.level, choice) as f32;
        lambda * (BIT as f32 * w.bus * 512.0 + self.work_price() * work)
    }

    /// Price of an instruction.
    pub(super) fn work_price(&self) -> f32 {
        let worth = self.worth.weights.instruction * BIT as f32;
        match self.rates.level {
            Level::Full => worth * FULL_WORTH,
            Level::Light => worth * LIGHT_WORTH,
        }
    }

    /// Price of the pixels shown only because a block is coded, alone.
    pub(super) fn show_price(&self, choice: &Choice, luma: Option<usize>) -> u32 {
        let still = |i: usize| !choice.intra && choice.vectors[i] == [0; 2];
        let cells = match luma {
            Some(i) => usize::from(still(i)),
            None => (0..4)
                .filter(|&i| still(i) && choice.blocks[i].is_none())
                .count(),
        };
        let pixels = 64 * cells as u64;
        (self.work_price() * (pixels * PIXEL) as f32) as u32
    }
}

/// Instructions of a prediction, with what it alone shows.
fn prediction(level: Level, choice: &Choice) -> u64 {
    if choice.intra {
        return INTRA + 256 * PIXEL;
    }
    let still = choice.vectors.iter().filter(|&&v| v == [0; 2]).count();
    let moved = match choice.split {
        true => choice.vectors.iter().map(|&v| moved(level, v, 8)).sum(),
        false => moved(level, choice.vectors[0], 16),
    };
    moved + 64 * PIXEL * (4 - still as u64)
}
