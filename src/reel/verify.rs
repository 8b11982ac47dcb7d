//! Every checksum and rule of the container, checked from end to end.

use super::chunk::{CHUNK_HEADER, ChunkHeader, Kind, PictureHeader, even_offset};
use super::end::End;
use super::error::{ErrorKind, ReelError};
use super::event::{Damage, Event};
use super::file::{FileError, ReelFile};
use super::header::Header;
use super::index::{self, ENTRIES_PER_BLOCK, INDEX_BLOCK, IndexBlock, IndexEntry};
use super::layout::{ALIGN, FIRST_CHUNK, MAX_CHUNK, MAX_SIDE_DATA, SECTOR};
use super::pace::Pace;
use super::settings::note_text;
use std::io::{Read, Seek};

const END_CHUNK: u32 = super::chunk::side_chunk_length(super::end::END_PAYLOAD as u64) as u32;
/// Kinds of chunks, and one for none.
const KINDS: usize = 7;
/// Findings kept; more are counted.
const KEPT: usize = 1000;

/// One thing that is wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Finding {
    /// What and where.
    pub error: ReelError,
    /// Ticks that cannot be presented, from and to; equal if none are lost.
    pub lost: (u64, u64),
}

/// What `verify` found.
#[derive(Clone, Debug, PartialEq)]
pub struct Verdict {
    /// The header, if it is in order.
    pub header: Option<Header>,
    /// Slices in order.
    pub slices: u32,
    /// Slices after a gap: what was lost before a repair. Not a finding.
    pub gaps: u32,
    /// What is wrong, in order of offset, at most 1000.
    pub findings: Vec<Finding>,
    /// How many things are wrong.
    pub count: u64,
}

impl Verdict {
    /// Whether nothing is wrong.
    #[must_use]
    pub fn is_whole(&self) -> bool {
        self.count == 0
    }
}

/// UTF-8 that a note may hold.
fn is_note(bytes: &[u8]) -> bool {
    core::str::from_utf8(bytes).is_ok_and(|text| note_text(text) == text)
}

/// Reads the reel in `source` and checks every rule. Its memory does not grow
/// with the reel's length.
///
/// # Errors
/// Only those of the source; what is wrong with the reel is in the verdict.
pub fn verify<R: Read + Seek>(source: R) -> Result<Verdict, FileError> {
    let mut check = Check::default();
    match ReelFile::with_buffer(source, MAX_CHUNK as usize) {
        Ok(mut reel) => check.reel(&mut reel)?,
        Err(FileError::Reel(error)) => check.error(error),
        Err(error) => return Err(error),
    }
    check.verdict.findings.sort_by_key(|f| f.error.offset);
    Ok(check.verdict)
}

struct Check {
    verdict: Verdict,
    sums: End,
    largest: Largest,
    pace: Pace,
    key: Option<IndexEntry>,
    entries: Vec<IndexEntry>,
    next_picture: u32,
    /// The slice under way.
    spread: Option<Spread>,
    /// The last kind seen before the first slice, as its number.
    last_side: u8,
    /// Offset and length of the first chunk of each kind.
    places: [Option<(u64, u32)>; KINDS],
}

/// How the pictures of a slice are spread.
struct Spread {
    offset: u64,
    header: ChunkHeader,
    seen: u16,
    even: bool,
}

#[derive(Default)]
struct Largest {
    chunk: u32,
    pictures: u16,
    ticks: u32,
    sound: u32,
    picture: u32,
}

impl Default for Check {
    fn default() -> Self {
        Self {
            verdict: Verdict {
                header: None,
                slices: 0,
                gaps: 0,
                findings: Vec::new(),
                count: 0,
            },
            sums: End::default(),
            largest: Largest::default(),
            pace: Pace::new(1, 0),
            key: None,
            entries: Vec::new(),
            next_picture: 0,
            spread: None,
            last_side: 0,
            places: [None; KINDS],
        }
    }
}

impl Check {
    fn add(&mut self, error: ReelError, lost: (u64, u64)) {
        self.verdict.count += 1;
        if self.verdict.findings.len() < KEPT {
            self.verdict.findings.push(Finding { error, lost });
        }
    }

    fn error(&mut self, error: ReelError) {
        self.add(error, (0, 0));
    }

    fn wrong(&mut self, name: &'static str, offset: u64) {
        self.error(ReelError::at(ErrorKind::Field { name }, offset));
    }

