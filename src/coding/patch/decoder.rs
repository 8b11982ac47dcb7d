//! The picture loop of the decoder, in place and in bounded memory.

use super::bits::BitReader;
use super::entropy::{Coefficients, Entropy};
use super::neighbour::{MOST_VECTOR, Neighbour, guess};
use super::predict::{Mode, Patch, Rows, Target, predict};
use super::range::{Contexts, RangeReader, START};
use super::syntax::*;
use super::tables::{MOST_QUANTISER, REACH, dither, step};
use super::{HEAD, HEAD_DITHER, HEAD_KEY, HEAD_LEVEL, Level, transform};
use crate::coding::dirty::Cells;
use core::ops::DerefMut;

use crate::coding::{DecodeError, MOST_SIDE, five, six};

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

/// Bytes that a decoder works in: borrowed, or the host's own.
pub trait Memory: DerefMut<Target = [u8]> {}

impl<B: DerefMut<Target = [u8]>> Memory for B {}

/// One plane in the caller's memory, and its last rows as they were.
struct Plane<B> {
    now: B,
    history: B,
    stride: usize,
    /// Rows of a macroblock: 16 in luma, 8 in chroma.
    block: usize,
    /// Row of macroblocks being decoded.
    line: usize,
}

impl<B: Memory> Plane<B> {
    /// Saves the rows about to be overwritten.
    fn begin_line(&mut self, line: usize) {
        self.line = line;
        let n = self.block * self.stride;
        let slot = line & 3;
        self.history[slot * n..][..n].copy_from_slice(&self.now[line * n..][..n]);
    }

    /// Copies a block from a whole place that lies inside what is kept;
    /// elsewhere it says no, and the block is to be fetched piece by piece.
    #[inline]
    fn copy<const N: usize>(&mut self, x: usize, y: usize, vector: [i16; 2]) -> bool {
        let from_x = (x as i32 + i32::from(vector[0])) as usize;
        let from_y = (y as i32 + i32::from(vector[1])) as usize;
        let rows = self.now.len() / self.stride;
        // What is negative is large here.
        if from_x > self.stride - N || from_y > rows - N || from_y < self.first() {
            return false;
        }
        let kept = (self.line + 1) * self.block;
        let ring = 4 * self.block - 1;
        let mut to = y * self.stride + x;
        for row in from_y..from_y + N {
            let part = if row < kept {
                self.history[(row & ring) * self.stride + from_x..].first_chunk::<N>()
            } else {
                self.now[row * self.stride + from_x..].first_chunk::<N>()
            };
            let Some(&part) = part else { return false };
            if let Some(place) = self.now[to..].first_chunk_mut::<N>() {
                *place = part;
            }
            to += self.stride;
        }
        true
    }

    fn target(&mut self, x: usize, y: usize) -> Target<'_> {
        Target {
            plane: &mut self.now,
            stride: self.stride,
            x,
            y,
        }
    }
}

impl<B: Memory> Rows for Plane<B> {
    #[inline(always)]
    fn row(&self, y: usize) -> &[u8] {
        let from = if y < (self.line + 1) * self.block {
            &self.history[(y & (4 * self.block - 1)) * self.stride..]
        } else {
            &self.now[y * self.stride..]
        };
        &from[..self.stride]
    }

    #[inline(always)]
    fn first(&self) -> usize {
        (self.line * self.block).saturating_sub(3 * self.block)
    }

    #[inline(always)]
    fn height(&self) -> usize {
        self.now.len() / self.stride
    }
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

#[cfg(feature = "host")]
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
        let mut plane = |shift: usize| {
            let (stride, rows) = (w >> shift, h >> shift);
            Plane {
                now: memory(stride * rows),
                history: memory(stride * (HISTORY >> shift)),
                stride,
                block: 16 >> shift,
                line: 0,
            }
        };
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

    /// The planes of Y, Co and Cg, padded to whole macroblocks.
    #[must_use]
    pub fn planes(&self) -> [&[u8]; 3] {
        [&self.luma.now, &self.orange.now, &self.green.now]
    }

