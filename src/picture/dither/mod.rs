//! From a canvas to RGB565: rounding, ordered dither, error diffusion.
//!
//! The ordered kinds depend on a pixel's place and value alone, so a still
//! source gives bit-identical pictures.

mod blue_noise;
mod diffusion;
mod levels;

pub use blue_noise::{SIDE as BLUE_NOISE_SIDE, ranks as blue_noise_ranks};
pub use levels::{expand, expand5, expand6, pack};

use super::canvas::Canvas;
use super::plan::Dither;
use levels::{Levels, ONE, levels5, levels6};

/// The canvas in RGB565, red in the high bits.
#[must_use]
pub fn to_rgb565(canvas: &Canvas, dither: Dither) -> Vec<u16> {
    match dither {
        Dither::None => rounded(canvas),
        Dither::Bayer => ordered(canvas, bayer()),
        Dither::BlueNoise => ordered(canvas, blue_noise()),
        Dither::ErrorDiffusion => diffusion::diffuse(canvas),
    }
}

/// The matrix of Bayer 1973 with a side of 2^`order`: ranks row by row.
#[must_use]
pub fn bayer_ranks(order: u32) -> Vec<u16> {
    let side = 1_usize << order;
    let rank = |x: usize, y: usize| {
        (0..order).fold(0, |rank, bit| {
            let quarter = match (x >> bit & 1, y >> bit & 1) {
                (0, 0) => 0,
                (1, 1) => 1,
                (1, 0) => 2,
                _ => 3,
            };
            rank << 2 | quarter
        })
    };
    (0..side * side).map(|i| rank(i % side, i / side)).collect()
}

/// A tile of thresholds for each of the three components.
struct Mask {
    /// Side in pixels, a power of two.
    side: usize,
    thresholds: Vec<[u16; 3]>,
}

impl Mask {
    /// Green takes the tile as it is, red and blue its complement: where
    /// green is rounded up the others are rounded down, so lightness, which
    /// the eye resolves best, carries the least noise.
    fn new(ranks: &[u16]) -> Self {
        let count = ranks.len() as u32;
        let threshold = |rank: u32| ((2 * rank + 1) * ONE / (2 * count)) as u16;
        let thresholds = ranks.iter().map(|&rank| {
            let up = threshold(u32::from(rank));
            let down = threshold(count - 1 - u32::from(rank));
            [down, up, down]
        });
        Self {
            side: ranks.len().isqrt(),
            thresholds: thresholds.collect(),
        }
    }
}

fn bayer() -> &'static Mask {
    static MASK: std::sync::OnceLock<Mask> = std::sync::OnceLock::new();
    MASK.get_or_init(|| Mask::new(&bayer_ranks(3)))
}

fn blue_noise() -> &'static Mask {
    static MASK: std::sync::OnceLock<Mask> = std::sync::OnceLock::new();
    MASK.get_or_init(|| Mask::new(blue_noise_ranks()))
}

fn rounded(canvas: &Canvas) -> Vec<u16> {
    let (five, six) = (levels5(), levels6());
    let half = [(ONE / 2) as u16; 3];
    canvas
        .pixels
        .iter()
        .map(|&p| quantise(five, six, p, half))
        .collect()
}

fn ordered(canvas: &Canvas, mask: &Mask) -> Vec<u16> {
    let (five, six) = (levels5(), levels6());
    let wrap = mask.side - 1;
    let mut out = Vec::with_capacity(canvas.pixels.len());
    for (y, row) in canvas
        .pixels
        .chunks_exact(usize::from(canvas.width))
        .enumerate()
    {
        let tile = &mask.thresholds[(y & wrap) * mask.side..][..mask.side];
        for (chunk, x) in row.chunks(mask.side).zip(std::iter::repeat(tile)) {
            out.extend(
                chunk
                    .iter()
                    .zip(x)
                    .map(|(&p, &t)| quantise(five, six, p, t)),
            );
        }
    }
    out
}

#[inline]
fn quantise(five: &Levels, six: &Levels, p: [u16; 3], t: [u16; 3]) -> u16 {
    pack(
        five.step(p[0], t[0]),
        six.step(p[1], t[1]),
        five.step(p[2], t[2]),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_matrix_is_bayers() {
        // Bayer 1973, the 4x4 matrix.
        let printed = [0, 8, 2, 10, 12, 4, 14, 6, 3, 11, 1, 9, 15, 7, 13, 5];
        assert_eq!(bayer_ranks(2), printed);
    }
}
