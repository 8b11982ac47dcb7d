//! The whole sound path of one reel, from decoded frames to 16-bit mono.

use super::error::SoundError;
use super::front::Front;
use super::layout::Layout;
use super::level::{Gain, Limits};
use super::limit::{LimiterWork, PeakMeter};
use super::loudness::{Loudness, LoudnessMeter};
use super::meter::Measured;
use super::phase::{PhaseLoss, PhaseMeter};
use super::plan::SoundPlan;

/// Turns interleaved frames into the reel's samples, in pieces of any size.
pub struct SoundStage {
    front: Front,
    gain: Gain,
    limits: Limits,
    phase: Option<PhaseMeter>,
    after: LoudnessMeter,
    peak: PeakMeter,
    measured: Measured,
    shaped: Vec<f32>,
    limited: Vec<f32>,
}

/// What was done to the sound.
#[derive(Debug, Clone, PartialEq)]
pub struct SoundReport {
    /// Loudness of the shaped mono sound before any gain, when it was measured.
    pub before: Option<Loudness>,
    /// Gain towards the target, with the compressor's make-up, dB.
    pub gain_db: f64,
    /// Whether the target was within reach; true without a target.
    pub reached: bool,
    /// What the true-peak limiter did.
    pub peak: LimiterWork,
    /// What the driver's power limit did, if there is one.
    pub power: Option<LimiterWork>,
    /// What the sum to mono loses; `None` for sound without two sides.
    pub phase: Option<PhaseLoss>,
    /// Loudness of the samples that were given out. The true peak is the larger
    /// of what two 4x interpolators see: a hair above what one meter shows.
    pub after: Loudness,
}

impl SoundStage {
    /// A stage for sound at `rate` Hz in this layout; `measured` is what
    /// [`super::SoundMeter`] found, if the plan needed it.
    ///
    /// # Errors
    /// When the plan is out of range or the layout is empty.
    pub fn new(
        rate: u32,
        layout: &Layout,
        plan: &SoundPlan,
        measured: Option<Measured>,
    ) -> Result<Self, SoundError> {
        let measured = measured.unwrap_or_default();
        Ok(Self {
            front: Front::new(rate, layout, plan)?,
            gain: Gain::new(plan, measured.gain_db, measured.target(plan)),
            limits: Limits::new(plan, measured.makeup_db),
            phase: PhaseMeter::new(rate, layout),
            after: LoudnessMeter::without_true_peak(plan.rate)?,
            peak: PeakMeter::new(),
            measured,
            shaped: Vec::new(),
            limited: Vec::new(),
        })
    }

    /// Takes whole interleaved frames and appends the samples that are ready.
    ///
    /// # Errors
    /// [`SoundError::Frames`] when `frames` does not hold whole frames.
    pub fn push(&mut self, frames: &[f32], out: &mut Vec<i16>) -> Result<(), SoundError> {
        self.front.push(frames, &mut self.shaped)?;
        if let Some(phase) = &mut self.phase {
            phase.push(frames);
        }
        self.limited.clear();
        self.level();
        self.give(out)
    }

    /// Appends what is still under way; the total is then the source's length
    /// at the reel's rate, to the nearest sample.
    ///
    /// # Errors
    /// Only when a library fails.
    pub fn finish(&mut self, out: &mut Vec<i16>) -> Result<(), SoundError> {
        self.front.finish(&mut self.shaped)?;
        self.limited.clear();
        self.level();
        self.limits.finish(&mut self.limited);
        self.give(out)
    }

    /// What was done; complete after [`SoundStage::finish`].
    ///
    /// # Errors
    /// When the loudness library cannot give its figures.
    pub fn report(&mut self) -> Result<SoundReport, SoundError> {
        Ok(SoundReport {
            before: self.measured.before,
            gain_db: self.measured.gain_db + self.measured.makeup_db,
            reached: self.measured.reached,
            peak: self.limits.peak_work(),
            power: self.limits.power_work(),
            phase: self.phase.as_mut().map(PhaseMeter::loss),
            after: Loudness {
                true_peak: 20.0 * self.peak.peak().log10(),
                ..self.after.loudness()?
            },
        })
    }

    fn level(&mut self) {
        self.gain.run(&mut self.shaped);
        self.limits.push(&self.shaped, &mut self.limited);
    }

    fn give(&mut self, out: &mut Vec<i16>) -> Result<(), SoundError> {
        let start = out.len();
        out.extend(self.limited.iter().map(|&s| to_i16(s)));
        let unit = |&s: &i16| f32::from(s) / 32_768.0;
        self.limited.clear();
        self.limited.extend(out[start..].iter().map(unit));
        self.peak.push(&self.limited);
        self.after.push(&self.limited)
    }
}

/// Full scale 1.0 to 16 bits. Plain rounding: its error, at -98 dBFS, lies far
/// below the noise of any decoded film and of any small amplifier.
fn to_i16(sample: f32) -> i16 {
    (sample * 32_768.0).round().clamp(-32_768.0, 32_767.0) as i16
}
