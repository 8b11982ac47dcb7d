//! The picture loop of the decoder, in place and in bounded memory.

use super::bits::BitReader;
use super::elements::{Coded, read_vector};
use super::entropy::{Coefficients, Entropy};
use super::neighbour::{Neighbour, predictor};
use super::plane::{Memory, Plane};
use super::predict::{Mode, Patch, predict};
use super::range::{Contexts, RangeReader, START};
use super::syntax::*;
use super::tables::{MOST_QUANTISER, REACH, step};
use super::work::Work;
use super::{HEAD, HEAD_DITHER, HEAD_KEY, HEAD_LEVEL, Level, transform};
use crate::coding::dirty::Cells;
use crate::coding::{DecodeError, MOST_SIDE};

/// Rows of luma history: a macroblock and [`REACH`].
const HISTORY: usize = REACH + 16;
/// Macroblocks on a side at most.
const MOST_BLOCKS: usize = MOST_SIDE as usize / 16;
/// Room for everything but planes and history, in any implementation.
pub const STATE_BYTES: u32 = 4096;

/// Bytes of memory that [`Decoder::new`] wants for a panel of `width` x
/// `height`: planes and history.
#[must_use]
pub const fn memory_bytes(width: u16, height: u16) -> usize {
    let (w, h) = (across(width) * 16, across(height) * 16);
    w * h * 3 / 2 + w * HISTORY * 3 / 2
}

const fn across(pixels: u16) -> usize {
    pixels.div_ceil(16) as usize
}

/// Decodes pictures of one panel, in order.
///
/// `Decoder<&mut [u8]>` works in memory given by the caller.
pub struct Decoder<B> {
    width: u16,
    height: u16,
    level: Level,
    luma: Plane<B>,
    orange: Plane<B>,
    green: Plane<B>,
    contexts: Contexts,
    above: [Neighbour; MOST_BLOCKS + 1],
    left: Neighbour,
    quantiser: u8,
    key: bool,
    dither: bool,
    ready: bool,
    cells: Cells,
    patch: Patch,
    values: [i16; 64],
    work: Work,
}

impl<'a> Decoder<&'a mut [u8]> {
    /// A decoder for a panel of `width` x `height` in `memory` of at least
    /// [`memory_bytes`].
    ///
    /// # Errors
    /// `Unsuited`: a side outside 1..=512, or too little memory.
    pub fn new(
        width: u16,
        height: u16,
        level: Level,
        memory: &'a mut [u8],
    ) -> Result<Self, DecodeError> {
        if memory.len() < memory_bytes(width, height) {
            return Err(DecodeError::Unsuited("too little memory"));
        }
        let mut rest = memory;
        Self::with(width, height, level, |n| take(&mut rest, n))
    }
}

#[cfg(feature = "files")]
impl Decoder<Vec<u8>> {
    /// A decoder with memory of its own.
    ///
    /// # Errors
    /// `Unsuited`: a side outside 1..=512.
    pub fn owned(width: u16, height: u16, level: Level) -> Result<Self, DecodeError> {
        Self::with(width, height, level, |n| vec![0; n])
    }
}

impl<B: Memory> Decoder<B> {
    fn with(
        width: u16,
        height: u16,
        level: Level,
        mut memory: impl FnMut(usize) -> B,
    ) -> Result<Self, DecodeError> {
        if !(1..=MOST_SIDE).contains(&width) || !(1..=MOST_SIDE).contains(&height) {
            return Err(DecodeError::Unsuited("panel side outside 1..=512"));
        }
        let (w, h) = (across(width) * 16, across(height) * 16);
        let mut plane = |shift: usize| Plane::new(w >> shift, h >> shift, 16 >> shift, &mut memory);
        Ok(Self {
            width,
            height,
            level,
            luma: plane(0),
            orange: plane(1),
            green: plane(1),
            contexts: START,
            above: [Neighbour::default(); MOST_BLOCKS + 1],
            left: Neighbour::default(),
            quantiser: 0,
            key: false,
            dither: false,
            ready: false,
            cells: Cells::new(width, height),
            patch: Patch::new(),
            values: [0; 64],
            work: Work::picture(level, 0, true),
        })
    }

