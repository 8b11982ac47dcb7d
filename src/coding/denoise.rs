//! Less noise before a picture is coded: grain costs bytes in every picture
//! and nobody looks at it twice.
//!
//! Static parts are averaged over time, moving parts over similar
//! neighbours. How much counts as noise is measured in each picture, so that a
//! clean clip is left as it is.

use super::{CodingError, Encoded, PictureEncoder, PictureIn};

/// Steps of a level in which the average over time is kept.
const FINE: i32 = 16;
/// Below this deviation in levels a picture has no noise worth the while.
const LEAST_NOISE: f32 = 0.7;
/// Weights are out of this; a still pixel takes a quarter from each picture.
const WHOLE: i32 = 256;
const STILL: i32 = WHOLE / 4;
/// Pixels to either side over which a step is averaged.
const REACH: usize = 2;

/// `coder`, but with noise taken out of its pictures first; they are `width` x
/// `height`. Only for codings that are made from [`PictureIn::rgb`]: `raw` sends
/// other pixels.
#[must_use]
pub fn denoised(
    coder: Box<dyn PictureEncoder>,
    width: u16,
    height: u16,
) -> Box<dyn PictureEncoder> {
    let (width, height) = (width.into(), height.into());
    let past = Vec::new();
    Box::new(Cleaned {
        inner: coder,
        cleaner: Cleaner {
            width,
            height,
            past,
        },
    })
}

/// An encoder whose pictures are cleaned first.
struct Cleaned {
    inner: Box<dyn PictureEncoder>,
    cleaner: Cleaner,
}

impl PictureEncoder for Cleaned {
    fn encode(&mut self, input: &PictureIn<'_>, key: bool) -> Result<Encoded, CodingError> {
        let (w, h) = (self.cleaner.width as u16, self.cleaner.height as u16);
        input.check(w, h)?;
        let rgb = self.cleaner.clean(input.rgb);
        self.inner.encode(
            &PictureIn {
                rgb: &rgb,
                ..*input
            },
            key,
        )
    }

    fn tables(&self) -> &[u8] {
        self.inner.tables()
    }
}

struct Cleaner {
    width: usize,
    height: usize,
    /// The last picture as it was given out, 3 components a pixel in
    /// 1/[`FINE`] level; empty before the first.
    past: Vec<i32>,
}

impl Cleaner {
    fn clean(&mut self, rgb: &[u8]) -> Vec<u8> {
        let luma: Vec<i32> = rgb.chunks_exact(3).map(luma).collect();
        let noise = deviation(&luma, self.width);
        if noise < LEAST_NOISE {
            self.past = rgb.iter().map(|&v| FINE * i32::from(v)).collect();
            return rgb.to_vec();
        }
        let calm = self.weights(&luma, noise);
        let mut now = Vec::with_capacity(rgb.len());
        for (at, &weight) in calm.iter().enumerate() {
            let alike = self.alike(rgb, &luma, at, (2.0 * noise) as i32);
            for k in 0..3 {
                let own = FINE * i32::from(rgb[3 * at + k]);
                let own = own + (alike[k] - own) * weight / WHOLE;
                let past = self.past.get(3 * at + k).copied().unwrap_or(own);
                now.push(past + (own - past) * weight / WHOLE);
            }
        }
        self.past = now;
        let round = |&v: &i32| ((v + FINE / 2) / FINE).clamp(0, 255) as u8;
        self.past.iter().map(round).collect()
    }

