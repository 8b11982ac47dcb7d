//! The container: a header, its copy, then chunks, each one time slice with its
//! sound before its pictures, each of these with its own checksums.
//! `spec/container.md` is the normative text.
//!
//! Which files serve which need, each using only those before it:
//!
//! | need | files |
//! |---|---|
//! | what is this reel: size, duration, title | `error`, `layout`, `header` |
//! | seek | `chunk`, `index` |
//! | play | `end`, `slice`, `event`, `reader` |
//! | write (with an operating system) | `content`, `settings`, `emit`, `pace`, `writer` |
//! | read files, check, mend (with an operating system) | `file`, `survey`, `verify`, `repair`, `split` |
//!
//! The upper three need neither an operating system nor an allocator. Payloads
//! are opaque bytes with a coding's number.

mod chunk;
mod end;
mod error;
mod event;
mod header;
mod index;
mod layout;
mod panel;
mod reader;
mod slice;

#[cfg(feature = "files")]
mod content;
#[cfg(feature = "files")]
mod decoder;
#[cfg(feature = "files")]
mod emit;
#[cfg(feature = "files")]
mod file;
#[cfg(feature = "files")]
mod pace;
#[cfg(feature = "files")]
mod repair;
#[cfg(feature = "files")]
mod settings;
#[cfg(feature = "files")]
mod split;
#[cfg(feature = "files")]
mod survey;
#[cfg(feature = "files")]
mod verify;
#[cfg(feature = "files")]
mod writer;

#[cfg(feature = "model")]
pub(crate) use chunk::entry_bytes;
pub use chunk::{
    CHUNK_HEADER, ChunkHeader, Kind, MOST_ENTRY, PICTURE_OVERHEAD, PictureHeader, check_chunk,
    chunk_length, even_offset, find_chunk, side_chunk_length,
};
pub use end::{END_PAYLOAD, End};
pub use error::{ErrorKind, FaultSide, PartName, ReelError};
pub use event::{Damage, Event, Need};
pub use header::{Header, SoundCoding, TITLE_BYTES};
pub use index::{ENTRIES_PER_BLOCK, INDEX_BLOCK, IndexBlock, IndexEntry};
pub use layout::*;
pub use panel::{ByteOrder, Mounting, Shape, Wire};
pub use reader::Reader;

/// Where blocks of the index lie, and how long an index is.
pub mod index_layout {
    pub use super::index::{block_of, chunk_length, payload_length};
}

#[cfg(feature = "files")]
pub use {
    content::{Picture, Slice},
    emit::WriteError,
    file::{FileError, Piece, ReelFile, WholeSlice},
    repair::{HeaderSource, Lost, RepairError, Repaired, repair},
    settings::{Settings, Start, note_text},
    split::{SplitError, part_path, split, split_to},
    survey::{SideRecord, SliceRecord, Survey},
    verify::{Finding, Verdict, verify},
    writer::{LiveWriter, ReelWriter, Summary},
};