    fn begin(&mut self) {
        self.cells.clear();
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
        if from.flag(KEEP + usize::from(left.keep) + usize::from(above.keep)) {
            self.left = Neighbour {
                keep: true,
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
        let mut modes = [Mode::Mean; 4];
        for mode in &mut modes {
            *mode = read_mode(from, MODE_LUMA);
        }
        let chroma = read_mode(from, MODE_CHROMA);
        let coded = self.coded(from, CODED + 2, true, column)?;
        for (i, mode) in modes.into_iter().enumerate() {
            let (x, y) = (column * 16 + (i & 1) * 8, line * 16 + (i >> 1) * 8);
            predict(&mut self.luma.now, self.luma.stride, x, y, mode);
            if coded.luma[i].0 {
                self.luma_residual(from, x, y, true, coded.luma[i].1)?;
            }
            self.cells.set(x / 8, y / 8);
        }
        predict(
            &mut self.orange.now,
            self.orange.stride,
            column * 8,
            line * 8,
            chroma,
        );
        predict(
            &mut self.green.now,
            self.green.stride,
            column * 8,
            line * 8,
            chroma,
        );
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
            let guess = guess(&self.left, &self.above[column..], line, split, i, &vectors);
            same = from.flag(SAME + usize::from(split));
            vectors[i] = if same {
                guess
            } else {
                read_vector(from, guess)?
            };
        }
        if !split {
            vectors = [vectors[0]; 4];
            self.move_block::<16, 8>(E::LEVEL, column * 16, line * 16, vectors[0]);
        } else {
            for (i, v) in vectors.into_iter().enumerate() {
                let (x, y) = (column * 16 + (i & 1) * 8, line * 16 + (i >> 1) * 8);
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
        let plane = &mut self.luma;
        move_luma_in::<L, B>(&mut self.patch, plane, x, y, luma);
        for plane in [&mut self.orange, &mut self.green] {
            move_chroma_in::<C, B>(&mut self.patch, plane, x / 2, y / 2, chroma);
        }
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
        let fours = E::LEVEL == Level::Full && from.flag(FOURS + usize::from(intra));
        let kind = match (fours, intra) {
            (true, _) => Kind::Fours,
            (false, true) => Kind::Intra,
            (false, false) => Kind::Moved,
        };
        let mut out = Coefficients {
            values: &mut self.values,
            step: step(self.quantiser),
            fours,
        };
        let last = from.coefficients(kind, near, &mut out)?;
        let (plane, stride) = (&mut self.luma.now, self.luma.stride);
        if fours {
            transform::add_fours(&mut self.values, plane, y * stride + x, stride);
        } else {
            transform::add8(&mut self.values, last, plane, y * stride + x, stride);
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
                    fours: false,
                };
                let last = from.coefficients(Kind::Chroma, near, &mut out)?;
                let at = line * 8 * plane.stride + column * 8;
                transform::add8(&mut self.values, last, &mut plane.now, at, plane.stride);
            }
        }
        Ok(())
    }

    fn remember(&mut self, column: usize, intra: bool, coded: &Coded, vectors: [[i16; 2]; 4]) {
        let at = |i: usize, j: usize| Neighbour {
            keep: false,
            intra,
            orange: coded.orange.0,
            green: coded.green.0,
            luma: [coded.luma[i].0, coded.luma[j].0],
            vectors: [vectors[i], vectors[j]],
        };
        self.left = at(1, 3);
        self.above[column] = at(2, 3);
    }

    /// Converts pixels `x`.. of row `y` to RGB565, R in the high bits, as
    /// many as `out` holds; those outside the panel are left as they are.
    pub fn row(&self, x: usize, y: usize, out: &mut [u16]) {
        if y >= usize::from(self.height) {
            return;
        }
        let (stride, half) = (self.luma.stride, self.orange.stride);
        let luma = &self.luma.now[y * stride..][..stride];
        let orange = &self.orange.now[y / 2 * half..][..half];
        let green = &self.green.now[y / 2 * half..][..half];
        let end = usize::from(self.width).min(x.saturating_add(out.len()));
        let pattern = if self.dither { &ORDERED[y & 7] } else { &NONE };
        let mut at = x;
        while at < end {
            // Strips begin on the pattern's grid.
            let from = at & !7;
            let stop = end.min(from + STRIP);
            let (l, o, g) = (&luma[from..], &orange[from / 2..], &green[from / 2..]);
            if let (Some(whole), Some(l), Some(o), Some(g), 0) = (
                out[at - x..stop - x].first_chunk_mut(),
                l.first_chunk(),
                o.first_chunk(),
                g.first_chunk(),
                at - from,
            ) {
                show(l, o, g, pattern, whole);
            } else {
                let mut pixels = [0; STRIP];
                show(&strip(l), &strip(o), &strip(g), pattern, &mut pixels);
                out[at - x..stop - x].copy_from_slice(&pixels[at - from..stop - from]);
            }
            at = stop;
        }
    }
}

/// Pixels converted at a time.
const STRIP: usize = 16;

/// Dither of one row, for red and blue, and for green.
struct Pattern {
    five: [i16; STRIP],
    six: [i16; STRIP],
}

const NONE: Pattern = Pattern {
    five: [0; STRIP],
    six: [0; STRIP],
};

/// The dither of eight rows, worked out by the compiler.
static ORDERED: [Pattern; 8] = {
    let mut rows = [const { NONE }; 8];
    let mut i = 0;
    while i < 8 * STRIP {
        let (x, y) = (i % STRIP, i / STRIP);
        (rows[y].five[x], rows[y].six[x]) = dither(x, y);
        i += 1;
    }
    rows
};

/// The first `N` samples, or as many as there are.
#[inline(always)]
fn strip<const N: usize>(samples: &[u8]) -> [u8; N] {
    samples.first_chunk().copied().unwrap_or_else(|| {
        let mut out = [0; N];
        out[..samples.len()].copy_from_slice(samples);
        out
    })
}

/// A strip of pixels from Y, Co and Cg. One simple loop a step, so that it
/// becomes vector code where there is any; apart, so that it does so
/// wherever it is called.
#[inline(never)]
fn show(
    luma: &[u8; STRIP],
    orange: &[u8; STRIP / 2],
    green: &[u8; STRIP / 2],
    pattern: &Pattern,
    out: &mut [u16; STRIP],
) {
    let (mut co, mut cg) = ([0i16; STRIP], [0i16; STRIP]);
    for i in 0..STRIP / 2 {
        let c = i16::from(orange[i]) - 128;
        (co[2 * i], co[2 * i + 1]) = (c, c);
    }
    for i in 0..STRIP / 2 {
        let c = i16::from(green[i]) - 128;
        (cg[2 * i], cg[2 * i + 1]) = (c, c);
    }
    for i in 0..STRIP {
        let y = i16::from(luma[i]);
        let base = y + pattern.five[i] - cg[i];
        let r = five((base + co[i]).clamp(0, 255) as u16);
        let g = six((y + pattern.six[i] + cg[i]).clamp(0, 255) as u16);
        let b = five((base - co[i]).clamp(0, 255) as u16);
        out[i] = r << 11 | g << 5 | b;
    }
}

fn move_luma_in<const N: usize, B: Memory>(
    patch: &mut Patch,
    plane: &mut Plane<B>,
    x: usize,
    y: usize,
    vector: [i16; 2],
) {
    patch.luma::<N>(plane, x, y, vector);
    patch.put_luma::<N>(&mut plane.target(x, y), vector);
}

fn move_chroma_in<const N: usize, B: Memory>(
    patch: &mut Patch,
    plane: &mut Plane<B>,
    x: usize,
    y: usize,
    vector: [i16; 2],
) {
    patch.chroma::<N>(plane, x, y, vector);
    patch.put_chroma::<N>(&mut plane.target(x, y), vector);
}

/// Blocks with a residual, each with its count of coded neighbours.
#[derive(Default)]
struct Coded {
    luma: [(bool, usize); 4],
    orange: (bool, usize),
    green: (bool, usize),
}

fn read_mode<E: Entropy>(from: &mut E, base: usize) -> Mode {
    if from.flag(base) {
        if from.flag(base + 1) {
            Mode::Smooth
        } else {
            Mode::Mean
        }
    } else if from.flag(base + 2) {
        Mode::Slope
    } else if from.flag(base + 3) {
        Mode::Across
    } else {
        Mode::Down
    }
}

fn read_vector<E: Entropy>(from: &mut E, guess: [i16; 2]) -> Result<[i16; 2], DecodeError> {
    let mut parts = [0i32; 2];
    parts[0] = from.number(ACROSS, 9)? as i32;
    if parts[0] != 0 && from.bits(1) != 0 {
        parts[0] = -parts[0];
    }
    // Not both are zero, or the vector would be the same.
    let still = i32::from(parts[0] == 0);
    parts[1] = from.number(DOWN, 9)? as i32 + still;
    if parts[1] != 0 && from.bits(1) != 0 {
        parts[1] = -parts[1];
    }
    Ok(core::array::from_fn(|k| {
        (i32::from(guess[k]) + parts[k]).clamp(-MOST_VECTOR, MOST_VECTOR) as i16
    }))
}

fn take<'a>(from: &mut &'a mut [u8], n: usize) -> &'a mut [u8] {
    let (head, rest) = core::mem::take(from).split_at_mut(n);
    *from = rest;
    head
}
