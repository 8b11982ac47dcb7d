//! Second half of the sound path: gain, compression, limits.

use super::compress::Compressor;
use super::limit::{LimiterWork, PeakLimiter, PowerLimiter};
use super::plan::SoundPlan;

/// Gain, compression and make-up gain: what comes before the limits.
#[derive(Debug)]
pub(super) struct Gain {
    gain: f64,
    compressor: Option<Compressor>,
}

impl Gain {
    /// `gain_db` brings the programme to `loudness` LUFS, where the compressor
    /// expects it.
    pub(super) fn new(plan: &SoundPlan, gain_db: f64, loudness: f64) -> Self {
        let rate = f64::from(plan.rate);
        let compressor = Compressor::new(plan.dynamic_range, loudness, rate);
        Self {
            gain: ratio(gain_db),
            compressor,
        }
    }

    pub(super) fn run(&mut self, samples: &mut [f32]) {
        scale(samples, self.gain);
        if let Some(compressor) = &mut self.compressor {
            compressor.run(samples);
        }
    }
}

/// The limits: mean power for the driver, true peak for the samples.
#[derive(Debug)]
pub(super) struct Limits {
    makeup: f64,
    power: Option<PowerLimiter>,
    peak: PeakLimiter,
    a: Vec<f32>,
    b: Vec<f32>,
}

impl Limits {
    pub(super) fn new(plan: &SoundPlan, makeup_db: f64) -> Self {
        let rate = f64::from(plan.rate);
        // A full-scale sine has a mean square of one half.
        let power = plan
            .driver_ceiling
            .map(|db| PowerLimiter::new(0.5 * ratio(db).powi(2), rate));
        Self {
            makeup: ratio(makeup_db),
            power,
            peak: PeakLimiter::new(ratio(plan.ceiling), rate),
            a: Vec::new(),
            b: Vec::new(),
        }
    }

    pub(super) fn push(&mut self, samples: &[f32], out: &mut Vec<f32>) {
        self.a.clear();
        self.a.extend_from_slice(samples);
        scale(&mut self.a, self.makeup);
        match &mut self.power {
            None => self.peak.push(&self.a, out),
            Some(power) => {
                self.b.clear();
                power.push(&self.a, &mut self.b);
                self.peak.push(&self.b, out);
            }
        }
    }

    pub(super) fn finish(&mut self, out: &mut Vec<f32>) {
        if let Some(power) = &mut self.power {
            self.b.clear();
            power.finish(&mut self.b);
            self.peak.push(&self.b, out);
        }
        self.peak.finish(out);
    }

    pub(super) fn peak_work(&self) -> LimiterWork {
        self.peak.work()
    }

    pub(super) fn power_work(&self) -> Option<LimiterWork> {
        self.power.as_ref().map(PowerLimiter::work)
    }
}

fn scale(samples: &mut [f32], gain: f64) {
    if gain != 1.0 {
        samples
            .iter_mut()
            .for_each(|s| *s = (f64::from(*s) * gain) as f32);
    }
}

/// Amplitude ratio of a level difference in dB.
pub(super) fn ratio(db: f64) -> f64 {
    10f64.powf(db / 20.0)
}
