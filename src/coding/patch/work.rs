//! Estimated instructions of a scalar 32-bit decoder, by what a picture uses.
//!
//! The figures are rounded counts of the decoder compiled for a core without
//! vector instructions; they are an estimate, not a promise for any core.

use super::Level;

/// Instructions so far.
#[derive(Clone, Copy, Debug)]
pub struct Work {
    level: Level,
    sum: u64,
}

/// An 8x8 block's residual, by how much of it is used.
const FLAT: u64 = 330;
const FEW: u64 = 700;
const SPARSE: u64 = 950;
const DENSE: u64 = 1500;
const TRANSFORM_4X4: u64 = 1700;
/// A flag of either level, with the control around it.
const LIGHT_FLAG: u64 = 9;
const FULL_FLAG: u64 = 22;
/// A level of *light*: its run, size, sign and "another follows".
#[cfg(feature = "files")]
pub const LIGHT_LEVEL: u64 = 45;
/// A place of *full* without a level: its flags.
#[cfg(feature = "files")]
pub const FULL_PLACE: u64 = FULL_FLAG;
/// The same with a level: its flags and sign.
#[cfg(feature = "files")]
pub const FULL_LEVEL: u64 = 5 * FULL_FLAG;
/// Converting one pixel.
pub const PIXEL: u64 = SHOWN_PIXEL as u64;
/// The same, for those who plan with the estimate.
pub const SHOWN_PIXEL: u8 = 14;

/// An intra macroblock's prediction: six blocks.
pub const INTRA: u64 = 6 * 500;

/// A block moved by `vector`, `side` luma samples square, with its chroma.
pub const fn moved(level: Level, vector: [i16; 2], side: u64) -> u64 {
    let samples = side * side;
    if vector[0] | vector[1] == 0 {
        return 160; // it is in its place
    }
    let mut cost = 160 + samples * 3 / 2;
    if matches!(level, Level::Full) {
        if vector[0] & 3 != 0 {
            cost += 12
                * if vector[1] & 3 != 0 {
                    samples + 3 * side
                } else {
                    samples
                };
        }
        if vector[1] & 3 != 0 {
            cost += 12 * samples;
        }
        if (vector[0] | vector[1]) & 7 != 0 {
            cost += 5 * samples;
        }
    }
    cost
}

/// A residual whose last level is at place `last`.
pub const fn block(last: usize, transform4x4: bool) -> u64 {
    match (transform4x4, last) {
        (true, _) => TRANSFORM_4X4,
        (_, 0) => FLAT,
        (_, 1..3) => FEW,
        (_, 3..10) => SPARSE,
        _ => DENSE,
    }
}

impl Work {
    /// What every picture costs: history and the loop.
    pub const fn picture(level: Level, macroblocks: usize, key: bool) -> Self {
        let each = if key { 150 } else { 40 + 384 * 3 / 4 };
        Self {
            level,
            sum: 2000 + each * macroblocks as u64,
        }
    }

    /// A block moved by `vector`, `side` luma samples square.
    pub fn moved(&mut self, vector: [i16; 2], side: u64) {
        self.sum += moved(self.level, vector, side);
    }

    /// An intra macroblock's prediction.
    pub fn intra(&mut self) {
        self.sum += INTRA;
    }

    /// A coded block whose last level is at place `last`.
    pub fn block(&mut self, last: usize, transform4x4: bool) {
        self.sum += block(last, transform4x4);
    }

    /// Elements read: bits of *light*, flags and plain bits of *full*.
    pub fn flags(&mut self, n: u64) {
        self.sum += n * if self.level == Level::Light {
            LIGHT_FLAG
        } else {
            FULL_FLAG
        };
    }

    /// Pixels converted.
    pub fn show(&mut self, pixels: u32) {
        self.sum += PIXEL * u64::from(pixels);
    }

    /// All of it.
    pub fn total(self) -> u32 {
        self.sum.min(u32::MAX.into()) as u32
    }
}
