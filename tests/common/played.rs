//! A reel played back through the library's own reader and decoders.

use std::path::Path;

use thumbreel::coding::{PanelDecoder, PanelSettings, expand_565};
use thumbreel::reel::{self, Header, ReelFile};
use thumbreel::sound::{SoundCoding, decode_block};

/// What a board would show and sound.
pub struct Played {
    pub header: Header,
    /// Tick and panel pixels (RGB565 as the viewer sees them) of each picture.
    pub pictures: Vec<(u64, Vec<u16>)>,
    pub samples: Vec<i16>,
    /// Tick, ticks, bytes, pictures and key flag of each slice.
    pub slices: Vec<(u64, u32, u64, usize, bool)>,
}

/// Plays a whole reel; every checksum must be right.
pub fn play(path: &Path) -> Played {
    play_some(path, |_| true)
}

/// As [`play`], keeping only the pictures whose number is wanted.
pub fn play_some(path: &Path, wanted: impl Fn(usize) -> bool) -> Played {
    let mut file = ReelFile::open(path).unwrap();
    let header = *file.header();
    let mut panel =
        PanelDecoder::new(PanelSettings::from(&header).with_tables(file.tables().unwrap()))
            .unwrap();
    let mut played = Played {
        header,
        pictures: Vec::new(),
        samples: Vec::new(),
        slices: Vec::new(),
    };
    let mut number = 0;
    while let Some(slice) = file.next_slice().unwrap() {
        let bytes = slice.chunk_length();
        played.slices.push((
            slice.time,
            slice.ticks,
            bytes,
            slice.pictures.len(),
            slice.key,
        ));
        played.hear(&slice);
        for picture in &slice.pictures {
            let flags = u8::from(picture.key) | u8::from(picture.unchanged) << 1;
            panel.decode(header.coding, flags, &picture.bytes).unwrap();
            let tick = slice.time + u64::from(picture.tick_offset);
            if wanted(number) {
                let seen = panel.pixels().iter().map(|p| header.wire.turn(*p));
                played.pictures.push((tick, seen.collect()));
            }
            number += 1;
        }
    }
    assert!(file.damage().is_empty(), "{:?}", file.damage());
    assert_eq!(played.slices.len(), header.slice_count as usize);
    assert_eq!(number, header.picture_count as usize);
    played
}

impl Played {
    fn hear(&mut self, slice: &reel::Slice) {
        if let Some(coding) = SoundCoding::from_number(self.header.sound as u8) {
            let start = self.samples.len();
            self.samples.resize(start + slice.ticks as usize, 0);
            decode_block(coding, &slice.sound, &mut self.samples[start..]).unwrap();
        }
    }

    /// Colour at a place of picture `number`, 8 bits.
    pub fn colour(&self, number: usize, x: usize, y: usize) -> [u8; 3] {
        expand_565(self.pictures[number].1[y * usize::from(self.header.width) + x])
    }

    pub fn seconds(&self, tick: u64) -> f64 {
        tick as f64 / f64::from(self.header.clock_rate)
    }

    pub fn float_samples(&self) -> Vec<f32> {
        self.samples
            .iter()
            .map(|s| f32::from(*s) / 32_768.0)
            .collect()
    }
}
