//! Limits, marks and the way numbers lie in bytes. All numbers are
//! little-endian; every chunk starts on a multiple of [`ALIGN`].

use super::error::ErrorKind;
use crate::units::Ratio;
use byteorder::{ByteOrder, LittleEndian};

/// Bytes in a sector: the header, its copy, and what a card reads at least.
pub const SECTOR: usize = 512;
/// Chunks start on multiples of it, in bytes.
pub const ALIGN: usize = 16;
/// Bytes before the first chunk: sector 0 and its copy in sector 1.
pub const FIRST_CHUNK: u64 = 2 * SECTOR as u64;
/// Bytes of a part that one checksum covers at most. CRC-32 finds any three
/// flipped bits in up to 11,450 bytes (Koopman, 2002).
pub const PIECE: usize = 8192;
/// The first bytes of a reel. A byte above 127 catches transfers that drop the
/// top bit, the line ends catch translation in either direction, and the last
/// one stops a listing on old systems.
pub const MAGIC: [u8; 8] = [0xE7, b'T', b'B', b'R', 0x0A, 0x0D, 0x0A, 0x1A];
/// The first bytes of every chunk.
pub const SYNC: [u8; 4] = [0xE7, 0x63, 0x74, 0x3E];
/// Major version written, and the only one read.
pub const VERSION_MAJOR: u16 = 1;
/// Minor version written. Reserved fields and flags of a higher one are ignored.
pub const VERSION_MINOR: u16 = 0;
/// A duration that is not known: a live stream, or a reel that was never finished.
pub const UNKNOWN: u64 = u64::MAX;

/// Largest chunk, in bytes.
pub const MAX_CHUNK: u32 = 4 << 20;
/// Most pictures in a slice: their directory is one [`PIECE`].
pub const MAX_PICTURES: u16 = 512;
/// Largest panel width and height, in pixels.
pub const MAX_SIDE: u16 = 1024;
/// Lowest and highest clock rate, in ticks per second.
pub const CLOCK_RATES: core::ops::RangeInclusive<u32> = 4000..=96_000;
/// Highest picture rate, in frames per second.
pub const MAX_RATE: u32 = 240;
/// Longest slice, in seconds; also the furthest that time may jump ahead
/// unless something confirms it.
pub const MAX_SLICE_SECONDS: u32 = 10;
/// Largest payload of a tables chunk or a note, in bytes.
pub const MAX_SIDE_DATA: u32 = 64 << 10;
/// Most working memory a decoder may ask for, in bytes.
pub const MAX_WORKING_MEMORY: u32 = 16 << 20;
/// Times are below it, in ticks: 132 days at the highest clock rate.
pub const MAX_TIME: u64 = 1 << 40;
/// Offsets are at most it, in bytes: what the index can hold in 32 bits.
pub const MAX_OFFSET: u64 = (1 << 32) * ALIGN as u64;
/// Numbers from it on belong to whoever uses them: kinds of chunk, codings.
pub const PRIVATE: u8 = 192;
/// Largest file on a FAT32 card that ends on a sector: 4 GiB less a sector.
pub const FAT32_LIMIT: u64 = 4_294_966_784;
/// Bytes that setting a panel window costs on the bus (MIPI DCS: 2Ah, 2Bh with
/// four bytes each, 2Ch).
pub const WINDOW_BYTES: u32 = 11;

/// `n` rounded up to the next place where a chunk may start.
#[must_use]
pub const fn aligned(n: u64) -> u64 {
    n.div_ceil(ALIGN as u64) * ALIGN as u64
}

/// `n` rounded up to a multiple of four: parts inside a chunk are so aligned.
#[must_use]
pub const fn align4(n: usize) -> usize {
    n.div_ceil(4) * 4
}

/// Bytes of a part with `n` bytes of payload: payload, zeros up to a multiple
/// of four, then a checksum for each [`PIECE`] of these.
#[must_use]
pub const fn part_length(n: usize) -> usize {
    let padded = align4(n);
    padded + 4 * padded.div_ceil(PIECE)
}

/// Puts padding and checksums behind the payload that `bytes` holds from
/// `start` on, which makes it a part.
#[cfg(feature = "files")]
pub(crate) fn seal_part(bytes: &mut Vec<u8>, start: usize) {
    let end = start + align4(bytes.len() - start);
    bytes.resize(end, 0);
    let mut at = start;
    while at < end {
        let next = end.min(at + PIECE);
        let crc = crc32(&bytes[at..next]);
        bytes.extend_from_slice(&crc.to_le_bytes());
        at = next;
    }
}

/// Checks a part, which is exactly `part`: its `n` bytes of payload, its
/// padding, its checksums.
///
/// # Errors
/// [`ErrorKind::Checksum`], [`ErrorKind::Reserved`] for padding that is not
/// zero, or [`ErrorKind::Field`] if `part` is not as long as it must be.
pub fn check_part(part: &[u8], n: usize) -> Result<(), ErrorKind> {
    require(part.len() == part_length(n), "length")?;
    let (padded, sums) = part.split_at(align4(n));
    for (piece, sum) in padded.chunks(PIECE).zip(sums.chunks_exact(4)) {
        check_crc(LittleEndian::read_u32(sum), piece)?;
    }
    if padded[n..].iter().any(|&b| b != 0) {
        return Err(ErrorKind::Reserved);
    }
    Ok(())
}

/// CRC-32/ISO-HDLC of `bytes`.
#[must_use]
pub fn crc32(bytes: &[u8]) -> u32 {
    crc32fast::hash(bytes)
}

