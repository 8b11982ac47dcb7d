//! What the decoder's work and the bus are worth against squared error.

use super::super::Level;
use super::choice::Choice;
use super::macroblock::Picture;
use super::work::{INTRA, PIXEL, moved};
use super::write::BIT;

/// How much more an instruction is worth in *light*: the level exists for the
/// least work. From 60 to 300 the instructions at equal SSIM are the same on
/// real clips, but the bytes rise.
const LIGHT_WORTH: f32 = 60.0;

impl Picture<'_> {
    /// Bus time and instructions of the prediction, in squared error.
    pub(super) fn burden(&self, lambda: f32, choice: &Choice) -> f32 {
        let w = &self.worth.weights;
        let work = match self.rates.level {
            Level::Full => {
                let fraction = |v: &&[i16; 2]| (v[0] | v[1]) & 3 != 0;
                4500.0 + 900.0 * choice.vectors.iter().filter(fraction).count() as f32
            }
            Level::Light => prediction(choice) as f32,
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
    pub(super) fn show_price(&self, choice: &Choice, luma: Option<usize>) -> u32 {
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
    pub(super) fn residual_price(&self) -> f32 {
        match self.rates.level {
            Level::Full => 0.0,
            Level::Light => self.work_price(),
        }
    }
}

/// Instructions of a prediction in *light*, with what it alone shows.
fn prediction(choice: &Choice) -> u64 {
    if choice.intra {
        return INTRA + 256 * PIXEL;
    }
    let still = choice.vectors.iter().filter(|&&v| v == [0; 2]).count();
    let moved = match choice.split {
        true => choice
            .vectors
            .iter()
            .map(|&v| moved(Level::Light, v, 8))
            .sum(),
        false => moved(Level::Light, choice.vectors[0], 16),
    };
    moved + 64 * PIXEL * (4 - still as u64)
}
