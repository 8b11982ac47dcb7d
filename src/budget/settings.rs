//! Settings alone, without any clip: a reel of typical pictures, so that
//! budget and rehearsal answer before anything is encoded.

use serde::Serialize;

use crate::budget::power::Programme;
use crate::coding::patch;
use crate::units::Ratio;

use super::counted::typical_estimate;
use super::facts::{PictureCoding, PictureFacts, ReelFacts, SliceFacts, SoundCoding};

/// What is known before encoding. Bits and work a pixel are estimates.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Settings {
    /// Panel width in pixels.
    pub width: u16,
    /// Panel height in pixels.
    pub height: u16,
    /// Frames per second, as numerator and denominator.
    pub rate: (u32, u32),
    /// How pictures are coded.
    pub coding: PictureCoding,
    /// Bits per pixel of the whole picture, in the mean.
    pub bits_per_pixel: f64,
    /// A key picture's bytes over the mean picture's.
    pub key_factor: f64,
    /// Share of the panel that changes from picture to picture.
    pub changed: f64,
    /// Decode instructions for each pixel of the whole picture, by the encoder's
    /// estimate.
    pub instructions_per_pixel: f64,
    /// Share of the panel's pixels that can be seen: 1, or pi / 4 for a round panel.
    pub visible: f64,
    /// Sound rate in Hz.
    pub sound_rate: u32,
    /// How sound is coded.
    pub sound: SoundCoding,
    /// Seconds from key picture to key picture.
    pub key_seconds: f64,
    /// Length in seconds.
    pub seconds: f64,
}

/// Seconds of a slice that settings assume.
const SLICE_SECONDS: f64 = 0.25;
/// Bytes of a picture besides its padded payload, where pictures come evenly: its entry of
/// 3 bytes and its checksum.
const EVEN_PICTURE: u64 = crate::reel::entry_bytes(true) as u64 + 4;

impl Settings {
    /// Typical figures of a coding: live action at the quality of JPEG 50,
    /// 240x240, 24 frames per second (sizes assumed from trials on real clips,
    /// work by the table of spec/firmware/README.md).
    #[must_use]
    pub fn typical(width: u16, height: u16, rate: Ratio, coding: PictureCoding) -> Self {
        let (bits_per_pixel, key_factor, changed) = match coding {
            PictureCoding::Raw => (16.0, 1.0, 1.0),
            PictureCoding::Jpeg => (1.3, 1.2, 1.0),
            PictureCoding::PatchLight => (1.3, 2.5, 0.7),
            PictureCoding::PatchFull => (0.45, 4.0, 0.7),
        };
        Self {
            width,
            height,
            rate: (rate.num, rate.den),
            coding,
            bits_per_pixel,
            key_factor,
            changed,
            instructions_per_pixel: typical_estimate(coding),
            visible: 1.0,
            sound_rate: 24_000,
            sound: SoundCoding::Adpcm,
            key_seconds: 5.0,
            seconds: 60.0,
        }
    }

    /// Decoder memory in bytes: pictures, tables and state (assumed until a
    /// reel's header states it).
    fn working_bytes(&self) -> u32 {
        let picture = u32::from(self.width) * u32::from(self.height) * 2;
        match self.coding {
            PictureCoding::Raw => 0,
            PictureCoding::Jpeg => picture + 16_384,
            PictureCoding::PatchLight | PictureCoding::PatchFull => {
                patch::memory_bytes(self.width, self.height) as u32 + patch::STATE_BYTES
            }
        }
    }

    /// Bytes of the poster's chunk, as the converter keeps them: two bytes per pixel
    /// in raw, else at most 10,000 bytes for 240x240 pixels.
    fn poster_bytes(&self) -> u32 {
        let pixels = u32::from(self.width) * u32::from(self.height);
        let payload = match self.coding {
            PictureCoding::Raw => 2 * pixels + 12,
            _ => (pixels * 10_000 / 57_600).max(2000),
        };
        crate::reel::side_chunk_length(payload.into()) as u32
    }

    /// Pictures from one key picture to the next.
    fn key_distance(&self, rate: Ratio) -> f64 {
        (self.key_seconds * f64::from(rate.num) / f64::from(rate.den))
            .round()
            .max(1.0)
    }

