//! Chunk headers and the picture headers inside a slice.

use super::error::ErrorKind;
use super::layout::{
    Field, MAX_CHUNK, MAX_PICTURES, MAX_TIME, SECTOR, SYNC, byte_enum, check_crc, crc32, fields,
    limit, require, whole_sectors,
};

/// Bytes in a chunk header.
pub const CHUNK_HEADER: usize = 64;
/// Bytes in a picture header.
pub const PICTURE_HEADER: usize = 20;
const CRC_AT: usize = CHUNK_HEADER - 4;

/// Length of the chunk that carries `used` payload bytes: header, payload,
/// padding, checksum.
#[must_use]
pub const fn chunk_length(used: u64) -> u64 {
    whole_sectors(CHUNK_HEADER as u64 + used + 4)
}

byte_enum! {
    /// What a chunk carries.
    pub enum Kind {
        /// A picture for menus: `poster_width` x `poster_height` pixels, row by row.
        Poster = 1,
        /// Tables the picture coding keeps out of its pictures.
        Tables = 2,
        /// A time slice: sound and pictures.
        Slice = 3,
        /// Where to find the key slice for a time.
        Index = 4,
        /// Totals, and a copy of the header.
        End = 5,
        /// Text for people.
        Note = 6,
    }
}

fields! {
    /// The 64 bytes at the start of every chunk.
    #[derive(Clone, Copy, Debug, PartialEq, Eq)]
    pub struct ChunkHeader {
        /// What the chunk carries; see [`Kind`].
        kind: u8 = 4,
        /// [`KEY`](Self::KEY), [`GAP`](Self::GAP), [`SKIPPABLE`](Self::SKIPPABLE).
        flags: u8 = 5,
        /// Pictures in a slice, unchanged ones included.
        pictures: u16 = 6,
        /// Number of the chunk in this part, from 0.
        number: u32 = 8,
        /// Bytes in the whole chunk.
        length: u32 = 12,
        /// Bytes of payload.
        used: u32 = 16,
        /// Ticks that a slice lasts.
        ticks: u32 = 20,
        /// Tick of a slice's first sample; of the next slice for other kinds.
        time: u64 = 24,
        /// Bytes in a slice's sound block, without padding.
        sound_bytes: u32 = 32,
        /// Number of a slice's first picture in the whole reel.
        first_picture: u32 = 36,
        /// Low half of the reel id.
        id_low: u32 = 40,
    }
}

impl ChunkHeader {
    /// Flag: the slice's first picture needs no other before it.
    pub const KEY: u8 = 1;
    /// Flag: something is missing between the slice before and this one.
    pub const GAP: u8 = 2;
    /// Flag: a reader that does not know the kind may skip the chunk.
    pub const SKIPPABLE: u8 = 128;

    /// Reads and checks the header of a chunk.
    ///
    /// # Errors
    /// What is wrong; the caller knows where.
    pub fn parse(bytes: &[u8; CHUNK_HEADER]) -> Result<Self, ErrorKind> {
        if bytes[..4] != SYNC {
            return Err(ErrorKind::NoSync);
        }
        check_crc(u32::get(&bytes[CRC_AT..]).unwrap_or(0), &bytes[..CRC_AT])?;
        let header = Self::read(bytes)?;
        header.check()?;
        if header.fixed_part() != bytes[..CRC_AT] {
            return Err(ErrorKind::Reserved);
        }
        Ok(header)
    }

    /// Writes the header, its reserved bytes zero, its checksum last.
    pub fn emit(&self, bytes: &mut [u8; CHUNK_HEADER]) {
        bytes[..CRC_AT].copy_from_slice(&self.fixed_part());
        crc32(&bytes[..CRC_AT]).put(&mut bytes[CRC_AT..]);
    }

    fn fixed_part(&self) -> [u8; CRC_AT] {
        let mut bytes = [0; CRC_AT];
        SYNC.put(&mut bytes);
        self.write(&mut bytes);
        bytes
    }

    /// The kind, if this version knows it.
    #[must_use]
    pub fn kind(&self) -> Option<Kind> {
        Kind::get(&[self.kind])
    }

    /// Whether the slice's first picture needs no other before it.
    #[must_use]
    pub const fn is_key(&self) -> bool {
        self.flags & Self::KEY != 0
    }

    /// Whether something is missing before this slice.
    #[must_use]
    pub const fn is_after_gap(&self) -> bool {
        self.flags & Self::GAP != 0
    }

    /// Tick at which a slice ends.
    #[must_use]
    pub const fn end(&self) -> u64 {
        self.time + self.ticks as u64
    }

    /// Range of the payload in the chunk.
    #[must_use]
    pub const fn payload(&self) -> core::ops::Range<usize> {
        CHUNK_HEADER..CHUNK_HEADER + self.used as usize
    }

