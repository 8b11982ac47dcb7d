//! Moving pictures made from a seed: a textured ground that drifts, a boat, a
//! beam of light, grain, and cuts.

use thumbreel::coding::patch::Level;
use thumbreel::coding::{
    ByteOrder, Coding, EncoderPlan, Limits, PanelDecoder, PanelSettings, PictureIn, Shape, Weights,
    nearest_565,
};
use thumbreel::units::Ratio;

/// A small deterministic generator (xorshift, Marsaglia 2003).
pub struct Dice(pub u64);

impl Dice {
    pub fn roll(&mut self, sides: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) % sides
    }
}

pub struct Picture {
    pub rgb: Vec<u8>,
    pub pixels: Vec<u16>,
}

impl Picture {
    pub fn input(&self, width: u16, height: u16) -> PictureIn<'_> {
        PictureIn {
            width,
            height,
            rgb: &self.rgb,
            pixels: &self.pixels,
            unchanged: false,
        }
    }
}

/// Picture `n` of a scene; another `cut` is another scene, `grain` the swing
/// of its noise in levels.
pub fn picture(width: u16, height: u16, n: u32, cut: u32, grain: u32) -> Picture {
    let mut dice = Dice(0x9E37_79B9 + u64::from(n) * 7919 + u64::from(cut));
    let drift = f64::from(n) * (1.3 + f64::from(cut % 3));
    let mut rgb = Vec::new();
    for y in 0..height {
        for x in 0..width {
            let (fx, fy) = (f64::from(x) + drift, f64::from(y) + drift * 0.4);
            let wave = (fx * (0.11 + 0.07 * f64::from(cut % 4))).sin() * (fy * 0.17).cos();
            let boat = (f64::from(x) - 2.0 * f64::from(n) % f64::from(width)).abs() < 9.0
                && (f64::from(y) - f64::from(height) * 0.6).abs() < 5.0;
            let base = if boat { 220.0 } else { 110.0 + 70.0 * wave };
            let noise = dice.roll(u64::from(grain) + 1) as f64 - f64::from(grain) / 2.0;
            for tint in [1.0, 0.9, 0.7 + 0.1 * f64::from(cut % 5)] {
                rgb.push((base * tint + noise).clamp(0.0, 255.0) as u8);
            }
        }
    }
    let pixels = rgb
        .chunks(3)
        .map(|c| nearest_565(c[0], c[1], c[2]))
        .collect();
    Picture { rgb, pixels }
}

pub fn plan(width: u16, height: u16, coding: Coding) -> EncoderPlan {
    EncoderPlan {
        width,
        height,
        shape: Shape::Rectangle,
        order: ByteOrder::HighFirst,
        rate: Ratio::new(24, 1).unwrap(),
        coding,
        level: Level::Full,
        quality: 60,
        search: 2,
        dither: false,
        limits: Limits::default(),
        weights: Weights::default(),
    }
}

pub fn panel(plan: &EncoderPlan, tables: &[u8]) -> PanelDecoder {
    PanelDecoder::new(PanelSettings {
        width: plan.width,
        height: plan.height,
        shape: plan.shape,
        order: plan.order,
        level: plan.level,
        jpeg_tables: tables.to_vec(),
    })
    .unwrap()
}

/// PSNR in dB of panel pixels against 8-bit colours: 10 lg(255^2 / MSE).
pub fn psnr(rgb: &[u8], pixels: &[u16]) -> f64 {
    let mut sum = 0.0;
    for (c, &p) in rgb.chunks(3).zip(pixels) {
        for (a, b) in c.iter().zip(thumbreel::coding::expand_565(p)) {
            sum += (f64::from(*a) - f64::from(b)).powi(2);
        }
    }
    10.0 * (255.0f64.powi(2) / (sum / rgb.len() as f64)).log10()
}
