//! The sound of a reel as the supply sees it: how its power is spread, and its
//! worst moments.

/// Classes of the samples' magnitude.
const CLASSES: usize = 1024;
/// Magnitudes in one class.
const WIDTH: usize = 32_768 / CLASSES;
/// Times over which the power is smoothed to find the worst moments, seconds:
/// no capacitor, a small one, a large one.
const SMOOTHING: [f64; 3] = [0.0, 1e-3, 10e-3];
/// Of each moment, so many smoothing times before it are kept and this long at
/// the least, so that a capacitor forgets where it began; and this long after
/// it, seconds.
const BEFORE: f64 = 3.5;
const LEAST_BEFORE: f64 = 12e-3;
const AFTER: f64 = 2.5e-3;

/// Samples of one class: how many, and the sum of their squares (full scale 1).
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Class {
    count: u64,
    square: f64,
}

/// A short piece of sound around one of the worst moments.
#[derive(Clone, Debug, PartialEq)]
pub struct Excerpt {
    /// Samples per second.
    pub rate: u32,
    /// The samples.
    pub samples: Vec<i16>,
    /// Which of them is the moment itself.
    pub loudest: usize,
    /// When that moment is, seconds from the start of the sound.
    pub at_seconds: f64,
}

/// Sound as a load.
#[derive(Clone, Debug, PartialEq)]
pub struct Programme {
    /// It was taken from real samples, not assumed.
    pub measured: bool,
    classes: Vec<Class>,
    count: u64,
    excerpts: Vec<Excerpt>,
}

impl Programme {
    /// Silence: the amplifier draws what it draws at rest.
    #[must_use]
    pub fn silent() -> Self {
        Self {
            measured: true,
            classes: Vec::new(),
            count: 0,
            excerpts: vec![Excerpt {
                rate: 8000,
                samples: vec![0; 64],
                loudest: 32,
                at_seconds: 0.0,
            }],
        }
    }

    /// A film mix that is not known: `mean_db` below a full-scale sine in the
    /// mean, its loudest moment a 100 Hz tone that peaks at `peak_dbfs`.
    #[must_use]
    pub fn assumed(mean_db: f64, peak_dbfs: f64) -> Self {
        const RATE: u32 = 24_000;
        let tone = |dbfs: f64| -> Vec<i16> {
            let peak = 32_767.0 * 10f64.powf(dbfs / 20.0);
            let at = |i: u32| {
                let phase = std::f64::consts::TAU * 100.0 * f64::from(i) / f64::from(RATE);
                (peak * phase.sin()).round() as i16
            };
            (0..RATE / 10).map(at).collect()
        };
        let mut loud = ProgrammeMeter::new(RATE);
        loud.push(&tone(peak_dbfs));
        let mut mean = ProgrammeMeter::new(RATE);
        mean.push(&tone(mean_db.min(0.0)));
        Self {
            measured: false,
            excerpts: loud.finish().excerpts,
            ..mean.finish()
        }
    }

    /// The film mix that stands for a reel which is not made yet.
    #[must_use]
    pub fn typical() -> Self {
        Self::assumed(-18.0, -1.0)
    }

    /// Mean square of the output in volts², of a full scale of `full_scale_v`
    /// that is clipped at `swing_v`.
    #[must_use]
    pub fn mean_square(&self, full_scale_v: f64, swing_v: f64) -> f64 {
        let class = |(i, class): (usize, &Class)| {
            let top = (i * WIDTH) as f64 / 32_768.0 * full_scale_v;
            if top >= swing_v {
                class.count as f64 * swing_v * swing_v
            } else {
                class.square * full_scale_v * full_scale_v
            }
        };
        let sum: f64 = self.classes.iter().enumerate().map(class).sum();
        sum / self.count.max(1) as f64
    }

    /// The worst moments.
    #[must_use]
    pub fn excerpts(&self) -> &[Excerpt] {
        &self.excerpts
    }
}

impl Default for Programme {
    fn default() -> Self {
        Self::typical()
    }
}

/// Reads samples into a [`Programme`]; its memory does not grow.
#[derive(Clone, Debug)]
pub struct ProgrammeMeter {
    rate: u32,
    classes: Vec<Class>,
    count: u64,
    /// The last samples, as a ring.
    last: Vec<i16>,
    seekers: Vec<Seeker>,
}

/// Looks for the moment of highest power under one smoothing.
#[derive(Clone, Debug)]
struct Seeker {
    share: f64,
    before: usize,
    level: f64,
    highest: f64,
    /// Samples since the moment, while they are still waited for.
    waiting: Option<usize>,
    found: Option<Excerpt>,
}

