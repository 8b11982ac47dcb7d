//! Repair: a reel made anew from whatever whole chunks are there.

use super::chunk::{CHUNK_HEADER, ChunkHeader, Kind, check_chunk, find_chunk};
use super::content::{Picture, Slice};
use super::emit::WriteError;
use super::end::{END_PAYLOAD, End};
use super::error::{ErrorKind, FaultSide, PartName, ReelError};
use super::file::{FileError, read_chunk};
use super::header::Header;
use super::layout::{ALIGN, Field, SECTOR, crc32};
use super::settings::{Settings, note_text};
use super::slice::{self, Cursor, Part};
use super::writer::{ReelWriter, Summary};
use std::io::{self, Read, Seek, SeekFrom, Write};

/// Why nothing could be repaired.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum RepairError {
    /// The source failed.
    #[error("cannot read the reel: {why}", why = crate::files::reason(.0))]
    Read(#[from] io::Error),
    /// The reel needs a newer reader.
    #[error(transparent)]
    Newer(ReelError),
    /// Neither the header nor its copy is there.
    #[error(
        "the header is lost and so are its copies, so nothing tells what the slices are for; \
         copy the reel again, or convert its clip again"
    )]
    NoHeader(ReelError),
    /// There is no whole slice.
    #[error(
        "no slice of this reel is whole, so there is nothing to save; copy it again, or convert its clip again"
    )]
    NoSlice,
    /// The new reel could not be written.
    #[error(transparent)]
    Write(#[from] WriteError),
}

/// Where the header came from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum HeaderSource {
    /// Sector 0, in order.
    Own,
    /// Sector 0 with one bit turned back; the bit's number.
    Mended {
        /// Bit number in the file, bit 0 the lowest of byte 0.
        bit: u32,
    },
    /// The copy in sector 1.
    Second,
    /// The copy in the end chunk.
    Copy,
}

/// A stretch that is lost.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Lost {
    /// Offset of the damage in the old file.
    pub offset: u64,
    /// First tick that is missing.
    pub from: u64,
    /// First tick after it that is there, or the end.
    pub to: u64,
}

/// What a repair did.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Repaired {
    /// Where the header came from.
    pub header: HeaderSource,
    /// Slices saved.
    pub slices: u32,
    /// Sound that is missing, or whole slices, in order of time.
    pub lost: Vec<Lost>,
    /// Pictures that are lost or built on such, in slices that were saved: the
    /// panel keeps what it shows.
    pub kept_pictures: u32,
    /// Poster, tables or note that are lost.
    pub lost_chunks: Vec<Kind>,
    /// The new reel.
    pub summary: Summary,
}

/// Reads whatever is whole in `source` and writes a whole reel to `sink`, in
/// which everything has the time it had: sound that is lost is an empty block,
/// a picture that is lost an unchanged one, a slice that is lost a gap. Memory
/// holds one chunk and 48 bytes per slice; each byte is read six times at most.
///
/// # Errors
/// See [`RepairError`].
pub fn repair<R: Read + Seek, W: Write + Seek>(
    mut source: R,
    sink: W,
) -> Result<(W, Repaired), RepairError> {
    let (header, from) = find_header(&mut source)?;
    let (settings, poster, lost_chunks) = side_data(&mut source, &header)?;
    let slices = in_turn(Scan::new(&header).run(&mut source)?);
    if slices.is_empty() {
        return Err(RepairError::NoSlice);
    }
    let mut job = Job {
        lost: Vec::new(),
        writer: ReelWriter::new(sink, &settings, poster.as_deref())?,
        time: header.first_tick,
        number: None,
        stale: false,
        kept_pictures: 0,
        header,
    };
    job.writer.mark_repaired();
    let worst = (job.header.worst_bus_bytes, job.header.worst_instructions);
    job.writer.set_worst(worst.0, worst.1);
    for found in &slices {
        job.copy(&mut source, found)?;
    }
    job.note_lost_end();
    let (sink, summary) = job.writer.finish()?;
    let repaired = Repaired {
        header: from,
        slices: summary.end.slices,
        lost: job.lost,
        kept_pictures: job.kept_pictures,
        lost_chunks,
        summary,
    };
    Ok((sink, repaired))
}

