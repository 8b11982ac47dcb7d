//! What a reel is, apart from its slices.

use super::header::{Header, SoundCoding};
use super::layout::{
    FIRST_CHUNK, MAX_CHUNK, MAX_PICTURES, MAX_SIDE_DATA, MAX_SLICE_SECONDS, SECTOR, UNKNOWN,
    VERSION_MAJOR, VERSION_MINOR,
};
use super::panel::{ByteOrder, Mounting, Shape, Wire};
use crate::units::Ratio;

/// What a reel is, apart from its slices.
#[derive(Clone, Debug)]
pub struct Settings {
    /// Panel width in pixels.
    pub width: u16,
    /// Panel height in pixels.
    pub height: u16,
    /// Visible part of the panel.
    pub shape: Shape,
    /// Order of a pixel's bytes.
    pub pixel_format: ByteOrder,
    /// What was done to the pixels for the wire.
    pub wire: Wire,
    /// Column and row of the panel's memory at which the picture starts, each below 1024.
    pub offset: (u16, u16),
    /// What was done to upright pictures for the panel's memory.
    pub mounting: Mounting,
    /// Ticks per second: the sound rate, or 48000 without sound.
    pub clock_rate: u32,
    /// Nominal frames per second.
    pub rate: Ratio,
    /// Sound coding.
    pub sound: SoundCoding,
    /// Picture coding: 0 raw, 1 jpeg, 2 patch.
    pub coding: u8,
    /// Level of the picture coding.
    pub level: u8,
    /// Bytes the picture decoder needs besides the chunk.
    pub working_memory: u32,
    /// Title for menus; cut to 96 bytes.
    pub title: String,
    /// Any number made from the source and all that shaped the reel; goes into the reel id.
    pub seed: u64,
    /// Tables of the picture coding; empty for none.
    pub tables: Vec<u8>,
    /// A line for people: what made the reel and how; empty for none.
    pub note: String,
    /// Time between index entries in milliseconds.
    pub index_step_ms: u32,
    /// Largest file to write, in bytes; see [`super::FAT32_LIMIT`].
    pub size_limit: Option<u64>,
    /// Tick of the start, number of the first picture, for a part that is not the first.
    pub start: Start,
}

/// Where a part starts in the whole reel.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Start {
    /// Number of the part, from 1.
    pub part: u16,
    /// Number of parts, 0 if not known.
    pub parts: u16,
    /// First tick.
    pub tick: u64,
    /// Number of the first picture.
    pub picture: u32,
    /// Ticks in all parts, if known.
    pub reel_duration: Option<u64>,
    /// The reel id, where it is already settled.
    pub reel_id: Option<u64>,
}

impl Default for Start {
    fn default() -> Self {
        Self {
            part: 1,
            parts: 1,
            tick: 0,
            picture: 0,
            reel_duration: None,
            reel_id: None,
        }
    }
}

impl Default for Settings {
    /// A silent raw reel for a 240x240 panel at 15 frames per second.
    fn default() -> Self {
        Self {
            width: 240,
            height: 240,
            shape: Shape::Rectangle,
            pixel_format: ByteOrder::HighFirst,
            wire: Wire::default(),
            offset: (0, 0),
            mounting: Mounting::default(),
            clock_rate: 48_000,
            rate: Ratio { num: 15, den: 1 },
            sound: SoundCoding::None,
            coding: 0,
            level: 0,
            working_memory: 0,
            title: String::new(),
            seed: 0,
            tables: Vec::new(),
            note: String::new(),
            index_step_ms: 1000,
            size_limit: None,
            start: Start::default(),
        }
    }
}

/// `text` as a note may hold it: without control characters but line feed and tab,
/// cut at a character to [`MAX_SIDE_DATA`] bytes.
#[must_use]
pub fn note_text(text: &str) -> String {
    let mut note = String::with_capacity(text.len());
    let fits = |c: &char| !c.is_control() || matches!(c, '\n' | '\t');
    for c in text.chars().filter(fits) {
        if note.len() + c.len_utf8() > MAX_SIDE_DATA as usize {
            break;
        }
        note.push(c);
    }
    note
}