    fn total(&mut self, name: &'static str, stated: u64, counted: u64, offset: u64) {
        if stated != counted {
            let kind = ErrorKind::Total {
                name,
                stated,
                counted,
            };
            self.error(ReelError::at(kind, offset));
        }
    }

    fn reel<R: Read + Seek>(&mut self, reel: &mut ReelFile<R>) -> Result<(), FileError> {
        let header = *reel.header();
        self.verdict.header = Some(header);
        self.pace = Pace::new(header.clock_rate, header.first_tick);
        self.next_picture = header.first_picture;
        loop {
            match reel.next_event_at(|event, at| self.see(&header, event, at)) {
                Ok(Some(())) => {}
                Ok(None) => break,
                Err(FileError::Reel(error)) => {
                    self.error(error);
                    return Ok(());
                }
                Err(error) => return Err(error),
            }
        }
        self.end_slice();
        let length = reel.source_length()?;
        self.finish(&header, length);
        if length >= FIRST_CHUNK && reel.second_header()? != Some(header) {
            self.wrong("header", SECTOR as u64);
        }
        self.check_copy(reel)
    }

    fn see(&mut self, header: &Header, event: &Event<'_>, at: u64) {
        match event {
            Event::Header(_) | Event::Sound { .. } => {}
            Event::Chunk(h, bytes) => self.side(header, h, bytes, at),
            Event::Slice(h) => self.slice(header, h, at),
            Event::Picture {
                header: picture, ..
            }
            | Event::Stale {
                header: picture, ..
            } => self.picture(picture),
            Event::Damage(Damage {
                error, from, to, ..
            }) => self.add(*error, (*from, *to)),
            Event::End(Some(end)) => self.totals(end, at),
            Event::End(None) => {}
        }
    }

    fn side(&mut self, header: &Header, h: &ChunkHeader, bytes: &[u8], at: u64) {
        let Some(kind) = h.kind() else { return };
        let in_order = match kind {
            Kind::Index => true,
            _ => self.places[Kind::Slice as usize].is_none() && self.side_follows(kind),
        };
        if !in_order {
            self.wrong("kind", at);
        }
        if self.verdict.count == 0 {
            self.total(
                "first_picture",
                h.first_picture.into(),
                self.next_picture.into(),
                at,
            );
            self.total("time", h.time, header.first_tick + self.sums.ticks, at);
        }
        match kind {
            Kind::Index => self.index(header, bytes, at),
            Kind::Note if !is_note(bytes) => self.wrong("note", at),
            Kind::Tables if bytes.len() > MAX_SIDE_DATA as usize => self.wrong("tables", at),
            _ => {}
        }
        self.places[kind as usize].get_or_insert((at, h.length));
    }

    /// Poster, tables, note: in this order, each once at most.
    fn side_follows(&mut self, kind: Kind) -> bool {
        let last = std::mem::replace(&mut self.last_side, kind as u8);
        last < kind as u8
    }

    fn slice(&mut self, header: &Header, h: &ChunkHeader, at: u64) {
        self.end_slice();
        self.spread = Some(Spread {
            offset: at,
            header: *h,
            seen: 0,
            even: true,
        });
        self.places[Kind::Slice as usize].get_or_insert((at, h.length));
        let number_fits = if h.is_after_gap() {
            h.first_picture >= self.next_picture
        } else {
            h.first_picture == self.next_picture
        };
        if !number_fits && self.verdict.count == 0 {
            self.wrong("first_picture", at);
        }
        self.next_picture = h.first_picture.wrapping_add(h.pictures.into());
        if self.verdict.slices == 0 && !h.is_key() && !h.is_after_gap() && self.verdict.count == 0 {
            self.wrong("flags", at);
        }
        self.count(header, h);
        if h.is_key() || self.key.is_none() {
            self.fill_index(header, h.time);
            self.key = Some(IndexEntry {
                place: (at / ALIGN as u64) as u32,
                number: h.number,
            });
        }
    }

