//! The header: sector 0 of a reel.

use super::error::{ErrorKind, ReelError};
use super::layout::{
    ALIGN, CLOCK_RATES, FIRST_CHUNK, Field, MAGIC, MAX_CHUNK, MAX_OFFSET, MAX_PICTURES, MAX_RATE,
    MAX_SIDE, MAX_SIDE_DATA, MAX_SLICE_SECONDS, MAX_TIME, MAX_WORKING_MEMORY, SECTOR, UNKNOWN,
    VERSION_MAJOR, VERSION_MINOR, byte_enum, check_crc, crc32, fields, limit, require,
};
use super::panel::{ByteOrder, Mounting, Shape, Wire};
use crate::units::Ratio;

/// Bytes in the title, zero padded.
pub const TITLE_BYTES: usize = 96;
const CRC_AT: usize = SECTOR - 4;
/// Number of the picture coding that has levels and works in memory.
const PATCH: u8 = 2;

byte_enum! {
    /// How the sound block of a slice is coded.
    pub enum SoundCoding {
        /// No sound.
        None = 0,
        /// Signed 16-bit samples.
        PcmS16 = 1,
        /// Unsigned 8-bit samples, 128 is silence.
        PcmU8 = 2,
        /// Four bits per sample after a four-byte state.
        ImaAdpcm = 3,
    }
}

impl SoundCoding {
    /// Bytes of the sound block of a slice of `ticks` ticks, without padding;
    /// `None` where the samples decide.
    #[must_use]
    pub const fn block_bytes(self, ticks: u32) -> Option<u64> {
        let ticks = ticks as u64;
        match self {
            Self::None => Some(0),
            Self::PcmS16 => Some(ticks * 2),
            Self::PcmU8 => Some(ticks),
            // The state holds the first sample; the others take four bits each.
            Self::ImaAdpcm => Some(4 + ticks / 2),
        }
    }

    /// Whether a slice of `ticks` ticks may have a block of `bytes` bytes. An
    /// empty one is silence.
    #[must_use]
    pub const fn fits(self, ticks: u32, bytes: u32) -> bool {
        match self.block_bytes(ticks) {
            Some(n) => bytes == 0 || bytes as u64 == n,
            None => true,
        }
    }
}

fields! {
    /// The meaning of sector 0. One tick is one sound sample at `clock_rate`;
    /// all offsets and lengths are in bytes from the start of this part.
    #[derive(Clone, Copy, Debug, PartialEq, Eq)]
    pub struct Header {
        /// Major version; readers refuse another than their own.
        version_major: u16 = 8,
        /// Minor version; readers accept any.
        version_minor: u16 = 10,
        /// Features a reader must know; none are defined yet.
        must_know: u32 = 12,
        /// Features a reader may ignore: [`REPAIRED`](Self::REPAIRED).
        may_ignore: u32 = 16,
        /// Number of this part, from 1.
        part: u16 = 20,
        /// Number of parts, 0 if not known yet.
        parts: u16 = 22,
        /// Names the reel in all its chunks and parts; made from its content and settings.
        reel_id: u64 = 24,
        /// Tick at which this part starts.
        first_tick: u64 = 32,
        /// Ticks in this part; [`UNKNOWN`] when live.
        duration: u64 = 40,
        /// Ticks in all parts together; [`UNKNOWN`] when live.
        reel_duration: u64 = 48,
        /// Bytes in this part; 0 when live.
        file_length: u64 = 56,
        /// Number of this part's first picture in the whole reel.
        first_picture: u32 = 64,
        /// Pictures in this part, unchanged ones included.
        picture_count: u32 = 68,
        /// Slices in this part.
        slice_count: u32 = 72,
        /// Panel width in pixels.
        width: u16 = 76,
        /// Panel height in pixels.
        height: u16 = 78,
        /// Visible part of the panel.
        shape: Shape = 80,
        /// Order of a pixel's bytes.
        pixel_format: ByteOrder = 81,
        /// What was done to the pixels for the wire.
        wire: Wire = 82,
        /// Picture coding of all pictures and the poster: 0 raw, 1 jpeg, 2 patch.
        coding: u8 = 83,
        /// Level of the picture coding; patch: 1 light, 2 full; else 0.
        level: u8 = 84,
        /// Sound coding.
        sound: SoundCoding = 85,
        /// Sound channels: 1, or 0 without sound.
        channels: u8 = 86,
        /// What was done to upright pictures for the panel's memory.
        mounting: Mounting = 87,
        /// Ticks per second; the sound's sample rate.
        clock_rate: u32 = 88,
        /// Nominal frames per second, in lowest terms.
        rate: Ratio = 92,
        /// Largest slice chunk in bytes: the reader's buffer.
        largest_chunk: u32 = 100,
        /// Most pictures in a slice.
        most_pictures: u16 = 104,
        /// Longest slice in ticks.
        most_ticks: u32 = 108,
        /// Largest sound block in bytes.
        largest_sound: u32 = 112,
        /// Largest picture payload in bytes.
        largest_picture: u32 = 116,
        /// Bytes the picture decoder needs besides the chunk.
        working_memory: u32 = 120,
        /// Bytes of slices to have before play starts on a link that gives `mean_rate`.
        prebuffer: u32 = 124,
        /// Mean bytes per second, rounded up.
        mean_rate: u32 = 128,
        /// Most bytes of slices that start within any one second.
        worst_rate: u32 = 132,
        /// Most bytes one picture sends to the panel, window commands included.
        worst_bus_bytes: u32 = 136,
        /// Most instructions one picture takes to decode.
        worst_instructions: u32 = 140,
        /// Offset of the first slice.
        first_slice: u64 = 144,
        /// Offset of the index chunk, 0 without one.
        index_offset: u64 = 152,
        /// Length of the index chunk.
        index_length: u32 = 160,
        /// Ticks between index entries.
        index_step: u32 = 164,
        /// Entries in the index.
        index_entries: u32 = 168,
        /// Offset of the poster chunk, 0 without one.
        poster_offset: u32 = 172,
        /// Length of the poster chunk.
        poster_length: u32 = 176,
        /// Offset of the tables chunk, 0 without one.
        tables_offset: u32 = 184,
        /// Length of the tables chunk.
        tables_length: u32 = 188,
        /// Column of the panel's memory at which the picture's left edge lies.
        x_offset: u16 = 192,
        /// The same for rows.
        y_offset: u16 = 194,
        /// Title in UTF-8, zero padded.
        title: [u8; TITLE_BYTES] = 384,
    }
}