/// Compares a stored checksum with the bytes it covers. Under fuzzing every
/// checksum agrees, so that the parser behind it is reached.
pub(crate) fn check_crc(stored: u32, bytes: &[u8]) -> Result<(), ErrorKind> {
    let computed = crc32(bytes);
    if computed == stored || cfg!(fuzzing) {
        Ok(())
    } else {
        Err(ErrorKind::Checksum { stored, computed })
    }
}

/// `value` if it is at most `limit`, else an error that names it.
pub(crate) fn limit(name: &'static str, value: u64, limit: u64) -> Result<(), ErrorKind> {
    if value > limit {
        Err(ErrorKind::Limit { name, value, limit })
    } else {
        Ok(())
    }
}

/// An error for field `name` unless `ok`.
pub(crate) fn require(ok: bool, name: &'static str) -> Result<(), ErrorKind> {
    if ok {
        Ok(())
    } else {
        Err(ErrorKind::Field { name })
    }
}

/// A value that lies in a fixed number of bytes.
pub(crate) trait Field: Sized {
    /// Bytes it takes.
    const SIZE: usize;
    /// The value in the first `SIZE` bytes, if they hold one.
    fn get(bytes: &[u8]) -> Option<Self>;
    /// Writes the value into the first `SIZE` bytes.
    fn put(&self, bytes: &mut [u8]);
    /// The value as a number, where it is one of at most eight bytes.
    fn number(&self) -> u64 {
        let mut bytes = [0; 8];
        if Self::SIZE <= 8 {
            self.put(&mut bytes);
        }
        u64::from_le_bytes(bytes)
    }
}

macro_rules! number_fields {
    ($($t:ty: $read:ident, $write:ident);*) => {$(
        impl Field for $t {
            const SIZE: usize = size_of::<$t>();
            fn get(bytes: &[u8]) -> Option<Self> {
                (bytes.len() >= Self::SIZE).then(|| LittleEndian::$read(bytes))
            }
            fn put(&self, bytes: &mut [u8]) {
                LittleEndian::$write(bytes, *self);
            }
        }
    )*};
}
number_fields!(u16: read_u16, write_u16; u32: read_u32, write_u32; u64: read_u64, write_u64);

impl Field for u8 {
    const SIZE: usize = 1;
    fn get(bytes: &[u8]) -> Option<Self> {
        bytes.first().copied()
    }
    fn put(&self, bytes: &mut [u8]) {
        bytes[0] = *self;
    }
}

impl<const N: usize> Field for [u8; N] {
    const SIZE: usize = N;
    fn get(bytes: &[u8]) -> Option<Self> {
        bytes.first_chunk().copied()
    }
    fn put(&self, bytes: &mut [u8]) {
        bytes[..N].copy_from_slice(self);
    }
}

impl Field for Ratio {
    const SIZE: usize = 8;
    fn get(bytes: &[u8]) -> Option<Self> {
        let (num, den) = (u32::get(bytes)?, u32::get(&bytes[4..])?);
        Self::new(num, den).filter(|r| r.num == num)
    }
    fn put(&self, bytes: &mut [u8]) {
        self.num.put(bytes);
        self.den.put(&mut bytes[4..]);
    }
}

/// A structure whose fields and their offsets stand once, in one table from
/// which both directions are made.
macro_rules! fields {
    ($(#[$meta:meta])* pub struct $name:ident {
        $($(#[$fmeta:meta])* $field:ident: $ty:ty = $at:expr),* $(,)?
    }) => {
        $(#[$meta])*
        pub struct $name { $($(#[$fmeta])* pub $field: $ty),* }

        impl $name {
            /// Name, offset and size in bytes of every field, as the format text has them.
            pub const FIELDS: &'static [(&'static str, usize, usize)] = &[
                $((stringify!($field), $at, <$ty as $crate::reel::layout::Field>::SIZE)),*
            ];

            /// Name and value of every field, as the little-endian number its bytes
            /// make; 0 for text.
            #[must_use]
            pub fn numbers(&self) -> [(&'static str, u64); Self::FIELDS.len()] {
                use $crate::reel::layout::Field;
                [$((stringify!($field), self.$field.number())),*]
            }

            fn read(bytes: &[u8]) -> Result<Self, $crate::reel::error::ErrorKind> {
                use $crate::reel::layout::Field;
                Ok(Self { $($field: <$ty as Field>::get(&bytes[$at..])
                    .ok_or($crate::reel::error::ErrorKind::Field { name: stringify!($field) })?),* })
            }

            fn write(&self, bytes: &mut [u8]) {
                use $crate::reel::layout::Field;
                $(self.$field.put(&mut bytes[$at..]);)*
            }
        }
    };
}
pub(crate) use fields;

/// A one-byte field of named values.
macro_rules! byte_enum {
    ($(#[$meta:meta])* pub enum $name:ident { $($(#[$vmeta:meta])* $variant:ident = $value:literal),* $(,)? }) => {
        $(#[$meta])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
        pub enum $name { $($(#[$vmeta])* $variant = $value),* }

        impl $crate::reel::layout::Field for $name {
            const SIZE: usize = 1;
            fn get(bytes: &[u8]) -> Option<Self> {
                match *bytes.first()? { $($value => Some(Self::$variant),)* _ => None }
            }
            fn put(&self, bytes: &mut [u8]) {
                bytes[0] = *self as u8;
            }
        }
    };
}
pub(crate) use byte_enum;
