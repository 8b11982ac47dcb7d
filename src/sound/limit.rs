//! Look-ahead limiters of true peak and of mean power, without overshoot.

use std::collections::VecDeque;
use std::f64::consts::PI;

use super::envelope::Envelope;

/// Smoothing of the gain, in seconds; in samples never less than
/// [`SMOOTH_MIN`], which keeps the gain nearly constant under the kernel.
const SMOOTH: f64 = 0.005;
const SMOOTH_MIN: usize = 96;
/// Time constant with which the gain returns, seconds.
const RELEASE: f64 = 0.12;
/// Window over which mean power is taken, seconds: short against the thermal
/// time constant of a small voice coil (a second or more; no source).
pub const POWER_WINDOW: f64 = 0.4;

/// How much a limiter has done.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct LimiterWork {
    /// Largest reduction, dB (0 or positive).
    pub most_db: f64,
    /// Share of all samples that were turned down by more than 0.1 dB, 0..=1.
    pub share: f64,
}

/// Counts a limiter's work.
#[derive(Debug, Default)]
struct Tally {
    least: Option<f64>,
    reduced: u64,
    all: u64,
}

impl Tally {
    fn note(&mut self, gain: f64) {
        self.all += 1;
        if gain < 0.988_553 {
            self.reduced += 1;
        }
        if gain < self.least.unwrap_or(1.0) {
            self.least = Some(gain);
        }
    }

    fn work(&self) -> LimiterWork {
        LimiterWork {
            most_db: -20.0 * self.least.unwrap_or(1.0).max(1e-9).log10(),
            share: self.reduced as f64 / self.all.max(1) as f64,
        }
    }
}

/// Samples on their way through a limiter, with the gain that each one gets.
#[derive(Debug)]
struct Line {
    envelope: Envelope,
    waiting: VecDeque<f32>,
    lag: usize,
    tally: Tally,
}

impl Line {
    /// `lag`: how many samples later than the sample its wanted gain is pushed.
    fn new(envelope: Envelope, lag: usize) -> Self {
        let lag = lag + envelope.delay();
        Self {
            envelope,
            waiting: VecDeque::new(),
            lag,
            tally: Tally::default(),
        }
    }

    fn push(&mut self, sample: Option<f32>, wanted: f64, out: &mut Vec<f32>) {
        let gain = self.envelope.push(wanted);
        self.waiting.extend(sample);
        if self.lag > 0 {
            self.lag -= 1;
        } else if let Some(sample) = self.waiting.pop_front() {
            self.tally.note(gain);
            out.push((f64::from(sample) * gain) as f32);
        }
    }
}

/// Look-ahead limiter of the true peak as seen by 4x oversampling
/// (ITU-R BS.1770-4, annex 2).
#[derive(Debug)]
pub(super) struct PeakLimiter {
    first: PeakStage,
    second: PeakStage,
    between: Vec<f32>,
}

impl PeakLimiter {
    /// A limiter at `ceiling` (full scale 1) for sound at `rate` Hz.
    pub(super) fn new(ceiling: f64, rate: f64) -> Self {
        // 0.06 dB covers what other 4x interpolators see in sound full of
        // energy close to half the rate, and two steps of 16 bits the rounding
        // that follows. The second stage takes the hair's breadth by which a
        // moving gain lets the interpolated peak pass.
        let ceiling = (ceiling * 0.9931 - 2.0 / 32_768.0).max(1e-6);
        Self {
            first: PeakStage::new(ceiling * 0.9995, rate),
            second: PeakStage::new(ceiling, rate),
            between: Vec::new(),
        }
    }

    pub(super) fn push(&mut self, samples: &[f32], out: &mut Vec<f32>) {
        self.between.clear();
        self.first.push(samples, &mut self.between);
        self.second.push(&self.between, out);
    }

    pub(super) fn finish(&mut self, out: &mut Vec<f32>) {
        self.between.clear();
        self.first.finish(&mut self.between);
        self.second.push(&self.between, out);
        self.second.finish(out);
    }

