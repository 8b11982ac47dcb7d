//! Chunk headers, and the directory of the pictures in a slice.

use super::error::ErrorKind;
use super::layout::{
    Field, MAX_CHUNK, MAX_PICTURES, MAX_TIME, PRIVATE, SYNC, aligned, byte_enum, check_crc,
    check_part, crc32, fields, limit, part_length, require,
};
use byteorder::{ByteOrder, LittleEndian};

/// Bytes in a chunk header.
pub const CHUNK_HEADER: usize = 48;
/// Most bytes of a picture's entry in the directory of its slice.
pub const MOST_ENTRY: usize = 6;
/// Most bytes that a picture of up to 8192 bytes takes besides its payload: its
/// entry, padding and its checksum.
pub const PICTURE_OVERHEAD: usize = MOST_ENTRY + 3 + 4;
const CRC_AT: usize = CHUNK_HEADER - 4;

/// Bytes of each entry in the directory of a slice whose pictures are spread evenly or not.
pub(crate) const fn entry_bytes(even: bool) -> usize {
    if even { 3 } else { MOST_ENTRY }
}

/// Length of the chunk with `used` bytes of parts behind its header.
#[must_use]
pub const fn chunk_length(used: u64) -> u64 {
    aligned(CHUNK_HEADER as u64 + used)
}

/// Length of the chunk, not a slice, that carries `n` bytes of payload.
#[must_use]
pub const fn side_chunk_length(n: u64) -> u64 {
    chunk_length(part_length(n as usize) as u64)
}

