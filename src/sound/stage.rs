//! The whole sound path of one reel, from decoded frames to 16-bit mono.

use super::downmix::Mixer;
use super::error::SoundError;
use super::layout::Layout;
use super::plan::{Measured, SoundPlan};
use super::resample::Resampler;

/// Turns interleaved frames into the reel's samples, in pieces of any size.
pub struct SoundStage {
    channels: usize,
    mixer: Mixer,
    resampler: Resampler,
    gain: f32,
    mono: Vec<f32>,
    resampled: Vec<f32>,
}

impl SoundStage {
    /// A stage for sound at `rate` Hz in this layout; `measured` is what the
    /// first pass found, if the plan needed one.
    ///
    /// # Errors
    /// When the plan is out of range or the layout is empty.
    pub fn new(
        rate: u32,
        layout: &Layout,
        plan: &SoundPlan,
        measured: Option<Measured>,
    ) -> Result<Self, SoundError> {
        plan.check()?;
        if layout.count() == 0 {
            return Err(SoundError::NoChannels);
        }
        Ok(Self {
            channels: layout.count(),
            mixer: Mixer::new(layout, plan.downmix),
            resampler: Resampler::new(rate, plan.rate)?,
            gain: 10f64.powf(measured.unwrap_or_default().gain_db / 20.0) as f32,
            mono: Vec::new(),
            resampled: Vec::new(),
        })
    }

    /// Takes whole interleaved frames and appends the samples that are ready.
    ///
    /// # Errors
    /// [`SoundError::Frames`] when `frames` does not hold whole frames.
    pub fn push(&mut self, frames: &[f32], out: &mut Vec<i16>) -> Result<(), SoundError> {
        if !frames.len().is_multiple_of(self.channels) {
            return Err(SoundError::Frames {
                samples: frames.len(),
                channels: self.channels,
            });
        }
        self.mono.clear();
        self.mixer.mix(frames, &mut self.mono);
        self.resampled.clear();
        self.resampler.push(&self.mono, &mut self.resampled)?;
        out.extend(self.resampled.iter().map(|&s| to_i16(s * self.gain)));
        Ok(())
    }

    /// Appends what is still under way; the total is then the source's length
    /// at the reel's rate, to the nearest sample.
    ///
    /// # Errors
    /// Only when the resampling library fails.
    pub fn finish(&mut self, out: &mut Vec<i16>) -> Result<(), SoundError> {
        self.resampled.clear();
        self.resampler.finish(&mut self.resampled)?;
        out.extend(self.resampled.iter().map(|&s| to_i16(s * self.gain)));
        Ok(())
    }
}

/// Full scale 1.0 to 16 bits. Plain rounding: its error, at -98 dBFS, lies far
/// below the noise of any decoded film and of any small amplifier.
fn to_i16(sample: f32) -> i16 {
    (sample * 32_768.0).round().clamp(-32_768.0, 32_767.0) as i16
}
