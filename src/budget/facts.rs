//! What budget and rehearsal need to know of a reel: sizes and times of its
//! slices and pictures, without their content.

use serde::{Deserialize, Serialize};

use crate::budget::power::Programme;

/// How pictures are coded, as far as costs go.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PictureCoding {
    /// Pixels in wire order.
    Raw,
    /// Baseline JPEG a picture.
    Jpeg,
    /// Our own coding, least work.
    PatchLight,
    /// Our own coding, fewest bytes.
    PatchFull,
}

/// How sound is coded, as far as costs go.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SoundCoding {
    /// No sound.
    None,
    /// 16-bit samples.
    Pcm16,
    /// 8-bit samples.
    Pcm8,
    /// Four bits per sample.
    Adpcm,
}

impl SoundCoding {
    /// Bits that one sample takes.
    #[must_use]
    pub const fn bits(self) -> u64 {
        match self {
            Self::None => 0,
            Self::Pcm16 => 16,
            Self::Pcm8 => 8,
            Self::Adpcm => 4,
        }
    }

    /// Bytes of a block of samples, the decoder's starting state included.
    #[must_use]
    pub const fn block_bytes(self, samples: u64) -> u64 {
        let state = if matches!(self, Self::Adpcm) { 4 } else { 0 };
        (samples * self.bits()).div_ceil(8) + state
    }
}

/// One time slice.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct SliceFacts {
    /// Its first sample, in ticks of the clock.
    pub tick: u64,
    /// Its length in ticks.
    pub ticks: u32,
    /// Bytes of the whole chunk.
    pub bytes: u32,
    /// Number of its first picture.
    pub first_picture: u32,
    /// How many pictures it holds.
    pub pictures: u32,
}

/// One picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct PictureFacts {
    /// When it is due, in ticks of the clock.
    pub tick: u64,
    /// Bytes of its payload.
    pub bytes: u32,
    /// Work to decode it, in instructions of a 32-bit core.
    pub instructions: u32,
    /// Pixels that cross the bus.
    pub pixels: u32,
    /// Windows that they cross it in.
    pub windows: u32,
    /// It can be decoded without the pictures before it.
    pub key: bool,
}

/// A whole reel, reduced to what playing it costs.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ReelFacts {
    /// Sizes and costs are typical ones, assumed, and not those of a reel.
    pub assumed: bool,
    /// Panel width in pixels.
    pub width: u16,
    /// Panel height in pixels.
    pub height: u16,
    /// Ticks per second; the sound rate where there is sound.
    pub clock_rate: u32,
    /// Frames per second.
    pub rate: f64,
    /// How sound is coded.
    pub sound: SoundCoding,
    /// How pictures are coded.
    pub coding: PictureCoding,
    /// Bytes of the largest chunk.
    pub largest_chunk: u32,
    /// Memory that the picture decoder needs, its pictures included, in bytes.
    pub working_bytes: u32,
    /// Bytes that the reel asks to have before play begins.
    pub prebuffer: u32,
    /// Bytes before the first slice.
    pub lead_bytes: u32,
    /// Bytes of the whole file.
    pub total_bytes: u64,
    /// The sound as the supply sees it.
    #[serde(skip)]
    pub programme: Programme,
    /// Stretches and slices that were not in order.
    #[serde(skip)]
    pub damages: u32,
    /// Slices in order of time.
    pub slices: Vec<SliceFacts>,
    /// Pictures in order of time.
    pub pictures: Vec<PictureFacts>,
}

impl PictureCoding {
    /// Every coding, the least lossy first.
    pub const ALL: [Self; 4] = [Self::Raw, Self::PatchFull, Self::PatchLight, Self::Jpeg];
}

impl ReelFacts {
    /// A reel of which only the size of its pictures is known.
    #[must_use]
    pub fn unmade(width: u16, height: u16) -> Self {
        Self {
            assumed: true,
            width,
            height,
            clock_rate: 48_000,
            rate: 1.0,
            sound: SoundCoding::None,
            coding: PictureCoding::Raw,
            largest_chunk: 4096,
            working_bytes: 0,
            prebuffer: 0,
            lead_bytes: 0,
            total_bytes: 0,
            programme: Programme::silent(),
            damages: 0,
            slices: Vec::new(),
            pictures: Vec::new(),
        }
    }