impl Header {
    /// Bit of `may_ignore`: the reel was put together again by `repair`.
    pub const REPAIRED: u32 = 1;

    /// Reads sector 0 or its copy and checks it against every rule and limit.
    ///
    /// # Errors
    /// Whatever is wrong with the sector, at offset 0.
    pub fn parse(sector: &[u8; SECTOR]) -> Result<Self, ReelError> {
        Self::parse_kind(sector).map_err(|kind| ReelError::at(kind, 0))
    }

    fn parse_kind(sector: &[u8; SECTOR]) -> Result<Self, ErrorKind> {
        check_magic(sector)?;
        check_crc(u32::get(&sector[CRC_AT..]).unwrap_or(0), &sector[..CRC_AT])?;
        let major = u16::get(&sector[8..]).unwrap_or(0);
        if major != VERSION_MAJOR {
            return Err(ErrorKind::Version { major });
        }
        let flags = u32::get(&sector[12..]).unwrap_or(0);
        if flags != 0 {
            return Err(ErrorKind::MustKnow { flags });
        }
        check_codings([sector[83], sector[84], sector[85]])?;
        let mut known = *sector;
        let newer = u16::get(&sector[10..]).unwrap_or(0) > VERSION_MINOR;
        if newer {
            known[82] &= 3;
            known[87] &= 7;
        }
        let header = Self::read(&known)?;
        header.check()?;
        if !newer && header.fixed_part() != sector[..CRC_AT] {
            return Err(ErrorKind::Reserved);
        }
        Ok(header)
    }

    /// Whether the reel may use reserved fields in a way that this reader does
    /// not know and need not.
    #[must_use]
    pub const fn is_newer(&self) -> bool {
        self.version_minor > VERSION_MINOR
    }

    /// Bytes that the decoder of `coding` needs besides the chunk at least, for
    /// a panel of `width` x `height`.
    #[must_use]
    pub const fn least_memory(coding: u8, width: u16, height: u16) -> u32 {
        if coding != PATCH {
            return 0;
        }
        let columns = width.div_ceil(16) as u32;
        let lines = height.div_ceil(16) as u32;
        384 * columns * lines + 1536 * columns + 4096
    }

