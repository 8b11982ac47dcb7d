//! Small reels with real pictures and sound, made with the library's writer and
//! encoders: a harbour in a few colours, and a tone that glides.

use crate::common::reels::write_reel;
use thumbreel::coding::patch::{Level, STATE_BYTES, memory_bytes};
use thumbreel::coding::{
    ByteOrder, Coding, EncoderPlan, Limits, PictureEncoder, PictureIn, Shape, Weights, encoder,
};
use thumbreel::reel::{Picture, Settings, Slice, SoundCoding, Wire};
use thumbreel::sound::{BlockEncoder, SoundCoding as BlockCoding};
use thumbreel::units::Ratio;

/// What a test film is like.
#[derive(Clone, Debug)]
pub struct Film {
    pub width: u16,
    pub height: u16,
    pub rate: u32,
    pub clock_rate: u32,
    pub sound: SoundCoding,
    pub slices: u64,
    /// Pictures in each slice, which lasts as long as they do.
    pub pictures: u32,
    /// A key slice every so many slices.
    pub key_every: u64,
    pub coding: FilmCoding,
    /// Of patch: 1..=100, and whether it is dithered.
    pub quality: u8,
    pub dither: bool,
    /// Where the picture starts in the panel's memory.
    pub offset: (u16, u16),
    /// What is done to the pixels before they are coded, and their byte order.
    pub wire: Wire,
    pub format: ByteOrder,
    pub title: &'static str,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FilmCoding {
    Raw,
    Jpeg,
    Patch(Level),
}

impl Default for Film {
    fn default() -> Self {
        Self {
            width: 64,
            height: 48,
            rate: 20,
            clock_rate: 16_000,
            sound: SoundCoding::PcmS16,
            slices: 12,
            pictures: 2,
            key_every: 3,
            coding: FilmCoding::Raw,
            quality: 60,
            dither: false,
            offset: (0, 0),
            wire: Wire::default(),
            format: ByteOrder::HighFirst,
            title: "Harbour at dusk",
        }
    }
}

/// Sky, sea and a boat that sails: 3 bytes per pixel, and the same in RGB565.
pub fn harbour(width: u16, height: u16, number: u32) -> (Vec<u8>, Vec<u16>) {
    let mut rgb = Vec::new();
    let (w, h) = (u32::from(width), u32::from(height));
    let boat = (number * 3) % w;
    for y in 0..h {
        for x in 0..w {
            let glitter = (x * 7 + y * 13 + number * 5).is_multiple_of(29);
            let pixel = if y < h / 2 {
                let lamp = x.abs_diff(w / 5) + y.abs_diff(h / 4) < 2 + number % 5;
                if lamp {
                    [255, 240, 180]
                } else {
                    [40 + (y * 90 / h) as u8, 70, 130]
                }
            } else if x.abs_diff(boat) < 5 && y < h / 2 + 6 {
                [120, 60, 30]
            } else {
                [10, 50 + (y * 60 / h) as u8, if glitter { 200 } else { 110 }]
            };
            rgb.extend(pixel);
        }
    }
    let pixels = rgb
        .chunks_exact(3)
        .map(|p| thumbreel::coding::nearest_565(p[0], p[1], p[2]))
        .collect();
    (rgb, pixels)
}

/// A tone that glides, at half of full scale; no library function is needed.
pub fn tone(from: u64, n: u32) -> Vec<i16> {
    (from..from + u64::from(n))
        .map(|i| {
            let phase = (i as f64 * 0.02 + (i as f64 * 0.0001).powi(2)).sin();
            (phase * 16_000.0) as i16
        })
        .collect()
}

impl Film {
    pub fn ticks(&self) -> u32 {
        self.clock_rate * self.pictures / self.rate
    }

