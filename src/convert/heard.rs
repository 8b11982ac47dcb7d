//! The sound behind its coding, where it is heard: level, true peak, noise.

use crate::sound::{Layout, Loudness, LoudnessMeter, SoundCoding, decode_block};

/// Measures every block as a player decodes it.
pub(super) struct Ear {
    coding: SoundCoding,
    meter: LoudnessMeter,
    /// Sum of the squared differences to what went in, full scale 1.
    noise: f64,
    count: u64,
}

/// What was measured behind the coding.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Heard {
    /// Loudness and true peak of the decoded sound.
    pub(super) loudness: Loudness,
    /// Noise that the coding adds, root mean square in dBFS; none where it adds
    /// nothing.
    pub(super) noise_dbfs: Option<f64>,
}

impl Ear {
    /// For blocks of `coding` at `rate` Hz; none if no meter takes that rate.
    pub(super) fn new(coding: SoundCoding, rate: u32) -> Option<Self> {
        Some(Self {
            coding,
            meter: LoudnessMeter::new(rate, &Layout::mono()).ok()?,
            noise: 0.0,
            count: 0,
        })
    }

    /// Takes what went into a block, and the block.
    pub(super) fn hear(&mut self, samples: &[i16], block: &[u8]) {
        let mut decoded = vec![0; samples.len()];
        if decode_block(self.coding, block, &mut decoded).is_err() {
            return;
        }
        let unit = |s: &i16| f32::from(*s) / 32_768.0;
        let pairs = samples.iter().zip(&decoded);
        let differ = |(a, b): (&i16, &i16)| f64::from(unit(a) - unit(b)).powi(2);
        self.noise += pairs.map(differ).sum::<f64>();
        self.count += samples.len() as u64;
        let frames: Vec<f32> = decoded.iter().map(unit).collect();
        // A meter that took the rate takes every block.
        let _ = self.meter.push(&frames);
    }

    /// What was heard; none of nothing.
    pub(super) fn finish(&self) -> Option<Heard> {
        let loudness = self.meter.loudness().ok().filter(|_| self.count > 0)?;
        let mean = self.noise / self.count as f64;
        Some(Heard {
            loudness,
            noise_dbfs: (mean > 0.0).then(|| 10.0 * mean.log10()),
        })
    }
}
