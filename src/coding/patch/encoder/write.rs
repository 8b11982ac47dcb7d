//! Entropy writers of both levels, and what each element costs in bits.

use super::super::Level;
use super::super::range::{Context, Contexts};
use super::super::syntax::{BLOCK, Kind, LEVEL_MORE, LEVEL_ONE};
use super::super::tables::BAND;

/// One bit in the unit of prices.
pub const BIT: u32 = 256;

/// Levels of one block in the order of the scan.
pub type Levels = [i16; 64];

/// Prices of elements, in 1/256 bit, with the current contexts.
pub struct Rates {
    pub level: Level,
    pub contexts: Contexts,
    table: [u16; 256],
}

impl Rates {
    pub fn new(level: Level, contexts: Contexts) -> Self {
        let price = |i: usize| -(((i as f64 + 0.5) / 256.0).log2()) * f64::from(BIT);
        Self {
            level,
            contexts,
            table: core::array::from_fn(|i| price(i).round() as u16),
        }
    }

    #[inline]
    pub fn flag(&self, context: usize, flag: bool) -> u32 {
        if self.level == Level::Light {
            return BIT;
        }
        let zero = self.contexts[context].zero() >> 8;
        u32::from(self.table[if flag { 255 - zero } else { zero } as usize])
    }

    pub fn number(&self, base: usize, most: usize, value: u32) -> u32 {
        let length = (value + 1).ilog2();
        let mut sum = length * BIT;
        for i in 0..length {
            sum += self.flag(base + most.min(i as usize), true);
        }
        sum + self.flag(base + most.min(length as usize), false)
    }

    /// Whether a level of *full* is larger than one.
    #[inline]
    pub fn one(&self, kind: Kind, near: usize, more: bool) -> u32 {
        self.flag(LEVEL_ONE + kind as usize * 3 + near, more)
    }

    /// The size of a level of *full* that is larger than one.
    pub fn more(&self, kind: Kind, size: u32) -> u32 {
        self.number(LEVEL_MORE + kind as usize * 8, 7, size - 2)
    }

    /// The contexts of a place: "more" and "not zero".
    #[inline]
    pub const fn place(kind: Kind, place: usize, near: usize) -> usize {
        BLOCK + ((kind as usize * 8 + BAND[place] as usize) * 3 + near) * 2
    }
}

/// Takes the elements of a picture.
pub trait Sink {
    fn flag(&mut self, context: usize, flag: bool);
    fn bits(&mut self, n: u32, value: u32);

    fn number(&mut self, base: usize, most: usize, value: u32) {
        let length = (value + 1).ilog2();
        for i in 0..length {
            self.flag(base + most.min(i as usize), true);
        }
        self.flag(base + most.min(length as usize), false);
        self.bits(length, value + 1 - (1 << length));
    }

    /// A number with a sign unless it is zero.
    fn signed(&mut self, base: usize, most: usize, value: i32) {
        self.number(base, most, value.unsigned_abs());
        if value != 0 {
            self.bits(1, u32::from(value < 0));
        }
    }
}

/// Adds up the price of elements, the contexts staying as they are.
pub struct Meter<'a> {
    rates: &'a Rates,
    sum: u32,
}

impl<'a> Meter<'a> {
    pub const fn new(rates: &'a Rates) -> Self {
        Self { rates, sum: 0 }
    }

    /// In 1/256 bit.
    pub const fn price(&self) -> u32 {
        self.sum
    }
}

impl Sink for Meter<'_> {
    fn flag(&mut self, context: usize, flag: bool) {
        self.sum += self.rates.flag(context, flag);
    }

    fn bits(&mut self, n: u32, _value: u32) {
        self.sum += n * BIT;
    }
}

/// Gives the levels of a coded block (one or more not zero) to `sink`.
pub fn walk(level: Level, sink: &mut impl Sink, kind: Kind, near: usize, levels: &Levels) {
    let last = levels.iter().rposition(|&l| l != 0).unwrap_or(0);
    match level {
        Level::Light => walk_light(sink, levels, last),
        Level::Full => walk_full(sink, kind, near, levels, last),
    }
}

fn walk_light(sink: &mut impl Sink, levels: &Levels, last: usize) {
    let mut run = 0;
    for (place, &value) in levels[..=last].iter().enumerate() {
        if value == 0 {
            run += 1;
            continue;
        }
        sink.number(0, 0, run);
        sink.number(0, 0, u32::from(value.unsigned_abs()) - 1);
        sink.bits(1, u32::from(value < 0));
        if place < 63 {
            sink.flag(0, place < last);
        }
        run = 0;
    }
}

fn walk_full(sink: &mut impl Sink, kind: Kind, mut near: usize, levels: &Levels, last: usize) {
    let mut after_zero = true;
    let mut before = 0;
    for (place, &value) in levels[..=last].iter().enumerate() {
        let context = Rates::place(kind, place, near);
        if !after_zero {
            sink.flag(context, true);
        }
        if !(after_zero && place == 63) {
            sink.flag(context + 1, value != 0);
        }
        let size = u32::from(value.unsigned_abs());
        if size > 0 {
            sink.flag(LEVEL_ONE + kind as usize * 3 + near, size > 1);
            if size > 1 {
                sink.number(LEVEL_MORE + kind as usize * 8, 7, size - 2);
            }
            sink.bits(1, u32::from(value < 0));
        }
        near = next_near(size, before);
        before = size.min(3) as usize;
        after_zero = size == 0;
    }
    if last < 63 {
        sink.flag(Rates::place(kind, last + 1, near), false);
    }
}