    fn count(&mut self, header: &Header, h: &ChunkHeader) {
        self.verdict.slices += 1;
        self.verdict.gaps += u32::from(h.is_after_gap());
        self.pace.slice(h.time, h.length);
        self.sums.ticks = h.end() - header.first_tick;
        self.sums.sound_bytes += u64::from(h.bytes);
        self.sums.pictures = self.sums.pictures.wrapping_add(h.pictures.into());
        let largest = &mut self.largest;
        largest.chunk = largest.chunk.max(h.length);
        largest.pictures = largest.pictures.max(h.pictures);
        largest.ticks = largest.ticks.max(h.ticks);
        largest.sound = largest.sound.max(h.bytes);
    }

    fn picture(&mut self, picture: &PictureHeader) {
        let largest = &mut self.largest;
        largest.picture = largest.picture.max(picture.length);
        if let Some(spread) = &mut self.spread {
            let h = &spread.header;
            spread.even &= picture.tick_offset == even_offset(spread.seen, h.ticks, h.pictures);
            spread.seen += 1;
        }
    }

    /// Whether a slice whose pictures are spread evenly says so. Nothing is said of one
    /// that lost a picture.
    fn end_slice(&mut self) {
        let Some(spread) = self.spread.take() else {
            return;
        };
        let whole = spread.seen > 0 && spread.seen == spread.header.pictures;
        if whole && spread.even && !spread.header.is_even() {
            self.wrong("flags", spread.offset);
        }
    }

    fn fill_index(&mut self, header: &Header, time: u64) {
        let Some(key) = self.key else { return };
        let step = u64::from(header.index_step.max(1));
        let most = header.index_entries as usize;
        while self.entries.len() < most
            && header.first_tick + self.entries.len() as u64 * step < time
        {
            self.entries.push(key);
        }
    }

    fn index(&mut self, header: &Header, bytes: &[u8], at: u64) {
        let end = header.first_tick + self.sums.ticks;
        self.fill_index(header, end);
        let damaged = self.verdict.count > 0;
        let needed = self
            .sums
            .ticks
            .div_ceil(u64::from(header.index_step.max(1)));
        if !damaged {
            self.total("index_entries", header.index_entries.into(), needed, 0);
        }
        if bytes.len() as u64 != index::payload_length(header.index_entries) {
            return self.wrong("used", at);
        }
        for (i, bytes) in bytes.chunks_exact(INDEX_BLOCK).enumerate() {
            let offset = at + (CHUNK_HEADER + i * INDEX_BLOCK) as u64;
            match bytes.first_chunk().map(IndexBlock::parse) {
                Some(Ok(block)) => self.index_block(header, i, &block, offset, damaged),
                Some(Err(kind)) => self.error(ReelError::at(kind, offset)),
                None => {}
            }
        }
    }

    fn index_block(
        &mut self,
        header: &Header,
        i: usize,
        block: &IndexBlock,
        offset: u64,
        damaged: bool,
    ) {
        let per_block = ENTRIES_PER_BLOCK as usize;
        let place_fits = block.first as usize == i * per_block
            && block.id_low == header.id_low()
            && block.step == header.index_step;
        if !place_fits {
            return self.wrong("first_entry", offset);
        }
        // Where slices could not be read, their entries cannot be judged.
        if damaged {
            return;
        }
        let start = (i * per_block).min(self.entries.len());
        let expected = self.entries[start..].iter().take(per_block);
        let empty = IndexEntry::default();
        let rest = core::iter::repeat(&empty);
        if !expected
            .chain(rest)
            .zip(&block.entries)
            .all(|(a, b)| a == b)
        {
            self.wrong("entries", offset);
        }
    }

    fn totals(&mut self, end: &End, at: u64) {
        self.places[Kind::End as usize] = Some((at, END_CHUNK));
        self.total("offset", end.offset, at, at);
        if self.verdict.count == 0 {
            self.total("ticks", end.ticks, self.sums.ticks, at);
            self.total("sound_bytes", end.sound_bytes, self.sums.sound_bytes, at);
            self.total(
                "pictures",
                end.pictures.into(),
                self.sums.pictures.into(),
                at,
            );
            self.total("slices", end.slices.into(), self.verdict.slices.into(), at);
            self.total("gaps", end.gaps.into(), self.verdict.gaps.into(), at);
        }
    }

    fn finish(&mut self, header: &Header, length: u64) {
        if self.verdict.count == 0 {
            self.check_places(header);
        }
        if header.is_live() {
            if let Some((at, chunk)) = self.places[Kind::End as usize] {
                self.check_trailing(at + u64::from(chunk), length);
            }
            return self.check_live(header);
        }
        self.check_trailing(header.file_length, length);
        if length < header.file_length && self.verdict.count == 0 {
            self.error(ReelError::at(ErrorKind::Truncated, length));
        }
        if self.verdict.count == 0 {
            self.check_header(header);
        }
    }

