//! The container: a header, then chunks on 512-byte boundaries, each one time
//! slice with its sound before its pictures. `spec/container.md` is the
//! normative text.
//!
//! Which files serve which need, each using only those before it:
//!
//! | need | files |
//! |---|---|
//! | what is this reel: size, duration, title | `error`, `layout`, `header` |
//! | seek | `chunk`, `index` |
//! | play | `end`, `slice`, `reader` |
//! | write (with an operating system) | `content`, `settings`, `emit`, `pace`, `writer`, `draft` |
//! | read files, check, mend (with an operating system) | `file`, `survey`, `verify`, `repair`, `split` |
//!
//! The upper three need neither an operating system nor an allocator. Payloads
//! are opaque bytes with a coding's number.

mod chunk;
mod end;
mod error;
mod header;
mod index;
mod layout;
mod reader;
mod slice;

#[cfg(feature = "host")]
mod content;
#[cfg(feature = "host")]
mod draft;
#[cfg(feature = "host")]
mod emit;
#[cfg(feature = "host")]
mod file;
#[cfg(feature = "host")]
mod pace;
#[cfg(feature = "host")]
mod repair;
#[cfg(feature = "host")]
mod settings;
#[cfg(feature = "host")]
mod split;
#[cfg(feature = "host")]
mod survey;
#[cfg(feature = "host")]
mod verify;
#[cfg(feature = "host")]
mod writer;

pub use chunk::{
    CHUNK_HEADER, ChunkHeader, Kind, PICTURE_HEADER, PictureHeader, check_chunk, chunk_length,
    find_chunk,
};
pub use end::{END_PAYLOAD, End};
pub use error::{Blame, ErrorKind, ReelError};
pub use header::{Header, PixelFormat, Shape, SoundCoding, TITLE_BYTES, Wire};
pub use index::{ENTRIES_PER_SECTOR, IndexEntry, IndexSector};
pub use layout::*;
pub use reader::{Damage, Event, Need, Reader};

/// Where index sectors lie, and how long an index is.
pub mod index_layout {
    pub use super::index::{LEAD, chunk_length, payload_length, sector_of};
}

#[cfg(feature = "host")]
pub use {
    content::{Picture, Poster, Slice},
    draft::Draft,
    emit::WriteError,
    file::{FileError, Piece, ReelFile, WholeSlice},
    repair::{HeaderSource, Lost, RepairError, Repaired, repair},
    settings::{Settings, Start},
    split::{SplitError, part_path, split, split_to},
    survey::{SideRecord, SliceRecord, Survey},
    verify::{Finding, Verdict, verify},
    writer::{LiveWriter, ReelWriter, Summary},
};