    pub(super) fn work(&self) -> LimiterWork {
        self.first.line.tally.work()
    }
}

#[derive(Debug)]
struct PeakStage {
    ceiling: f64,
    peaks: TruePeak,
    line: Line,
    before: f64,
}

impl PeakStage {
    fn new(ceiling: f64, rate: f64) -> Self {
        let smooth = ((SMOOTH * rate) as usize).max(SMOOTH_MIN);
        let envelope = Envelope::new(1, smooth, RELEASE * rate);
        Self {
            ceiling,
            peaks: TruePeak::new(),
            line: Line::new(envelope, TruePeak::DELAY),
            before: 1.0,
        }
    }

    fn push(&mut self, samples: &[f32], out: &mut Vec<f32>) {
        for &sample in samples {
            self.one(sample, Some(sample), out);
        }
    }

    fn one(&mut self, sample: f32, kept: Option<f32>, out: &mut Vec<f32>) {
        let peak = self
            .peaks
            .push(sample, self.ceiling as f32)
            .map_or(0.0, f64::from);
        let wanted = if peak > self.ceiling {
            self.ceiling / peak
        } else {
            1.0
        };
        // A peak between two samples binds both of them.
        let both = wanted.min(std::mem::replace(&mut self.before, wanted));
        self.line.push(kept, both, out);
    }

    fn finish(&mut self, out: &mut Vec<f32>) {
        while !self.line.waiting.is_empty() {
            self.one(0.0, None, out);
        }
    }
}

/// Finds the true peak of all sound pushed, cheaply: only where the samples
/// could exceed what was found before is there anything to work out.
#[derive(Debug)]
pub(super) struct PeakMeter {
    peaks: TruePeak,
    most: f32,
}

impl PeakMeter {
    pub(super) fn new() -> Self {
        Self {
            peaks: TruePeak::new(),
            most: 0.0,
        }
    }

    pub(super) fn push(&mut self, samples: &[f32]) {
        for &sample in samples {
            let peak = self.peaks.push(sample, self.most).unwrap_or(0.0);
            self.most = self.most.max(peak).max(sample.abs());
        }
    }

    /// The true peak so far, full scale 1, with the silence after the sound.
    pub(super) fn peak(&self) -> f64 {
        let mut end = Self {
            peaks: self.peaks.clone(),
            most: self.most,
        };
        end.push(&[0.0; TAPS]);
        f64::from(end.most)
    }
}

const TAPS: usize = 24;
const PHASES: usize = 4;
const LANES: usize = 2 * PHASES;

/// Largest magnitude between each sample and the next, 4x oversampled by two
/// kernels at once: a Kaiser-windowed sinc of 24 samples, and the short
/// Hann-windowed one of 12 samples that loudness meters use. Close to half the
/// rate they disagree by some tenths of a dB; the larger peak counts.
#[derive(Debug, Clone)]
struct TruePeak {
    kernel: [[f32; LANES]; TAPS],
    /// No peak is more than this many times the largest sample under the kernel.
    bound: f32,
    /// The last samples, twice, so that any window of them is contiguous.
    ring: [f32; 2 * TAPS],
    at: usize,
    quiet: usize,
}

impl TruePeak {
    /// The peak that `push` returns belongs to the interval that starts this
    /// many samples before the pushed one.
    const DELAY: usize = TAPS / 2;

    fn new() -> Self {
        let half = (TAPS / 2) as f64;
        let lane = |k: usize, lane: usize| {
            let x = half - k as f64 - 1.0 + (lane % PHASES) as f64 / PHASES as f64;
            let window = if lane < PHASES {
                kaiser(x / half)
            } else {
                hann(x / (half / 2.0))
            };
            (sinc(x) * window) as f32
        };
        let kernel: [[f32; LANES]; TAPS] =
            std::array::from_fn(|k| std::array::from_fn(|l| lane(k, l)));
        let sum = |l: usize| kernel.iter().map(|tap| tap[l].abs()).sum::<f32>();
        Self {
            kernel,
            bound: (0..LANES).map(sum).fold(0.0, f32::max) * 1.000_1,
            ring: [0.0; 2 * TAPS],
            at: 0,
            quiet: 0,
        }
    }

