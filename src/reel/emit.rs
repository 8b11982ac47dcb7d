//! Chunks out, in order, and the rules a slice must keep.

use super::chunk::{CHUNK_HEADER, ChunkHeader, Kind, chunk_length, side_chunk_length};
use super::content::Slice;
use super::end::{END_PAYLOAD, End};
use super::error::{ErrorKind, ReelError};
use super::header::Header;
use super::layout::{
    FIRST_CHUNK, MAX_CHUNK, MAX_SIDE_DATA, MAX_TIME, SECTOR, part_length, seal_part,
};
use super::settings::{Settings, note_text};
use std::io::{self, Write};

/// Why a reel could not be written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum WriteError {
    /// The sink failed.
    #[error("cannot write the reel: {why}", why = crate::files::reason(.0))]
    Io(#[from] io::Error),
    /// The caller broke a rule of the format.
    #[error(transparent)]
    Reel(#[from] ReelError),
    /// The next chunk would pass the size limit.
    #[error(
        "the reel would be larger than {limit} bytes, the most its card can hold in one file; \
         write it in parts with --part-size (a larger one for a card that is not FAT32), or lower the rate, size or quality"
    )]
    TooLarge {
        /// The limit in bytes.
        limit: u64,
    },
}

pub(crate) fn refuse(rule: &'static str, offset: u64) -> WriteError {
    ReelError::at(ErrorKind::Refused { rule }, offset).into()
}

/// Chunks out, in order, with the sums that header and end need.
pub(crate) struct Emitter<W> {
    pub(crate) sink: W,
    pub(crate) header: Header,
    pub(crate) chunk: Vec<u8>,
    pub(crate) offset: u64,
    pub(crate) number: u32,
    pub(crate) end: End,
    pub(crate) payload: u64,
    pub(crate) largest: Largest,
    pub(crate) size_limit: Option<u64>,
    /// Number of the next picture in the whole reel.
    pub(crate) next_picture: u32,
    /// Whether something is lost before the next slice.
    pub(crate) gap_next: bool,
}

#[derive(Default)]
pub(crate) struct Largest {
    pub(crate) chunk: u32,
    pub(crate) pictures: u16,
    pub(crate) ticks: u32,
    pub(crate) sound: u32,
    pub(crate) picture: u32,
}

impl<W: Write> Emitter<W> {
    /// `poster`: the payload of a key picture, or nothing.
    pub(crate) fn new(sink: W, settings: &Settings, poster: &[u8]) -> Result<Self, WriteError> {
        let mut header = settings.header();
        check_side_data(settings, poster)?;
        header.reel_id = settings.reel_id(&header, poster);
        place_side_data(&mut header, settings, poster);
        header.check().map_err(|kind| ReelError::at(kind, 0))?;
        Ok(Self {
            sink,
            header,
            chunk: Vec::new(),
            offset: 0,
            number: 0,
            end: End::default(),
            payload: 0,
            largest: Largest::default(),
            size_limit: settings.size_limit,
            next_picture: settings.start.picture,
            gap_next: false,
        })
    }

    pub(crate) fn start(&mut self, settings: &Settings, poster: &[u8]) -> Result<(), WriteError> {
        self.sink.write_all(&header_sectors(&self.header))?;
        self.offset = FIRST_CHUNK;
        for (kind, bytes) in [
            (Kind::Poster, poster),
            (Kind::Tables, &settings.tables),
            (Kind::Note, settings.note.as_bytes()),
        ] {
            if !bytes.is_empty() {
                self.side_chunk(kind, bytes)?;
            }
        }
        Ok(())
    }

    /// Tick at which the next slice starts.
    pub(crate) fn time(&self) -> u64 {
        self.header.first_tick + self.end.ticks
    }