impl Settings {
    /// The settings under which `header`'s reel was written, as far as it tells;
    /// tables and note are the caller's to add.
    #[must_use]
    pub fn of(header: &Header) -> Self {
        Self {
            width: header.width,
            height: header.height,
            shape: header.shape,
            pixel_format: header.pixel_format,
            wire: header.wire,
            offset: (header.x_offset, header.y_offset),
            mounting: header.mounting,
            clock_rate: header.clock_rate,
            rate: header.rate,
            sound: header.sound,
            coding: header.coding,
            level: header.level,
            working_memory: header.working_memory,
            title: header.title().to_owned(),
            index_step_ms: match header.index_step {
                0 => 1000,
                // Up, as the writer rounds down: the same step comes out again.
                step => {
                    let ms = (u64::from(step) * 1000).div_ceil(u64::from(header.clock_rate));
                    u32::try_from(ms).unwrap_or(u32::MAX)
                }
            },
            start: Start {
                part: header.part,
                parts: header.parts,
                tick: header.first_tick,
                picture: header.first_picture,
                reel_duration: Some(header.reel_duration).filter(|&d| d != UNKNOWN),
                reel_id: Some(header.reel_id),
            },
            ..Self::default()
        }
    }

    pub(crate) fn header(&self) -> Header {
        Header {
            version_major: VERSION_MAJOR,
            version_minor: VERSION_MINOR,
            must_know: 0,
            may_ignore: 0,
            part: self.start.part,
            parts: self.start.parts,
            reel_id: 0,
            first_tick: self.start.tick,
            duration: UNKNOWN,
            reel_duration: self.start.reel_duration.unwrap_or(UNKNOWN),
            file_length: 0,
            first_picture: self.start.picture,
            picture_count: 0,
            slice_count: 0,
            width: self.width,
            height: self.height,
            shape: self.shape,
            pixel_format: self.pixel_format,
            wire: self.wire,
            coding: self.coding,
            level: self.level,
            sound: self.sound,
            channels: u8::from(self.sound != SoundCoding::None),
            mounting: self.mounting,
            clock_rate: self.clock_rate,
            rate: self.rate,
            largest_chunk: MAX_CHUNK,
            most_pictures: MAX_PICTURES,
            most_ticks: MAX_SLICE_SECONDS.saturating_mul(self.clock_rate),
            largest_sound: MAX_CHUNK,
            largest_picture: MAX_CHUNK,
            working_memory: self.working_memory,
            prebuffer: 0,
            mean_rate: 0,
            worst_rate: 0,
            worst_bus_bytes: 0,
            worst_instructions: 0,
            first_slice: FIRST_CHUNK,
            index_offset: 0,
            index_length: 0,
            index_step: 0,
            index_entries: 0,
            poster_offset: 0,
            poster_length: 0,
            tables_offset: 0,
            tables_length: 0,
            x_offset: self.offset.0,
            y_offset: self.offset.1,
            title: Header::title_bytes(&self.title),
        }
    }

    pub(crate) fn reel_id(&self, header: &Header, poster: &[u8]) -> u64 {
        if let Some(id) = self.start.reel_id {
            return id;
        }
        let mut sector = [0; SECTOR];
        header.emit(&mut sector);
        let parts: [&[u8]; 5] = [
            &sector,
            &self.seed.to_le_bytes(),
            &self.tables,
            self.note.as_bytes(),
            poster,
        ];
        // FNV-1a, 64 bits; any digest would do, it only has to be the same every time.
        let id = parts
            .iter()
            .flat_map(|p| p.iter())
            .fold(0xcbf2_9ce4_8422_2325_u64, |h, &b| {
                (h ^ u64::from(b)).wrapping_mul(0x0100_0000_01b3)
            });
        id.max(1)
    }
}
