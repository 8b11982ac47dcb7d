//! How far a coded sound is from what was coded: noise-to-mask ratio and
//! signal-to-noise ratio.

use super::hearing::{Hearing, noise_to_mask};

/// Length over which the worst moment is sought, seconds (ours).
const MOMENT: f64 = 0.25;

/// Takes both sounds, sample for sample.
pub struct SoundJudge {
    hearing: Hearing,
    rate: f64,
    /// Samples not yet passed by the frames, and the errors beside them.
    wanted: Vec<f32>,
    errors: Vec<f32>,
    mask: Vec<f64>,
    noise: Vec<f64>,
    /// Noise to mask of each frame, linear.
    frames: Vec<f32>,
    energy: f64,
    error: f64,
    samples: u64,
}

/// What was found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SoundScore {
    /// Samples judged.
    pub samples: u64,
    /// Signal to noise, dB; infinite for equal sounds.
    pub snr: f64,
    /// Noise to mask (ITU-R BS.1387-1, total NMR), dB; noise below 0 is
    /// hidden, by that model. Minus infinity for equal sounds.
    pub noise_to_mask: f64,
    /// The highest over a quarter of a second, dB.
    pub worst: f64,
    /// When that begins, seconds.
    pub worst_at: f64,
}

impl SoundJudge {
    /// For sound at `rate` samples per second.
    #[must_use]
    pub fn new(rate: u32) -> Self {
        let hearing = Hearing::new(rate);
        // The first frame is centred on the first sample.
        let before = vec![0.0; hearing.frame() / 2];
        Self {
            hearing,
            rate: rate.into(),
            wanted: before.clone(),
            errors: before,
            mask: Vec::new(),
            noise: Vec::new(),
            frames: Vec::new(),
            energy: 0.0,
            error: 0.0,
            samples: 0,
        }
    }

    /// Takes what was wanted and what is heard in its place, as many samples of each.
    pub fn push(&mut self, wanted: &[i16], heard: &[i16]) {
        for (&wanted, &heard) in wanted.iter().zip(heard) {
            let (wanted, heard) = (f64::from(wanted), f64::from(heard));
            self.energy += wanted * wanted;
            self.error += (wanted - heard) * (wanted - heard);
            self.samples += 1;
            self.wanted.push((wanted / 32_768.0) as f32);
            self.errors.push(((wanted - heard) / 32_768.0) as f32);
        }
        self.look();
    }

    fn look(&mut self) {
        let frame = self.hearing.frame();
        let mut at = 0;
        while at + frame <= self.wanted.len() {
            let (wanted, errors) = (&self.wanted[at..], &self.errors[at..]);
            self.hearing.mask(wanted.iter().copied(), &mut self.mask);
            self.hearing.power(errors.iter().copied(), &mut self.noise);
            self.frames
                .push(noise_to_mask(&self.noise, &self.mask) as f32);
            at += frame / 2;
        }
        self.wanted.drain(..at);
        self.errors.drain(..at);
    }

    /// What was found; `None` of nothing.
    #[must_use]
    pub fn finish(mut self) -> Option<SoundScore> {
        if self.samples == 0 {
            return None;
        }
        let frame = self.hearing.frame();
        for side in [&mut self.wanted, &mut self.errors] {
            side.extend(std::iter::repeat_n(0.0, frame / 2));
        }
        self.look();
        let mean = |f: &[f32]| f.iter().map(|&x| f64::from(x)).sum::<f64>() / f.len() as f64;
        let db = |ratio: f64| 10.0 * ratio.log10();
        let hop = frame as f64 / 2.0 / self.rate;
        let length = ((MOMENT / hop).round() as usize).clamp(1, self.frames.len());
        let moments = self.frames.windows(length).map(mean).enumerate();
        let (at, worst) = moments.max_by(|a, b| a.1.total_cmp(&b.1))?;
        Some(SoundScore {
            samples: self.samples,
            snr: match self.error {
                0.0 => f64::INFINITY,
                error => db(self.energy / error),
            },
            noise_to_mask: db(mean(&self.frames)),
            worst: db(worst),
            worst_at: at as f64 * hop,
        })
    }
}