byte_enum! {
    /// What a chunk carries.
    pub enum Kind {
        /// A picture for menus: a key picture in the reel's coding.
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
    /// The 48 bytes at the start of every chunk.
    #[derive(Clone, Copy, Debug, PartialEq, Eq)]
    pub struct ChunkHeader {
        /// What the chunk carries; see [`Kind`].
        kind: u8 = 4,
        /// [`KEY`](Self::KEY), [`GAP`](Self::GAP), [`EVEN`](Self::EVEN), [`SKIPPABLE`](Self::SKIPPABLE).
        flags: u8 = 5,
        /// Pictures in a slice, unchanged ones included.
        pictures: u16 = 6,
        /// Number of the chunk in this part, from 0.
        number: u32 = 8,
        /// Bytes in the whole chunk.
        length: u32 = 12,
        /// Bytes of parts behind the header, checksums included.
        used: u32 = 16,
        /// Ticks that a slice lasts.
        ticks: u32 = 20,
        /// Tick of a slice's first sample; of the next slice for other kinds.
        time: u64 = 24,
        /// Bytes of a slice's sound block, or of the payload of another kind.
        bytes: u32 = 32,
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
    /// Flag: the slice's pictures are spread evenly, and entries leave out their times.
    pub const EVEN: u8 = 4;
    /// Flag: a reader that does not know the kind may skip the chunk.
    pub const SKIPPABLE: u8 = 128;

    /// Reads and checks the header of a chunk. `newer`: the reel's minor
    /// version is above this reader's, whose reserved flags are then ignored.
    ///
    /// # Errors
    /// What is wrong; the caller knows where.
    pub fn parse(bytes: &[u8; CHUNK_HEADER], newer: bool) -> Result<Self, ErrorKind> {
        if bytes[..4] != SYNC {
            return Err(ErrorKind::NoSync);
        }
        check_crc(LittleEndian::read_u32(&bytes[CRC_AT..]), &bytes[..CRC_AT])?;
        let mut header = Self::read(bytes)?;
        if newer {
            header.flags &= Self::KEY | Self::GAP | Self::EVEN | Self::SKIPPABLE;
        }
        header.check(newer)?;
        Ok(header)
    }

    /// Writes the header, its checksum last.
    pub fn emit(&self, bytes: &mut [u8; CHUNK_HEADER]) {
        SYNC.put(bytes);
        self.write(bytes);
        let crc = crc32(&bytes[..CRC_AT]);
        crc.put(&mut bytes[CRC_AT..]);
    }

    /// The kind, if this version knows it.
    #[must_use]
    pub fn kind(&self) -> Option<Kind> {
        Kind::get(&[self.kind])
    }

    /// Whether the chunk is a slice.
    #[must_use]
    pub const fn is_slice(&self) -> bool {
        self.kind == Kind::Slice as u8
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

    /// Whether the slice's pictures are spread evenly.
    #[must_use]
    pub const fn is_even(&self) -> bool {
        self.flags & Self::EVEN != 0
    }

    /// Bytes of each entry in the slice's directory.
    #[must_use]
    pub const fn entry_bytes(&self) -> usize {
        entry_bytes(self.is_even())
    }

    /// Payload bytes of the slice's directory.
    #[must_use]
    pub const fn directory_bytes(&self) -> usize {
        self.pictures as usize * self.entry_bytes()
    }

    /// Tick at which a slice ends.
    #[must_use]
    pub const fn end(&self) -> u64 {
        self.time + self.ticks as u64
    }

    /// Bytes of a slice's sound block, 0 for other kinds.
    #[must_use]
    pub const fn sound_bytes(&self) -> u32 {
        if self.is_slice() { self.bytes } else { 0 }
    }

    /// Range of the first part's payload in the chunk: a slice's sound block, or
    /// what another kind carries.
    #[must_use]
    pub const fn payload(&self) -> core::ops::Range<usize> {
        CHUNK_HEADER..CHUNK_HEADER + self.bytes as usize
    }

    /// Range of all parts in the chunk.
    #[must_use]
    pub const fn parts(&self) -> core::ops::Range<usize> {
        CHUNK_HEADER..CHUNK_HEADER + self.used as usize
    }

    fn check(&self, newer: bool) -> Result<(), ErrorKind> {
        limit("length", self.length.into(), MAX_CHUNK.into())?;
        require(
            u64::from(self.length) == chunk_length(self.used.into()),
            "length",
        )?;
        require(self.time < MAX_TIME, "time")?;
        limit("bytes", self.bytes.into(), self.used.into())?;
        limit("pictures", self.pictures.into(), MAX_PICTURES.into())?;
        match self.kind() {
            Some(Kind::Slice) => self.check_slice(),
            Some(kind) => self.check_other(kind, newer),
            // Of a kind that is not known nothing more can be said.
            None => require(self.flags & !Self::SKIPPABLE == 0, "flags"),
        }
    }

    fn check_slice(&self) -> Result<(), ErrorKind> {
        require(
            self.flags & !(Self::KEY | Self::GAP | Self::EVEN) == 0,
            "flags",
        )?;
        require(
            self.pictures > 0 || !self.is_key() && !self.is_even(),
            "flags",
        )?;
        require(self.ticks > 0, "ticks")?;
        let least = part_length(self.bytes as usize) + part_length(self.directory_bytes());
        require(least <= self.used as usize, "used")
    }

    fn check_other(&self, kind: Kind, newer: bool) -> Result<(), ErrorKind> {
        let skippable = kind != Kind::End;
        let flags = if skippable { Self::SKIPPABLE } else { 0 };
        require(self.flags == flags, "flags")?;
        require(self.pictures == 0, "pictures")?;
        require(self.ticks == 0, "ticks")?;
        let least = part_length(self.bytes as usize);
        let used = self.used as usize;
        require(used == least || newer && used > least, "used")
    }

    /// Whether the kind is in the range that is nobody's but the user's.
    #[must_use]
    pub const fn is_private(&self) -> bool {
        self.kind >= PRIVATE
    }
}

/// Checks the payload of a whole chunk that is not a slice, and that what pads
/// it is zero, which a newer reel need not hold. `chunk` is exactly the chunk that
/// `header` heads.
///
/// # Errors
/// [`ErrorKind::Checksum`] or [`ErrorKind::Reserved`].
pub fn check_chunk(header: &ChunkHeader, chunk: &[u8], newer: bool) -> Result<(), ErrorKind> {
    let n = header.bytes as usize;
    check_part(&chunk[CHUNK_HEADER..][..part_length(n)], n)?;
    check_padding(header, chunk).or_else(|kind| if newer { Ok(()) } else { Err(kind) })
}

/// Checks that what follows the parts up to the chunk's end is zero.
pub(crate) fn check_padding(header: &ChunkHeader, chunk: &[u8]) -> Result<(), ErrorKind> {
    match chunk[header.parts().end..].iter().any(|&b| b != 0) {
        true => Err(ErrorKind::Reserved),
        false => Ok(()),
    }
}

/// Where `bytes`, which start where a chunk may, hold the header of a chunk of
/// the reel whose id has the low half `id_low`: its offset and meaning.
#[must_use]
pub fn find_chunk(bytes: &[u8], id_low: u32, newer: bool) -> Option<(usize, ChunkHeader)> {
    let last = bytes.len().checked_sub(CHUNK_HEADER)?;
    (0..=last)
        .step_by(super::layout::ALIGN)
        .filter(|&at| bytes[at..].starts_with(&SYNC))
        .find_map(|at| {
            let header = ChunkHeader::parse(bytes[at..].first_chunk()?, newer).ok()?;
            (header.id_low == id_low).then_some((at, header))
        })
}

/// Ticks from the start of a slice of `ticks` to picture `i` of `pictures` that are
/// spread evenly.
#[must_use]
pub const fn even_offset(i: u16, ticks: u32, pictures: u16) -> u32 {
    let pictures = if pictures == 0 { 1 } else { pictures };
    (i as u64 * ticks as u64 / pictures as u64) as u32
}

/// A picture's entry in the directory of its slice.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PictureHeader {
    /// Ticks from the slice's start to the picture's time.
    pub tick_offset: u32,
    /// Bytes of payload, without padding.
    pub length: u32,
    /// [`KEY`](Self::KEY), [`UNCHANGED`](Self::UNCHANGED).
    pub flags: u8,
}

impl PictureHeader {
    /// Flag: the picture needs no other before it.
    pub const KEY: u8 = 1;
    /// Flag: no payload; the panel keeps what it shows.
    pub const UNCHANGED: u8 = 2;
    /// Where the flags lie in the entry's first number; the length lies below.
    const FLAGS_AT: u32 = 22;

    /// Name and value of every field.
    #[must_use]
    pub fn numbers(&self) -> [(&'static str, u64); 3] {
        [
            ("tick_offset", self.tick_offset.into()),
            ("length", self.length.into()),
            ("flags", self.flags.into()),
        ]
    }

    /// Reads and checks entry `i` of the directory of slice `h`, of
    /// [`ChunkHeader::entry_bytes`].
    ///
    /// # Errors
    /// The field that breaks a rule.
    pub fn parse(bytes: &[u8], h: &ChunkHeader, i: u16) -> Result<Self, ErrorKind> {
        let short = || ErrorKind::Field { name: "length" };
        let number = |at: usize| {
            let bytes = bytes.get(at..).and_then(<[u8]>::first_chunk::<3>);
            bytes.map(|b| LittleEndian::read_u24(b)).ok_or_else(short)
        };
        let first = number(0)?;
        let header = Self {
            tick_offset: match h.is_even() {
                true => even_offset(i, h.ticks, h.pictures),
                false => number(3)?,
            },
            length: first & ((1 << Self::FLAGS_AT) - 1),
            flags: (first >> Self::FLAGS_AT) as u8,
        };
        require(header.flags != Self::KEY | Self::UNCHANGED, "flags")?;
        require(header.is_unchanged() == (header.length == 0), "length")?;
        Ok(header)
    }

    /// The entry, of which a slice that is even has the first 3 bytes; the caller has
    /// seen that the length fits a chunk.
    #[must_use]
    pub fn emit(&self) -> [u8; MOST_ENTRY] {
        let mut bytes = [0; MOST_ENTRY];
        let first = self.length | u32::from(self.flags) << Self::FLAGS_AT;
        LittleEndian::write_u24(&mut bytes, first);
        LittleEndian::write_u24(&mut bytes[3..], self.tick_offset);
        bytes
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
