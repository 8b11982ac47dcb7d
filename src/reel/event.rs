//! What the reader answers with.

use super::chunk::{ChunkHeader, PictureHeader};
use super::end::End;
use super::error::ReelError;
use super::header::Header;

/// Bytes the reader wants next. `length` 0: it has all it needs; ask for events.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Need {
    /// Offset from the start of the reel.
    pub offset: u64,
    /// How many; fewer may be supplied at a time.
    pub length: usize,
}

/// A stretch of the reel that cannot be presented.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Damage {
    /// What is wrong, and where.
    pub error: ReelError,
    /// Bytes passed over, from the error's offset.
    pub length: u64,
    /// First tick that is missing.
    pub from: u64,
    /// First tick after it that is there; equal to `from` if no time is lost.
    pub to: u64,
}

/// What the reader found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Event<'a> {
    /// Sector 0, once.
    Header(&'a Header),
    /// A chunk besides slices and the end: poster, tables, note, index. Chunks
    /// that the buffer cannot hold are passed over without an event.
    Chunk(ChunkHeader, &'a [u8]),
    /// A slice begins; its sound and pictures follow.
    Slice(ChunkHeader),
    /// The slice's sound block, in a reel with sound.
    Sound {
        /// Tick of the first sample.
        tick: u64,
        /// Samples in it.
        ticks: u32,
        /// The block, without padding; empty: silence.
        bytes: &'a [u8],
    },
    /// A picture.
    Picture {
        /// When to show it.
        tick: u64,
        /// Its number in the whole reel.
        number: u32,
        /// Its header.
        header: PictureHeader,
        /// Its payload; empty if unchanged.
        bytes: &'a [u8],
    },
    /// A whole picture that builds on one that was lost: the panel keeps what it shows.
    Stale {
        /// When it should have been shown.
        tick: u64,
        /// Its number in the whole reel.
        number: u32,
        /// Its header.
        header: PictureHeader,
    },
    /// Something cannot be presented. Sound is silent from `from` to `to`, and
    /// the next sound goes on at `to`. If the error names a part of a slice, the
    /// slice's other parts follow.
    Damage(Damage),
    /// Nothing more will come. `None`: there was no end chunk.
    End(Option<End>),
}