fn find_header<R: Read + Seek>(source: &mut R) -> Result<(Header, HeaderSource), RepairError> {
    let mut sector = [0; SECTOR];
    source.seek(SeekFrom::Start(0))?;
    let filled = read_up_to(source, &mut sector)?;
    let error = match Header::parse(&sector) {
        Ok(header) => return Ok((header, HeaderSource::Own)),
        // Its checksum holds: not the copies are wanted, but a newer reader.
        Err(error) if error.fault_side() == FaultSide::Newer => {
            return Err(RepairError::Newer(error));
        }
        Err(_) if filled < SECTOR => ReelError::at(ErrorKind::Truncated, 0),
        Err(error) => error,
    };
    let mut second = [0; SECTOR];
    read_up_to(source, &mut second)?;
    if let Ok(header) = Header::parse(&second) {
        return Ok((header, HeaderSource::Second));
    }
    if let Some((header, bit)) = mend_header(&sector) {
        return Ok((header, HeaderSource::Mended { bit }));
    }
    match header_copy(source)? {
        Some(header) => Ok((header, HeaderSource::Copy)),
        None => Err(RepairError::NoHeader(error)),
    }
}

/// Turns each bit back in turn: CRC-32 tells one flipped bit in a sector from
/// every other. Two or three flips are never taken for one.
fn mend_header(sector: &[u8; SECTOR]) -> Option<(Header, u32)> {
    (0..SECTOR as u32 * 8).find_map(|bit| {
        let mut tried = *sector;
        tried[bit as usize / 8] ^= 1 << (bit % 8);
        let crc = u32::get(&tried[SECTOR - 4..])?;
        if crc32(&tried[..SECTOR - 4]) != crc {
            return None;
        }
        Header::parse(&tried).ok().map(|header| (header, bit))
    })
}

/// The copy of the header in an end chunk, wherever that lies.
fn header_copy<R: Read + Seek>(source: &mut R) -> io::Result<Option<Header>> {
    let mut window = vec![0; WINDOW];
    let mut base = 0;
    loop {
        source.seek(SeekFrom::Start(base))?;
        let filled = read_up_to(source, &mut window)?;
        if filled < CHUNK_HEADER {
            return Ok(None);
        }
        for at in (0..filled).step_by(ALIGN) {
            if let Some(header) = end_copy(&window[at..filled]) {
                return Ok(Some(header));
            }
        }
        base += (WINDOW - END_CHUNK) as u64;
    }
}

const END_CHUNK: usize = super::chunk::side_chunk_length(END_PAYLOAD as u64) as usize;
const WINDOW: usize = 64 * SECTOR + END_CHUNK;

fn end_copy(bytes: &[u8]) -> Option<Header> {
    let h = ChunkHeader::parse(bytes.first_chunk()?, true).ok()?;
    if h.kind() != Some(Kind::End) {
        return None;
    }
    let chunk = bytes.get(..h.length as usize)?;
    check_chunk(&h, chunk, true).ok()?;
    let header = Header::parse(End::header_copy(&chunk[h.payload()])?).ok()?;
    (header.id_low() == h.id_low).then_some(header)
}

/// Poster, tables and note, and which of them are lost.
type SideData = (Settings, Option<Vec<u8>>, Vec<Kind>);

fn side_data<R: Read + Seek>(source: &mut R, header: &Header) -> Result<SideData, RepairError> {
    let mut lost = Vec::new();
    let mut get = |kind, offset: u64, length: u32| -> Result<Vec<u8>, RepairError> {
        if length == 0 {
            return Ok(Vec::new());
        }
        let found = side_chunk(source, header, kind, offset, length)?;
        if found.is_none() {
            lost.push(kind);
        }
        Ok(found.unwrap_or_default())
    };
    let poster = get(
        Kind::Poster,
        header.poster_offset.into(),
        header.poster_length,
    )?;
    let tables = get(
        Kind::Tables,
        header.tables_offset.into(),
        header.tables_length,
    )?;
    let (note_at, note_length) = header.note_place();
    let note = get(Kind::Note, note_at, note_length)?;
    let mut settings = Settings {
        tables,
        note: note_text(&String::from_utf8_lossy(&note)),
        ..Settings::of(header)
    };
    if settings.start.parts == 1 {
        settings.start.reel_duration = None;
    }
    let poster = (!poster.is_empty()).then_some(poster);
    Ok((settings, poster, lost))
}

fn side_chunk<R: Read + Seek>(
    source: &mut R,
    header: &Header,
    kind: Kind,
    offset: u64,
    length: u32,
) -> Result<Option<Vec<u8>>, RepairError> {
    match read_chunk(source, offset, length, header.is_newer()) {
        Ok((h, chunk)) if h.kind() == Some(kind) && h.id_low == header.id_low() => {
            Ok(Some(chunk[h.payload()].to_vec()))
        }
        Ok(_) | Err(FileError::Reel(_)) => Ok(None),
        Err(FileError::Io(error)) => Err(error.into()),
    }
}

