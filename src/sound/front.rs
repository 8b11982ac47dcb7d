//! First half of the sound path: frames to filtered mono at the reel's rate.

use super::downmix::Mixer;
use super::error::SoundError;
use super::layout::Layout;
use super::plan::SoundPlan;
use super::resample::Resampler;
use super::shape::{OffsetBlock, Shaper};

/// Mixes, takes the offset out, resamples and shapes, in pieces of any size.
pub(super) struct Front {
    channels: usize,
    mixer: Mixer,
    offset: OffsetBlock,
    resampler: Resampler,
    shaper: Shaper,
    mono: Vec<f32>,
}

impl Front {
    pub(super) fn new(rate: u32, layout: &Layout, plan: &SoundPlan) -> Result<Self, SoundError> {
        plan.check()?;
        if layout.count() == 0 {
            return Err(SoundError::NoChannels);
        }
        Ok(Self {
            channels: layout.count(),
            mixer: Mixer::new(layout, plan.downmix),
            offset: OffsetBlock::new(f64::from(rate)),
            resampler: Resampler::new(rate, plan.rate)?,
            shaper: Shaper::new(
                f64::from(plan.rate),
                plan.high_pass,
                plan.bass,
                plan.high_shelf,
            ),
            mono: Vec::new(),
        })
    }

    /// Replaces `out` by what is ready after these whole frames.
    pub(super) fn push(&mut self, frames: &[f32], out: &mut Vec<f32>) -> Result<(), SoundError> {
        if !frames.len().is_multiple_of(self.channels) {
            return Err(SoundError::Frames {
                samples: frames.len(),
                channels: self.channels,
            });
        }
        self.mono.clear();
        self.mixer.mix(frames, &mut self.mono);
        self.offset.run(&mut self.mono);
        out.clear();
        self.resampler.push(&self.mono, out)?;
        self.shaper.run(out);
        Ok(())
    }

    /// Replaces `out` by the rest.
    pub(super) fn finish(&mut self, out: &mut Vec<f32>) -> Result<(), SoundError> {
        out.clear();
        self.resampler.finish(out)?;
        self.shaper.run(out);
        Ok(())
    }
}
