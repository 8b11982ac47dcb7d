//! Second-order filters (R. Bristow-Johnson, "Audio EQ Cookbook"; the
//! formulas from memory, checked against an independent library by a test).

use std::f64::consts::{FRAC_1_SQRT_2, PI, TAU};

/// Coefficients, normalised so that a0 is 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Coefficients {
    /// Numerator b0, b1, b2.
    pub b: [f64; 3],
    /// Denominator a1, a2.
    pub a: [f64; 2],
}

/// Sine, cosine and alpha of the cookbook.
fn terms(hz: f64, q: f64, rate: f64) -> (f64, f64) {
    let (sin, cos) = (TAU * hz / rate).sin_cos();
    (cos, sin / (2.0 * q))
}

fn normalised(b: [f64; 3], a: [f64; 3]) -> Coefficients {
    Coefficients {
        b: b.map(|x| x / a[0]),
        a: [a[1] / a[0], a[2] / a[0]],
    }
}

impl Coefficients {
    /// High-pass with resonance `hz` and quality `q`.
    #[must_use]
    pub fn high_pass(hz: f64, q: f64, rate: f64) -> Self {
        let (cos, alpha) = terms(hz, q, rate);
        let b = (1.0 + cos) / 2.0;
        normalised([b, -2.0 * b, b], [1.0 + alpha, -2.0 * cos, 1.0 - alpha])
    }

    /// Low-pass with resonance `hz` and quality `q`.
    #[must_use]
    pub fn low_pass(hz: f64, q: f64, rate: f64) -> Self {
        let (cos, alpha) = terms(hz, q, rate);
        let b = (1.0 - cos) / 2.0;
        normalised([b, 2.0 * b, b], [1.0 + alpha, -2.0 * cos, 1.0 - alpha])
    }

    /// First-order high-pass at `hz` (bilinear transform).
    #[must_use]
    pub fn high_pass_first_order(hz: f64, rate: f64) -> Self {
        let k = (PI * hz / rate).tan();
        normalised([1.0, -1.0, 0.0], [1.0 + k, k - 1.0, 0.0])
    }

    /// High shelf: `db` above `hz`, half of it at `hz`, slope 1.
    #[must_use]
    pub fn high_shelf(hz: f64, db: f64, rate: f64) -> Self {
        let (cos, alpha) = terms(hz, FRAC_1_SQRT_2, rate);
        let a = 10f64.powf(db / 40.0);
        let root = 2.0 * a.sqrt() * alpha;
        let (up, down) = (a + 1.0, a - 1.0);
        normalised(
            [
                a * (up + down * cos + root),
                -2.0 * a * (down + up * cos),
                a * (up + down * cos - root),
            ],
            [
                up - down * cos + root,
                2.0 * (down - up * cos),
                up - down * cos - root,
            ],
        )
    }

    /// Magnitude at `hz`, dB.
    #[must_use]
    pub fn response_db(&self, hz: f64, rate: f64) -> f64 {
        let (s1, c1) = (-TAU * hz / rate).sin_cos();
        let (s2, c2) = (-2.0 * TAU * hz / rate).sin_cos();
        let norm = |k0: f64, k1: f64, k2: f64| (k0 + k1 * c1 + k2 * c2).hypot(k1 * s1 + k2 * s2);
        let [b0, b1, b2] = self.b;
        20.0 * (norm(b0, b1, b2) / norm(1.0, self.a[0], self.a[1])).log10()
    }
}

/// Quality factors of the second-order sections of a Butterworth filter of even
/// `order`: 1 / (2 cos of each pole's angle).
pub fn butterworth_qs(order: u32) -> impl Iterator<Item = f64> {
    let step = PI / f64::from(2 * order);
    (0..order / 2).map(move |k| 1.0 / (2.0 * (step * f64::from(2 * k + 1 + order % 2)).cos()))
}

/// A running filter: coefficients and state (transposed direct form II).
#[derive(Debug, Clone, Copy)]
pub struct Biquad {
    coefficients: Coefficients,
    state: [f64; 2],
}

impl Biquad {
    /// A filter at rest.
    #[must_use]
    pub const fn new(coefficients: Coefficients) -> Self {
        Self {
            coefficients,
            state: [0.0; 2],
        }
    }

    /// Filters one sample.
    pub fn push(&mut self, x: f64) -> f64 {
        let Coefficients { b, a } = self.coefficients;
        let y = b[0] * x + self.state[0];
        self.state[0] = b[1] * x - a[0] * y + self.state[1];
        self.state[1] = b[2] * x - a[1] * y;
        y
    }
}
