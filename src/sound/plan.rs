//! Plan of the sound stage.

use serde::{Deserialize, Serialize};

use super::block::SoundCoding;
use super::compress::DynamicRange;
use super::downmix::Downmix;
use super::error::{SoundError, in_range};
use super::shape::{HighPass, HighShelf, VirtualBass};

/// Lowest sample rate of a reel, Hz.
pub const RATE_MIN: u32 = 8_000;
/// Highest sample rate of a reel, Hz.
pub const RATE_MAX: u32 = 48_000;

/// A plan for the sound of one reel. The default changes nothing but rate and
/// channels, except that no true peak passes -1 dBTP: a tone keeps its level.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SoundPlan {
    /// Samples per second of the reel, 8000..=48000 Hz.
    pub rate: u32,
    /// How samples are stored.
    pub coding: SoundCoding,
    /// How the channels become one.
    pub downmix: Downmix,
    /// Integrated loudness that the mono sound is brought to, LUFS (-40..=-5);
    /// `None` leaves it. Costs a first pass over the sound, a second one when
    /// limits or compression act.
    pub loudness: Option<f64>,
    /// Highest true peak, dBTP (-20..=0).
    pub ceiling: f64,
    /// Taken out below the speaker's resonance.
    pub high_pass: Option<HighPass>,
    /// Harmonics in place of the bass that the speaker cannot move.
    pub bass: Option<VirtualBass>,
    /// Presence lifted or lowered.
    pub high_shelf: Option<HighShelf>,
    /// Less range between soft and loud. Without a loudness target the mono
    /// sound's own loudness is the target.
    pub dynamic_range: DynamicRange,
    /// Highest mean level, dB against a full-scale sine (-40..=0), over 0.4 s:
    /// what the driver's rated power allows at the amplifier's gain.
    pub driver_ceiling: Option<f64>,
}

impl Default for SoundPlan {
    fn default() -> Self {
        Self {
            rate: 24_000,
            coding: SoundCoding::Pcm16,
            downmix: Downmix::Sum,
            loudness: None,
            ceiling: -1.0,
            high_pass: None,
            bass: None,
            high_shelf: None,
            dynamic_range: DynamicRange::Full,
            driver_ceiling: None,
        }
    }
}

impl SoundPlan {
    /// Checks every value.
    ///
    /// # Errors
    /// [`SoundError::Range`] naming the first value that is out of range.
    pub fn check(&self) -> Result<(), SoundError> {
        let rate = f64::from(self.rate);
        let rates = (f64::from(RATE_MIN), f64::from(RATE_MAX));
        in_range("the sound rate", rate, rates, "Hz")?;
        in_range("the ceiling", self.ceiling, (-20.0, 0.0), "dBTP")?;
        if let Some(target) = self.loudness {
            in_range("the loudness target", target, (-40.0, -5.0), "LUFS")?;
        }
        if let Some(level) = self.driver_ceiling {
            in_range("the driver's ceiling", level, (-40.0, 0.0), "dB")?;
        }
        self.high_pass.map_or(Ok(()), |h| h.check(rate))?;
        self.bass.map_or(Ok(()), |b| b.check(rate))?;
        self.high_shelf.map_or(Ok(()), |t| t.check(rate))
    }

    /// What is done besides rate and coding, step by step in its order, in words
    /// with units.
    #[must_use]
    pub fn steps(&self) -> Vec<String> {
        let all = [
            Some(format!("{} to mono", self.downmix.words())),
            self.bass.map(|b| {
                let (hz, db) = (b.hz, b.level_db);
                format!("bass below {hz:.0} Hz replaced by harmonics at {db:+.1} dB")
            }),
            self.high_pass.map(|h| {
                let (hz, order, q) = (h.hz, h.order, h.q);
                format!("high-pass {hz:.0} Hz, order {order}, Q {q:.2}")
            }),
            self.high_shelf
                .map(|t| format!("high shelf {:+.1} dB above {:.0} Hz", t.db, t.hz)),
            self.loudness.map(|l| format!("loudness target {l:.1} LUFS")),
            self.dynamic_range.words().map(str::to_owned),
            self.driver_ceiling.map(|db| {
                format!("mean over 0.4 s at most {db:.1} dB of a full-scale sine (the speaker's rated power)")
            }),
            Some(format!("true peak at most {:.1} dBTP", self.ceiling)),
        ];
        all.into_iter().flatten().collect()
    }

    /// Whether a first pass with [`super::SoundMeter`] is needed.
    #[must_use]
    pub fn needs_measuring(&self) -> bool {
        self.loudness.is_some() || self.dynamic_range != DynamicRange::Full
    }
}