    /// Length in ticks.
    #[must_use]
    pub fn ticks(&self) -> u64 {
        self.slices
            .last()
            .map_or(0, |s| s.tick + u64::from(s.ticks))
            - self.slices.first().map_or(0, |s| s.tick)
    }

    /// Length in seconds.
    #[must_use]
    pub fn seconds(&self) -> f64 {
        self.ticks() as f64 / f64::from(self.clock_rate.max(1))
    }

    /// Bytes of all slices.
    #[must_use]
    pub fn slice_bytes(&self) -> u64 {
        self.slices.iter().map(|s| u64::from(s.bytes)).sum()
    }

    /// The greatest sum of `weight` over the pictures due in any span of
    /// `ticks`, and the tick where that span begins.
    #[must_use]
    pub fn worst_pictures(&self, ticks: u64, weight: impl Fn(&PictureFacts) -> u64) -> (u64, u64) {
        worst(self.picture_spans(ticks, weight))
    }

    /// The sum of `weight` over the pictures due in each span of `ticks` that begins
    /// with one, and the tick where it begins.
    pub fn picture_spans(
        &self,
        ticks: u64,
        weight: impl Fn(&PictureFacts) -> u64,
    ) -> impl Iterator<Item = (u64, u64)> {
        spans(&self.pictures, ticks, |p| p.tick, weight)
    }

    /// The greatest number of bytes of slices that begin in any span of
    /// `ticks`, and the tick where that span begins.
    #[must_use]
    pub fn worst_bytes(&self, ticks: u64) -> (u64, u64) {
        worst(spans(
            &self.slices,
            ticks,
            |s| s.tick,
            |s| u64::from(s.bytes),
        ))
    }

    /// The highest byte rate over a run of whole slices that lasts `ticks` or
    /// a little more (the whole reel if it is shorter): bytes per second and
    /// the tick where the run begins.
    #[must_use]
    pub fn worst_byte_rate(&self, ticks: u64) -> (f64, u64) {
        let higher = |a: (f64, u64), b: (f64, u64)| if b.0 > a.0 { b } else { a };
        self.byte_rates(ticks).fold((0.0, 0), higher)
    }

    /// The byte rate over each run of whole slices that lasts `ticks` or a little more
    /// (the whole reel if it is shorter), and the tick where it begins.
    pub fn byte_rates(&self, ticks: u64) -> impl Iterator<Item = (f64, u64)> {
        let (mut end, mut bytes, mut span, mut any) = (0, 0u64, 0u64, false);
        self.slices.iter().filter_map(move |slice| {
            while span < ticks && end < self.slices.len() {
                bytes += u64::from(self.slices[end].bytes);
                span += u64::from(self.slices[end].ticks);
                end += 1;
            }
            let whole_reel = end == self.slices.len() && !any;
            let rate = bytes as f64 * f64::from(self.clock_rate) / span.max(1) as f64;
            let counts = span >= ticks || whole_reel;
            any |= counts;
            bytes -= u64::from(slice.bytes);
            span -= u64::from(slice.ticks);
            counts.then_some((rate, slice.tick))
        })
    }
}

/// The first of the greatest.
fn worst(spans: impl Iterator<Item = (u64, u64)>) -> (u64, u64) {
    spans.fold((0, 0), |a, b| if b.0 > a.0 { b } else { a })
}

/// The sum of weights over items whose ticks lie in the half-open span that begins
/// with each item, and its tick.
fn spans<T>(
    items: &[T],
    ticks: u64,
    tick: impl Fn(&T) -> u64,
    weight: impl Fn(&T) -> u64,
) -> impl Iterator<Item = (u64, u64)> {
    let (mut sum, mut end) = (0u64, 0);
    items.iter().map(move |item| {
        while end < items.len() && tick(&items[end]) < tick(item) + ticks {
            sum += weight(&items[end]);
            end += 1;
        }
        let whole = sum;
        sum -= weight(item);
        (whole, tick(item))
    })
}
