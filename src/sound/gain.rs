//! Gain staging: what each amplifier gain and each software volume gives.

use super::error::{SoundError, in_range};

/// dB that one bit is worth.
pub const DB_PER_BIT: f64 = 6.020_599_913_279_624;
/// Rounding noise of 16 bits against a full-scale sine, dB (6.02 n + 1.76).
const NOISE_16: f64 = -(16.0 * DB_PER_BIT + 1.76);

/// A bridged amplifier and its load.
#[derive(Debug, Clone, PartialEq)]
pub struct OutputStage {
    /// Gain settings that the amplifier offers, dB.
    pub gains_db: Vec<f64>,
    /// Output of a full-scale sine at 0 dB gain, dBV.
    pub reference_dbv: f64,
    /// Most power that the amplifier gives, W.
    pub max_w: f64,
    /// Resistance of output switches and wiring together, ohms.
    pub output_ohm: f64,
    /// Noise at the output, A-weighted, microvolts.
    pub noise_uv: f64,
    /// Load, ohms.
    pub load_ohm: f64,
    /// Rated power of the speaker, W.
    pub rated_w: f64,
}

impl OutputStage {
    /// Checks every figure.
    ///
    /// # Errors
    /// [`SoundError::Range`] naming the first that is out of range.
    pub fn check(&self) -> Result<(), SoundError> {
        in_range(
            "the number of gain settings",
            self.gains_db.len() as f64,
            (1.0, 64.0),
            "",
        )?;
        in_range("the load", self.load_ohm, (0.5, 1000.0), "ohms")?;
        in_range(
            "the speaker's rated power",
            self.rated_w,
            (0.001, 1000.0),
            "W",
        )?;
        in_range("the amplifier's power", self.max_w, (0.001, 1000.0), "W")
    }

    /// Volts (root mean square) of a sine of `dbfs` at gain and volume, unclipped.
    #[must_use]
    pub fn volts(&self, gain_db: f64, volume_db: f64, dbfs: f64) -> f64 {
        10f64.powf((self.reference_dbv + gain_db + volume_db + dbfs) / 20.0)
    }

    /// Watts of the same sine in the load, unclipped.
    #[must_use]
    pub fn watts(&self, gain_db: f64, volume_db: f64, dbfs: f64) -> f64 {
        self.volts(gain_db, volume_db, dbfs).powi(2) / self.load_ohm
    }

    /// Largest sine at this supply, volts (root mean square): a bridge swings
    /// by the supply both ways, less what its own resistance takes.
    #[must_use]
    pub fn clip_volts(&self, supply_v: f64) -> f64 {
        let swing = supply_v * self.load_ohm / (self.load_ohm + self.output_ohm);
        let by_power = (self.max_w * self.load_ohm).sqrt();
        (swing / std::f64::consts::SQRT_2).min(by_power)
    }

    /// Power of a sine at clipping, W: Vdd² / 2R for an ideal bridge.
    #[must_use]
    pub fn clip_watts(&self, supply_v: f64) -> f64 {
        self.clip_volts(supply_v).powi(2) / self.load_ohm
    }

    /// Level of a sine at which it clips, dBFS; above 0 it never does.
    #[must_use]
    pub fn clip_dbfs(&self, gain_db: f64, volume_db: f64, supply_v: f64) -> f64 {
        20.0 * (self.clip_volts(supply_v) / self.volts(gain_db, volume_db, 0.0)).log10()
    }

    /// Mean level against a full-scale sine at which the speaker's rated power
    /// is reached, dB; above 0 it never is.
    #[must_use]
    pub fn rated_dbfs(&self, gain_db: f64, volume_db: f64) -> f64 {
        10.0 * (self.rated_w / self.watts(gain_db, volume_db, 0.0)).log10()
    }

    /// Noise at the output at this gain, volts: 16-bit rounding, which software
    /// volume does not lower, and the amplifier's own.
    #[must_use]
    pub fn noise_volts(&self, gain_db: f64) -> f64 {
        let rounding = self.volts(gain_db, 0.0, NOISE_16);
        rounding.hypot(self.noise_uv * 1e-6)
    }

