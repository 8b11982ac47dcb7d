//! What a writer is handed: pictures and slices.

#[cfg(feature = "files")]
use crate::coding::Encoded;

use super::chunk::{PictureHeader, chunk_length, entry_bytes, even_offset};
use super::layout::part_length;

/// A picture as a slice carries it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Picture {
    /// Ticks from the slice's start to the picture's time.
    pub tick_offset: u32,
    /// Whether it needs no picture before it.
    pub key: bool,
    /// Whether the panel keeps what it shows; then `bytes` is empty.
    pub unchanged: bool,
    /// The payload.
    pub bytes: Vec<u8>,
}

impl Picture {
    /// What an encoder made, at `tick_offset` of its slice.
    #[cfg(feature = "files")]
    #[must_use]
    pub fn coded(tick_offset: u32, encoded: Encoded) -> Self {
        Self {
            tick_offset,
            key: encoded.key,
            unchanged: encoded.unchanged,
            bytes: encoded.bytes,
        }
    }

    pub(crate) fn of(header: &PictureHeader, bytes: &[u8]) -> Self {
        Self {
            tick_offset: header.tick_offset,
            key: header.is_key(),
            unchanged: header.is_unchanged(),
            bytes: bytes.to_vec(),
        }
    }

    pub(crate) fn header(&self) -> PictureHeader {
        let key = if self.key { PictureHeader::KEY } else { 0 };
        let unchanged = if self.unchanged {
            PictureHeader::UNCHANGED
        } else {
            0
        };
        PictureHeader {
            tick_offset: self.tick_offset,
            length: self.bytes.len() as u32,
            flags: key | unchanged,
        }
    }

    /// A picture in place of one that is lost: the panel keeps what it shows.
    pub(crate) fn kept(header: &PictureHeader) -> Self {
        Self {
            tick_offset: header.tick_offset,
            unchanged: true,
            ..Self::default()
        }
    }
}

/// A time slice.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Slice {
    /// Tick of its first sample.
    pub time: u64,
    /// Ticks it lasts, 1 or more.
    pub ticks: u32,
    /// Its sound block, coded; empty in a silent reel, and for silence.
    pub sound: Vec<u8>,
    /// Its pictures in order of time.
    pub pictures: Vec<Picture>,
    /// Whether its first picture needs no picture before it.
    pub key: bool,
}

impl Slice {
    /// A slice that is a key slice if its first picture is a key picture.
    #[must_use]
    pub fn new(time: u64, ticks: u32, sound: Vec<u8>, pictures: Vec<Picture>) -> Self {
        let key = pictures.first().is_some_and(|p| p.key);
        Self {
            time,
            ticks,
            sound,
            pictures,
            key,
        }
    }

    /// Whether its pictures are spread evenly over its ticks.
    #[must_use]
    pub fn is_even(&self) -> bool {
        let pictures = self.pictures.len() as u16;
        let even = |(i, p): (usize, &Picture)| {
            p.tick_offset == even_offset(i as u16, self.ticks, pictures)
        };
        pictures > 0 && self.pictures.iter().enumerate().all(even)
    }

    /// Bytes of an entry in its directory.
    pub(crate) fn entry_bytes(&self) -> usize {
        entry_bytes(self.is_even())
    }

    pub(crate) fn payload_length(&self) -> usize {
        let pictures = self.pictures.iter();
        part_length(self.sound.len())
            + part_length(self.pictures.len() * self.entry_bytes())
            + pictures.map(|p| part_length(p.bytes.len())).sum::<usize>()
    }

    /// Bytes of the chunk that will carry it.
    #[must_use]
    pub fn chunk_length(&self) -> u64 {
        chunk_length(self.payload_length() as u64)
    }
}
