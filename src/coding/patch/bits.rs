//! Entropy decoder of the level *light*: plain bits and Exp-Golomb numbers.

use super::Level;
use super::entropy::{Coefficients, Entropy};
use super::predict::Mode;
use super::syntax::Kind;
use crate::coding::DecodeError;

/// Reads bits, the highest of each byte first.
pub struct BitReader<'a> {
    data: &'a [u8],
    at: usize,
    /// Bits not yet taken, left-aligned; those below are zero.
    window: u64,
    filled: u32,
}

impl<'a> BitReader<'a> {
    /// Starts on `data`; bits past its end read as zero.
    #[must_use]
    pub const fn new(data: &'a [u8]) -> Self {
        Self {
            data,
            at: 0,
            window: 0,
            filled: 0,
        }
    }

    /// Makes sure of 32 bits.
    #[inline(always)]
    fn fill(&mut self) {
        if self.filled < 32 {
            let word = self.data[self.at.min(self.data.len())..]
                .first_chunk::<4>()
                .map_or_else(|| self.tail(), |w| u32::from_be_bytes(*w));
            self.window |= u64::from(word) << (32 - self.filled);
            self.filled += 32;
            self.at += 4;
        }
    }

    #[cold]
    fn tail(&self) -> u32 {
        let byte = |i| self.data.get(self.at + i).map_or(0, |&b| u32::from(b));
        byte(0) << 24 | byte(1) << 16 | byte(2) << 8 | byte(3)
    }

    #[inline(always)]
    fn take(&mut self, n: u32) -> u32 {
        let value = (self.window >> 1 >> (63 - n)) as u32;
        self.window <<= n;
        self.filled -= n;
        value
    }

    /// An Exp-Golomb number: as many ones as its length, a zero, its bits.
    #[inline(always)]
    fn golomb(&mut self) -> Result<u32, DecodeError> {
        self.fill();
        let length = (!self.window).leading_zeros();
        if length > 15 {
            return Err(DecodeError::Invalid("number too large"));
        }
        self.take(length + 1);
        Ok((1 << length) - 1 + self.take(length))
    }
}

impl Entropy for BitReader<'_> {
    const LEVEL: Level = Level::Light;

    #[inline(always)]
    fn flag(&mut self, _context: usize) -> bool {
        self.fill();
        self.take(1) != 0
    }

    #[inline]
    fn bits(&mut self, n: u32) -> u32 {
        self.fill();
        self.take(n.min(16))
    }

    #[inline]
    fn number(&mut self, _base: usize, _most: usize) -> Result<u32, DecodeError> {
        self.golomb()
    }

    #[inline]
    fn mode(&mut self, _base: usize) -> Mode {
        self.fill();
        let mode = MODES[(self.window >> 61) as usize];
        self.take(if matches!(mode, Mode::Horizontal | Mode::Vertical) {
            3
        } else {
            2
        });
        mode
    }

    fn coefficients(
        &mut self,
        _kind: Kind,
        _near: usize,
        out: &mut Coefficients<'_>,
    ) -> Result<usize, DecodeError> {
        let mut place = 0;
        loop {
            self.fill();
            let short = SHORT[(self.window >> 56) as usize];
            let at = place + usize::from(short.run);
            if at < 63 {
                self.window <<= short.length;
                self.filled -= u32::from(short.length);
                out.put_small(at, short.level);
                if short.last {
                    return Ok(at);
                }
                place = at + 1;
                continue;
            }
            place += self.golomb()? as usize;
            if place > 63 {
                return Err(DecodeError::Invalid("run past the block"));
            }
            let size = 1 + self.golomb()?;
            self.fill();
            let negative = self.take(1) != 0;
            out.put(place, size, negative);
            if place == 63 || self.take(1) == 0 {
                return Ok(place);
            }
            place += 1;
        }
    }

    fn elements(&self) -> u64 {
        8 * self.at as u64 - u64::from(self.filled)
    }

    fn finish(self) -> Result<(), DecodeError> {
        let used = self.elements().div_ceil(8);
        let length = self.data.len() as u64;
        match used.cmp(&length) {
            core::cmp::Ordering::Less => Err(DecodeError::Long),
            core::cmp::Ordering::Equal if self.window == 0 => Ok(()),
            core::cmp::Ordering::Equal => Err(DecodeError::Invalid("bits after the picture")),
            core::cmp::Ordering::Greater => Err(DecodeError::Short),
        }
    }
}

/// The tree of a mode by its first three bits.
const MODES: [Mode; 8] = [
    Mode::Vertical,
    Mode::Horizontal,
    Mode::Gradient,
    Mode::Gradient,
    Mode::Dc,
    Mode::Dc,
    Mode::Planar,
    Mode::Planar,
];

/// What the next eight bits hold if they hold a whole level.
#[derive(Clone, Copy)]
struct Short {
    /// Places before it; 255 if the bits are too few.
    run: u8,
    level: i8,
    length: u8,
    last: bool,
}

/// Every eight bits.
static SHORT: [Short; 256] = {
    let mut all = [Short {
        run: 255,
        level: 0,
        length: 0,
        last: false,
    }; 256];
    let mut bits = 0;
    while bits < 256 {
        let (run, after) = number(bits as u8, 0);
        let (size, after) = number(bits as u8, after);
        if after <= 6 {
            let sign = 1 - (bits >> (7 - after) & 1) as i8 * 2;
            all[bits] = Short {
                run,
                level: (size as i8 + 1) * sign,
                length: after + 2,
                last: bits >> (6 - after) & 1 == 0,
            };
        }
        bits += 1;
    }
    all
};

/// The number that starts behind the first `from` of eight bits, and where it
/// ends; past 8 if the bits are too few.
const fn number(bits: u8, from: u8) -> (u8, u8) {
    let mut length = 0;
    while from + length < 8 && bits >> (7 - from - length) & 1 != 0 {
        length += 1;
    }
    let end = from + 2 * length + 1;
    if end > 8 {
        return (0, end);
    }
    let value = bits >> (8 - end) & ((1 << length) - 1);
    ((1 << length) - 1 + value, end)
}