    /// A typical picture, at tick 0.
    fn picture(&self, key: bool, every: f64) -> PictureFacts {
        let pixels = f64::from(self.width) * f64::from(self.height) * self.visible;
        let inter = self.key_factor != 1.0 && !matches!(self.coding, PictureCoding::Jpeg);
        // The mean over keys and others together is `bits_per_pixel`.
        let mean = pixels * self.bits_per_pixel / 8.0;
        let other = mean * every / (every - 1.0 + self.key_factor);
        let bytes = match (inter, key) {
            (true, true) => other * self.key_factor,
            (true, false) => other,
            (false, _) => mean,
        };
        let changed = if inter && key { 1.0 } else { self.changed };
        let share = if inter {
            changed.max(0.3) / self.changed.max(0.3)
        } else {
            1.0
        };
        PictureFacts {
            tick: 0,
            bytes: bytes.ceil() as u32,
            instructions: (pixels * self.instructions_per_pixel * share) as u32,
            pixels: (pixels * changed) as u32,
            windows: if changed < 1.0 { 8 } else { 1 },
            key,
        }
    }

    /// A reel of such pictures.
    ///
    /// # Panics
    /// If a part of the rate or the sound rate is zero.
    #[must_use]
    pub fn facts(&self) -> ReelFacts {
        let rate = Ratio::new(self.rate.0, self.rate.1).expect("a positive rate");
        let end = (self.seconds * f64::from(self.sound_rate)).ceil() as u64;
        let every = self.key_distance(rate);
        let alone = matches!(self.coding, PictureCoding::Jpeg | PictureCoding::Raw);
        let [key, other] = [true, false].map(|key| self.picture(key || alone, every));
        let picture = |n: u64| PictureFacts {
            tick: rate.tick_of(n, self.sound_rate),
            ..if n.is_multiple_of(every as u64) {
                key
            } else {
                other
            }
        };
        let pictures: Vec<PictureFacts> = (0..).map(picture).take_while(|p| p.tick < end).collect();
        let slices = self.slices(&pictures, end);
        let largest_chunk = slices.iter().map(|s| s.bytes).max().unwrap_or(0);
        let lead_bytes = 1024 + self.poster_bytes();
        let slice_bytes: u64 = slices.iter().map(|s| u64::from(s.bytes)).sum();
        ReelFacts {
            assumed: true,
            width: self.width,
            height: self.height,
            clock_rate: self.sound_rate,
            rate: f64::from(rate.num) / f64::from(rate.den),
            sound: self.sound,
            coding: self.coding,
            largest_chunk,
            working_bytes: self.working_bytes(),
            prebuffer: largest_chunk * 2,
            lead_bytes,
            total_bytes: slice_bytes + u64::from(lead_bytes),
            programme: match self.sound {
                SoundCoding::None => Programme::silent(),
                _ => Programme::typical(),
            },
            damages: 0,
            slices,
            pictures,
        }
    }

    /// Cuts at picture times, each slice a quarter of a second or one picture
    /// where that is longer.
    fn slices(&self, pictures: &[PictureFacts], end: u64) -> Vec<SliceFacts> {
        let span = (f64::from(self.sound_rate) * SLICE_SECONDS) as u64;
        let mut slices = Vec::new();
        let mut first = 0;
        while first < pictures.len() {
            let tick = pictures[first].tick;
            let count = pictures[first..]
                .iter()
                .take_while(|p| p.tick < tick + span)
                .count();
            let next = pictures.get(first + count).map_or(end, |p| p.tick);
            let ticks = next - tick;
            let pixels: u64 = pictures[first..first + count]
                .iter()
                .map(|p| u64::from(p.bytes.next_multiple_of(4)) + EVEN_PICTURE)
                .sum();
            let bytes = 48 + self.sound.block_bytes(ticks).next_multiple_of(4) + pixels + 8;
            slices.push(SliceFacts {
                tick,
                ticks: ticks as u32,
                bytes: bytes.next_multiple_of(16) as u32,
                first_picture: first as u32,
                pictures: count as u32,
            });
            first += count;
        }
        slices
    }
}
