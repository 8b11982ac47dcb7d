//! One plane of the picture, decoded in place, and what of the previous
//! picture prediction may still read.

use core::ops::DerefMut;

use super::predict::{Patch, Previous, Target};
use super::tables::REACH;

/// Bytes that a decoder works in: borrowed, or the host's own.
pub trait Memory: DerefMut<Target = [u8]> {}

impl<B: DerefMut<Target = [u8]>> Memory for B {}

/// One plane in the caller's memory, and its last rows as they were.
pub struct Plane<B> {
    /// The picture being decoded.
    pub now: B,
    history: B,
    /// Samples in a row.
    pub stride: usize,
    /// Rows of a macroblock: 16 in luma, 8 in chroma.
    block: usize,
    /// Row of macroblocks being decoded.
    line: usize,
}

impl<B: Memory> Plane<B> {
    /// A plane of `stride` x `rows` samples whose macroblocks are `block`
    /// high, in memory from `memory`.
    pub fn new(
        stride: usize,
        rows: usize,
        block: usize,
        memory: &mut impl FnMut(usize) -> B,
    ) -> Self {
        Self {
            now: memory(stride * rows),
            history: memory(stride * (block + REACH * block / 16)),
            stride,
            block,
            line: 0,
        }
    }

    /// Saves the rows about to be overwritten.
    pub fn begin_line(&mut self, line: usize) {
        self.line = line;
        let n = self.block * self.stride;
        let slot = line & 3;
        self.history[slot * n..][..n].copy_from_slice(&self.now[line * n..][..n]);
    }

    /// Copies a block from an integer position inside the kept rows;
    /// elsewhere it says no, and the block is to be fetched piece by piece.
    #[inline]
    pub fn copy<const N: usize>(&mut self, x: usize, y: usize, vector: [i16; 2]) -> bool {
        let from_x = x as i32 + i32::from(vector[0]);
        let from_y = y as i32 + i32::from(vector[1]);
        let (stride, kept) = (self.stride, (self.line + 1) * self.block);
        let (now, ahead) = self.now.split_at_mut(kept * stride);
        let previous = previous(&self.history, ahead, stride, self.block, self.line);
        let mut to = now[y * stride..].chunks_exact_mut(stride);
        previous.rows(from_x, from_y, N, N, |part| {
            let row = to
                .next()
                .and_then(|row| row.get_mut(x..)?.first_chunk_mut::<N>());
            if let (Some(row), Some(part)) = (row, part.first_chunk()) {
                *row = *part;
            }
        })
    }

    /// The previous picture as far as it is kept.
    fn previous(&self) -> Previous<'_> {
        let kept = (self.line + 1) * self.block * self.stride;
        let ahead = &self.now[kept..];
        previous(&self.history, ahead, self.stride, self.block, self.line)
    }

    /// Moves a luma block by a vector in quarter samples.
    pub fn move_luma<const N: usize>(
        &mut self,
        patch: &mut Patch,
        x: usize,
        y: usize,
        vector: [i16; 2],
    ) {
        patch.luma::<N>(&self.previous(), x, y, vector);
        patch.put_luma::<N>(&mut self.target(x, y), vector);
    }

    /// Moves a chroma block by a vector in eighths of a sample.
    pub fn move_chroma<const N: usize>(
        &mut self,
        patch: &mut Patch,
        x: usize,
        y: usize,
        vector: [i16; 2],
    ) {
        patch.chroma::<N>(&self.previous(), x, y, vector);
        patch.put_chroma::<N>(&mut self.target(x, y), vector);
    }

    /// The block at `x`, `y`.
    pub fn target(&mut self, x: usize, y: usize) -> Target<'_> {
        Target {
            plane: &mut self.now,
            stride: self.stride,
            x,
            y,
        }
    }
}

/// The previous picture while macroblock line `line` is decoded.
#[inline(always)]
fn previous<'a>(
    history: &'a [u8],
    ahead: &'a [u8],
    stride: usize,
    block: usize,
    line: usize,
) -> Previous<'a> {
    Previous {
        history,
        ring: 4 * block,
        ahead,
        kept: (line + 1) * block,
        stride,
        first: (line * block).saturating_sub(3 * block),
    }
}