    pub(crate) fn side_chunk(&mut self, kind: Kind, payload: &[u8]) -> Result<(), WriteError> {
        let flags = if kind == Kind::End {
            0
        } else {
            ChunkHeader::SKIPPABLE
        };
        let h = ChunkHeader {
            flags,
            bytes: payload.len() as u32,
            ..self.chunk_header(kind, part_length(payload.len()))
        };
        self.begin(&h);
        self.part(payload);
        self.send(&h)
    }

    /// The header of the next chunk, whose parts take `used` bytes.
    fn chunk_header(&self, kind: Kind, used: usize) -> ChunkHeader {
        ChunkHeader {
            kind: kind as u8,
            flags: 0,
            pictures: 0,
            number: self.number,
            length: chunk_length(used as u64) as u32,
            used: used as u32,
            ticks: 0,
            time: self.time(),
            bytes: 0,
            first_picture: self.next_picture,
            id_low: self.header.id_low(),
        }
    }

    fn begin(&mut self, h: &ChunkHeader) {
        let mut bytes = [0; CHUNK_HEADER];
        h.emit(&mut bytes);
        self.chunk.clear();
        self.chunk.extend_from_slice(&bytes);
    }

    fn part(&mut self, payload: &[u8]) {
        let start = self.chunk.len();
        self.chunk.extend_from_slice(payload);
        seal_part(&mut self.chunk, start);
    }

    fn send(&mut self, h: &ChunkHeader) -> Result<(), WriteError> {
        self.chunk.resize(h.length as usize, 0);
        let after = self.offset + u64::from(h.length);
        if let Some(limit) = self.size_limit
            && after > limit
        {
            return Err(WriteError::TooLarge { limit });
        }
        self.sink.write_all(&self.chunk)?;
        self.offset = after;
        self.number += 1;
        Ok(())
    }

    pub(crate) fn slice(&mut self, slice: &Slice) -> Result<ChunkHeader, WriteError> {
        self.check_slice(slice)?;
        let h = self.slice_header(slice);
        self.begin(&h);
        self.part(&slice.sound);
        self.directory(slice);
        for picture in &slice.pictures {
            self.part(&picture.bytes);
        }
        self.send(&h)?;
        self.count(slice, &h);
        Ok(h)
    }

    fn slice_header(&self, slice: &Slice) -> ChunkHeader {
        let key = if slice.key { ChunkHeader::KEY } else { 0 };
        let gap = if self.gap_next || slice.time > self.time() {
            ChunkHeader::GAP
        } else {
            0
        };
        ChunkHeader {
            flags: key
                | gap
                | if slice.is_even() {
                    ChunkHeader::EVEN
                } else {
                    0
                },
            pictures: slice.pictures.len() as u16,
            ticks: slice.ticks,
            time: slice.time,
            bytes: slice.sound.len() as u32,
            ..self.chunk_header(Kind::Slice, slice.payload_length())
        }
    }

    fn directory(&mut self, slice: &Slice) {
        let start = self.chunk.len();
        let bytes = slice.entry_bytes();
        for picture in &slice.pictures {
            self.chunk
                .extend_from_slice(&picture.header().emit()[..bytes]);
        }
        seal_part(&mut self.chunk, start);
    }

    fn check_slice(&self, slice: &Slice) -> Result<(), WriteError> {
        let refuse = |rule| Err(refuse(rule, self.offset));
        if slice.time < self.time() {
            return refuse("a slice starts before the one before it ends");
        }
        if slice.ticks == 0 || slice.ticks > self.header.most_ticks {
            return refuse("a slice lasts from one tick to ten seconds");
        }
        if slice.time >= MAX_TIME - u64::from(slice.ticks) {
            return refuse("a slice's time is past the format's limit");
        }
        let fits = u32::try_from(slice.sound.len())
            .is_ok_and(|n| n <= MAX_CHUNK && self.header.sound.fits(slice.ticks, n));
        if !fits {
            return refuse("a slice's sound block is not as long as its ticks need");
        }
        if slice.key != slice.pictures.first().is_some_and(|p| p.key) {
            return refuse("a slice is a key slice exactly if its first picture is a key picture");
        }
        if self.end.slices == 0 && !slice.key && !self.gap_next {
            return refuse("the first slice must be a key slice");
        }
        if slice.pictures.len() > usize::from(self.header.most_pictures) {
            return refuse("a slice holds more pictures than the limit");
        }
        if slice.chunk_length() > u64::from(self.header.largest_chunk) {
            return refuse("a slice is larger than the limit; make slices shorter");
        }
        self.check_pictures(slice)
    }

