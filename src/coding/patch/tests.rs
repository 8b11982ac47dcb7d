//! Encoder and decoder against each other, and constants against their source.

use super::encoder::PatchEncoder;
use super::predict::Target;
use super::{Decoder, Level, PatchSettings, memory_bytes, transform};
use crate::coding::rate::{Ask, Trial};
use crate::coding::{PictureIn, Shape, Weights};
use crate::units::Rect;

struct Dice(u64);

impl Dice {
    fn roll(&mut self, sides: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) % sides
    }
}

/// A few pictures: noise, flat parts and moved parts of the last one.
fn picture(dice: &mut Dice, last: &[u8], w: usize, h: usize) -> Vec<u8> {
    let kind = dice.roll(4);
    let (dx, dy) = (dice.roll(9) as i64 - 4, dice.roll(9) as i64 - 4);
    let flat = [
        dice.roll(256) as u8,
        dice.roll(256) as u8,
        dice.roll(256) as u8,
    ];
    let swing = 1 + dice.roll(200);
    let mut rgb = Vec::with_capacity(w * h * 3);
    for y in 0..h as i64 {
        for x in 0..w as i64 {
            let sx = (x + dx).clamp(0, w as i64 - 1) as usize;
            let sy = (y + dy).clamp(0, h as i64 - 1) as usize;
            for c in 0..3 {
                let old = last[(sy * w + sx) * 3 + c];
                rgb.push(match kind {
                    0 => old,
                    1 => old.wrapping_add(dice.roll(6) as u8),
                    2 => flat[c].saturating_add(dice.roll(swing) as u8),
                    _ => flat[c].saturating_add((x * 3 + y * 5) as u8),
                });
            }
        }
    }
    rgb
}

/// Ten thousand streams of random settings: the decoder's planes are the
/// encoder's, bit for bit, after every picture.
#[test]
fn ten_thousand_random_streams_agree() {
    let mut dice = Dice(20_250_314);
    for stream in 0..10_000 {
        let level = if dice.roll(2) == 0 {
            Level::Light
        } else {
            Level::Full
        };
        let (w, h) = match stream % 100 {
            0 => (1 + dice.roll(80) as u16, 1 + dice.roll(80) as u16),
            _ => (1 + dice.roll(20) as u16, 1 + dice.roll(20) as u16),
        };
        let mut coder = PatchEncoder::new(PatchSettings {
            width: w,
            height: h,
            shape: if dice.roll(4) == 0 {
                Shape::Ellipse
            } else {
                Shape::Rectangle
            },
            level,
            search: dice.roll(4) as u8,
            dither: dice.roll(2) == 0,
            weights: Weights {
                bus: 0.0,
                instruction: 0.0,
            },
        })
        .unwrap();
        let mut memory = vec![0; memory_bytes(w, h)];
        let mut decoder = Decoder::new(w, h, level, &mut memory).unwrap();
        let n = usize::from(w) * usize::from(h);
        let pixels = vec![0; n];
        let mut rgb = vec![90; 3 * n];
        for number in 0..3 {
            rgb = picture(&mut dice, &rgb, w.into(), h.into());
            let input = PictureIn {
                width: w,
                height: h,
                rgb: &rgb,
                pixels: &pixels,
                unchanged: false,
            };
            let ask = Ask {
                quality: dice.roll(110) as f32,
                macroblocks: if dice.roll(8) == 0 { 1 } else { usize::MAX },
            };
            let key = number == 0 || dice.roll(6) == 0;
            let coded = coder.attempt(&input, key, ask).unwrap();
            coder.accept();
            decoder
                .decode(&coded.bytes)
                .unwrap_or_else(|e| panic!("stream {stream}: {e}"));
            assert!(
                coder.planes() == decoder.planes(),
                "stream {stream} picture {number}"
            );
            assert_eq!(decoder.changed().bus_bytes(), coded.bus_bytes);
            assert_eq!(decoder.instructions(), coded.instructions);
        }
    }
}