    /// How much of each new pixel counts: all where the picture moves.
    fn weights(&self, luma: &[i32], noise: f32) -> Vec<i32> {
        if self.past.is_empty() {
            return vec![WHOLE; luma.len()];
        }
        let past = self.past.chunks_exact(3);
        let steps: Vec<i32> = luma
            .iter()
            .zip(past)
            .map(|(&now, p)| (FINE * now - (p[0] + 2 * p[1] + p[2]) / 4).abs())
            .collect();
        // The mean step of noise alone is 0.8 deviations (of a normal
        // distribution, sqrt(2 / pi)) and a little for what is left in the past.
        let (low, high) = (1.15 * noise, 2.0 * noise);
        let weight = |mean: f32| {
            let moved = ((mean - low) / (high - low)).clamp(0.0, 1.0);
            STILL + ((WHOLE - STILL) as f32 * moved) as i32
        };
        blurred(&steps, self.width, self.height)
            .into_iter()
            .map(|mean| weight(mean / FINE as f32))
            .collect()
    }

    /// Mean of the pixel and those of its eight neighbours that differ by
    /// `most` in luma at most (the sigma filter, Lee 1983), in 1/[`FINE`].
    fn alike(&self, rgb: &[u8], luma: &[i32], at: usize, most: i32) -> [i32; 3] {
        let (x, y) = (at % self.width, at / self.width);
        let (mut sum, mut n) = ([0; 3], 0);
        for row in y.saturating_sub(1)..(y + 2).min(self.height) {
            for column in x.saturating_sub(1)..(x + 2).min(self.width) {
                let near = row * self.width + column;
                if (luma[near] - luma[at]).abs() <= most {
                    n += 1;
                    (0..3).for_each(|k| sum[k] += i32::from(rgb[3 * near + k]));
                }
            }
        }
        sum.map(|s| FINE * s / n)
    }
}

fn luma(c: &[u8]) -> i32 {
    (i32::from(c[0]) + 2 * i32::from(c[1]) + i32::from(c[2]) + 2) / 4
}

/// Standard deviation of noise in levels: Immerkaer, "Fast noise variance
/// estimation", Computer Vision and Image Understanding 64(2), 1996.
fn deviation(luma: &[i32], width: usize) -> f32 {
    let height = luma.len() / width;
    if width < 3 || height < 3 {
        return 0.0;
    }
    let mut sum = 0u64;
    for rows in luma.chunks_exact(width).collect::<Vec<_>>().windows(3) {
        let line = |x: usize, row: &[i32]| row[x] - 2 * row[x + 1] + row[x + 2];
        for x in 0..width - 2 {
            let v = line(x, rows[0]) - 2 * line(x, rows[1]) + line(x, rows[2]);
            sum += u64::from(v.unsigned_abs());
        }
    }
    let places = ((width - 2) * (height - 2)) as f32;
    (std::f32::consts::PI / 2.0).sqrt() * sum as f32 / (6.0 * places)
}

/// Mean over a square of 2 x [`REACH`] + 1, smaller at the edges.
fn blurred(values: &[i32], width: usize, height: usize) -> Vec<f32> {
    let span = |i: usize, n: usize| i.saturating_sub(REACH)..(i + REACH + 1).min(n);
    let across: Vec<i32> = (0..values.len())
        .map(|at| {
            let row = &values[at / width * width..][..width];
            row[span(at % width, width)].iter().sum()
        })
        .collect();
    (0..values.len())
        .map(|at| {
            let (x, rows) = (at % width, span(at / width, height));
            let places = rows.len() * span(x, width).len();
            rows.map(|y| across[y * width + x]).sum::<i32>() as f32 / places as f32
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Even noise of +-6 levels has a deviation of sqrt((13^2 - 1) / 12).
    #[test]
    fn noise_is_measured_and_none_is_found_in_a_ramp() {
        let mut seed = 1u32;
        let noisy: Vec<i32> = (0..120 * 90)
            .map(|i| {
                seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                100 + i % 120 / 2 + (seed >> 16) as i32 % 13 - 6
            })
            .collect();
        let found = deviation(&noisy, 120);
        assert!((found - 14f32.sqrt()).abs() < 0.35, "{found}");
        let ramp: Vec<i32> = (0..120 * 90).map(|i| i % 120).collect();
        assert!(deviation(&ramp, 120) < 0.01);
    }
}