    fn check_pictures(&self, slice: &Slice) -> Result<(), WriteError> {
        let refuse = |rule| Err(refuse(rule, self.offset));
        let mut earliest = 0;
        for p in &slice.pictures {
            if p.tick_offset < earliest || p.tick_offset >= slice.ticks {
                return refuse("pictures must lie in their slice, in order of time");
            }
            earliest = p.tick_offset + 1;
            if p.unchanged != p.bytes.is_empty() || p.unchanged && p.key {
                return refuse("an unchanged picture has no payload, and only such a one");
            }
        }
        Ok(())
    }

    fn count(&mut self, slice: &Slice, h: &ChunkHeader) {
        self.gap_next = false;
        self.next_picture = self.next_picture.wrapping_add(h.pictures.into());
        let end = &mut self.end;
        end.gaps += u32::from(h.is_after_gap());
        end.ticks = h.end() - self.header.first_tick;
        end.slices += 1;
        end.pictures += u32::from(h.pictures);
        end.sound_bytes += u64::from(h.bytes);
        self.payload += u64::from(h.bytes);
        let largest = &mut self.largest;
        largest.chunk = largest.chunk.max(h.length);
        largest.pictures = largest.pictures.max(h.pictures);
        largest.ticks = largest.ticks.max(h.ticks);
        largest.sound = largest.sound.max(h.bytes);
        for p in &slice.pictures {
            self.payload += p.bytes.len() as u64;
            largest.picture = largest.picture.max(p.bytes.len() as u32);
        }
    }

    pub(crate) fn finish(&mut self, header: &Header) -> Result<(), WriteError> {
        let mut sector = [0; SECTOR];
        header.emit(&mut sector);
        self.end.offset = self.offset;
        let mut payload = [0; END_PAYLOAD];
        self.end.emit(&sector, &mut payload);
        self.side_chunk(Kind::End, &payload)
    }
}

/// Sector 0 and its copy.
pub(crate) fn header_sectors(header: &Header) -> [u8; 2 * SECTOR] {
    let mut sectors = [0; 2 * SECTOR];
    let (first, copy) = sectors.split_at_mut(SECTOR);
    if let Some(sector) = first.first_chunk_mut() {
        header.emit(sector);
    }
    copy.copy_from_slice(first);
    sectors
}

fn check_side_data(settings: &Settings, poster: &[u8]) -> Result<(), WriteError> {
    if side_chunk_length(poster.len() as u64) > MAX_CHUNK.into() {
        return Err(refuse("a poster's chunk takes at most 4 MiB", 0));
    }
    let most = settings.tables.len().max(settings.note.len());
    if most > MAX_SIDE_DATA as usize {
        return Err(refuse("tables and note hold at most 65536 bytes each", 0));
    }
    if note_text(&settings.note) != settings.note {
        return Err(refuse(
            "a note holds no control characters but line feed and tab",
            0,
        ));
    }
    Ok(())
}

/// Fills in where poster, tables and first slice lie.
fn place_side_data(header: &mut Header, settings: &Settings, poster: &[u8]) {
    let mut at = FIRST_CHUNK;
    let mut place = |bytes: usize| {
        let length = if bytes == 0 {
            0
        } else {
            side_chunk_length(bytes as u64)
        };
        let offset = if bytes == 0 { 0 } else { at };
        at += length;
        (offset as u32, length as u32)
    };
    (header.poster_offset, header.poster_length) = place(poster.len());
    (header.tables_offset, header.tables_length) = place(settings.tables.len());
    place(settings.note.len());
    header.first_slice = at;
}
