//! Rate control: constant quality, a target mean, and limits that hold.
//!
//! Every picture is tried at the wanted quality; what breaks a limit is tried
//! again coarser, then smaller, and at last not shown. A picture that cannot
//! be left out (a key picture) and fits no way is an error.

use super::{CodingError, Encoded, PictureEncoder, PictureIn};
use crate::units::Ratio;

/// A leaky bucket: in any span of t seconds at most `rate` x t + `depth`
/// payload bytes are sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "model", derive(serde::Serialize))]
pub struct Bucket {
    /// Drain rate, bytes per second.
    pub rate: u32,
    /// Bytes it holds.
    pub depth: u32,
}

/// What pictures may cost. `None`: as much as they like.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "model", derive(serde::Serialize))]
pub struct Limits {
    /// Aim for the mean of payload bytes per second; not a promise.
    pub mean: Option<u32>,
    /// Payload bytes over any span of time.
    pub link: Option<Bucket>,
    /// Bus bytes of any one picture.
    pub bus: Option<u32>,
    /// Decoder instructions of any one picture, by the encoder's estimate.
    pub instructions: Option<u32>,
}

/// How a picture is to be tried.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Ask {
    /// 1.0..=100.0; below 1 as coarse as the coding can.
    pub quality: f32,
    /// Macroblocks that may change.
    pub macroblocks: usize,
}

/// An encoder that can take a picture back.
pub(crate) trait Trial: Send {
    /// Codes a picture without going on to the next.
    fn attempt(
        &mut self,
        input: &PictureIn<'_>,
        key: bool,
        ask: Ask,
    ) -> Result<Encoded, CodingError>;
    /// Goes on from the last attempt.
    fn accept(&mut self);
    /// The content of the reel's `tables` chunk.
    fn tables(&self) -> &[u8] {
        &[]
    }
}

/// Tries until the limits hold.
const MOST_TRIES: u32 = 12;
/// Pictures over which the bucket is steered to its middle.
const HORIZON: f32 = 24.0;

/// Quality steps that halve the work, roughly: less than one is tried first.
const WORK_HALVING: f32 = 24.0;
/// Quality by which the next picture is tried above what held.
const EASE: f32 = 2.0;
/// Below this quality, parts of a picture stay as they were to save work.
const LEAST_EASED: f32 = 45.0;

/// An encoder under rate control.
pub(crate) struct RateControl<T> {
    trial: T,
    quality: f32,
    limits: Limits,
    /// Seconds a picture.
    period: f32,
    macroblocks: usize,
    /// Bytes in the bucket after the last picture.
    filled: f64,
    /// Bytes that the mean allows but were not used, less those used too many.
    saved: f64,
    /// Bytes of a moved and of a key picture at quality 0, smoothed.
    weight: [Option<f32>; 2],
    /// Quality at which the work of the last moved and key picture was within
    /// its limit, where that limit bound.
    eased: [Option<f32>; 2],
    started: bool,
}

/// Quality steps that halve the bytes: they fall by 2^(1 / 6) a quantiser.
const HALVING: f32 = 6.0 / super::patch::QUANTISERS_A_QUALITY;

impl<T: Trial> RateControl<T> {
    pub(crate) fn new(
        trial: T,
        quality: u8,
        rate: Ratio,
        limits: Limits,
        macroblocks: usize,
    ) -> Result<Self, CodingError> {
        if !(1..=100).contains(&quality) {
            return Err(CodingError::Setting(format!(
                "quality {quality} is outside 1 to 100"
            )));
        }
        Ok(Self {
            trial,
            quality: quality.into(),
            limits,
            period: rate.den as f32 / rate.num as f32,
            macroblocks,
            filled: 0.0,
            saved: 0.0,
            weight: [None; 2],
            eased: [None; 2],
            started: false,
        })
    }

    /// The quality to begin with: as wanted, or less if the mean or the
    /// bucket is likely to suffer.
    fn start(&self, key: bool) -> f32 {
        let Some(weight) = self.weight[usize::from(key)] else {
            return self.quality;
        };
        let fits = |bytes: f32| HALVING * (bytes.max(16.0) / weight).log2();
        let mut quality = self.quality;
        if let Some(mean) = self.limits.mean {
            let spare = self.saved as f32 / (2.0 * HORIZON);
            quality = quality.min(fits(mean as f32 * self.period + spare));
        }
        if let Some(bucket) = self.limits.link {
            let room = 0.6 * bucket.depth as f32 - self.filled as f32;
            let share = if key { 0.5 } else { 1.0 / HORIZON };
            quality = quality.min(fits(bucket.rate as f32 * self.period + room * share));
        }
        // A little above what held last, so that it rises again where it can.
        let eased = self.eased[usize::from(key)].map_or(quality, |eased| eased + EASE);
        quality.min(eased).max(1.0)
    }

