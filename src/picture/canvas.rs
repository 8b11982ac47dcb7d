//! The working picture at panel size.

use std::sync::OnceLock;

use super::curves::{linear_to_srgb, srgb_to_linear};
use crate::source::QuarterTurns;
use crate::units::Rect;

/// One 8-bit level of a canvas component.
pub const LEVEL: u16 = 256;
/// White: level 255.
pub const WHITE: u16 = 255 * LEVEL;

/// Red, green and blue in 1/256 of an 8-bit level, 0..=[`WHITE`], with the
/// panel's (sRGB) curve. Row by row.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Canvas {
    /// Pixels per row.
    pub width: u16,
    /// Rows.
    pub height: u16,
    /// `width * height` pixels.
    pub pixels: Vec<[u16; 3]>,
}

impl Canvas {
    /// A black canvas.
    #[must_use]
    pub fn black(width: u16, height: u16) -> Self {
        let pixels = vec![[0; 3]; usize::from(width) * usize::from(height)];
        Self {
            width,
            height,
            pixels,
        }
    }

    /// Components rounded to 8 bits, three bytes per pixel.
    #[must_use]
    pub fn to_rgb8(&self) -> Vec<u8> {
        self.pixels
            .as_flattened()
            .iter()
            .map(|&v| ((u32::from(v) + 128) >> 8) as u8)
            .collect()
    }

    /// A canvas from 8-bit components, three bytes per pixel.
    ///
    /// # Panics
    /// If `rgb` is not `width * height * 3` bytes.
    #[must_use]
    pub fn from_rgb8(width: u16, height: u16, rgb: &[u8]) -> Self {
        assert_eq!(rgb.len(), usize::from(width) * usize::from(height) * 3);
        let level = |v: u8| u16::from(v) * LEVEL;
        let pixels = rgb
            .chunks_exact(3)
            .map(|p| [level(p[0]), level(p[1]), level(p[2])]);
        Self {
            width,
            height,
            pixels: pixels.collect(),
        }
    }

    /// The weighted mean of canvases of one size; weights add up to one.
    ///
    /// # Panics
    /// If `parts` is empty or sizes differ.
    #[must_use]
    pub fn mix(parts: &[(&Canvas, f32)]) -> Self {
        let mut sums = vec![[0.5_f32; 3]; parts[0].0.pixels.len()];
        for (canvas, weight) in parts {
            assert_eq!(canvas.pixels.len(), sums.len());
            for (sum, pixel) in sums.iter_mut().zip(&canvas.pixels) {
                for (sum, &value) in sum.iter_mut().zip(pixel) {
                    *sum += weight * f32::from(value);
                }
            }
        }
        let value = |v: f32| v.min(WHITE.into()) as u16;
        Self {
            width: parts[0].0.width,
            height: parts[0].0.height,
            pixels: sums.into_iter().map(|sum| sum.map(value)).collect(),
        }
    }

    /// As [`Self::mix`], but in linear light.
    ///
    /// # Panics
    /// If `parts` is empty or sizes differ.
    #[must_use]
    pub fn mix_light(parts: &[(&Canvas, f32)]) -> Self {
        let light = light();
        let mut sums = vec![[0.0_f32; 3]; parts[0].0.pixels.len()];
        for (canvas, weight) in parts {
            assert_eq!(canvas.pixels.len(), sums.len());
            for (sum, pixel) in sums.iter_mut().zip(&canvas.pixels) {
                for (sum, &value) in sum.iter_mut().zip(pixel) {
                    *sum += weight * light[usize::from(value.min(WHITE))];
                }
            }
        }
        let code = |v: f32| linear_to_srgb(f64::from(v.clamp(0.0, 1.0)));
        let value = |v: f32| (code(v) * f64::from(WHITE)).round() as u16;
        Self {
            width: parts[0].0.width,
            height: parts[0].0.height,
            pixels: sums.into_iter().map(|sum| sum.map(value)).collect(),
        }
    }

