//! Filters for a small speaker: high-pass, virtual bass, high shelf.

use serde::{Deserialize, Serialize};

use std::f64::consts::{FRAC_1_SQRT_2, TAU};

use super::biquad::{Biquad, Coefficients, butterworth_qs};
use super::error::{SoundError, in_range};

/// Removes what is below the speaker's resonance.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct HighPass {
    /// Corner, Hz: the speaker's resonance in its box.
    pub hz: f64,
    /// Order 1..=8, 6 dB per octave each.
    pub order: u32,
    /// Quality factor when the order is 2; other orders are Butterworth.
    pub q: f64,
}

impl HighPass {
    /// Second order, Butterworth, at `hz`.
    #[must_use]
    pub const fn at(hz: f64) -> Self {
        Self {
            hz,
            order: 2,
            q: FRAC_1_SQRT_2,
        }
    }

    /// The filter's sections at `rate` Hz.
    #[must_use]
    pub fn sections(&self, rate: f64) -> Vec<Coefficients> {
        if self.order == 2 {
            return vec![Coefficients::high_pass(self.hz, self.q, rate)];
        }
        let mut sections: Vec<_> = butterworth_qs(self.order)
            .map(|q| Coefficients::high_pass(self.hz, q, rate))
            .collect();
        if self.order % 2 == 1 {
            sections.push(Coefficients::high_pass_first_order(self.hz, rate));
        }
        sections
    }

    pub(super) fn check(&self, rate: f64) -> Result<(), SoundError> {
        in_range("the high-pass", self.hz, (10.0, 0.25 * rate), "Hz")?;
        in_range(
            "the high-pass order",
            f64::from(self.order),
            (1.0, 8.0),
            "(6 dB per octave each)",
        )?;
        in_range("the high-pass Q", self.q, (0.3, 3.0), "")
    }
}

/// Harmonics of the removed bass: the ear hears their common fundamental (the
/// missing fundamental).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct VirtualBass {
    /// Bass below this frequency is replaced, Hz: the speaker's resonance.
    pub hz: f64,
    /// Level of the strongest harmonic relative to its fundamental, dB.
    pub level_db: f64,
}

impl VirtualBass {
    pub(super) fn check(&self, rate: f64) -> Result<(), SoundError> {
        in_range("the virtual bass", self.hz, (40.0, rate / 16.0), "Hz")?;
        in_range(
            "the virtual bass's level",
            self.level_db,
            (-24.0, 12.0),
            "dB",
        )
    }
}

/// A high shelf that lifts or lowers the presence range.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct HighShelf {
    /// Where half of the change is reached, Hz.
    pub hz: f64,
    /// The change far above, dB.
    pub db: f64,
}

impl HighShelf {
    /// Corner of the presence range, Hz (2 to 6 kHz is what makes speech clear:
    /// common practice, no source).
    pub const PRESENCE_HZ: f64 = 2500.0;

    pub(super) fn check(&self, rate: f64) -> Result<(), SoundError> {
        in_range(
            "the high shelf's corner",
            self.hz,
            (100.0, 0.45 * rate),
            "Hz",
        )?;
        in_range("the high shelf", self.db, (-12.0, 12.0), "dB")
    }
}

/// Frequency below which the sound carries nothing but offset, Hz.
const OFFSET_HZ: f64 = 5.0;

/// All shaping in its order: virtual bass, high-pass, high shelf.
#[derive(Debug)]
pub(super) struct Shaper {
    bass: Option<Harmonics>,
    sections: Vec<Biquad>,
}

impl Shaper {
    pub(super) fn new(
        rate: f64,
        high_pass: Option<HighPass>,
        bass: Option<VirtualBass>,
        high_shelf: Option<HighShelf>,
    ) -> Self {
        let mut sections = high_pass.map(|h| h.sections(rate)).unwrap_or_default();
        sections.extend(high_shelf.map(|t| Coefficients::high_shelf(t.hz, t.db, rate)));
        Self {
            bass: bass.map(|b| Harmonics::new(b, rate)),
            sections: sections.into_iter().map(Biquad::new).collect(),
        }
    }

    pub(super) fn run(&mut self, samples: &mut [f32]) {
        for sample in samples {
            let x = f64::from(*sample);
            let harmonics = self.bass.as_mut().map_or(0.0, |b| b.push(x));
            let y = self
                .sections
                .iter_mut()
                .fold(x + harmonics, |y, s| s.push(y));
            *sample = y as f32;
        }
    }
}

/// Takes a constant offset out. It starts from the first sample, so that sound
/// that begins away from zero begins without a step. It stands before the
/// resampler, which would ring on that step.
#[derive(Debug)]
pub(super) struct OffsetBlock {
    keep: f64,
    last: Option<f64>,
    y: f64,
}

impl OffsetBlock {
    pub(super) fn new(rate: f64) -> Self {
        Self {
            keep: (-TAU * OFFSET_HZ / rate).exp(),
            last: None,
            y: 0.0,
        }
    }

    pub(super) fn run(&mut self, samples: &mut [f32]) {
        for sample in samples {
            *sample = self.push(f64::from(*sample)) as f32;
        }
    }

    fn push(&mut self, x: f64) -> f64 {
        let last = self.last.replace(x).unwrap_or(x);
        self.y = x - last + self.keep * self.y;
        // Below any audible step the tail is zero, not a denormal number.
        if self.y.abs() < 1e-9 {
            self.y = 0.0;
        }
        self.y
    }
}

/// Weights of the second, third and fourth harmonic (ours): falling as those of
/// most instruments do.
const HARMONICS: [f64; 3] = [1.0, 0.7, 0.45];

/// Makes harmonics with Chebyshev polynomials of the bass divided by its own
/// envelope: a tone's harmonics have exactly the stated levels, loud or soft.
#[derive(Debug)]
struct Harmonics {
    low: [Biquad; 2],
    high: [Biquad; 2],
    release: f64,
    envelope: f64,
    level: f64,
}

impl Harmonics {
    fn new(bass: VirtualBass, rate: f64) -> Self {
        let filters = |make: fn(f64, f64, f64) -> Coefficients| {
            let mut qs = butterworth_qs(4);
            std::array::from_fn(|_| Biquad::new(make(bass.hz, qs.next().unwrap_or(1.0), rate)))
        };
        Self {
            low: filters(Coefficients::low_pass),
            high: filters(Coefficients::high_pass),
            release: (-1.0 / (0.05 * rate)).exp(),
            envelope: 0.0,
            level: 10f64.powf(bass.level_db / 20.0),
        }
    }

    fn push(&mut self, x: f64) -> f64 {
        let low = self.low.iter_mut().fold(x, |y, f| f.push(y));
        self.envelope = (self.envelope * self.release).max(low.abs());
        let u = low / self.envelope.max(1e-6);
        let (u2, [second, third, fourth]) = (u * u, HARMONICS);
        let harmonics = second * (2.0 * u2 - 1.0)
            + third * u * (4.0 * u2 - 3.0)
            + fourth * (8.0 * u2 * (u2 - 1.0) + 1.0);
        let made = harmonics * self.envelope * self.level;
        self.high.iter_mut().fold(made, |y, f| f.push(y))
    }
}