    /// Decodes one picture. What changed is then in [`Self::changed`], and
    /// [`Self::row`] gives the pixels. After an error nothing may be shown
    /// until a key picture has been decoded.
    ///
    /// # Errors
    /// Damaged data, another level, or a picture that leans on a lost one.
    pub fn decode(&mut self, payload: &[u8]) -> Result<(), DecodeError> {
        let (head, data) = payload.split_at_checked(HEAD).ok_or(DecodeError::Short)?;
        if head[0] & HEAD_LEVEL != self.level as u8 || head[0] >> 4 != 0 {
            return Err(DecodeError::Invalid("first byte"));
        }
        if head[1] > MOST_QUANTISER {
            return Err(DecodeError::Invalid("quantiser"));
        }
        self.key = head[0] & HEAD_KEY != 0;
        self.dither = head[0] & HEAD_DITHER != 0;
        if !self.key && !self.ready {
            return Err(DecodeError::NeedsKey);
        }
        self.ready = false;
        self.quantiser = head[1];
        self.begin();
        match self.level {
            Level::Light => self.picture(BitReader::new(data))?,
            Level::Full => {
                let mut contexts = self.contexts;
                self.picture(RangeReader::new(data, &mut contexts))?;
                self.contexts = contexts;
            }
        }
        self.ready = true;
        Ok(())
    }

    /// Whether the next picture may lean on the last one.
    #[must_use]
    pub const fn is_ready(&self) -> bool {
        self.ready
    }

    /// The cells the last picture changed; all but hidden ones after a key.
    #[must_use]
    pub const fn changed(&self) -> &Cells {
        &self.cells
    }

    /// Estimated instructions of a scalar core for the last picture, to decode it and
    /// to convert the pixels that changed.
    #[must_use]
    pub fn instructions(&self) -> u32 {
        let mut work = self.work;
        work.show(self.cells.pixels());
        work.total()
    }

    /// The planes of Y, Co and Cg, padded to whole macroblocks.
    #[must_use]
    pub fn planes(&self) -> [&[u8]; 3] {
        [&self.luma.now, &self.orange.now, &self.green.now]
    }

    /// Pixels across and down.
    pub(super) fn size(&self) -> [usize; 2] {
        [self.width.into(), self.height.into()]
    }

    /// Whether the last picture asks for dither at output.
    pub(super) const fn dithers(&self) -> bool {
        self.dither
    }

    /// `n` rows of luma from row `y`.
    pub(super) fn luma_rows(&self, y: usize, n: usize) -> &[u8] {
        let stride = self.luma.stride;
        &self.luma.now[y * stride..][..n * stride]
    }

    /// `n` rows of Co and of Cg from row `y`.
    pub(super) fn chroma_rows(&self, y: usize, n: usize) -> [&[u8]; 2] {
        [&self.orange, &self.green].map(|p| &p.now[y * p.stride..][..n * p.stride])
    }

    fn begin(&mut self) {
        self.cells.clear();
        let blocks = across(self.width) * across(self.height);
        self.work = Work::picture(self.level, blocks, self.key);
        // A damaged picture may have left levels behind.
        self.values = [0; 64];
        self.above = [Neighbour::default(); MOST_BLOCKS + 1];
        if self.key {
            self.luma.now.fill(0);
            self.orange.now.fill(128);
            self.green.now.fill(128);
            self.contexts = START;
        }
    }

    fn picture<E: Entropy>(&mut self, mut from: E) -> Result<(), DecodeError> {
        for line in 0..across(self.height) {
            if !self.key {
                self.luma.begin_line(line);
                self.orange.begin_line(line);
                self.green.begin_line(line);
            }
            self.left = Neighbour::default();
            for column in 0..across(self.width) {
                self.macroblock(&mut from, column, line)?;
            }
        }
        self.work.flags(from.elements());
        from.finish()
    }

    #[inline]
    fn macroblock<E: Entropy>(
        &mut self,
        from: &mut E,
        column: usize,
        line: usize,
    ) -> Result<(), DecodeError> {
        let (left, above) = (self.left, self.above[column]);
        if from.flag(SKIP + usize::from(left.skip) + usize::from(above.skip)) {
            self.left = Neighbour {
                skip: true,
                ..Neighbour::default()
            };
            self.above[column] = self.left;
            return Ok(());
        }
        if self.key || from.flag(INTRA + usize::from(left.intra) + usize::from(above.intra)) {
            self.intra(from, column, line)
        } else {
            self.moved(from, column, line)
        }
    }

