//! The index: for equal steps of time, where the key slice lies. One block is
//! enough to seek.

use super::chunk::{self, CHUNK_HEADER};
use super::error::ErrorKind;
use super::layout::{ALIGN, Field, check_crc, crc32, require};

/// Bytes of a block: so few that a short reel's index is small.
pub const INDEX_BLOCK: usize = 128;
/// Entries in one block of the index.
pub const ENTRIES_PER_BLOCK: u32 = 14;
const ENTRY: usize = 8;
const FIRST_AT: usize = 112;
const ID_AT: usize = 116;
const STEP_AT: usize = 120;
const CRC_AT: usize = 124;

/// Payload bytes of an index of `entries` entries.
#[must_use]
pub const fn payload_length(entries: u32) -> u64 {
    entries.div_ceil(ENTRIES_PER_BLOCK) as u64 * INDEX_BLOCK as u64
}

/// Length of the index chunk of `entries` entries.
#[must_use]
pub const fn chunk_length(entries: u32) -> u64 {
    chunk::side_chunk_length(payload_length(entries))
}

/// Offset of the block of the index that holds entry `entry`.
#[must_use]
pub const fn block_of(index_offset: u64, entry: u32) -> u64 {
    index_offset + CHUNK_HEADER as u64 + INDEX_BLOCK as u64 * (entry / ENTRIES_PER_BLOCK) as u64
}

/// Where to start reading for a time.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct IndexEntry {
    /// Offset of the key slice in units of 16 bytes.
    pub place: u32,
    /// Its chunk number.
    pub number: u32,
}

impl IndexEntry {
    /// Offset of the key slice in bytes.
    #[must_use]
    pub const fn offset(self) -> u64 {
        self.place as u64 * ALIGN as u64
    }
}

/// One block of the index.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct IndexBlock {
    /// Number of its first entry.
    pub first: u32,
    /// Low half of the reel id.
    pub id_low: u32,
    /// Ticks between entries.
    pub step: u32,
    /// Its entries; those past the last entry of the index are zero.
    pub entries: [IndexEntry; ENTRIES_PER_BLOCK as usize],
}

impl IndexBlock {
    /// Reads and checks an block of the index.
    ///
    /// # Errors
    /// Its checksum, or the field that breaks a rule.
    pub fn parse(bytes: &[u8; INDEX_BLOCK]) -> Result<Self, ErrorKind> {
        let number = |at: usize| u32::get(&bytes[at..]).unwrap_or(0);
        check_crc(number(CRC_AT), &bytes[..CRC_AT])?;
        let first = number(FIRST_AT);
        require(first.is_multiple_of(ENTRIES_PER_BLOCK), "first_entry")?;
        let mut entries = [IndexEntry::default(); ENTRIES_PER_BLOCK as usize];
        for (i, entry) in entries.iter_mut().enumerate() {
            entry.place = number(i * ENTRY);
            entry.number = number(i * ENTRY + 4);
        }
        Ok(Self {
            first,
            id_low: number(ID_AT),
            step: number(STEP_AT),
            entries,
        })
    }

    /// Writes the block, its checksum last.
    pub fn emit(&self, bytes: &mut [u8; INDEX_BLOCK]) {
        for (i, entry) in self.entries.iter().enumerate() {
            entry.place.put(&mut bytes[i * ENTRY..]);
            entry.number.put(&mut bytes[i * ENTRY + 4..]);
        }
        self.first.put(&mut bytes[FIRST_AT..]);
        self.id_low.put(&mut bytes[ID_AT..]);
        self.step.put(&mut bytes[STEP_AT..]);
        crc32(&bytes[..CRC_AT]).put(&mut bytes[CRC_AT..]);
    }
}