/// The inverse transform against the cosine transform it stands for (the
/// type-II cosine transform's formula): within a level for any spectrum of
/// natural size.
#[test]
fn the_transform_is_a_cosine_transform() {
    let mut dice = Dice(7);
    for _ in 0..200 {
        let mut c = [0i16; 64];
        for _ in 0..1 + dice.roll(12) {
            c[dice.roll(64) as usize] = dice.roll(4000) as i16 - 2000;
        }
        let sum = c.iter().map(|v| u32::from(v.unsigned_abs())).sum();
        let mut plane = [128u8; 64];
        let mut expected = [0f64; 64];
        for (i, e) in expected.iter_mut().enumerate() {
            let (x, y) = ((i % 8) as f64, (i / 8) as f64);
            for (k, &v) in c.iter().enumerate() {
                let (u, w) = (k % 8, k / 8);
                let norm = |k: usize| if k == 0 { 0.125f64.sqrt() } else { 0.5 };
                let wave = |k: usize, t: f64| {
                    norm(k) * ((2.0 * t + 1.0) * k as f64 * std::f64::consts::PI / 16.0).cos()
                };
                *e += f64::from(v) / 16.0 * wave(u, x) * wave(w, y);
            }
        }
        transform::add8(
            &mut c,
            63,
            sum,
            &mut Target {
                plane: &mut plane,
                stride: 8,
                x: 0,
                y: 0,
            },
        );
        for (p, e) in plane.iter().zip(expected) {
            let want = (128.0 + e).clamp(0.0, 255.0);
            assert!((f64::from(*p) - want).abs() < 2.5, "{p} against {want}");
        }
        assert_eq!(c, [0; 64]);
    }
}

/// Flat colours average back within two thirds of an 8-bit level, and over
/// all levels within an eighth: whole offsets cannot do better.
#[test]
fn dither_is_nearly_neutral() {
    use super::tables::dither;
    use crate::coding::{five, six};
    let mut sums = [0.0; 2];
    for v in 0..=255i16 {
        let mut means = [0.0; 2];
        for i in 0..64 {
            let (d5, d6) = dither(i % 8, i / 8);
            means[0] += f64::from(five((v + d5).clamp(0, 255) as u16)) * 255.0 / 31.0 / 64.0;
            means[1] += f64::from(six((v + d6).clamp(0, 255) as u16)) * 255.0 / 63.0 / 64.0;
        }
        for (sum, mean) in sums.iter_mut().zip(means) {
            let error = mean - f64::from(v);
            assert!(error.abs() < 0.67, "{v}: {error}");
            *sum += error / 256.0;
        }
    }
    assert!(sums.iter().all(|s| s.abs() < 0.125), "{sums:?}");
}

/// Any part of a picture, painted or row by row, is that part of the whole.
#[test]
fn parts_are_painted_as_the_whole() {
    let (w, h) = (45u16, 29u16);
    let n = usize::from(w) * usize::from(h);
    let mut dice = Dice(11);
    let mut coder = PatchEncoder::new(PatchSettings {
        width: w,
        height: h,
        shape: Shape::Rectangle,
        level: Level::Full,
        search: 1,
        dither: true,
        weights: Weights::default(),
    })
    .unwrap();
    let input = PictureIn {
        width: w,
        height: h,
        rgb: &(0..3 * n).map(|_| dice.roll(256) as u8).collect::<Vec<_>>(),
        pixels: &vec![0; n],
        unchanged: false,
    };
    let ask = Ask {
        quality: 60.0,
        macroblocks: usize::MAX,
    };
    let coded = coder.attempt(&input, true, ask).unwrap();
    let mut decoder = Decoder::owned(w, h, Level::Full).unwrap();
    decoder.decode(&coded.bytes).unwrap();
    let mut whole = vec![0u16; n];
    let all = Rect { x: 0, y: 0, w, h };
    decoder.paint(all, &mut whole, w.into());
    for _ in 0..500 {
        let (x, y) = (dice.roll(45) as u16, dice.roll(29) as u16);
        let (w, h) = (dice.roll(60) as u16, dice.roll(40) as u16);
        let pitch = usize::from(w) + dice.roll(9) as usize;
        let mut out = vec![7; usize::from(h) * pitch];
        decoder.paint(Rect { x, y, w, h }, &mut out, pitch);
        let mut row = vec![7; w.into()];
        decoder.row(x.into(), y.into(), &mut row);
        for (i, &pixel) in out.iter().enumerate() {
            let (at, line) = (i % pitch, i / pitch);
            let (px, py) = (usize::from(x) + at, usize::from(y) + line);
            let inside = at < w.into() && px < 45 && py < 29;
            let want = if inside { whole[py * 45 + px] } else { 7 };
            assert_eq!(pixel, want, "{x},{y} {w}x{h}: {at},{line}");
            if line == 0 && inside {
                assert_eq!(row[at], want);
            }
        }
    }
}
