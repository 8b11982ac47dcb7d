//! A reel in a file: opens, walks slice by slice, seeks.

use super::chunk::{ChunkHeader, Kind};
use super::content::{Picture, Slice};
use super::end::End;
use super::error::{ErrorKind, ReelError};
use super::event::{Damage, Event};
use super::header::Header;
use super::layout::{FIRST_CHUNK, MAX_CHUNK, SECTOR};
use super::reader::Reader;
use super::settings::note_text;
use super::slice::Part;
use std::fs::File;
use std::io::{self, BufReader, Read, Seek, SeekFrom};
use std::path::Path;

/// Why a reel could not be read.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum FileError {
    /// The source failed.
    #[error("cannot read the reel: {why}", why = crate::files::reason(.0))]
    Io(#[from] io::Error),
    /// The bytes are at fault.
    #[error(transparent)]
    Reel(#[from] ReelError),
}

/// The next piece of a reel.
#[derive(Clone, Debug, PartialEq)]
pub enum Piece {
    /// A slice, as far as its parts are in order.
    Slice(WholeSlice),
    /// A stretch that cannot be presented.
    Damage(Damage),
}

/// A slice as it was read.
#[derive(Clone, Debug, PartialEq)]
pub struct WholeSlice {
    /// Its chunk header.
    pub header: ChunkHeader,
    /// Offset of its chunk in the file.
    pub offset: u64,
    /// Its sound, empty if it is lost, and its pictures, unchanged ones in place
    /// of those that are lost.
    pub slice: Slice,
    /// For each picture, whether it is lost or builds on one that is: a player
    /// keeps what the panel shows.
    pub waits: Vec<bool>,
    /// Parts of it that are not in order.
    pub damage: Vec<Damage>,
}

impl WholeSlice {
    /// The pictures that a player shows, each with its number in the reel.
    pub fn shown(&self) -> impl Iterator<Item = (u32, &Picture)> {
        let first = self.header.first_picture;
        let numbers = (0..).map(move |i| first.wrapping_add(i));
        let pictures = numbers.zip(&self.slice.pictures).zip(&self.waits);
        pictures.filter_map(|(picture, waits)| (!waits).then_some(picture))
    }
}

/// A reel in anything that can be read and sought.
pub struct ReelFile<R> {
    source: R,
    reader: Reader<Vec<u8>>,
    header: Header,
    end: Option<End>,
    damage: Vec<Damage>,
    scratch: Vec<u8>,
}

/// Damage kept by [`ReelFile::next_slice`]; what comes after is only counted by the caller.
const DAMAGE_KEPT: usize = 1000;
const READ_BYTES: usize = 32 << 10;

impl ReelFile<BufReader<File>> {
    /// Opens the reel at `path`.
    ///
    /// # Errors
    /// A file that cannot be read, or whose header is not in order.
    pub fn open(path: impl AsRef<Path>) -> Result<Self, FileError> {
        Self::new(BufReader::new(File::open(path)?))
    }
}

impl<R: Read + Seek> ReelFile<R> {
    /// Opens the reel at the start of `source`.
    ///
    /// # Errors
    /// A source that fails, or a header that is not in order.
    pub fn new(source: R) -> Result<Self, FileError> {
        Self::with_buffer(source, 0)
    }

    /// Opens the reel with a buffer of at least `bytes` bytes, so that chunks of
    /// that size are checked whatever they are.
    ///
    /// # Errors
    /// As [`new`](Self::new).
    pub fn with_buffer(mut source: R, bytes: usize) -> Result<Self, FileError> {
        let mut sectors = Vec::with_capacity(FIRST_CHUNK as usize);
        source.seek(SeekFrom::Start(0))?;
        source
            .by_ref()
            .take(FIRST_CHUNK)
            .read_to_end(&mut sectors)?;
        let mut reader = Reader::new(vec![0; SECTOR.max(bytes).max(buffer_bytes(&sectors))]);
        reader.supply(&sectors);
        let mut header = first_header(&mut reader)?;
        if header.is_none() {
            reader.supply(sectors.get(SECTOR..).unwrap_or_default());
            reader.end_of_input();
            header = first_header(&mut reader)?;
            reader.input_goes_on();
        }
        let header = header.ok_or_else(|| ReelError::at(ErrorKind::NotAReel, 0))?;
        reader.set_source_length(source.seek(SeekFrom::End(0))?);
        // Both sectors were read, whichever it was.
        source.seek(SeekFrom::Start(reader.position()))?;
        Ok(Self {
            source,
            reader,
            header,
            end: None,
            damage: Vec::new(),
            scratch: vec![0; READ_BYTES],
        })
    }

    /// The header.
    #[must_use]
    pub fn header(&self) -> &Header {
        &self.header
    }

    /// The source beneath.
    pub fn source(&self) -> &R {
        &self.source
    }

    /// Offset of the chunk that the last event came from.
    #[must_use]
    pub fn chunk_offset(&self) -> u64 {
        self.reader.chunk_offset()
    }

    /// The copy of the header in sector 1, if it is in order.
    pub(crate) fn second_header(&mut self) -> Result<Option<Header>, FileError> {
        let place = self.source.stream_position()?;
        let mut sector = Vec::with_capacity(SECTOR);
        self.source.seek(SeekFrom::Start(SECTOR as u64))?;
        let source = self.source.by_ref();
        source.take(SECTOR as u64).read_to_end(&mut sector)?;
        self.source.seek(SeekFrom::Start(place))?;
        let copy = sector.first_chunk();
        Ok(copy.and_then(|sector| Header::parse(sector).ok()))
    }

    /// Length of the source in bytes.
    ///
    /// # Errors
    /// A source that fails.
    pub fn source_length(&mut self) -> Result<u64, FileError> {
        let place = self.source.stream_position()?;
        let length = self.source.seek(SeekFrom::End(0))?;
        self.source.seek(SeekFrom::Start(place))?;
        Ok(length)
    }

    /// The totals, once the end chunk was read.
    #[must_use]
    pub fn end(&self) -> Option<&End> {
        self.end.as_ref()
    }

    /// Damage that [`next_slice`](Self::next_slice) passed over, at most 1000 places.
    #[must_use]
    pub fn damage(&self) -> &[Damage] {
        &self.damage
    }

    /// Hands the next event to `see`; `false` after the end. `see` returns what
    /// it wants to keep of it.
    ///
    /// # Errors
    /// A source that fails, or a reel that needs a newer reader.
    pub fn next_event<T>(
        &mut self,
        see: impl FnOnce(&Event<'_>) -> T,
    ) -> Result<Option<T>, FileError> {
        self.next_event_at(|event, _| see(event))
    }

    /// As [`next_event`](Self::next_event); `see` is also told the offset of
    /// the chunk that the event came from.
    ///
    /// # Errors
    /// As [`next_event`](Self::next_event).
    pub fn next_event_at<T>(
        &mut self,
        see: impl FnOnce(&Event<'_>, u64) -> T,
    ) -> Result<Option<T>, FileError> {
        loop {
            if let Some((event, offset)) = self.reader.next_at()? {
                if let Event::End(end) = event {
                    self.end = end;
                }
                return Ok(Some(see(&event, offset)));
            }
            if self.reader.is_finished() {
                return Ok(None);
            }
            self.feed()?;
        }
    }

    fn feed(&mut self) -> Result<(), FileError> {
        let need = self.reader.need();
        if need.offset != self.reader.position() {
            self.source.seek(SeekFrom::Start(need.offset))?;
            self.reader.jump();
        }
        let length = need.length.min(self.scratch.len());
        let read = read_some(&mut self.source, &mut self.scratch[..length])?;
        if read == 0 {
            self.reader.end_of_input();
        }
        self.reader.supply(&self.scratch[..read]);
        Ok(())
    }

    /// The next slice or damage; `None` after the end.
    ///
    /// # Errors
    /// As [`next_event`](Self::next_event).
    pub fn next_piece(&mut self) -> Result<Option<Piece>, FileError> {
        loop {
            let seen = self.next_event(|event| match *event {
                Event::Slice(h) => Seen::Slice(h),
                Event::Damage(damage) => Seen::Damage(damage),
                _ => Seen::Other,
            })?;
            match seen {
                None => return Ok(None),
                Some(Seen::Slice(h)) => return Ok(Some(Piece::Slice(self.whole_slice(h)))),
                Some(Seen::Damage(damage)) => return Ok(Some(Piece::Damage(damage))),
                Some(Seen::Other) => {}
            }
        }
    }

    fn whole_slice(&mut self, header: ChunkHeader) -> WholeSlice {
        let offset = self.reader.chunk_offset();
        self.reader.whole_slice(header, offset)
    }

    /// The next slice, past any damage; `None` after the end. Pictures that
    /// build on lost ones are left out.
    ///
    /// # Errors
    /// As [`next_event`](Self::next_event).
    pub fn next_slice(&mut self) -> Result<Option<Slice>, FileError> {
        loop {
            match self.next_piece()? {
                None => return Ok(None),
                Some(Piece::Slice(whole)) => {
                    whole.damage.iter().for_each(|&damage| self.keep(damage));
                    let pictures = whole.shown().map(|(_, p)| p.clone()).collect();
                    return Ok(Some(Slice {
                        pictures,
                        ..whole.slice
                    }));
                }
                Some(Piece::Damage(damage)) => self.keep(damage),
            }
        }
    }

    fn keep(&mut self, damage: Damage) {
        if self.damage.len() < DAMAGE_KEPT {
            self.damage.push(damage);
        }
    }

    /// Goes to the last key slice at or before `tick`; slices follow from there.
    pub fn seek(&mut self, tick: u64) {
        self.reader.seek(tick);
    }

    /// Goes back to the first slice.
    pub fn rewind(&mut self) {
        self.reader.rewind();
    }

    /// The poster: the payload of a key picture in the reel's coding.
    ///
    /// # Errors
    /// A source that fails, or a poster that is damaged.
    pub fn poster(&mut self) -> Result<Option<Vec<u8>>, FileError> {
        let (offset, length) = (self.header.poster_offset, self.header.poster_length);
        self.side_chunk(Kind::Poster, offset.into(), length)
    }

    /// The tables of the picture coding.
    ///
    /// # Errors
    /// A source that fails, or tables that are damaged.
    pub fn tables(&mut self) -> Result<Option<Vec<u8>>, FileError> {
        let (offset, length) = (self.header.tables_offset, self.header.tables_length);
        self.side_chunk(Kind::Tables, offset.into(), length)
    }

    /// The note for people.
    ///
    /// # Errors
    /// A source that fails, or a note that is damaged.
    pub fn note(&mut self) -> Result<Option<String>, FileError> {
        let (offset, length) = self.header.note_place();
        let note = self.side_chunk(Kind::Note, offset, length)?;
        Ok(note.map(|bytes| note_text(&String::from_utf8_lossy(&bytes))))
    }

    /// The whole chunk of `length` bytes at `offset`, checked. Reading goes on
    /// where it was.
    ///
    /// # Errors
    /// A source that fails, or no such chunk there in order.
    pub fn chunk_at(
        &mut self,
        offset: u64,
        length: u32,
    ) -> Result<(ChunkHeader, Vec<u8>), FileError> {
        let place = self.source.stream_position()?;
        let newer = self.header.is_newer();
        let chunk = read_chunk(&mut self.source, offset, length, newer);
        self.source.seek(SeekFrom::Start(place))?;
        let (h, chunk) = chunk?;
        if h.id_low != self.header.id_low() {
            return Err(ReelError::at(ErrorKind::OtherReel, offset).into());
        }
        Ok((h, chunk))
    }

    fn side_chunk(
        &mut self,
        kind: Kind,
        offset: u64,
        length: u32,
    ) -> Result<Option<Vec<u8>>, FileError> {
        if length == 0 {
            return Ok(None);
        }
        let (h, chunk) = self.chunk_at(offset, length)?;
        if h.kind() != Some(kind) {
            return Err(ReelError::at(ErrorKind::NoSync, offset).into());
        }
        Ok(Some(chunk[h.payload()].to_vec()))
    }
}

enum Seen {
    Slice(ChunkHeader),
    Damage(Damage),
    Other,
}

/// The header, if the reader has found it.
fn first_header(reader: &mut Reader<Vec<u8>>) -> Result<Option<Header>, ReelError> {
    Ok(match reader.next()? {
        Some(Event::Header(header)) => Some(*header),
        _ => None,
    })
}

/// Bytes the reader will want for any chunk of the reel that these sectors, or
/// one of them, head.
fn buffer_bytes(sectors: &[u8]) -> usize {
    let parse = |s: &[u8]| s.first_chunk().and_then(|s| Header::parse(s).ok());
    let header = sectors.chunks(SECTOR).find_map(parse);
    header.map_or(0, |h| {
        let side = h.poster_length.max(h.tables_length).max(h.index_length);
        // Notes are not stated in the header.
        h.largest_chunk.max(side).max(NOTE_CHUNK) as usize
    })
}

const NOTE_CHUNK: u32 = super::chunk::side_chunk_length(super::layout::MAX_SIDE_DATA as u64) as u32;

/// Reads the whole chunk of `length` bytes at `offset` and checks it, a slice by
/// its header alone.
pub(crate) fn read_chunk<R: Read + Seek>(
    source: &mut R,
    offset: u64,
    length: u32,
    newer: bool,
) -> Result<(ChunkHeader, Vec<u8>), FileError> {
    let length = length.min(MAX_CHUNK);
    let mut chunk = Vec::new();
    source.seek(SeekFrom::Start(offset))?;
    source
        .by_ref()
        .take(length.into())
        .read_to_end(&mut chunk)?;
    let at = |kind| ReelError::at(kind, offset);
    let h = match chunk.first_chunk() {
        Some(bytes) if chunk.len() == length as usize => {
            ChunkHeader::parse(bytes, newer).map_err(at)?
        }
        _ => return Err(at(ErrorKind::Truncated).into()),
    };
    if h.length != length {
        return Err(at(ErrorKind::Field { name: "length" }).into());
    }
    if !h.is_slice() {
        super::chunk::check_chunk(&h, &chunk, newer).map_err(|kind| at(kind).in_chunk(h.number))?;
    }
    Ok((h, chunk))
}

fn read_some(source: &mut impl Read, buffer: &mut [u8]) -> io::Result<usize> {
    loop {
        match source.read(buffer) {
            Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
            other => return other,
        }
    }
}

impl Reader<Vec<u8>> {
    /// All of the slice whose `Event::Slice` was just returned, at once. The
    /// parts' own events are then skipped.
    fn whole_slice(&mut self, header: ChunkHeader, offset: u64) -> WholeSlice {
        let mut whole = WholeSlice {
            header,
            offset,
            slice: Slice {
                time: header.time,
                ticks: header.ticks,
                key: header.is_key(),
                ..Slice::default()
            },
            waits: Vec::new(),
            damage: Vec::new(),
        };
        while let Some((part, stale)) = self.take_part() {
            match part {
                Part::Sound(range) => whole.slice.sound = self.payload_bytes(range).to_vec(),
                Part::Picture(_, p, range) => {
                    let picture = Picture::of(&p, self.payload_bytes(range));
                    whole.slice.pictures.push(picture);
                    whole.waits.push(stale);
                }
                Part::Lost(name, kind, picture) => {
                    whole.damage.push(self.lost(&header, name, kind, picture));
                    if let Some(p) = picture {
                        whole.slice.pictures.push(Picture::kept(&p));
                        whole.waits.push(true);
                    }
                }
            }
        }
        whole
    }
}