/// Context class of the place after a level of `size` that follows `before`.
#[inline]
pub fn next_near(size: u32, before: usize) -> usize {
    ((size.min(3) as usize + before + 1) >> 1).min(2)
}

/// Writes one payload at either level.
pub enum Writer {
    Light(BitWriter),
    Full(RangeWriter),
}

impl Writer {
    pub fn new(level: Level) -> Self {
        match level {
            Level::Light => Self::Light(BitWriter::default()),
            Level::Full => Self::Full(RangeWriter::default()),
        }
    }

    /// A sink that also teaches `rates`.
    pub fn with<'a>(&'a mut self, rates: &'a mut Rates) -> Pen<'a> {
        Pen {
            writer: self,
            rates,
        }
    }

    /// Bits of *light*, flags and plain bits of *full* so far.
    pub fn elements(&self) -> u64 {
        match self {
            Self::Light(w) => 8 * w.bytes.len() as u64 + u64::from(w.filled),
            Self::Full(w) => w.elements,
        }
    }

    pub fn finish(self) -> Vec<u8> {
        match self {
            Self::Light(w) => w.finish(),
            Self::Full(w) => w.finish(),
        }
    }
}

/// A writer with the contexts it uses.
pub struct Pen<'a> {
    writer: &'a mut Writer,
    rates: &'a mut Rates,
}

impl Sink for Pen<'_> {
    fn flag(&mut self, context: usize, flag: bool) {
        match self.writer {
            Writer::Light(w) => w.put(1, u32::from(flag)),
            Writer::Full(w) => w.flag(&mut self.rates.contexts[context], flag),
        }
    }

    fn bits(&mut self, n: u32, value: u32) {
        match self.writer {
            Writer::Light(w) => w.put(n, value),
            Writer::Full(w) => w.bits(n, value),
        }
    }
}

/// Plain bits, the highest of each byte first.
#[derive(Default)]
pub struct BitWriter {
    bytes: Vec<u8>,
    pending: u64,
    filled: u32,
}

impl BitWriter {
    fn put(&mut self, n: u32, value: u32) {
        self.pending = self.pending << n | u64::from(value);
        self.filled += n;
        while self.filled >= 8 {
            self.filled -= 8;
            self.bytes.push((self.pending >> self.filled) as u8);
        }
    }

    fn finish(mut self) -> Vec<u8> {
        if self.filled > 0 {
            self.put(8 - self.filled, 0);
        }
        self.bytes
    }
}

/// Binary range encoder; a byte is held back while a carry may still reach it.
pub struct RangeWriter {
    bytes: Vec<u8>,
    low: u64,
    range: u32,
    /// Bytes held: the first, then 0xFF.
    held: usize,
    first: u8,
    started: bool,
    /// Bytes the reader has taken beyond its first four.
    shifts: usize,
    elements: u64,
}

impl Default for RangeWriter {
    fn default() -> Self {
        Self {
            bytes: Vec::new(),
            low: 0,
            range: u32::MAX,
            held: 0,
            first: 0,
            started: false,
            shifts: 0,
            elements: 0,
        }
    }
}

impl RangeWriter {
    #[inline]
    fn flag(&mut self, context: &mut Context, flag: bool) {
        let part = (self.range >> 16) * context.zero();
        if flag {
            self.low += u64::from(part);
            self.range -= part;
        } else {
            self.range = part;
        }
        context.learn(flag);
        self.elements += 1;
        self.refill();
    }

    fn bits(&mut self, n: u32, value: u32) {
        for i in (0..n).rev() {
            self.range >>= 1;
            self.elements += 1;
            if value >> i & 1 != 0 {
                self.low += u64::from(self.range);
            }
            self.refill();
        }
    }

    #[inline]
    fn refill(&mut self) {
        while self.range < 1 << 24 {
            self.range <<= 8;
            self.shifts += 1;
            self.shift();
        }
    }

    fn shift(&mut self) {
        if self.low < 0xFF00_0000 || self.low > 0xFFFF_FFFF {
            self.release((self.low >> 32) as u8);
            self.first = (self.low >> 24) as u8;
            self.started = true;
        } else {
            self.held += 1;
        }
        self.low = (self.low & 0x00FF_FFFF) << 8;
    }

    fn release(&mut self, carry: u8) {
        if self.started {
            self.bytes.push(self.first.wrapping_add(carry));
        }
        for _ in 0..self.held {
            self.bytes.push(0xFFu8.wrapping_add(carry));
        }
        self.held = 0;
    }

    /// Ends with the fewest bytes that stay inside the last range; the reader
    /// takes those beyond the end as zeros.
    fn finish(mut self) -> Vec<u8> {
        let top = self.low + u64::from(self.range) - 1;
        for zeros in [32, 24, 16, 8, 0] {
            let value = top >> zeros << zeros;
            if value >= self.low {
                self.low = value;
                break;
            }
        }
        for _ in 0..5 {
            self.shift();
        }
        while self.bytes.len() > self.shifts && self.bytes.last() == Some(&0) {
            self.bytes.pop();
        }
        self.bytes
    }
}