    fn check_trailing(&mut self, end: u64, length: u64) {
        if length > end {
            let bytes = length - end;
            self.error(ReelError::at(ErrorKind::Trailing { bytes }, end));
        }
    }

    /// Whether the header points to what is there.
    fn check_places(&mut self, header: &Header) {
        let (poster, tables) = (header.poster_offset.into(), header.tables_offset.into());
        let stated = [
            ("poster_offset", Kind::Poster, poster, header.poster_length),
            ("tables_offset", Kind::Tables, tables, header.tables_length),
            (
                "index_offset",
                Kind::Index,
                header.index_offset,
                header.index_length,
            ),
        ];
        for (name, kind, offset, length) in stated {
            let found = self.places[kind as usize];
            // A live reel may end before it.
            let cut = header.is_live() && found.is_none();
            if (offset, length) != found.unwrap_or((0, 0)) && !cut {
                self.wrong(name, 0);
            }
        }
        if let Some((offset, _)) = self.places[Kind::Slice as usize] {
            self.total("first_slice", header.first_slice, offset, 0);
        }
    }

    fn check_live(&mut self, header: &Header) {
        let zero = [
            ("picture_count", header.picture_count),
            ("slice_count", header.slice_count),
            ("prebuffer", header.prebuffer),
            ("mean_rate", header.mean_rate),
            ("worst_rate", header.worst_rate),
            ("worst_bus_bytes", header.worst_bus_bytes),
            ("worst_instructions", header.worst_instructions),
            ("index_length", header.index_length),
            ("index_step", header.index_step),
            ("index_entries", header.index_entries),
        ];
        self.total("index_offset", header.index_offset, 0, 0);
        for (name, value) in zero {
            self.total(name, value.into(), 0, 0);
        }
    }

    /// Whether the header states what the slices add up to.
    fn check_header(&mut self, header: &Header) {
        let l = &self.largest;
        let mean = self.pace.rates.mean(self.sums.ticks);
        let pairs: [(&str, u64, u64); 10] = [
            ("duration", header.duration, self.sums.ticks),
            (
                "picture_count",
                header.picture_count.into(),
                self.sums.pictures.into(),
            ),
            (
                "slice_count",
                header.slice_count.into(),
                self.verdict.slices.into(),
            ),
            ("largest_chunk", header.largest_chunk.into(), l.chunk.into()),
            (
                "most_pictures",
                header.most_pictures.into(),
                l.pictures.into(),
            ),
            ("most_ticks", header.most_ticks.into(), l.ticks.into()),
            ("largest_sound", header.largest_sound.into(), l.sound.into()),
            (
                "largest_picture",
                header.largest_picture.into(),
                l.picture.into(),
            ),
            ("mean_rate", header.mean_rate.into(), mean.into()),
            (
                "worst_rate",
                header.worst_rate.into(),
                self.pace.rates.worst().into(),
            ),
        ];
        for (name, stated, counted) in pairs {
            self.total(name, stated, counted, 0);
        }
        // A writer may state more.
        if header.prebuffer < self.pace.prebuffer(self.sums.ticks) {
            self.wrong("prebuffer", 0);
        }
        if header.parts == 1 {
            self.total("reel_duration", header.reel_duration, header.duration, 0);
        }
    }

    /// Whether the end chunk's copy of sector 0 is one.
    fn check_copy<R: Read + Seek>(&mut self, reel: &mut ReelFile<R>) -> Result<(), FileError> {
        let Some((at, length)) = self.places[Kind::End as usize] else {
            return Ok(());
        };
        let copy = match reel.chunk_at(at, length) {
            Ok((h, chunk)) => {
                if self.verdict.count == 0 {
                    let (stated, counted) = (h.first_picture, self.next_picture);
                    self.total("first_picture", stated.into(), counted.into(), at);
                }
                End::header_copy(&chunk[h.payload()]).copied()
            }
            Err(FileError::Reel(_)) => None,
            Err(error) => return Err(error),
        };
        let header = self.verdict.header;
        if copy.and_then(|c| Header::parse(&c).ok()) != header {
            self.wrong("header", at);
        }
        Ok(())
    }
}
