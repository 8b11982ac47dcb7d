//! Test signals and measures, in plain formulas.

use std::f64::consts::TAU;

use thumbreel::sound::{Layout, SoundPlan, SoundStage};

/// A sine of `amplitude` (full scale 1) at `hz`, starting at `phase` degrees.
pub fn tone(rate: u32, hz: f64, amplitude: f64, phase: f64, samples: usize) -> Vec<f32> {
    let turn = |i: usize| TAU * (hz * i as f64 / f64::from(rate) + phase / 360.0);
    (0..samples)
        .map(|i| (amplitude * turn(i).sin()) as f32)
        .collect()
}

/// Interleaves the same samples into `channels` channels.
pub fn in_all(samples: &[f32], channels: usize) -> Vec<f32> {
    samples
        .iter()
        .flat_map(|&s| std::iter::repeat_n(s, channels))
        .collect()
}

/// dB of an amplitude ratio.
pub fn db(ratio: f64) -> f64 {
    20.0 * ratio.log10()
}

/// Amplitude of the best-fitting sine at `hz` (least squares over sine, cosine).
pub fn amplitude_at(samples: &[f64], rate: u32, hz: f64) -> f64 {
    let (mut s, mut c) = (0.0, 0.0);
    for (i, x) in samples.iter().enumerate() {
        let (sin, cos) = (TAU * hz * i as f64 / f64::from(rate)).sin_cos();
        s += x * sin;
        c += x * cos;
    }
    2.0 * s.hypot(c) / samples.len() as f64
}

/// Samples of a stage as full scale 1.
pub fn unit(samples: &[i16]) -> Vec<f64> {
    samples.iter().map(|&s| f64::from(s) / 32_768.0).collect()
}

/// Root mean square.
pub fn rms(samples: &[f64]) -> f64 {
    (samples.iter().map(|x| x * x).sum::<f64>() / samples.len() as f64).sqrt()
}

/// Runs the whole stage over `frames` in pieces of uneven size.
pub fn run(rate: u32, layout: &Layout, plan: &SoundPlan, frames: &[f32]) -> Vec<i16> {
    let mut stage = SoundStage::new(rate, layout, plan, None).expect("a valid plan");
    let mut out = Vec::new();
    let mut rest = frames;
    for size in [1, 1000, 37, 4096, 1024].into_iter().cycle() {
        if rest.is_empty() {
            break;
        }
        let (piece, later) = rest.split_at((size * layout.count()).min(rest.len()));
        stage.push(piece, &mut out).expect("whole frames");
        rest = later;
    }
    stage.finish(&mut out).expect("the end");
    out
}
