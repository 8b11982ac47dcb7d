//! What the sound stage is asked to do.

use super::block::SoundCoding;
use super::downmix::Downmix;
use super::error::{SoundError, in_range};

/// Lowest sample rate of a reel, Hz.
pub const RATE_MIN: u32 = 8_000;
/// Highest sample rate of a reel, Hz.
pub const RATE_MAX: u32 = 48_000;

/// A plan for the sound of one reel. The default changes nothing but rate and
/// channels: a tone keeps its level.
#[derive(Debug, Clone, PartialEq)]
pub struct SoundPlan {
    /// Samples a second of the reel, 8000..=48000 Hz.
    pub rate: u32,
    /// How samples are stored.
    pub coding: SoundCoding,
    /// How the channels become one.
    pub downmix: Downmix,
}

impl Default for SoundPlan {
    fn default() -> Self {
        Self {
            rate: 22_050,
            coding: SoundCoding::Pcm16,
            downmix: Downmix::Sum,
        }
    }
}

impl SoundPlan {
    /// Checks every value.
    ///
    /// # Errors
    /// [`SoundError::Range`] naming the first value that is out of range.
    pub fn check(&self) -> Result<(), SoundError> {
        let rates = (f64::from(RATE_MIN), f64::from(RATE_MAX));
        in_range("the sound rate", f64::from(self.rate), rates, "Hz")
    }
}

/// What a first pass over the sound found, for the second.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Measured {
    /// Gain that brings the sound to the plan's loudness, dB.
    pub gain_db: f64,
}