    fn intra<E: Entropy>(
        &mut self,
        from: &mut E,
        column: usize,
        line: usize,
    ) -> Result<(), DecodeError> {
        let mut modes = [Mode::Dc; 4];
        for mode in &mut modes {
            *mode = from.mode(MODE_LUMA);
        }
        let chroma = from.mode(MODE_CHROMA);
        self.work.intra();
        let coded = self.coded(from, CODED + 2, true, column)?;
        for (i, mode) in modes.into_iter().enumerate() {
            let (x, y) = (column * 16 + (i & 1) * 8, line * 16 + (i >> 1) * 8);
            predict(&mut self.luma.target(x, y), mode);
            if coded.luma[i].0 {
                self.luma_residual(from, x, y, true, coded.luma[i].1)?;
            }
            self.cells.set(x / 8, y / 8);
        }
        predict(&mut self.orange.target(column * 8, line * 8), chroma);
        predict(&mut self.green.target(column * 8, line * 8), chroma);
        self.chroma_residual(from, &coded, column, line)?;
        self.remember(column, true, &coded, [[0; 2]; 4]);
        Ok(())
    }

    fn moved<E: Entropy>(
        &mut self,
        from: &mut E,
        column: usize,
        line: usize,
    ) -> Result<(), DecodeError> {
        let split = from.flag(SPLIT);
        let mut vectors = [[0i16; 2]; 4];
        let mut same = true;
        for i in 0..if split { 4 } else { 1 } {
            let predictor = predictor(&self.left, &self.above[column..], line, split, i, &vectors);
            same = from.flag(SAME + usize::from(split));
            vectors[i] = if same {
                predictor
            } else {
                read_vector(from, predictor)?
            };
        }
        if !split {
            vectors = [vectors[0]; 4];
            self.work.moved(vectors[0], 16);
            self.move_block::<16, 8>(E::LEVEL, column * 16, line * 16, vectors[0]);
        } else {
            for (i, v) in vectors.into_iter().enumerate() {
                let (x, y) = (column * 16 + (i & 1) * 8, line * 16 + (i >> 1) * 8);
                self.work.moved(v, 8);
                self.move_block::<8, 4>(E::LEVEL, x, y, v);
            }
        }
        let context = CODED + usize::from(split || !same);
        let coded = self.coded(from, context, false, column)?;
        for (i, vector) in vectors.iter().enumerate() {
            let (x, y) = (column * 16 + (i & 1) * 8, line * 16 + (i >> 1) * 8);
            if coded.luma[i].0 {
                self.luma_residual(from, x, y, false, coded.luma[i].1)?;
            }
            if *vector != [0; 2] || coded.luma[i].0 || coded.orange.0 || coded.green.0 {
                self.cells.set(x / 8, y / 8);
            }
        }
        self.chroma_residual(from, &coded, column, line)?;
        self.remember(column, false, &coded, vectors);
        Ok(())
    }

    fn move_block<const L: usize, const C: usize>(
        &mut self,
        level: Level,
        x: usize,
        y: usize,
        vector: [i16; 2],
    ) {
        if vector == [0; 2] {
            return; // it is in its place
        }
        let (luma, chroma) = match level {
            Level::Light => {
                let half = vector.map(|v| v >> 1);
                if self.luma.copy::<L>(x, y, vector)
                    && self.orange.copy::<C>(x / 2, y / 2, half)
                    && self.green.copy::<C>(x / 2, y / 2, half)
                {
                    return;
                }
                (vector.map(|v| v * 4), half.map(|v| v << 3))
            }
            Level::Full => (vector, vector),
        };
        let patch = &mut self.patch;
        self.luma.move_luma::<L>(patch, x, y, luma);
        self.orange.move_chroma::<C>(patch, x / 2, y / 2, chroma);
        self.green.move_chroma::<C>(patch, x / 2, y / 2, chroma);
    }

