//! What a sound hides: the masking threshold of ITU-R BS.1387-1 ("Method for
//! objective measurements of perceived audio quality", annex 2, the ear model
//! on Fourier transforms): weighting of outer and middle ear, Bark bands,
//! internal noise, spreading over bands and time, masking offset.
//!
//! The formulas are from memory. Ours: half-Bark bands in both uses, frames of
//! the power of two nearest to 43 ms (so that rates from 8 to 48 kHz work), the
//! weighting held below 90 Hz, and noise taken from the difference of the
//! samples, not of the magnitudes: the codings here keep the phase.

use std::f64::consts::TAU;
use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};

/// Width of a band, Bark.
const BAND: f64 = 0.5;
/// Lowest and highest frequency judged, Hz.
const RANGE: (f64, f64) = (80.0, 18_000.0);
/// Level of a full-scale sine, dB SPL, where nobody states it.
const FULL_SCALE: f64 = 92.0;
/// Exponent under which the excitations of bands add up.
const ADDING: f64 = 0.4;

fn bark(hz: f64) -> f64 {
    7.0 * (hz / 650.0).asinh()
}

fn hertz(bark: f64) -> f64 {
    650.0 * (bark / 7.0).sinh()
}

fn power(db: f64) -> f64 {
    10f64.powf(db / 10.0)
}

/// Weighting of outer and middle ear, as a power.
fn outer_ear(hz: f64) -> f64 {
    let k = hz.max(90.0) / 1000.0;
    power(-2.184 * k.powf(-0.8) + 6.5 * (-0.6 * (k - 3.3).powi(2)).exp() - 1e-3 * k.powf(3.6))
}

/// One band of the ear.
#[derive(Debug, Clone)]
struct Band {
    /// Edges, in bins of the transform.
    edges: (f64, f64),
    /// Its centre, Hz.
    hz: f64,
    /// Internal noise, as a power.
    noise: f64,
    /// What the threshold is of the excitation.
    offset: f64,
    /// What is left of the excitation after one hop.
    keep: f64,
}

/// The ear at one sample rate.
pub(super) struct Hearing {
    frame: usize,
    transform: Arc<dyn RealToComplex<f32>>,
    window: Vec<f32>,
    /// By bin: the ear's weighting and the level of full scale.
    weight: Vec<f64>,
    bands: Vec<Band>,
    /// By band: makes the spreading of even excitation even.
    level: Vec<f64>,
    /// Excitation in the frames before.
    past: Vec<f64>,
    input: Vec<f32>,
    bins: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
    excitation: Vec<f64>,
    spread: Vec<f64>,
}

impl Hearing {
    pub(super) fn new(rate: u32) -> Self {
        let rate = f64::from(rate);
        let frame = 1 << (rate * 2048.0 / 48_000.0).log2().round() as u32;
        let bin = rate / frame as f64;
        let hop = frame as f64 / 2.0 / rate;
        let (low, high) = (bark(RANGE.0), bark(RANGE.1.min(rate / 2.0)));
        let bands: Vec<Band> = (0..((high - low) / BAND).ceil() as usize)
            .map(|i| {
                let from = low + BAND * i as f64;
                let to = (from + BAND).min(high);
                let hz = hertz(f64::midpoint(from, to));
                let above = f64::midpoint(from, to) - low;
                let seconds = 0.008 + 100.0 / hz * (0.030 - 0.008);
                Band {
                    edges: (hertz(from) / bin, hertz(to) / bin),
                    hz,
                    noise: power(1.456 * (hz / 1000.0).powf(-0.8)),
                    offset: power(-if above <= 12.0 { 3.0 } else { 0.25 * above }),
                    keep: (-hop / seconds).exp(),
                }
            })
            .collect();
        let transform = RealFftPlanner::new().plan_fft_forward(frame);
        // A sine fills three bins of a Hann window's transform: together one and a half
        // times the middle one, which is a quarter of the frame high.
        let full = power(FULL_SCALE) / (1.5 * (frame as f64 / 4.0).powi(2));
        let mut hearing = Self {
            frame,
            window: (0..frame)
                .map(|i| (0.5 - 0.5 * (TAU * (i as f64 + 0.5) / frame as f64).cos()) as f32)
                .collect(),
            weight: (0..=frame / 2)
                .map(|k| full * outer_ear(k as f64 * bin))
                .collect(),
            level: vec![1.0; bands.len()],
            past: vec![0.0; bands.len()],
            input: transform.make_input_vec(),
            bins: transform.make_output_vec(),
            scratch: transform.make_scratch_vec(),
            excitation: vec![1.0; bands.len()],
            spread: vec![0.0; bands.len()],
            transform,
            bands,
        };
        hearing.spread();
        hearing.level = hearing.spread.iter().map(|s| 1.0 / s).collect();
        hearing
    }