    /// Puts `picture`, turned clockwise by `turns` and then mirrored left to
    /// right, at `place`, whose size is that of the turned picture.
    pub fn place(&mut self, picture: &Canvas, turns: QuarterTurns, mirror: bool, place: Rect) {
        let (w, h) = (usize::from(picture.width), usize::from(picture.height));
        for y in 0..usize::from(place.h) {
            let start = (usize::from(place.y) + y) * usize::from(self.width) + usize::from(place.x);
            let row = &mut self.pixels[start..start + usize::from(place.w)];
            match turns.count() {
                0 => row.copy_from_slice(&picture.pixels[y * w..(y + 1) * w]),
                1 => fill(row, |x| picture.pixels[(h - 1 - x) * w + y]),
                2 => fill(row, |x| picture.pixels[(h - 1 - y) * w + (w - 1 - x)]),
                _ => fill(row, |x| picture.pixels[x * w + (w - 1 - y)]),
            }
            if mirror {
                row.reverse();
            }
        }
    }

    /// The canvas in the panel's memory order: turned clockwise, then
    /// mirrored left to right.
    #[must_use]
    pub fn mounted(self, turns: QuarterTurns, mirror: bool) -> Self {
        if turns.count() == 0 && !mirror {
            return self;
        }
        let (w, h) = if turns.swaps() {
            (self.height, self.width)
        } else {
            (self.width, self.height)
        };
        let mut out = Self::black(w, h);
        out.place(&self, turns, mirror, Rect { x: 0, y: 0, w, h });
        out
    }
}

/// Linear light of every canvas value, white 1.
fn light() -> &'static [f32] {
    static LIGHT: OnceLock<Vec<f32>> = OnceLock::new();
    LIGHT.get_or_init(|| {
        let value = |v| srgb_to_linear(f64::from(v) / f64::from(WHITE)) as f32;
        (0..=WHITE).map(value).collect()
    })
}

fn fill(row: &mut [[u16; 3]], pixel: impl Fn(usize) -> [u16; 3]) {
    for (x, out) in row.iter_mut().enumerate() {
        *out = pixel(x);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn numbered(width: u16, height: u16) -> Canvas {
        let pixels = (0..width * height).map(|n| [n, 0, 0]).collect();
        Canvas {
            width,
            height,
            pixels,
        }
    }

    fn reds(canvas: &Canvas) -> Vec<u16> {
        canvas.pixels.iter().map(|p| p[0]).collect()
    }

    #[test]
    fn turns_are_clockwise() {
        // 0 1 2        3 0
        // 3 4 5  ->    4 1
        //              5 2
        let turned = numbered(3, 2).mounted(QuarterTurns::clockwise(1), false);
        assert_eq!((turned.width, turned.height), (2, 3));
        assert_eq!(reds(&turned), [3, 0, 4, 1, 5, 2]);
        let turned = numbered(3, 2).mounted(QuarterTurns::clockwise(3), false);
        assert_eq!(reds(&turned), [2, 5, 1, 4, 0, 3]);
        let turned = numbered(3, 2).mounted(QuarterTurns::clockwise(2), false);
        assert_eq!(reds(&turned), [5, 4, 3, 2, 1, 0]);
    }

    /// IEC 61966-2-1: half the light of white is code 187.516; half of the
    /// codes is 127.5.
    #[test]
    fn black_and_white_mix_in_light_to_188() {
        let black = Canvas::black(1, 1);
        let white = Canvas::from_rgb8(1, 1, &[255; 3]);
        let parts = [(&black, 0.5), (&white, 0.5)];
        assert_eq!(Canvas::mix_light(&parts).to_rgb8(), [188; 3]);
        assert_eq!(Canvas::mix(&parts).to_rgb8(), [128; 3]);
        let alone = Canvas::from_rgb8(1, 1, &[3, 77, 255]);
        assert_eq!(Canvas::mix_light(&[(&alone, 1.0)]), alone);
    }

    #[test]
    fn the_mirror_comes_after_the_turns() {
        let seen = numbered(3, 2).mounted(QuarterTurns::clockwise(1), true);
        assert_eq!(reds(&seen), [0, 3, 1, 4, 2, 5]);
    }
}