impl ProgrammeMeter {
    /// A meter for samples at `rate` Hz.
    #[must_use]
    pub fn new(rate: u32) -> Self {
        let hertz = f64::from(rate);
        let seeker = |tau: f64| Seeker {
            share: if tau > 0.0 {
                1.0 - (-1.0 / (tau * hertz)).exp()
            } else {
                1.0
            },
            before: ((BEFORE * tau).max(LEAST_BEFORE) * hertz) as usize,
            level: 0.0,
            highest: -1.0,
            waiting: None,
            found: None,
        };
        let seekers: Vec<Seeker> = SMOOTHING.into_iter().map(seeker).collect();
        let longest = seekers.iter().map(|s| s.before).max().unwrap_or(0);
        Self {
            rate,
            classes: vec![Class::default(); CLASSES + 1],
            count: 0,
            last: vec![0; longest + (AFTER * hertz) as usize + 1],
            seekers,
        }
    }

    /// Takes samples.
    pub fn push(&mut self, samples: &[i16]) {
        let after = (AFTER * f64::from(self.rate)) as usize;
        let length = self.last.len() as u64;
        for &sample in samples {
            let unit = f64::from(sample) / 32_768.0;
            let square = unit * unit;
            let class = &mut self.classes[usize::from(sample.unsigned_abs()) / WIDTH];
            class.count += 1;
            class.square += square;
            self.last[(self.count % length) as usize] = sample;
            self.count += 1;
            for seeker in &mut self.seekers {
                if seeker.take(square, after) {
                    seeker.keep(&self.last, self.count, after, self.rate);
                }
            }
        }
    }

    /// What was heard.
    #[must_use]
    pub fn finish(mut self) -> Programme {
        for seeker in &mut self.seekers {
            if let Some(since) = seeker.waiting {
                seeker.keep(&self.last, self.count, since, self.rate);
            }
        }
        let mut excerpts: Vec<Excerpt> = Vec::new();
        for found in self.seekers.into_iter().filter_map(|s| s.found) {
            if !excerpts.contains(&found) {
                excerpts.push(found);
            }
        }
        if excerpts.is_empty() {
            return Programme::silent();
        }
        Programme {
            measured: true,
            classes: self.classes,
            count: self.count,
            excerpts,
        }
    }
}

impl Seeker {
    /// Follows one sample's power; true once a moment is whole.
    fn take(&mut self, square: f64, after: usize) -> bool {
        self.level += self.share * (square - self.level);
        if self.level > self.highest {
            self.highest = self.level;
            self.waiting = Some(0);
            return false;
        }
        match &mut self.waiting {
            Some(since) => {
                *since += 1;
                *since >= after
            }
            None => false,
        }
    }

    /// Keeps the moment that lies `since` samples before the end.
    fn keep(&mut self, last: &[i16], count: u64, since: usize, rate: u32) {
        let known = count.min(last.len() as u64) as usize;
        let length = (self.before + since + 1).min(known);
        let first = count - length as u64;
        let at = |i: u64| last[(i % last.len() as u64) as usize];
        let samples: Vec<i16> = (first..count).map(at).collect();
        let loudest = length.saturating_sub(since + 1);
        self.found = Some(Excerpt {
            rate,
            at_seconds: (first + loudest as u64) as f64 / f64::from(rate),
            samples,
            loudest,
        });
        self.waiting = None;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noise(count: usize) -> Vec<i16> {
        let mut state = 1u64;
        let mut next = || {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1);
            (state >> 49) as i16 - 16_384
        };
        (0..count).map(|_| next()).collect()
    }

    /// The mean of squares, clipped or not, against every sample's own.
    #[test]
    fn the_spread_gives_every_clipped_mean() {
        let samples = noise(50_000);
        let mut meter = ProgrammeMeter::new(16_000);
        samples.chunks(777).for_each(|c| meter.push(c));
        let programme = meter.finish();
        for (full, swing) in [(5.0, 100.0), (5.0, 1.0), (12.0, 3.0), (9.0, 0.2)] {
            let each = |&s: &i16| {
                (f64::from(s) / 32_768.0 * full)
                    .clamp(-swing, swing)
                    .powi(2)
            };
            let mean = samples.iter().map(each).sum::<f64>() / samples.len() as f64;
            let found = programme.mean_square(full, swing);
            assert!((found / mean - 1.0).abs() < 2e-3, "{found} for {mean}");
        }
    }

    /// A lone click is the worst for no capacitor, a long loud tone for a
    /// large one.
    #[test]
    fn worst_moments_differ_by_capacitor() {
        let rate = 16_000;
        let mut samples = vec![0i16; 32_000];
        samples[5_000] = i16::MIN;
        for (i, s) in samples[20_000..24_000].iter_mut().enumerate() {
            *s = if i % 80 < 40 { 16_000 } else { -16_000 };
        }
        let mut meter = ProgrammeMeter::new(rate);
        samples.chunks(500).for_each(|c| meter.push(c));
        let programme = meter.finish();
        let times: Vec<f64> = programme.excerpts().iter().map(|e| e.at_seconds).collect();
        assert!((times[0] - 5_000.0 / 16_000.0).abs() < 1e-9, "{times:?}");
        assert!((1.28..1.5).contains(times.last().unwrap()), "{times:?}");
        let click = &programme.excerpts()[0];
        assert_eq!(click.samples[click.loudest], i16::MIN);
        assert!(click.samples.len() > 60);
    }
}