    /// Samples of a frame; the next one begins half of it later.
    pub(super) fn frame(&self) -> usize {
        self.frame
    }

    /// Number of bands.
    pub(super) fn bands(&self) -> usize {
        self.bands.len()
    }

    /// By band, its edges in parts of the whole range, 0 to half the rate; the
    /// first reaches down to 0, the last up to the end.
    pub(super) fn edges(&self) -> impl Iterator<Item = (f64, f64)> {
        let (half, last) = (self.frame as f64 / 2.0, self.bands.len() - 1);
        self.bands.iter().enumerate().map(move |(i, band)| {
            let low = if i == 0 { 0.0 } else { band.edges.0 / half };
            let high = if i == last { 1.0 } else { band.edges.1 / half };
            (low, high)
        })
    }

    /// Forgets the frames before.
    pub(super) fn rest(&mut self) {
        self.past.fill(0.0);
    }

    /// Power in each band of one frame, full scale 1, as the inner ear gets it.
    pub(super) fn power(&mut self, samples: impl Iterator<Item = f32>, out: &mut Vec<f64>) {
        for ((input, sample), window) in self.input.iter_mut().zip(samples).zip(&self.window) {
            *input = sample * window;
        }
        let (input, bins) = (&mut self.input, &mut self.bins);
        // The buffers are the transform's own, so that it cannot fail.
        let _ = self
            .transform
            .process_with_scratch(input, bins, &mut self.scratch);
        out.clear();
        out.extend(self.bands.iter().map(|band| {
            let (low, high) = band.edges;
            let bins = (low + 0.5) as usize..=((high + 0.5) as usize).min(self.frame / 2);
            bins.map(|k| {
                let share = (k as f64 + 0.5).min(high) - (k as f64 - 0.5).max(low);
                share.max(0.0) * f64::from(self.bins[k].norm_sqr()) * self.weight[k]
            })
            .sum::<f64>()
        }));
    }

    /// The threshold in each band under one frame that follows the one before.
    pub(super) fn mask(&mut self, samples: impl Iterator<Item = f32>, out: &mut Vec<f64>) {
        let mut excitation = std::mem::take(&mut self.excitation);
        self.power(samples, &mut excitation);
        self.excitation = excitation;
        for (power, band) in self.excitation.iter_mut().zip(&self.bands) {
            *power += band.noise;
        }
        self.spread();
        out.clear();
        for ((spread, past), band) in self.spread.iter().zip(&mut self.past).zip(&self.bands) {
            *past = band.keep * *past + (1.0 - band.keep) * spread;
            out.push(past.max(*spread) * band.offset);
        }
    }

    /// Spreads the excitation: 27 dB per Bark downwards, upwards the less steeply
    /// the louder.
    fn spread(&mut self) {
        self.spread.fill(0.0);
        let down = power(-27.0 * BAND * ADDING);
        for (i, (excitation, band)) in self.excitation.iter().zip(&self.bands).enumerate() {
            let slope = -24.0 - 230.0 / band.hz + 2.0 * excitation.log10();
            let up = power(slope.min(-1.0) * BAND * ADDING);
            let mut part = excitation.powf(ADDING);
            self.spread[i] += part;
            for above in &mut self.spread[i + 1..] {
                part *= up;
                *above += part;
            }
        }
        let mut below = 0.0;
        for (spread, excitation) in self.spread.iter_mut().zip(&self.excitation).rev() {
            *spread += below;
            below = (below + excitation.powf(ADDING)) * down;
        }
        for (spread, level) in self.spread.iter_mut().zip(&self.level) {
            *spread = spread.powf(1.0 / ADDING) * level;
        }
    }