/// A slice in the old file of which at least one part is whole.
#[derive(Clone, Copy)]
struct Found {
    at: u64,
    length: u32,
    number: u32,
    time: u64,
    end: u64,
    first_picture: u32,
    pictures: u16,
}

/// Looks for whole slices from the first sector on.
struct Scan<'a> {
    header: &'a Header,
    chunk: Vec<u8>,
    found: Vec<Found>,
}

impl<'a> Scan<'a> {
    fn new(header: &'a Header) -> Self {
        Self {
            header,
            chunk: Vec::new(),
            found: Vec::new(),
        }
    }

    fn run<R: Read + Seek>(mut self, source: &mut R) -> Result<Vec<Found>, RepairError> {
        // Sector 1 may be missing.
        let mut at = SECTOR as u64;
        // Inside a damaged chunk others are looked for; failed tries may cost
        // no more than three times the file, whatever lengths chunks claim.
        let mut credit = source.seek(SeekFrom::End(0))?.saturating_mul(3);
        while let Some(h) = self.next_header(source, &mut at)? {
            source.seek(SeekFrom::Start(at))?;
            let length = u64::from(h.length);
            if self.is_whole(source, &h, at)? {
                at += length;
            } else if let Some(left) = credit.checked_sub(length) {
                credit = left;
                at += ALIGN as u64;
            } else {
                at += length;
            }
        }
        Ok(self.found)
    }

    /// The next chunk header in order, at or after `at`, which moves there.
    fn next_header<R: Read + Seek>(
        &self,
        source: &mut R,
        at: &mut u64,
    ) -> Result<Option<ChunkHeader>, RepairError> {
        let mut window = [0; 16 * SECTOR];
        // Most often it is right there.
        let mut size = CHUNK_HEADER;
        let (id_low, newer) = (self.header.id_low(), self.header.is_newer());
        loop {
            source.seek(SeekFrom::Start(*at))?;
            let filled = read_up_to(source, &mut window[..size])?;
            if let Some((offset, h)) = find_chunk(&window[..filled], id_low, newer) {
                *at += offset as u64;
                return Ok(Some(h));
            }
            if filled < size {
                return Ok(None);
            }
            // A header may lie across the window's end.
            *at += (size - CHUNK_HEADER + ALIGN) as u64;
            size = window.len();
        }
    }

    /// Whether the chunk is whole; a slice with anything whole in it is noted.
    fn is_whole<R: Read + Seek>(
        &mut self,
        source: &mut R,
        h: &ChunkHeader,
        at: u64,
    ) -> Result<bool, RepairError> {
        self.chunk.resize(h.length as usize, 0);
        let filled = read_up_to(source, &mut self.chunk)?;
        if filled < self.chunk.len() {
            return Ok(false);
        }
        if !h.is_slice() {
            return Ok(check_chunk(h, &self.chunk, self.header.is_newer()).is_ok());
        }
        let (good, bad) = self.count_parts(h);
        let fits = slice::check_limits(self.header, h).is_ok();
        if fits && (good > 0 || bad == 0) && h.time >= self.header.first_tick {
            self.found.push(Found {
                at,
                length: h.length,
                number: h.number,
                time: h.time,
                end: h.end(),
                first_picture: h.first_picture,
                pictures: h.pictures,
            });
        }
        Ok(bad == 0)
    }

    /// How many parts of a slice are in order, and how many are not.
    fn count_parts(&self, h: &ChunkHeader) -> (u32, u32) {
        let (mut good, mut bad) = (0, 0);
        let mut cursor = Cursor::default();
        while let Some((part, next)) = slice::next_part(self.header, h, &self.chunk, cursor) {
            cursor = next;
            match part {
                Part::Lost(PartName::Padding, ..) => {}
                Part::Lost(..) => bad += 1,
                Part::Sound(_) | Part::Picture(..) => good += 1,
            }
        }
        (good, bad)
    }
}

