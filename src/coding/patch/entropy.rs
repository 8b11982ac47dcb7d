//! What both entropy decoders give to the picture loop.

use super::Level;
use super::predict::Mode;
use super::syntax::Kind;
use super::tables::{SCAN4, SCAN8};
use crate::coding::DecodeError;

/// Longest prefix of a number: its value stays below 2^16.
const MOST_PREFIX: u32 = 15;

/// Reads the elements of a picture from its payload.
pub trait Entropy {
    /// The level whose syntax it reads.
    const LEVEL: Level;

    /// One flag in `context`.
    fn flag(&mut self, context: usize) -> bool;

    /// `n` plain bits, first the highest.
    fn bits(&mut self, n: u32) -> u32;

    /// How an intra block is predicted, by a tree of flags.
    #[inline]
    fn mode(&mut self, base: usize) -> Mode {
        if self.flag(base) {
            if self.flag(base + 1) {
                Mode::Planar
            } else {
                Mode::Dc
            }
        } else if self.flag(base + 2) {
            Mode::Gradient
        } else if self.flag(base + 3) {
            Mode::Horizontal
        } else {
            Mode::Vertical
        }
    }

    /// The levels of one coded block; gives the last place in the scan.
    ///
    /// # Errors
    /// A run past the block or a level too large.
    fn coefficients(
        &mut self,
        kind: Kind,
        near: usize,
        out: &mut Coefficients<'_>,
    ) -> Result<usize, DecodeError>;

    /// Elements read so far: bits of *light*, flags and plain bits of *full*.
    fn elements(&self) -> u64;

    /// Checks that the payload ends with the picture.
    ///
    /// # Errors
    /// Bytes are missing or left over.
    fn finish(self) -> Result<(), DecodeError>;

    /// A number from 0 by its length (flags, contexts `base` and on, the
    /// last at `base + most`) and its bits below the highest.
    ///
    /// # Errors
    /// A number of 2^16 or more.
    #[inline]
    fn number(&mut self, base: usize, most: usize) -> Result<u32, DecodeError> {
        let mut length = 0;
        while self.flag(base + most.min(length as usize)) {
            length += 1;
            if length > MOST_PREFIX {
                return Err(DecodeError::Invalid("number too large"));
            }
        }
        Ok((1 << length) - 1 + self.bits(length))
    }
}

/// Where the levels of a block go, already multiplied by the step.
pub struct Coefficients<'a> {
    /// Values in rows, all zero before.
    pub values: &'a mut [i16; 64],
    /// Step in sixteenths.
    pub step: i32,
    /// Four 4x4 blocks, interleaved, in place of one of 8x8.
    pub transform4x4: bool,
    /// Sum of the values' magnitudes.
    pub sum: u32,
}

impl Coefficients<'_> {
    /// Puts a level of `size` at `place` (0..64) of the scan.
    #[inline(always)]
    pub fn put(&mut self, place: usize, size: u32, negative: bool) {
        let value = (size.min(32767) as i32).wrapping_mul(self.step).min(32767);
        self.sum += value as u32;
        let value = if negative { -value } else { value };
        let at = if self.transform4x4 {
            let four = SCAN4[place >> 2 & 15] as usize;
            (place & 3) * 16 + four
        } else {
            SCAN8[place & 63] as usize
        };
        self.values[at & 63] = value as i16;
    }

    /// Puts a level of -7 to 7 at `place` (0..64) of an 8x8 block.
    #[inline(always)]
    pub fn put_small(&mut self, place: usize, level: i8) {
        // At most 7 x 4608: it needs no limit.
        let value = i32::from(level) * self.step;
        self.sum += value.unsigned_abs();
        self.values[SCAN8[place & 63] as usize & 63] = value as i16;
    }
}