    /// Bytes that may be sent now.
    fn room(&self) -> f64 {
        self.limits.link.map_or(f64::INFINITY, |b| {
            f64::from(b.depth) - (self.filled - self.leak(b)).max(0.0)
        })
    }

    fn leak(&self, bucket: Bucket) -> f64 {
        // A little less than promised, so that rounding cannot break it.
        f64::from(bucket.rate) * f64::from(self.period) * 0.999_999
    }

    fn spend(&mut self, picture: &Encoded, quality: f32) {
        let bytes = picture.bytes.len() as f64;
        if let Some(bucket) = self.limits.link {
            self.filled = (self.filled - self.leak(bucket)).max(0.0) + bytes;
        }
        if let Some(mean) = self.limits.mean {
            let second = f64::from(mean);
            self.saved = (self.saved + second * f64::from(self.period) - bytes)
                .clamp(-8.0 * second, 4.0 * second);
        }
        if !picture.unchanged {
            let now = bytes as f32 * (-quality / HALVING).exp2();
            let weight = &mut self.weight[usize::from(picture.key)];
            let share = if picture.key { 0.7 } else { 0.25 };
            *weight = Some(weight.map_or(now, |w| w + share * (now - w)));
        }
    }

    fn within(&self, picture: &Encoded) -> bool {
        picture.bytes.len() as f64 <= self.room()
            && self.limits.bus.is_none_or(|most| picture.bus_bytes <= most)
            && self
                .limits
                .instructions
                .is_none_or(|most| picture.instructions <= most)
    }

    /// How to try again after `picture` broke a limit.
    fn again(&self, picture: &Encoded, ask: Ask) -> Ask {
        let mut ask = ask;
        let over = picture.bytes.len() as f64 / self.room().max(1.0);
        if over > 1.0 {
            ask.quality -= (HALVING * over.log2() as f32 + 2.0).max(3.0);
        }
        let shrink = |n: usize, most: u32, used: u32| {
            let share = f64::from(most) / f64::from(used.max(1)) * 0.97;
            (n as f64 * share) as usize
        };
        if let Some(most) = self.limits.bus
            && picture.bus_bytes > most
        {
            ask.macroblocks = shrink(ask.macroblocks, most, picture.bus_bytes);
        }
        if let Some(most) = self.limits.instructions
            && picture.instructions > most
        {
            let over = f64::from(picture.instructions) / f64::from(most.max(1));
            let floor = (self.quality - 20.0).min(LEAST_EASED);
            let eased = ask.quality - (WORK_HALVING * over.log2() as f32).clamp(1.5, 8.0);
            if eased < floor {
                // Both at once would save far more than is asked.
                ask.macroblocks = shrink(ask.macroblocks, most, picture.instructions);
            }
            ask.quality = eased.max(ask.quality.min(floor));
        }
        ask
    }

    fn search(
        &mut self,
        input: &PictureIn<'_>,
        key: bool,
    ) -> Result<Option<(Encoded, f32)>, CodingError> {
        let mut ask = Ask {
            quality: self.start(key),
            macroblocks: self.macroblocks,
        };
        let mut strained = false;
        for _ in 0..MOST_TRIES {
            let picture = self.trial.attempt(input, key, ask)?;
            if self.within(&picture) {
                self.eased[usize::from(key)] =
                    (strained || self.eased[usize::from(key)].is_some()).then_some(ask.quality);
                return Ok(Some((picture, ask.quality)));
            }
            strained |= self
                .limits
                .instructions
                .is_some_and(|m| picture.instructions > m);
            ask = self.again(&picture, ask);
        }
        let last = Ask {
            quality: -20.0,
            ..ask
        };
        let picture = self.trial.attempt(input, key, last)?;
        Ok(self.within(&picture).then_some((picture, 1.0)))
    }
}

impl<T: Trial> PictureEncoder for RateControl<T> {
    fn encode(&mut self, input: &PictureIn<'_>, key: bool) -> Result<Encoded, CodingError> {
        let key = key || !self.started;
        let found = if input.unchanged && !key {
            None
        } else {
            self.search(input, key)?
        };
        let picture = match found {
            Some((picture, _)) if picture.unchanged => Encoded::unchanged(),
            Some((picture, quality)) => {
                self.trial.accept();
                self.started = true;
                self.spend(&picture, quality);
                return Ok(picture);
            }
            None if key => {
                return Err(CodingError::Limit(format!(
                    "a key picture fits no way into {} bytes within the other limits: allow a deeper \
                     buffer, a higher rate, a smaller size or fewer frames per second",
                    self.room() as u64
                )));
            }
            None => Encoded::unchanged(),
        };
        self.spend(&picture, self.quality);
        Ok(picture)
    }

    fn tables(&self) -> &[u8] {
        self.trial.tables()
    }
}