    /// Which blocks are coded, each with the count of coded neighbours.
    fn coded<E: Entropy>(
        &mut self,
        from: &mut E,
        context: usize,
        intra: bool,
        column: usize,
    ) -> Result<Coded, DecodeError> {
        let mut coded = Coded::default();
        if !from.flag(context) {
            return Ok(coded);
        }
        let change = from.number(QUANT, 5)?.min(255) as i32;
        let change = if change != 0 && from.bits(1) != 0 {
            -change
        } else {
            change
        };
        self.quantiser =
            (i32::from(self.quantiser) + change).clamp(0, i32::from(MOST_QUANTISER)) as u8;
        if E::LEVEL == Level::Light {
            // Contexts have no meaning there: the six flags in one.
            let six = from.bits(6);
            let flag = |i: usize| (six >> (5 - i) & 1 != 0, 0);
            coded.luma = core::array::from_fn(flag);
            (coded.orange, coded.green) = (flag(4), flag(5));
            return Ok(coded);
        }
        let (left, above) = (&self.left, &self.above[column]);
        for i in 0..4 {
            let l = if i & 1 == 0 {
                left.luma[i >> 1]
            } else {
                coded.luma[i - 1].0
            };
            let a = if i < 2 {
                above.luma[i]
            } else {
                coded.luma[i - 2].0
            };
            let near = usize::from(l) + usize::from(a);
            coded.luma[i] = (from.flag(LUMA + 3 * usize::from(intra) + near), near);
        }
        let near = usize::from(left.orange) + usize::from(above.orange);
        coded.orange = (from.flag(ORANGE + near), near);
        let near = usize::from(left.green) + usize::from(above.green);
        coded.green = (
            from.flag(GREEN + 3 * usize::from(coded.orange.0) + near),
            near,
        );
        Ok(coded)
    }

    fn luma_residual<E: Entropy>(
        &mut self,
        from: &mut E,
        x: usize,
        y: usize,
        intra: bool,
        near: usize,
    ) -> Result<(), DecodeError> {
        let transform4x4 = E::LEVEL == Level::Full && from.flag(TRANSFORM_4X4 + usize::from(intra));
        let kind = match (transform4x4, intra) {
            (true, _) => Kind::Transform4x4,
            (false, true) => Kind::Intra,
            (false, false) => Kind::Inter,
        };
        let mut out = Coefficients {
            values: &mut self.values,
            step: step(self.quantiser),
            transform4x4,
            sum: 0,
        };
        let last = from.coefficients(kind, near, &mut out)?;
        let sum = out.sum;
        self.work.block(last, transform4x4);
        let mut to = self.luma.target(x, y);
        if transform4x4 {
            transform::add_fours(&mut self.values, &mut to);
        } else {
            transform::add8(&mut self.values, last, sum, &mut to);
        }
        Ok(())
    }

    fn chroma_residual<E: Entropy>(
        &mut self,
        from: &mut E,
        coded: &Coded,
        column: usize,
        line: usize,
    ) -> Result<(), DecodeError> {
        let planes = [&mut self.orange, &mut self.green];
        for (plane, (coded, near)) in planes.into_iter().zip([coded.orange, coded.green]) {
            if coded {
                let mut out = Coefficients {
                    values: &mut self.values,
                    step: step(self.quantiser),
                    transform4x4: false,
                    sum: 0,
                };
                let last = from.coefficients(Kind::Chroma, near, &mut out)?;
                let sum = out.sum;
                self.work.block(last, false);
                let mut to = plane.target(column * 8, line * 8);
                transform::add8(&mut self.values, last, sum, &mut to);
            }
        }
        Ok(())
    }

    fn remember(&mut self, column: usize, intra: bool, coded: &Coded, vectors: [[i16; 2]; 4]) {
        let at = |i: usize, j: usize| Neighbour {
            skip: false,
            intra,
            orange: coded.orange.0,
            green: coded.green.0,
            luma: [coded.luma[i].0, coded.luma[j].0],
            vectors: [vectors[i], vectors[j]],
        };
        self.left = at(1, 3);
        self.above[column] = at(2, 3);
    }
}

fn take<'a>(from: &mut &'a mut [u8], n: usize) -> &'a mut [u8] {
    let (head, rest) = core::mem::take(from).split_at_mut(n);
    *from = rest;
    head
}
