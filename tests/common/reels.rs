//! Small reels made by hand: synthetic payloads under the real container.

use std::io::Cursor;
use thumbreel::reel::{Header, Picture, Poster, ReelWriter, Settings, Slice, SoundCoding, Summary};
use thumbreel::units::Ratio;

/// A generator of repeatable bytes (xorshift64*).
pub struct Bytes(u64);

impl Bytes {
    pub fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1)
    }

    pub fn number(&mut self, below: u64) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) % below
    }

    pub fn take(&mut self, n: usize) -> Vec<u8> {
        (0..n).map(|_| self.number(256) as u8).collect()
    }
}

/// Settings of a tiny reel: 16x12 pixels, 8 kHz sound, 10 pictures a second.
pub fn tiny_settings() -> Settings {
    Settings {
        width: 16,
        height: 12,
        clock_rate: 8000,
        rate: Ratio { num: 10, den: 1 },
        sound: SoundCoding::PcmU8,
        coding: 2,
        level: 1,
        working_memory: 1024,
        title: "Harbour at dusk".into(),
        note: "made by hand".into(),
        tables: vec![7; 20],
        index_step_ms: 200,
        ..Settings::default()
    }
}

pub fn tiny_poster() -> Poster {
    Poster {
        width: 4,
        height: 3,
        bytes: Bytes::new(99).take(24),
    }
}

/// Slice `i` of a tiny reel: 100 ms, one picture in each, every third a key
/// slice, every fourth picture unchanged unless it is a key picture.
pub fn tiny_slice(i: u64) -> Slice {
    let mut bytes = Bytes::new(i + 1);
    let key = i.is_multiple_of(3);
    let unchanged = !key && i % 4 == 1;
    let length = if unchanged { 0 } else { 5 + i as usize * 3 };
    let picture = Picture {
        tick_offset: 0,
        coding: 2,
        key,
        unchanged,
        windows: u16::from(!unchanged),
        cost: 100 + i as u32,
        bus_bytes: if unchanged { 0 } else { 11 + 2 * 16 },
        bytes: bytes.take(length),
    };
    Slice::new(i * 800, 800, bytes.take(800), vec![picture])
}

pub fn tiny_slices(n: u64) -> Vec<Slice> {
    (0..n).map(tiny_slice).collect()
}

/// Writes `slices` under `settings` and returns the file's bytes.
pub fn write_reel(
    settings: &Settings,
    poster: Option<&Poster>,
    slices: &[Slice],
) -> (Vec<u8>, Summary) {
    let mut writer = ReelWriter::new(Cursor::new(Vec::new()), settings, poster).unwrap();
    for slice in slices {
        writer.slice(slice).unwrap();
    }
    let (sink, summary) = writer.finish().unwrap();
    (sink.into_inner(), summary)
}

/// A tiny reel of `n` slices with everything a reel can carry.
pub fn tiny_reel(n: u64) -> Vec<u8> {
    write_reel(&tiny_settings(), Some(&tiny_poster()), &tiny_slices(n)).0
}

/// The header of a whole reel.
pub fn header_of(reel: &[u8]) -> Header {
    Header::parse(reel[..512].try_into().unwrap()).unwrap()
}