    /// Writes sector 0, its reserved bytes zero, its checksum last.
    pub fn emit(&self, sector: &mut [u8; SECTOR]) {
        sector[..CRC_AT].copy_from_slice(&self.fixed_part());
        crc32(&sector[..CRC_AT]).put(&mut sector[CRC_AT..]);
    }

    fn fixed_part(&self) -> [u8; CRC_AT] {
        let mut bytes = [0; CRC_AT];
        MAGIC.put(&mut bytes);
        self.write(&mut bytes);
        bytes
    }

    /// The low half of the reel id, which every chunk carries.
    #[must_use]
    pub const fn id_low(&self) -> u32 {
        self.reel_id as u32
    }

    /// Whether the duration is unknown: a live stream or an unfinished reel.
    #[must_use]
    pub const fn is_live(&self) -> bool {
        self.duration == UNKNOWN
    }

    /// Tick at which this part ends, if it is known.
    #[must_use]
    pub const fn end_tick(&self) -> Option<u64> {
        if self.is_live() {
            None
        } else {
            Some(self.first_tick + self.duration)
        }
    }

    /// Offset and length of the note chunk, if there is one: between tables,
    /// poster or header and the first slice.
    #[must_use]
    pub fn note_place(&self) -> (u64, u32) {
        let after_poster = u64::from(self.poster_offset) + u64::from(self.poster_length);
        let after_tables = u64::from(self.tables_offset) + u64::from(self.tables_length);
        let start = after_poster.max(after_tables).max(FIRST_CHUNK);
        let length = self.first_slice.saturating_sub(start);
        (start, u32::try_from(length).unwrap_or(MAX_CHUNK))
    }

    /// The title, without its padding.
    #[must_use]
    pub fn title(&self) -> &str {
        let end = self.title.iter().position(|&b| b == 0);
        let text = &self.title[..end.unwrap_or(TITLE_BYTES)];
        core::str::from_utf8(text).unwrap_or("")
    }

    /// Pads `text` for the title field; cuts it at a character if it is too long.
    #[must_use]
    pub fn title_bytes(text: &str) -> [u8; TITLE_BYTES] {
        let mut bytes = [0; TITLE_BYTES];
        let mut end = 0;
        for c in text.chars().filter(|c| !c.is_control()) {
            if end + c.len_utf8() > TITLE_BYTES {
                break;
            }
            end += c.encode_utf8(&mut bytes[end..]).len();
        }
        bytes
    }

    /// Checks every rule and limit; `emit` trusts its caller, writers call this first.
    ///
    /// # Errors
    /// The first field that breaks a rule.
    pub fn check(&self) -> Result<(), ErrorKind> {
        require(self.version_major == VERSION_MAJOR, "version_major")?;
        check_codings([self.coding, self.level, self.sound as u8])?;
        require(self.reel_id != 0, "reel_id")?;
        require(
            self.part >= 1 && (self.parts == 0 || self.part <= self.parts),
            "part",
        )?;
        self.check_times()?;
        self.check_panel()?;
        self.check_sound()?;
        self.check_limits()?;
        self.check_places()?;
        self.check_title()
    }

    fn check_times(&self) -> Result<(), ErrorKind> {
        let known = |t: u64| t == UNKNOWN || t < MAX_TIME;
        limit("first_tick", self.first_tick, MAX_TIME - 1)?;
        require(known(self.duration), "duration")?;
        require(self.end_tick().is_none_or(known), "duration")?;
        require(
            known(self.reel_duration) && (self.is_live() || self.reel_duration >= self.duration),
            "reel_duration",
        )?;
        require(CLOCK_RATES.contains(&self.clock_rate), "clock_rate")?;
        require(
            Ratio::new(self.rate.num, self.rate.den) == Some(self.rate),
            "rate",
        )?;
        require(
            u64::from(self.rate.num) <= u64::from(self.rate.den) * u64::from(MAX_RATE),
            "rate",
        )
    }

    fn check_panel(&self) -> Result<(), ErrorKind> {
        require((1..=MAX_SIDE).contains(&self.width), "width")?;
        require((1..=MAX_SIDE).contains(&self.height), "height")?;
        let offset = |name, pixels: u16| limit(name, pixels.into(), u64::from(MAX_SIDE) - 1);
        offset("x_offset", self.x_offset)?;
        offset("y_offset", self.y_offset)?;
        let patch = self.coding == PATCH;
        require(!patch || self.width.max(self.height) <= 512, "width")?;
        let least = Self::least_memory(self.coding, self.width, self.height);
        require(self.working_memory >= least, "working_memory")
    }