    /// All figures of one pairing.
    #[must_use]
    pub fn pairing(&self, gain_db: f64, volume_db: f64, supplies: &[Supply]) -> Pairing {
        let volts = self.volts(gain_db, volume_db, 0.0);
        let noise = self.noise_volts(gain_db);
        Pairing {
            gain_db,
            volume_db,
            volts,
            watts: volts.powi(2) / self.load_ohm,
            clip_dbfs: supplies
                .iter()
                .map(|s| self.clip_dbfs(gain_db, volume_db, s.volts))
                .collect(),
            rated_dbfs: self.rated_dbfs(gain_db, volume_db),
            bits_lost: (-volume_db).max(0.0) / DB_PER_BIT,
            noise_dbv: 20.0 * noise.log10(),
            range_db: 20.0 * (volts / noise).log10(),
        }
    }

    /// The loudest clean pairing at `supply_v` for sound whose peaks reach
    /// `peak_dbfs` and whose mean level is `mean_dbfs` (against a full-scale
    /// sine). Among equally loud ones the lowest gain wins: it costs no bits
    /// and has least noise.
    #[must_use]
    pub fn best(&self, supply_v: f64, peak_dbfs: f64, mean_dbfs: f64) -> Option<Choice> {
        let clean = |gain: f64| {
            let clip = self.clip_dbfs(gain, 0.0, supply_v) - peak_dbfs;
            let rated = self.rated_dbfs(gain, 0.0) - mean_dbfs;
            let bound = if rated < clip {
                Bound::Rating
            } else {
                Bound::Clipping
            };
            (
                clip.min(rated).min(0.0),
                if clip.min(rated) > 0.0 {
                    Bound::Gain
                } else {
                    bound
                },
            )
        };
        let mut best: Option<Choice> = None;
        for &gain_db in &self.gains_db {
            let (volume_db, bound) = clean(gain_db);
            let louder = best.is_none_or(|b| gain_db + volume_db > b.gain_db + b.volume_db + 0.01);
            if louder {
                best = Some(Choice {
                    gain_db,
                    volume_db,
                    bound,
                });
            }
        }
        best
    }
}

/// A supply and its name.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Supply {
    /// What it is: USB, full cell, nearly empty cell.
    pub name: &'static str,
    /// Volts at the amplifier.
    pub volts: f64,
}

/// What one gain and one software volume give.
#[derive(Debug, Clone, PartialEq)]
pub struct Pairing {
    /// The amplifier's gain, dB.
    pub gain_db: f64,
    /// Software volume, dB (0 or negative).
    pub volume_db: f64,
    /// Full-scale sine, unclipped, volts (root mean square).
    pub volts: f64,
    /// The same in the load, W.
    pub watts: f64,
    /// Level of a sine at which each supply clips, dBFS; above 0 never.
    pub clip_dbfs: Vec<f64>,
    /// Mean level at which the speaker's rating is reached, dB.
    pub rated_dbfs: f64,
    /// Bits of 16 that the volume costs.
    pub bits_lost: f64,
    /// Noise at the output, dBV.
    pub noise_dbv: f64,
    /// Full-scale sine over noise, dB.
    pub range_db: f64,
}

/// What keeps the loudest clean pairing from being louder.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Bound {
    /// The amplifier would clip at its supply.
    Clipping,
    /// The speaker's rated power would be exceeded.
    Rating,
    /// The amplifier has no higher gain.
    Gain,
}

/// The loudest clean pairing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Choice {
    /// The amplifier's gain, dB.
    pub gain_db: f64,
    /// Software volume that goes with it, dB.
    pub volume_db: f64,
    /// What bounds it.
    pub bound: Bound,
}

/// Hours a week that an adult may hear a level (ITU-T H.870: 80 dBA for 40 h,
/// halved for each 3 dB; a child 75): 40 x 10^((80 - L)/10).
#[must_use]
pub fn weekly_hours(level_dba: f64, child: bool) -> f64 {
    let base = if child { 75.0 } else { 80.0 };
    40.0 * 10f64.powf((base - level_dba) / 10.0)
}
