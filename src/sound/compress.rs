//! Dynamic range compression, for quiet hours and for noisy rooms.

use serde::{Deserialize, Serialize};

/// Dynamic range of the reel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "program", derive(clap::ValueEnum))]
#[serde(rename_all = "kebab-case")]
pub enum DynamicRange {
    /// Unchanged.
    #[default]
    Full,
    /// For the night: loud passages come down to the level of speech.
    Night,
    /// For a noisy room: everything comes close to one level.
    NoisyRoom,
}

impl DynamicRange {
    /// In words, if there is any.
    pub(super) const fn words(self) -> Option<&'static str> {
        match self {
            Self::Full => None,
            Self::Night => Some("night compression, 2.5:1 from 6 dB below the loudness"),
            Self::NoisyRoom => Some("noisy-room compression, 4:1 from 15 dB below the loudness"),
        }
    }

    /// Threshold against the programme's loudness in dB, and ratio (ours:
    /// chosen by ear-safe arithmetic, no source).
    const fn curve(self) -> Option<(f64, f64)> {
        match self {
            Self::Full => None,
            Self::Night => Some((-6.0, 2.5)),
            Self::NoisyRoom => Some((-15.0, 4.0)),
        }
    }
}

const KNEE_DB: f64 = 6.0;
const ATTACK: f64 = 0.01;
const RELEASE: f64 = 0.25;

/// A feed-forward compressor on the root mean square.
#[derive(Debug)]
pub(super) struct Compressor {
    threshold: f64,
    slope: f64,
    attack: f64,
    release: f64,
    square: f64,
    gain: f64,
    place: u32,
}

/// The gain is computed once per this many samples.
const STRIDE: u32 = 16;

impl Compressor {
    /// `None` when there is nothing to do. `loudness` is what the programme
    /// has on arrival, LUFS.
    pub(super) fn new(kind: DynamicRange, loudness: f64, rate: f64) -> Option<Self> {
        let (threshold, ratio) = kind.curve()?;
        let smooth = |seconds: f64| 1.0 - (-1.0 / (seconds * rate)).exp();
        Some(Self {
            threshold: loudness + threshold,
            slope: 1.0 - 1.0 / ratio,
            attack: smooth(ATTACK),
            release: smooth(RELEASE),
            square: 0.0,
            gain: 1.0,
            place: 0,
        })
    }

    pub(super) fn run(&mut self, samples: &mut [f32]) {
        for sample in samples {
            let square = f64::from(*sample).powi(2);
            let pace = if square > self.square {
                self.attack
            } else {
                self.release
            };
            self.square += (square - self.square) * pace;
            if self.place == 0 {
                self.gain = self.wanted();
            }
            self.place = (self.place + 1) % STRIDE;
            *sample = (f64::from(*sample) * self.gain) as f32;
        }
    }

    fn wanted(&self) -> f64 {
        let level = 10.0 * self.square.max(1e-12).log10();
        10f64.powf(-self.slope * over(level - self.threshold) / 20.0)
    }
}

/// dB above the threshold, with a quadratic knee.
fn over(db: f64) -> f64 {
    if db <= -KNEE_DB / 2.0 {
        0.0
    } else if db < KNEE_DB / 2.0 {
        (db + KNEE_DB / 2.0).powi(2) / (2.0 * KNEE_DB)
    } else {
        db
    }
}
