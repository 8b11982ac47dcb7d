//! Where the slices of a reel are: what a live stream is cut from.

use std::fs::File;
use std::io;

use crate::files::read_exact_at;
use crate::reel::{
    ALIGN, CHUNK_HEADER, ChunkHeader, FIRST_CHUNK, Header, Kind, SECTOR, find_chunk,
};

/// Bytes looked through at once for the next chunk after damage.
const SEARCH: usize = 64 * 1024;

/// A reel's header, side chunks and slices, found by walking its chunk headers.
#[derive(Debug)]
pub struct Table {
    /// The header as the file has it.
    pub header: Header,
    /// Poster and tables, in the file's order.
    pub side: Vec<Place>,
    /// Every slice whose header is in order.
    pub slices: Vec<Place>,
}

/// A chunk in the file.
#[derive(Clone, Copy, Debug)]
pub struct Place {
    /// Its offset.
    pub offset: u64,
    /// Its header.
    pub header: ChunkHeader,
}

impl Table {
    /// Walks the reel in `file`.
    ///
    /// # Errors
    /// A file that cannot be read, is no reel, or has no key slice to begin at.
    pub fn read(file: &File, length: u64) -> io::Result<Self> {
        let header = read_header(file)?;
        let mut table = Self {
            header,
            side: Vec::new(),
            slices: Vec::new(),
        };
        let mut offset = FIRST_CHUNK;
        while offset + CHUNK_HEADER as u64 <= length {
            let Some(place) = next_chunk(file, offset, length, &header)? else {
                break;
            };
            offset = place.offset + u64::from(place.header.length);
            if offset > length {
                break;
            }
            match place.header.kind() {
                Some(Kind::Slice) => table.slices.push(place),
                Some(Kind::Poster | Kind::Tables | Kind::Note) => table.side.push(place),
                _ => (),
            }
        }
        if table.slices.iter().any(|place| place.header.is_key()) {
            return Ok(table);
        }
        Err(io::Error::new(
            io::ErrorKind::InvalidData,
            "the reel has no key slice",
        ))
    }

    /// The first key slice at or after `tick`, else the first of all.
    #[must_use]
    pub fn key_from(&self, tick: u64) -> usize {
        let key = |place: &Place| place.header.is_key();
        let after = |place: &Place| key(place) && place.header.time >= tick;
        let found = self.slices.iter().position(after);
        found
            .or_else(|| self.slices.iter().position(key))
            .unwrap_or(0)
    }

    /// The last key slice at or before `tick`, else the first of all.
    #[must_use]
    pub fn key_before(&self, tick: u64) -> usize {
        let before = |place: &Place| place.header.is_key() && place.header.time <= tick;
        let found = self.slices.iter().rposition(before);
        found.unwrap_or_else(|| self.key_from(tick))
    }

    /// Ticks from the first slice's start to the last one's end.
    #[must_use]
    pub fn span(&self) -> (u64, u64) {
        let first = self.slices.first().map_or(0, |place| place.header.time);
        (
            first,
            self.slices.last().map_or(0, |place| place.header.end()),
        )
    }
}

/// Reads sector 0, or its copy.
///
/// # Errors
/// A file that cannot be read or does not begin as a reel does.
pub fn read_header(file: &File) -> io::Result<Header> {
    let mut sector = [0; SECTOR];
    read_exact_at(file, &mut sector, 0).map_err(|error| match error.kind() {
        io::ErrorKind::UnexpectedEof => io::Error::new(
            error.kind(),
            format!(
                "no reel: it has {} bytes, less than the {SECTOR} of a header; copy or convert it again",
                file.metadata().map_or(0, |known| known.len())
            ),
        ),
        _ => error,
    })?;
    let header = Header::parse(&sector).or_else(|error| {
        let copy = read_exact_at(file, &mut sector, SECTOR as u64);
        copy.ok()
            .and_then(|()| Header::parse(&sector).ok())
            .ok_or(error)
    });
    header.map_err(|error| io::Error::new(io::ErrorKind::InvalidData, error))
}

/// The chunk at `offset`, or the next after damage there.
fn next_chunk(file: &File, offset: u64, length: u64, reel: &Header) -> io::Result<Option<Place>> {
    let mut bytes = [0; CHUNK_HEADER];
    read_exact_at(file, &mut bytes, offset)?;
    match ChunkHeader::parse(&bytes, reel.is_newer()) {
        Ok(header) if header.id_low == reel.id_low() => Ok(Some(Place { offset, header })),
        _ => search(file, offset + ALIGN as u64, length, reel),
    }
}

fn search(file: &File, from: u64, length: u64, reel: &Header) -> io::Result<Option<Place>> {
    let mut piece = vec![0; SEARCH];
    let mut offset = from;
    while offset < length {
        let count = (length - offset).min(SEARCH as u64) as usize;
        read_exact_at(file, &mut piece[..count], offset)?;
        if let Some((at, header)) = find_chunk(&piece[..count], reel.id_low(), reel.is_newer()) {
            let offset = offset + at as u64;
            return Ok(Some(Place { offset, header }));
        }
        // A header may lie across the piece's end.
        offset += count.saturating_sub(CHUNK_HEADER) as u64 / ALIGN as u64 * ALIGN as u64;
        offset += ALIGN as u64;
    }
    Ok(None)
}