    fn check(&self) -> Result<(), ErrorKind> {
        limit("length", self.length.into(), MAX_CHUNK.into())?;
        require(
            u64::from(self.length) == chunk_length(self.used.into()),
            "length",
        )?;
        limit("time", self.time, MAX_TIME)?;
        limit("pictures", self.pictures.into(), MAX_PICTURES.into())?;
        match self.kind() {
            None => require(self.flags & !Self::SKIPPABLE == 0, "flags"),
            Some(Kind::Slice) => self.check_slice(),
            Some(kind) => self.check_other(kind),
        }
    }

    fn check_slice(&self) -> Result<(), ErrorKind> {
        require(self.flags & !(Self::KEY | Self::GAP) == 0, "flags")?;
        require(!self.is_key() || self.pictures > 0, "flags")?;
        require(self.ticks > 0, "ticks")?;
        limit("sound_bytes", self.sound_bytes.into(), self.used.into())
    }

    fn check_other(&self, kind: Kind) -> Result<(), ErrorKind> {
        let skippable = kind != Kind::End;
        let flags = if skippable { Self::SKIPPABLE } else { 0 };
        require(self.flags == flags, "flags")?;
        require(self.pictures == 0, "pictures")?;
        require(self.ticks == 0, "ticks")?;
        require(self.sound_bytes == 0, "sound_bytes")
    }
}

/// Checks a whole chunk's checksum, and that its padding is zero. `chunk` is
/// exactly the chunk that `header` heads.
///
/// # Errors
/// [`ErrorKind::Checksum`] or [`ErrorKind::Reserved`].
pub fn check_chunk(header: &ChunkHeader, chunk: &[u8]) -> Result<(), ErrorKind> {
    let (body, crc) = chunk.split_at(chunk.len() - 4);
    check_crc(u32::get(crc).unwrap_or(0), &body[CHUNK_HEADER..])?;
    if body[header.payload().end..].iter().any(|&b| b != 0) {
        return Err(ErrorKind::Reserved);
    }
    Ok(())
}

/// Where the sectors of `bytes` (which start on a sector boundary) hold the
/// header of a chunk of reel `id_low`: its offset and meaning.
#[must_use]
pub fn find_chunk(bytes: &[u8], id_low: u32) -> Option<(usize, ChunkHeader)> {
    bytes.chunks(SECTOR).enumerate().find_map(|(i, sector)| {
        let header = ChunkHeader::parse(sector.first_chunk()?).ok()?;
        (header.id_low == id_low).then_some((i * SECTOR, header))
    })
}

fields! {
    /// The 20 bytes before every picture in a slice.
    #[derive(Clone, Copy, Debug, PartialEq, Eq)]
    pub struct PictureHeader {
        /// Ticks from the slice's start to the picture's time.
        tick_offset: u32 = 0,
        /// Bytes of payload, without padding.
        length: u32 = 4,
        /// Picture coding: the header's, or 0 (raw).
        coding: u8 = 8,
        /// [`KEY`](Self::KEY), [`UNCHANGED`](Self::UNCHANGED).
        flags: u8 = 9,
        /// Windows set on the panel.
        windows: u16 = 10,
        /// Instructions to decode it, as the encoder's cost model has them.
        cost: u32 = 12,
        /// Bytes sent to the panel, window commands included.
        bus_bytes: u32 = 16,
    }
}

impl PictureHeader {
    /// Flag: the picture needs no other before it.
    pub const KEY: u8 = 1;
    /// Flag: no payload; the panel keeps what it shows.
    pub const UNCHANGED: u8 = 2;

    /// Reads and checks the header of a picture.
    ///
    /// # Errors
    /// The field that breaks a rule.
    pub fn parse(bytes: &[u8; PICTURE_HEADER]) -> Result<Self, ErrorKind> {
        let header = Self::read(bytes)?;
        let known = Self::KEY | Self::UNCHANGED;
        require(header.flags & !known == 0 && header.flags != known, "flags")?;
        let still = header.is_unchanged();
        require(still == (header.length == 0), "length")?;
        require(!still || header.windows == 0, "windows")?;
        require(!still || header.bus_bytes == 0, "bus_bytes")?;
        Ok(header)
    }

    /// Writes the header.
    pub fn emit(&self, bytes: &mut [u8; PICTURE_HEADER]) {
        self.write(bytes);
    }

    /// Whether the picture needs no other before it.
    #[must_use]
    pub const fn is_key(&self) -> bool {
        self.flags & Self::KEY != 0
    }

    /// Whether the panel keeps what it shows.
    #[must_use]
    pub const fn is_unchanged(&self) -> bool {
        self.flags & Self::UNCHANGED != 0
    }
}