/// The most slices whose numbers and times go up: what old clusters or strayed
/// sectors brought in falls out. (Longest increasing subsequence by patience
/// sorting; ties keep the earlier place.)
fn in_turn(found: Vec<Found>) -> Vec<Found> {
    // For each length, the slice with the least number that ends such a run.
    let mut tails: Vec<usize> = Vec::new();
    let mut before: Vec<Option<usize>> = vec![None; found.len()];
    for (i, slice) in found.iter().enumerate() {
        let run = tails.partition_point(|&t| found[t].number < slice.number);
        before[i] = run.checked_sub(1).map(|r| tails[r]);
        if run == tails.len() {
            tails.push(i);
        } else {
            tails[run] = i;
        }
    }
    let mut chain = Vec::with_capacity(tails.len());
    let mut next = tails.last().copied();
    while let Some(i) = next {
        chain.push(found[i]);
        next = before[i];
    }
    chain.reverse();
    let (mut time, mut picture) = (0, 0);
    chain.retain(|slice| {
        let fits = slice.time >= time && slice.first_picture >= picture;
        if fits {
            time = slice.end;
            picture = slice.first_picture.saturating_add(slice.pictures.into());
        }
        fits
    });
    chain
}

struct Job<W> {
    header: Header,
    writer: ReelWriter<W>,
    lost: Vec<Lost>,
    /// Tick at which the next slice should start.
    time: u64,
    /// Number of the chunk copied last.
    number: Option<u32>,
    /// Whether a picture was lost and no key picture has come since.
    stale: bool,
    kept_pictures: u32,
}

impl<W: Write + Seek> Job<W> {
    fn copy<R: Read + Seek>(&mut self, source: &mut R, found: &Found) -> Result<(), RepairError> {
        let newer = self.header.is_newer();
        let (h, chunk) = match read_chunk(source, found.at, found.length, newer) {
            Ok(whole) => whole,
            Err(FileError::Io(error)) => return Err(error.into()),
            // It was whole a moment ago: the file changes under our hands.
            Err(FileError::Reel(error)) => return Err(io::Error::other(error).into()),
        };
        self.note_lost(&h, found.at);
        let slice = self.salvage(&h, &chunk, found.at);
        if self.number.is_none() && !slice.key {
            self.writer.mark_gap();
        }
        self.writer.copy(&h, &slice)?;
        self.time = h.end();
        self.number = Some(h.number);
        Ok(())
    }

    /// The slice with what is lost in it left out, at the times it had.
    fn salvage(&mut self, h: &ChunkHeader, chunk: &[u8], at: u64) -> Slice {
        let mut sound = Vec::new();
        let mut pictures = Vec::new();
        let mut cursor = Cursor::default();
        let parts = &chunk[h.parts()];
        while let Some((part, next)) = slice::next_part(&self.header, h, chunk, cursor) {
            cursor = next;
            match part {
                Part::Sound(range) => sound = parts[range].to_vec(),
                Part::Picture(_, p, range) => {
                    self.stale &= !p.is_key();
                    self.kept_pictures += u32::from(self.stale);
                    pictures.push(match self.stale {
                        true => Picture::kept(&p),
                        false => Picture::of(&p, &parts[range]),
                    });
                }
                Part::Lost(PartName::Sound, ..) => self.lost.push(Lost {
                    offset: at,
                    from: h.time,
                    to: h.end(),
                }),
                Part::Lost(PartName::Padding, ..) => {}
                Part::Lost(_, _, picture) => {
                    self.stale = true;
                    self.kept_pictures += picture.map_or(u32::from(h.pictures), |_| 1);
                    pictures.extend(picture.map(|p| Picture::kept(&p)));
                }
            }
        }
        Slice::new(h.time, h.ticks, sound, pictures)
    }

    /// Notes what is missing before slice `h`, and marks the gap.
    fn note_lost(&mut self, h: &ChunkHeader, at: u64) {
        let missing = self.number.is_some_and(|n| h.number != n + 1);
        if h.time > self.time && !h.is_after_gap() {
            self.lost.push(Lost {
                offset: at,
                from: self.time,
                to: h.time,
            });
        }
        if missing || h.is_after_gap() || h.time > self.time {
            self.writer.mark_gap();
            // A reader waits for a key picture there of itself.
            self.stale = false;
        }
    }

    fn note_lost_end(&mut self) {
        if let Some(end) = self.header.end_tick().filter(|&end| end > self.time) {
            self.lost.push(Lost {
                offset: self.header.file_length,
                from: self.time,
                to: end,
            });
        }
    }
}

fn read_up_to(source: &mut impl Read, buffer: &mut [u8]) -> io::Result<usize> {
    let mut filled = 0;
    while filled < buffer.len() {
        match source.read(&mut buffer[filled..]) {
            Ok(0) => break,
            Ok(n) => filled += n,
            Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
            Err(e) => return Err(e),
        }
    }
    Ok(filled)
}
