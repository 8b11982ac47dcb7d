//! 16 to 8 bits with dither and noise shaping.
//!
//! The noise of a quantiser with error feedback has the spectrum of a
//! prediction-error filter. The one that makes the *weighted* noise least is
//! the predictor of the weight's own spectrum (S. P. Lipshitz, J. Vanderkooy,
//! R. A. Wannamaker, "Minimally Audible Noise Shaping", 1991); the weight here
//! is the noise weighting of ITU-R BS.468-4.

use std::f64::consts::TAU;

/// Taps of the error feedback.
const ORDER: usize = 4;
/// Added to the weight everywhere (-13 dB, the weight at 1 kHz being 0): bounds
/// how much noise is added where the ear is dull. Ours.
const FLOOR: f64 = 0.05;
/// So many silent samples end the dither, so that silence is silent.
const BLANK: u32 = 64;

/// A quantiser to unsigned 8 bits with triangular dither.
#[derive(Debug, Clone)]
pub(super) struct Shaped8 {
    taps: [f64; ORDER],
    errors: [f64; ORDER],
    noise: u64,
    silent: u32,
    range: (f64, f64),
}

impl Shaped8 {
    pub(super) fn new(rate: u32) -> Self {
        Self {
            taps: taps(f64::from(rate)),
            errors: [0.0; ORDER],
            noise: 0x9E37_79B9_7F4A_7C15,
            silent: BLANK,
            range: (0.0, 255.0),
        }
    }

    /// Keeps within `most` steps of the middle.
    pub(super) fn below(&mut self, most: i32) {
        let most = f64::from(most);
        self.range = ((128.0 - most).max(0.0), (128.0 + most).min(255.0));
    }

    pub(super) fn push(&mut self, sample: i16) -> u8 {
        self.silent = if sample == 0 {
            self.silent.saturating_add(1)
        } else {
            0
        };
        if self.silent >= BLANK {
            self.errors = [0.0; ORDER];
            return 128;
        }
        let fed: f64 = self.taps.iter().zip(&self.errors).map(|(t, e)| t * e).sum();
        let wanted = f64::from(sample) / 256.0 + 128.0 + fed;
        let dither = self.uniform() - self.uniform();
        let given = (wanted + dither).round().clamp(self.range.0, self.range.1);
        self.errors.rotate_right(1);
        // At full scale the error is not the quantiser's and must not build up.
        self.errors[0] = (given - wanted).clamp(-2.0, 2.0);
        given as u8
    }

    /// Uniform in 0..1 (xorshift, G. Marsaglia, 2003); the same in every run.
    fn uniform(&mut self) -> f64 {
        self.noise ^= self.noise << 13;
        self.noise ^= self.noise >> 7;
        self.noise ^= self.noise << 17;
        (self.noise >> 11) as f64 / (1u64 << 53) as f64
    }
}

/// Feedback taps for a rate: the predictor of the weight's spectrum, by the
/// Levinson-Durbin recursion on its autocorrelation.
fn taps(rate: f64) -> [f64; ORDER] {
    const STEPS: usize = 2048;
    let mut correlation = [0.0; ORDER + 1];
    for i in 0..STEPS {
        let turn = (i as f64 + 0.5) / (2 * STEPS) as f64;
        let weight = noise_weight(turn * rate) + FLOOR;
        for (lag, r) in correlation.iter_mut().enumerate() {
            *r += weight * (TAU * turn * lag as f64).cos();
        }
    }
    predictor(&correlation)
}

fn predictor(r: &[f64; ORDER + 1]) -> [f64; ORDER] {
    let mut a = [0.0; ORDER];
    let mut error = r[0];
    for n in 0..ORDER {
        let sum: f64 = (0..n).map(|k| a[k] * r[n - k]).sum();
        let reflection = -(r[n + 1] + sum) / error;
        let before = a;
        for k in 0..n {
            a[k] = before[k] + reflection * before[n - 1 - k];
        }
        a[n] = reflection;
        error *= 1.0 - reflection * reflection;
    }
    a
}

/// Power of the noise weighting of ITU-R BS.468-4, 1 at 1 kHz: the network's
/// transfer function as a quotient of polynomials (from memory, checked against
/// the recommendation's table).
fn noise_weight(hz: f64) -> f64 {
    let f2 = hz * hz;
    let even = ((-4.737_338_981_378_384e-24 * f2 + 2.043_828_333_606_125e-15) * f2
        - 1.363_894_795_463_638e-7)
        * f2
        + 1.0;
    let odd = ((1.306_612_257_412_824e-19 * f2 - 2.118_150_887_518_656e-11) * f2
        + 5.559_488_023_498_642e-4)
        * hz;
    let gain = 8.1736 * 1.246_332_637_532_143e-4 * hz / even.hypot(odd);
    gain * gain
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_weight_has_its_published_values() {
        // ITU-R BS.468-4, table 1, dB.
        let table = [
            (31.5, -29.9),
            (100.0, -19.8),
            (1000.0, 0.0),
            (6300.0, 12.2),
            (16_000.0, -11.7),
            (20_000.0, -22.2),
        ];
        for (hz, db) in table {
            let found = 10.0 * noise_weight(hz).log10();
            assert!((found - db).abs() < 0.1, "{hz}: {found}");
        }
    }

    #[test]
    fn the_predictor_whitens_a_known_process() {
        // x = 0.9 x' + e has autocorrelation 0.9^k: one tap, the rest zero.
        let r = std::array::from_fn(|k| 0.9f64.powi(k as i32));
        let a = predictor(&r);
        assert!((a[0] + 0.9).abs() < 1e-12 && a[1..].iter().all(|x| x.abs() < 1e-12));
    }
}