    /// What noise of the threshold's height has in each band, as a density before
    /// the ear's weighting.
    pub(super) fn density(&self, mask: &[f64], out: &mut Vec<f64>) {
        out.clear();
        out.extend(mask.iter().zip(&self.bands).map(|(mask, band)| {
            let (low, high) = band.edges;
            mask / ((high - low) * outer_ear(band.hz))
        }));
    }
}

/// Mean of noise to mask over the bands.
pub(super) fn noise_to_mask(noise: &[f64], mask: &[f64]) -> f64 {
    let sum: f64 = noise.iter().zip(mask).map(|(n, m)| n / m).sum();
    sum / mask.len() as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tone(hearing: &Hearing, rate: f64, hz: f64, db: f64) -> Vec<f32> {
        let amplitude = 10f64.powf(db / 20.0);
        (0..hearing.frame)
            .map(|i| (amplitude * (TAU * hz * i as f64 / rate).sin()) as f32)
            .collect()
    }

    #[test]
    fn bark_and_ear_have_their_published_values() {
        // Critical bands of E. Zwicker's table (1961; from memory): 1 Bark ends at
        // 100 Hz, 8 at 920, 14 at 2320, 18 at 4400. The formula is M. R. Schroeder's (1979).
        for (hz, z) in [(100.0, 1.0), (920.0, 8.0), (2320.0, 14.0), (4400.0, 18.0)] {
            assert!((bark(hz) - z).abs() < 0.4, "{hz} Hz: {} Bark", bark(hz));
            assert!((hertz(bark(hz)) - hz).abs() < 1e-6);
        }
        // The ear is best between 2 and 5 kHz (ISO 226: lowest threshold at 3.15 to 4 kHz).
        let best = (1..180).map(|i| f64::from(i) * 100.0);
        let best = best.max_by(|a, b| outer_ear(*a).total_cmp(&outer_ear(*b)));
        assert!((2500.0..4500.0).contains(&best.unwrap()), "{best:?}");
    }

    #[test]
    fn a_tone_of_full_scale_has_the_stated_level() {
        for rate in [8_000, 24_000, 48_000] {
            let mut hearing = Hearing::new(rate);
            let (mut bands, wave) = (vec![], tone(&hearing, rate.into(), 1000.0, 0.0));
            hearing.power(wave.into_iter(), &mut bands);
            let level = 10.0 * (bands.iter().sum::<f64>() / outer_ear(1000.0)).log10();
            assert!((level - FULL_SCALE).abs() < 0.3, "{rate}: {level} dB");
        }
    }

    #[test]
    fn a_tone_hides_more_above_than_below_and_more_when_loud() {
        let mut hearing = Hearing::new(48_000);
        let mut at = |db: f64| {
            let wave = tone(&hearing, 48_000.0, 1000.0, db);
            let mut mask = vec![];
            hearing.rest();
            hearing.mask(wave.into_iter(), &mut mask);
            let band = |hz: f64| ((bark(hz) - bark(RANGE.0)) / BAND) as usize;
            [700.0, 1000.0, 1500.0].map(|hz| 10.0 * mask[band(hz)].log10() - db)
        };
        let (loud, soft) = (at(-10.0), at(-40.0));
        println!("{loud:?} {soft:?}");
        assert!(loud[1] > loud[2] && loud[2] > loud[0] + 10.0);
        // Its own band: 3 dB under the excitation.
        assert!((loud[1] - soft[1]).abs() < 1.0);
        assert!(loud[2] > soft[2] + 5.0, "steeper when soft");
    }
}