    fn check_sound(&self) -> Result<(), ErrorKind> {
        let channels = u8::from(self.sound != SoundCoding::None);
        require(self.channels == channels, "channels")
    }

    fn check_limits(&self) -> Result<(), ErrorKind> {
        let chunk = u64::from(self.largest_chunk);
        let align = ALIGN as u64;
        limit("largest_chunk", chunk, u64::from(MAX_CHUNK))?;
        require(
            chunk >= super::chunk::CHUNK_HEADER as u64 && chunk.is_multiple_of(align),
            "largest_chunk",
        )?;
        limit(
            "most_pictures",
            u64::from(self.most_pictures),
            u64::from(MAX_PICTURES),
        )?;
        limit(
            "most_ticks",
            u64::from(self.most_ticks),
            u64::from(MAX_SLICE_SECONDS * self.clock_rate),
        )?;
        limit("largest_sound", u64::from(self.largest_sound), chunk)?;
        limit("largest_picture", u64::from(self.largest_picture), chunk)?;
        limit(
            "working_memory",
            u64::from(self.working_memory),
            u64::from(MAX_WORKING_MEMORY),
        )
    }

    fn check_places(&self) -> Result<(), ErrorKind> {
        let align = ALIGN as u64;
        let place = |name, offset: u64, length: u32| {
            require(
                (offset == 0) == (length == 0)
                    && (offset == 0 || offset >= FIRST_CHUNK)
                    && offset.is_multiple_of(align)
                    && u64::from(length).is_multiple_of(align)
                    && offset <= MAX_OFFSET,
                name,
            )?;
            limit(name, u64::from(length), u64::from(MAX_CHUNK))
        };
        place("index_offset", self.index_offset, self.index_length)?;
        place(
            "poster_offset",
            self.poster_offset.into(),
            self.poster_length,
        )?;
        place(
            "tables_offset",
            self.tables_offset.into(),
            self.tables_length,
        )?;
        limit(
            "tables_length",
            self.tables_length.into(),
            super::chunk::side_chunk_length(MAX_SIDE_DATA.into()),
        )?;
        require(
            self.first_slice >= FIRST_CHUNK
                && self.first_slice.is_multiple_of(align)
                && self.first_slice <= MAX_OFFSET,
            "first_slice",
        )?;
        require(
            (self.file_length == 0) == self.is_live()
                && self.file_length.is_multiple_of(align)
                && self.file_length <= MAX_OFFSET,
            "file_length",
        )?;
        self.check_index()
    }

    fn check_index(&self) -> Result<(), ErrorKind> {
        let bytes = super::index::chunk_length(self.index_entries);
        let expected = if self.index_entries == 0 { 0 } else { bytes };
        require(u64::from(self.index_length) == expected, "index_length")?;
        require(
            (self.index_step == 0) == (self.index_entries == 0),
            "index_step",
        )
    }

    fn check_title(&self) -> Result<(), ErrorKind> {
        let end = self.title.iter().position(|&b| b == 0);
        let (text, padding) = self.title.split_at(end.unwrap_or(TITLE_BYTES));
        let text = core::str::from_utf8(text).map_err(|_| ErrorKind::Field { name: "title" })?;
        require(
            !text.contains(char::is_control) && padding.iter().all(|&b| b == 0),
            "title",
        )
    }
}

/// Tells a reel, a reel changed in transfer, and something else apart.
fn check_magic(sector: &[u8; SECTOR]) -> Result<(), ErrorKind> {
    let b = &sector[..8];
    if b == MAGIC {
        return Ok(());
    }
    // Line ends translated either way, or the top bit lost.
    let name = b[0] & 0x7F == MAGIC[0] & 0x7F && b[1..4] == MAGIC[1..4];
    Err(if name {
        ErrorKind::TextMode
    } else {
        ErrorKind::NotAReel
    })
}

/// Codings and levels that this reader does not know are no damage: a newer
/// one plays them.
fn check_codings([coding, level, sound]: [u8; 3]) -> Result<(), ErrorKind> {
    let newer = |name, number: u8, known: bool| match known {
        true => Ok(()),
        false => Err(ErrorKind::Coding { name, number }),
    };
    newer("coding", coding, coding <= PATCH)?;
    let levels = if coding == PATCH { 1..=2 } else { 0..=0 };
    newer("level", level, levels.contains(&level))?;
    newer("sound", sound, SoundCoding::get(&[sound]).is_some())
}