    /// Takes the next sample; `None` where no peak can exceed `interesting`.
    fn push(&mut self, sample: f32, interesting: f32) -> Option<f32> {
        self.ring[self.at] = sample;
        self.ring[self.at + TAPS] = sample;
        self.at = if self.at + 1 == TAPS { 0 } else { self.at + 1 };
        self.quiet = if sample.abs() * self.bound <= interesting {
            self.quiet + 1
        } else {
            0
        };
        if self.quiet >= TAPS {
            return None;
        }
        let window = &self.ring[self.at..self.at + TAPS];
        let mut sums = [0.0f32; LANES];
        for (tap, x) in self.kernel.iter().zip(window) {
            for (sum, k) in sums.iter_mut().zip(tap) {
                *sum += k * x;
            }
        }
        Some(sums.into_iter().fold(0.0, |peak, s| peak.max(s.abs())))
    }
}

fn sinc(x: f64) -> f64 {
    if x == 0.0 {
        1.0
    } else {
        (PI * x).sin() / (PI * x)
    }
}

/// Kaiser window, beta 6, at `x` of -1..=1.
fn kaiser(x: f64) -> f64 {
    let bessel = |y: f64| {
        let terms = (1..30).scan(1.0, |term, k| {
            *term *= (y / (2.0 * f64::from(k))).powi(2);
            Some(*term)
        });
        1.0 + terms.sum::<f64>()
    };
    bessel(6.0 * (1.0 - x * x).max(0.0).sqrt()) / bessel(6.0)
}

/// Hann window at `x` of -1..=1, zero beyond.
fn hann(x: f64) -> f64 {
    if x.abs() < 1.0 {
        0.5 + 0.5 * (PI * x).cos()
    } else {
        0.0
    }
}

/// Keeps the mean power over [`POWER_WINDOW`] at or below a limit.
#[derive(Debug)]
pub(super) struct PowerLimiter {
    limit: f64,
    window: VecDeque<u64>,
    sum: u64,
    line: Line,
}

/// Squares are counted in these steps, so that the running sum is exact.
const SQUARE: f64 = (1u64 << 40) as f64;

impl PowerLimiter {
    /// A limiter of the mean square `limit` (a full-scale sine has 0.5).
    pub(super) fn new(limit: f64, rate: f64) -> Self {
        let length = (POWER_WINDOW * rate) as usize;
        let smooth = (0.05 * rate) as usize;
        let envelope = Envelope::new(length, smooth, 0.5 * rate);
        Self {
            limit: limit * length as f64 * SQUARE,
            window: VecDeque::from(vec![0; length]),
            sum: 0,
            line: Line::new(envelope, 0),
        }
    }

    pub(super) fn push(&mut self, samples: &[f32], out: &mut Vec<f32>) {
        for &sample in samples {
            self.one(sample, Some(sample), out);
        }
    }

    fn one(&mut self, sample: f32, kept: Option<f32>, out: &mut Vec<f32>) {
        // Sixteen times full scale is more than any later stage lets through.
        let square = (f64::from(sample).powi(2).min(256.0) * SQUARE) as u64;
        self.window.push_back(square);
        self.sum = self.sum + square - self.window.pop_front().unwrap_or(0);
        let sum = self.sum as f64;
        let wanted = if sum > self.limit {
            (self.limit / sum).sqrt()
        } else {
            1.0
        };
        self.line.push(kept, wanted, out);
    }

    pub(super) fn finish(&mut self, out: &mut Vec<f32>) {
        while !self.line.waiting.is_empty() {
            self.one(0.0, None, out);
        }
    }

    pub(super) fn work(&self) -> LimiterWork {
        self.line.tally.work()
    }
}
