//! Entropy decoder of the level *full*: a binary range decoder with adaptive
//! contexts.

use super::Level;
use super::entropy::{Coefficients, Entropy};
use super::syntax::{BLOCK, CONTEXTS, Kind, LEVEL_MORE, LEVEL_ONE};
use super::tables::{self, BAND};
use crate::coding::DecodeError;

/// How likely a flag is 0, in 1/65536; between 31 and 65504.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Context(u16);

impl Context {
    /// A likelihood of `p` / 256, 1..=255.
    #[must_use]
    pub const fn new(p: u8) -> Self {
        Self((p as u16) << 8)
    }

    /// Probability of 0 in 1/65536, never 0 or 1.
    #[inline(always)]
    #[must_use]
    pub const fn zero(self) -> u32 {
        self.0 as u32
    }

    /// Learns from a flag.
    #[inline(always)]
    pub const fn learn(&mut self, flag: bool) {
        if flag {
            self.0 -= self.0 >> 5;
        } else {
            self.0 += !self.0 >> 5;
        }
    }
}

/// The decoder's contexts; they live from a key picture to the next.
pub type Contexts = [Context; CONTEXTS];

/// The contexts at a key picture.
pub const START: Contexts = {
    let mut contexts = [Context::new(128); CONTEXTS];
    let mut i = 0;
    while i < CONTEXTS {
        contexts[i] = Context::new(tables::START[i]);
        i += 1;
    }
    contexts
};

/// Reads flags and bits from one payload.
pub struct RangeReader<'a> {
    data: &'a [u8],
    at: usize,
    range: u32,
    offset: u32,
    contexts: &'a mut Contexts,
    elements: u64,
}

impl<'a> RangeReader<'a> {
    /// Starts on `data`; bytes past its end read as zero.
    pub fn new(data: &'a [u8], contexts: &'a mut Contexts) -> Self {
        let mut new = Self {
            data,
            at: 0,
            range: u32::MAX,
            offset: 0,
            contexts,
            elements: 0,
        };
        for _ in 0..4 {
            new.offset = new.offset << 8 | new.byte();
        }
        new
    }

    #[inline(always)]
    fn byte(&mut self) -> u32 {
        let byte = self.data.get(self.at).map_or(0, |&b| u32::from(b));
        self.at += 1;
        byte
    }

    #[inline(always)]
    fn refill(&mut self) {
        while self.range < 1 << 24 {
            self.range <<= 8;
            self.offset = self.offset << 8 | self.byte();
        }
    }
}

impl Entropy for RangeReader<'_> {
    const LEVEL: Level = Level::Full;

    #[inline(always)]
    fn flag(&mut self, context: usize) -> bool {
        let p = &mut self.contexts[context];
        let part = (self.range >> 16) * p.zero();
        let flag = self.offset >= part;
        p.learn(flag);
        self.elements += 1;
        if flag {
            self.offset -= part;
            self.range -= part;
        } else {
            self.range = part;
        }
        self.refill();
        flag
    }

    #[inline]
    fn bits(&mut self, n: u32) -> u32 {
        let mut value = 0;
        self.elements += u64::from(n);
        for _ in 0..n {
            self.range >>= 1;
            let bit = self.offset >= self.range;
            if bit {
                self.offset -= self.range;
            }
            value = value << 1 | u32::from(bit);
            self.refill();
        }
        value
    }

    fn coefficients(
        &mut self,
        kind: Kind,
        near: usize,
        out: &mut Coefficients<'_>,
    ) -> Result<usize, DecodeError> {
        let mut near = near;
        let mut after_zero = true; // the first place needs no "more" flag
        let mut before = 0;
        let mut place = 0;
        let mut last = 0;
        while place < 64 {
            let context = BLOCK + ((kind as usize * 8 + BAND[place] as usize) * 3 + near) * 2;
            if !after_zero && !self.flag(context) {
                break;
            }
            if after_zero && place == 63 || self.flag(context + 1) {
                let mut size = 1;
                if self.flag(LEVEL_ONE + kind as usize * 3 + near) {
                    size = 2 + self.number(LEVEL_MORE + kind as usize * 8, 7)?;
                }
                let negative = self.bits(1) != 0;
                out.put(place, size, negative);
                last = place;
                near = ((size.min(3) as usize + before + 1) >> 1).min(2);
                before = size.min(3) as usize;
                after_zero = false;
            } else {
                near = ((before + 1) >> 1).min(2);
                before = 0;
                after_zero = true;
            }
            place += 1;
        }
        Ok(last)
    }

    fn elements(&self) -> u64 {
        self.elements
    }

    fn finish(self) -> Result<(), DecodeError> {
        if self.at < self.data.len() {
            Err(DecodeError::Long)
        } else if self.at > self.data.len() + 4 {
            Err(DecodeError::Short)
        } else {
            Ok(())
        }
    }
}