    fn encoder(&self) -> Box<dyn PictureEncoder> {
        let (coding, level) = match self.coding {
            FilmCoding::Raw => (Coding::Raw, Level::Full),
            FilmCoding::Jpeg => (Coding::Jpeg, Level::Full),
            FilmCoding::Patch(level) => (Coding::Patch, level),
        };
        encoder(&EncoderPlan {
            width: self.width,
            height: self.height,
            shape: Shape::Rectangle,
            order: self.format,
            rate: Ratio::new(self.rate, 1).unwrap(),
            coding,
            level,
            quality: self.quality,
            search: 1,
            dither: self.dither,
            limits: Limits::default(),
            weights: Weights::default(),
        })
        .unwrap()
    }

    fn working_memory(&self) -> u32 {
        match self.coding {
            FilmCoding::Raw | FilmCoding::Jpeg => 0,
            FilmCoding::Patch(_) => memory_bytes(self.width, self.height) as u32 + STATE_BYTES,
        }
    }

    pub fn settings(&self) -> Settings {
        Settings {
            coding: self.coding.number(),
            level: self.coding.level(),
            working_memory: self.working_memory(),
            width: self.width,
            height: self.height,
            clock_rate: self.clock_rate,
            rate: Ratio::new(self.rate, 1).unwrap(),
            sound: self.sound,
            title: self.title.into(),
            offset: self.offset,
            wire: self.wire,
            pixel_format: self.format,
            index_step_ms: 100,
            tables: self.encoder().tables().to_vec(),
            seed: self.slices,
            ..Settings::default()
        }
    }

    /// A picture as this panel wants its colours, dithered or not.
    fn turned(&self, (mut rgb, mut pixels): (Vec<u8>, Vec<u16>)) -> (Vec<u8>, Vec<u16>) {
        for colour in rgb.chunks_exact_mut(3) {
            if self.wire.bgr {
                colour.swap(0, 2);
            }
            if self.wire.inverted {
                colour.iter_mut().for_each(|v| *v = 255 - *v);
            }
        }
        pixels.iter_mut().for_each(|p| *p = self.wire.turn(*p));
        (rgb, pixels)
    }

    pub fn slices(&self) -> Vec<Slice> {
        let mut encoder = self.encoder();
        let mut sound = block_coding(self.sound).map(|c| BlockEncoder::new(c, self.clock_rate));
        (0..self.slices)
            .map(|i| self.slice(i, encoder.as_mut(), sound.as_mut()))
            .collect()
    }

    fn slice(
        &self,
        i: u64,
        encoder: &mut dyn PictureEncoder,
        sound: Option<&mut BlockEncoder>,
    ) -> Slice {
        let (time, ticks) = (i * u64::from(self.ticks()), self.ticks());
        let pictures = (0..self.pictures).map(|n| {
            let number = i as u32 * self.pictures + n;
            let (rgb, pixels) = self.turned(harbour(self.width, self.height, number));
            let input = PictureIn {
                width: self.width,
                height: self.height,
                rgb: &rgb,
                pixels: &pixels,
                unchanged: number % 7 == 5,
            };
            let key = n == 0 && i.is_multiple_of(self.key_every);
            let encoded = encoder.encode(&input, key).unwrap();
            Picture::coded(ticks * n / self.pictures, encoded)
        });
        let pictures = pictures.collect();
        let block = sound.map_or_else(Vec::new, |s| s.encode(&tone(time, ticks)));
        Slice::new(time, ticks, block, pictures)
    }

    pub fn reel(&self) -> Vec<u8> {
        write_reel(&self.settings(), None, &self.slices()).0
    }
}

impl FilmCoding {
    pub const fn number(self) -> u8 {
        match self {
            Self::Raw => 0,
            Self::Jpeg => 1,
            Self::Patch(_) => 2,
        }
    }

    const fn level(self) -> u8 {
        match self {
            Self::Raw | Self::Jpeg => 0,
            Self::Patch(level) => level as u8,
        }
    }
}

pub fn block_coding(sound: SoundCoding) -> Option<BlockCoding> {
    match sound {
        SoundCoding::None => None,
        SoundCoding::PcmS16 => Some(BlockCoding::Pcm16),
        SoundCoding::PcmU8 => Some(BlockCoding::Pcm8),
        SoundCoding::ImaAdpcm => Some(BlockCoding::Adpcm),
    }
}
