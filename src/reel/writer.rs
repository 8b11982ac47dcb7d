//! The writer: slices in, chunks out. A finished reel has its index and totals
//! (`ReelWriter`, needs a sink that can seek back to the header); a live one has
//! neither (`LiveWriter`).

use super::chunk::{CHUNK_HEADER, ChunkHeader, Kind, PICTURE_HEADER, PictureHeader, chunk_length};
use super::end::{END_PAYLOAD, End};
use super::error::{ErrorKind, ReelError};
use super::header::{Header, PixelFormat, Shape, SoundCoding, Wire};
use super::index::{self, ENTRIES_PER_SECTOR, IndexEntry, IndexSector};
use super::layout::{
    Field, MAX_CHUNK, MAX_PICTURES, MAX_SIDE_DATA, MAX_SLICE_SECONDS, MAX_TIME, SECTOR, UNKNOWN,
    VERSION_MAJOR, VERSION_MINOR, align4, crc32, whole_sectors,
};
use super::pace::Pace;
use crate::units::Ratio;
use std::io::{self, Seek, SeekFrom, Write};

/// A picture as a slice carries it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Picture {
    /// Ticks from the slice's start to the picture's time.
    pub tick_offset: u32,
    /// Picture coding: the reel's, or 0 (raw).
    pub coding: u8,
    /// Whether it needs no picture before it.
    pub key: bool,
    /// Whether the panel keeps what it shows; then `bytes` is empty.
    pub unchanged: bool,
    /// Windows set on the panel.
    pub windows: u16,
    /// Instructions to decode it, by the encoder's cost model.
    pub cost: u32,
    /// Bytes sent to the panel, window commands included.
    pub bus_bytes: u32,
    /// The payload.
    pub bytes: Vec<u8>,
}

/// A time slice.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Slice {
    /// Tick of its first sample.
    pub time: u64,
    /// Ticks it lasts, 1 or more.
    pub ticks: u32,
    /// Its sound block, coded; empty in a silent reel.
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

    fn payload_length(&self) -> usize {
        let pictures = self.pictures.iter();
        align4(self.sound.len())
            + pictures
                .map(|p| PICTURE_HEADER + align4(p.bytes.len()))
                .sum::<usize>()
    }

    /// Bytes of the chunk that will carry it.
    #[must_use]
    pub fn chunk_length(&self) -> u64 {
        chunk_length(self.payload_length() as u64)
    }
}

/// A picture for menus, in the panel's pixels, at most as large as the panel.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Poster {
    /// Width in pixels.
    pub width: u16,
    /// Height in pixels.
    pub height: u16,
    /// Pixels in wire order, two bytes each, row by row.
    pub bytes: Vec<u8>,
}

/// What a reel is, apart from its slices.
#[derive(Clone, Debug)]
pub struct Settings {
    /// Panel width in pixels.
    pub width: u16,
    /// Panel height in pixels.
    pub height: u16,
    /// Visible part of the panel.
    pub shape: Shape,
    /// Order of a pixel's bytes.
    pub pixel_format: PixelFormat,
    /// What was done to the pixels for the wire.
    pub wire: Wire,
    /// Ticks a second: the sound rate, or 48000 without sound.
    pub clock_rate: u32,
    /// Nominal pictures a second.
    pub rate: Ratio,
    /// Sound coding.
    pub sound: SoundCoding,
    /// Picture coding: 0 raw, 1 jpeg, 2 patch.
    pub coding: u8,
    /// Level of the picture coding.
    pub level: u8,
    /// Bytes the picture decoder needs besides the chunk.
    pub working_memory: u32,
    /// Title for menus; cut to 96 bytes.
    pub title: String,
    /// Any number made from the source and all that shaped the reel; goes into the reel id.
    pub seed: u64,
    /// Tables of the picture coding; empty for none.
    pub tables: Vec<u8>,
    /// A line for people: what made the reel and how; empty for none.
    pub note: String,
    /// Time between index entries in milliseconds.
    pub index_step_ms: u32,
    /// Largest file to write, in bytes; see [`super::FAT32_LIMIT`].
    pub size_limit: Option<u64>,
    /// Tick of the start, number of the first picture, for a part that is not the first.
    pub start: Start,
}

/// Where a part starts in the whole reel.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Start {
    /// Number of the part, from 1.
    pub part: u16,
    /// Number of parts, 0 if not known.
    pub parts: u16,
    /// First tick.
    pub tick: u64,
    /// Number of the first picture.
    pub picture: u32,
    /// Ticks in all parts, if known.
    pub reel_duration: Option<u64>,
    /// The reel id, where it is already settled.
    pub reel_id: Option<u64>,
}

impl Default for Start {
    fn default() -> Self {
        Self {
            part: 1,
            parts: 1,
            tick: 0,
            picture: 0,
            reel_duration: None,
            reel_id: None,
        }
    }
}

impl Default for Settings {
    /// A silent raw reel for a 240x240 panel at 15 pictures a second.
    fn default() -> Self {
        Self {
            width: 240,
            height: 240,
            shape: Shape::Rectangle,
            pixel_format: PixelFormat::HighFirst,
            wire: Wire::default(),
            clock_rate: 48_000,
            rate: Ratio { num: 15, den: 1 },
            sound: SoundCoding::None,
            coding: 0,
            level: 0,
            working_memory: 0,
            title: String::new(),
            seed: 0,
            tables: Vec::new(),
            note: String::new(),
            index_step_ms: 1000,
            size_limit: None,
            start: Start::default(),
        }
    }
}

impl Settings {
    /// The settings under which `header`'s reel was written, as far as it tells;
    /// tables and note are the caller's to add.
    #[must_use]
    pub fn of(header: &Header) -> Self {
        Self {
            width: header.width,
            height: header.height,
            shape: header.shape,
            pixel_format: header.pixel_format,
            wire: header.wire,
            clock_rate: header.clock_rate,
            rate: header.rate,
            sound: header.sound,
            coding: header.coding,
            level: header.level,
            working_memory: header.working_memory,
            title: header.title().to_owned(),
            start: Start {
                part: header.part,
                parts: header.parts,
                tick: header.first_tick,
                picture: header.first_picture,
                reel_duration: Some(header.reel_duration).filter(|&d| d != UNKNOWN),
                reel_id: Some(header.reel_id),
            },
            ..Self::default()
        }
    }

    fn header(&self) -> Header {
        Header {
            version_major: VERSION_MAJOR,
            version_minor: VERSION_MINOR,
            must_know: 0,
            may_ignore: 0,
            part: self.start.part,
            parts: self.start.parts,
            reel_id: 0,
            first_tick: self.start.tick,
            duration: UNKNOWN,
            reel_duration: self.start.reel_duration.unwrap_or(UNKNOWN),
            file_length: 0,
            first_picture: self.start.picture,
            picture_count: 0,
            slice_count: 0,
            width: self.width,
            height: self.height,
            shape: self.shape,
            pixel_format: self.pixel_format,
            wire: self.wire,
            coding: self.coding,
            level: self.level,
            sound: self.sound,
            channels: u8::from(self.sound != SoundCoding::None),
            clock_rate: self.clock_rate,
            rate: self.rate,
            largest_chunk: MAX_CHUNK,
            most_pictures: MAX_PICTURES,
            most_ticks: MAX_SLICE_SECONDS.saturating_mul(self.clock_rate),
            largest_sound: MAX_CHUNK,
            largest_picture: MAX_CHUNK,
            working_memory: self.working_memory,
            prebuffer: 0,
            mean_rate: 0,
            worst_rate: 0,
            worst_bus_bytes: 0,
            worst_instructions: 0,
            first_slice: SECTOR as u64,
            index_offset: 0,
            index_length: 0,
            index_step: 0,
            index_entries: 0,
            poster_offset: 0,
            poster_length: 0,
            poster_width: 0,
            poster_height: 0,
            tables_offset: 0,
            tables_length: 0,
            title: Header::title_bytes(&self.title),
        }
    }

    fn reel_id(&self, header: &Header, poster: &[u8]) -> u64 {
        if let Some(id) = self.start.reel_id {
            return id;
        }
        let mut sector = [0; SECTOR];
        header.emit(&mut sector);
        let parts: [&[u8]; 5] = [
            &sector,
            &self.seed.to_le_bytes(),
            &self.tables,
            self.note.as_bytes(),
            poster,
        ];
        // FNV-1a, 64 bits; any digest would do, it only has to be the same every time.
        let id = parts
            .iter()
            .flat_map(|p| p.iter())
            .fold(0xcbf2_9ce4_8422_2325_u64, |h, &b| {
                (h ^ u64::from(b)).wrapping_mul(0x0100_0000_01b3)
            });
        id.max(1)
    }
}

/// Why a reel could not be written.
#[derive(Debug, thiserror::Error)]
pub enum WriteError {
    /// The sink failed.
    #[error("cannot write the reel: {0}")]
    Io(#[from] io::Error),
    /// The caller broke a rule of the format.
    #[error(transparent)]
    Reel(#[from] ReelError),
    /// The next chunk would pass the size limit.
    #[error(
        "the reel would be larger than {limit} bytes, the most its card can hold in one file; \
         write it in parts with --part-size, or lower the rate, size or quality"
    )]
    TooLarge {
        /// The limit in bytes.
        limit: u64,
    },
}

fn refuse(rule: &'static str, offset: u64) -> WriteError {
    ReelError::at(ErrorKind::Refused { rule }, offset).into()
}

/// What was written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Summary {
    /// The header as it stands in the file.
    pub header: Header,
    /// Totals.
    pub end: End,
    /// Bytes in the file.
    pub length: u64,
    /// Bytes that are neither sound nor picture payload: headers, checksums,
    /// padding, index, end.
    pub overhead: u64,
}

/// Chunks out, in order, with the sums that header and end need.
struct Emitter<W> {
    sink: W,
    header: Header,
    chunk: Vec<u8>,
    offset: u64,
    number: u32,
    end: End,
    payload: u64,
    largest: Largest,
    size_limit: Option<u64>,
    /// Number of the next picture in the whole reel.
    next_picture: u32,
    /// Whether something is lost before the next slice.
    gap_next: bool,
}

#[derive(Default)]
struct Largest {
    chunk: u32,
    pictures: u16,
    ticks: u32,
    sound: u32,
    picture: u32,
    bus: u32,
    cost: u32,
}

impl<W: Write> Emitter<W> {
    fn new(sink: W, settings: &Settings, poster: &Poster) -> Result<Self, WriteError> {
        let mut header = settings.header();
        check_side_data(settings, poster, &header)?;
        header.reel_id = settings.reel_id(&header, &poster.bytes);
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

    fn start(&mut self, settings: &Settings, poster: &Poster) -> Result<(), WriteError> {
        let mut sector = [0; SECTOR];
        self.header.emit(&mut sector);
        self.sink.write_all(&sector)?;
        self.offset = SECTOR as u64;
        for (kind, bytes) in [
            (Kind::Poster, poster.bytes.as_slice()),
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
    fn time(&self) -> u64 {
        self.header.first_tick + self.end.ticks
    }

    fn side_chunk(&mut self, kind: Kind, payload: &[u8]) -> Result<(), WriteError> {
        let flags = if kind == Kind::End {
            0
        } else {
            ChunkHeader::SKIPPABLE
        };
        let h = ChunkHeader {
            flags,
            ..self.chunk_header(kind, payload.len())
        };
        self.begin(&h);
        self.chunk.extend_from_slice(payload);
        self.send(&h)
    }

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
            sound_bytes: 0,
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

    fn send(&mut self, h: &ChunkHeader) -> Result<(), WriteError> {
        self.chunk.resize(h.length as usize, 0);
        let crc_at = self.chunk.len() - 4;
        let crc = crc32(&self.chunk[CHUNK_HEADER..crc_at]);
        crc.put(&mut self.chunk[crc_at..]);
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

    fn slice(&mut self, slice: &Slice) -> Result<ChunkHeader, WriteError> {
        self.check_slice(slice)?;
        let h = self.slice_header(slice);
        self.begin(&h);
        self.chunk.extend_from_slice(&slice.sound);
        self.pad4();
        for picture in &slice.pictures {
            self.picture(picture);
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
            flags: key | gap,
            pictures: slice.pictures.len() as u16,
            ticks: slice.ticks,
            time: slice.time,
            sound_bytes: slice.sound.len() as u32,
            ..self.chunk_header(Kind::Slice, slice.payload_length())
        }
    }

    fn pad4(&mut self) {
        self.chunk.resize(align4(self.chunk.len()), 0);
    }

    fn picture(&mut self, p: &Picture) {
        let mut bytes = [0; PICTURE_HEADER];
        picture_header(p).emit(&mut bytes);
        self.chunk.extend_from_slice(&bytes);
        self.chunk.extend_from_slice(&p.bytes);
        self.pad4();
    }

    fn check_slice(&self, slice: &Slice) -> Result<(), WriteError> {
        let refuse = |rule| Err(refuse(rule, self.offset));
        if slice.time < self.time() {
            return refuse("a slice starts before the one before it ends");
        }
        if slice.ticks == 0 || slice.ticks > self.header.most_ticks {
            return refuse("a slice lasts from one tick to ten seconds");
        }
        if slice.time > MAX_TIME - u64::from(slice.ticks) {
            return refuse("a slice's time is past the format's limit");
        }
        if slice.sound.len() as u64 != self.header.sound.block_bytes(slice.ticks) {
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
            if p.coding != 0 && p.coding != self.header.coding {
                return refuse("a picture's coding is neither raw nor the reel's");
            }
            if p.unchanged != p.bytes.is_empty()
                || p.unchanged && (p.key || p.windows > 0 || p.bus_bytes > 0)
            {
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
        end.sound_bytes += u64::from(h.sound_bytes);
        self.payload += u64::from(h.sound_bytes);
        let largest = &mut self.largest;
        largest.chunk = largest.chunk.max(h.length);
        largest.pictures = largest.pictures.max(h.pictures);
        largest.ticks = largest.ticks.max(h.ticks);
        largest.sound = largest.sound.max(h.sound_bytes);
        for p in &slice.pictures {
            self.payload += p.bytes.len() as u64;
            largest.picture = largest.picture.max(p.bytes.len() as u32);
            largest.bus = largest.bus.max(p.bus_bytes);
            largest.cost = largest.cost.max(p.cost);
        }
    }

    fn finish(&mut self, header: &Header) -> Result<(), WriteError> {
        let mut sector = [0; SECTOR];
        header.emit(&mut sector);
        self.end.offset = self.offset;
        let mut payload = [0; END_PAYLOAD];
        self.end.emit(&sector, &mut payload);
        self.side_chunk(Kind::End, &payload)
    }
}

fn picture_header(p: &Picture) -> PictureHeader {
    let key = if p.key { PictureHeader::KEY } else { 0 };
    let unchanged = if p.unchanged {
        PictureHeader::UNCHANGED
    } else {
        0
    };
    PictureHeader {
        tick_offset: p.tick_offset,
        length: p.bytes.len() as u32,
        coding: p.coding,
        flags: key | unchanged,
        windows: p.windows,
        cost: p.cost,
        bus_bytes: p.bus_bytes,
    }
}

fn check_side_data(
    settings: &Settings,
    poster: &Poster,
    header: &Header,
) -> Result<(), WriteError> {
    let pixels = usize::from(poster.width) * usize::from(poster.height);
    if poster.bytes.len() != pixels * 2
        || poster.width > header.width
        || poster.height > header.height
    {
        return Err(refuse(
            "the poster is larger than the panel, or not two bytes a pixel",
            0,
        ));
    }
    let most = settings.tables.len().max(settings.note.len());
    if most > MAX_SIDE_DATA as usize {
        return Err(refuse("tables and note hold at most 65536 bytes each", 0));
    }
    Ok(())
}

/// Fills in where poster, tables and first slice lie.
fn place_side_data(header: &mut Header, settings: &Settings, poster: &Poster) {
    let mut at = SECTOR as u64;
    let mut place = |bytes: usize| {
        let length = if bytes == 0 {
            0
        } else {
            chunk_length(bytes as u64)
        };
        let offset = if bytes == 0 { 0 } else { at };
        at += length;
        (offset as u32, length as u32)
    };
    (header.poster_offset, header.poster_length) = place(poster.bytes.len());
    (header.tables_offset, header.tables_length) = place(settings.tables.len());
    place(settings.note.len());
    header.first_slice = at;
    header.poster_width = poster.width;
    header.poster_height = poster.height;
}

/// Most entries whose index is not larger than a chunk may be; an even number.
const MAX_ENTRIES: usize = ENTRIES_PER_SECTOR as usize * (MAX_CHUNK as usize / SECTOR - 2);

/// Writes a finished reel: index and end after the slices, then the header once
/// more with all that became known. Until then the file stands as a live reel,
/// which `repair` can finish.
pub struct ReelWriter<W> {
    out: Emitter<W>,
    step: u32,
    entries: Vec<IndexEntry>,
    key: Option<IndexEntry>,
    pace: Pace,
    prebuffer: Option<u32>,
    repaired: bool,
}

impl<W: Write + Seek> ReelWriter<W> {
    /// Starts a reel at the sink's start. One `write` call a chunk reaches the sink.
    ///
    /// # Errors
    /// Settings or poster that the format cannot hold, or a sink that fails.
    pub fn new(sink: W, settings: &Settings, poster: Option<&Poster>) -> Result<Self, WriteError> {
        let none = Poster::default();
        let poster = poster.unwrap_or(&none);
        let mut out = Emitter::new(sink, settings, poster)?;
        let step = u64::from(settings.clock_rate) * u64::from(settings.index_step_ms) / 1000;
        out.start(settings, poster)?;
        Ok(Self {
            step: u32::try_from(step.max(1)).unwrap_or(u32::MAX),
            entries: Vec::new(),
            key: None,
            pace: Pace::new(settings.clock_rate, settings.start.tick),
            prebuffer: None,
            repaired: false,
            out,
        })
    }

    /// Writes a slice. One that starts later than the one before it ends is
    /// marked as coming after a gap.
    ///
    /// # Errors
    /// A slice that breaks a rule or passes the size limit, or a sink that fails.
    pub fn slice(&mut self, slice: &Slice) -> Result<(), WriteError> {
        let entry = IndexEntry {
            sector: u32::try_from(self.out.offset / SECTOR as u64)
                .map_err(|_| refuse("a reel holds at most 2 TiB", self.out.offset))?,
            number: self.out.number,
        };
        self.check_size(slice)?;
        let h = self.out.slice(slice)?;
        if h.is_key() || self.key.is_none() {
            self.fill_index(h.time);
            self.key = Some(entry);
        }
        self.pace.slice(h.time, h.length);
        Ok(())
    }

    /// Refuses a slice after which index and end would not fit any more.
    fn check_size(&self, slice: &Slice) -> Result<(), WriteError> {
        let after = self.out.offset + slice.chunk_length() + self.closing_length();
        match self.out.size_limit {
            Some(limit) if after > limit => Err(WriteError::TooLarge { limit }),
            _ => Ok(()),
        }
    }

    /// Bytes in the file so far.
    #[must_use]
    pub fn length(&self) -> u64 {
        self.out.offset
    }

    /// Bytes that `finish` will add at most, were one more slice written before.
    #[must_use]
    pub fn closing_length(&self) -> u64 {
        let longest = u64::from(self.out.header.most_ticks);
        let time = self.out.end.ticks + longest;
        let entries = time.div_ceil(u64::from(self.step)).min(MAX_ENTRIES as u64) as u32;
        index::chunk_length(entries) + chunk_length(END_PAYLOAD as u64)
    }

    /// States the bytes to have before play starts, where a rehearsal knows better.
    pub fn set_prebuffer(&mut self, bytes: u32) {
        self.prebuffer = Some(bytes);
    }

    /// The next slice comes after something that is lost, even if no time is.
    pub fn mark_gap(&mut self) {
        self.out.gap_next = true;
    }

    /// Marks the reel as put together again by `repair`.
    pub fn mark_repaired(&mut self) {
        self.repaired = true;
    }

    /// Numbers the next slice's first picture, where pictures are lost before it.
    ///
    /// # Errors
    /// A number below the next one.
    pub fn skip_pictures_to(&mut self, number: u32) -> Result<(), WriteError> {
        if number < self.out.next_picture {
            return Err(refuse("picture numbers must not go back", self.out.offset));
        }
        self.out.next_picture = number;
        Ok(())
    }

    /// Entries for all steps before `time` that have none yet: the key slice so far.
    fn fill_index(&mut self, time: u64) {
        let Some(key) = self.key else { return };
        let first = self.out.header.first_tick;
        while first + self.entries.len() as u64 * u64::from(self.step) < time {
            if self.entries.len() == MAX_ENTRIES {
                self.thin_index();
            }
            self.entries.push(key);
        }
    }

    /// Half the entries, at twice the step: a very long reel's index stays one chunk.
    fn thin_index(&mut self) {
        let mut even = false;
        self.entries.retain(|_| {
            even = !even;
            even
        });
        self.step = self.step.saturating_mul(2);
    }

    /// Writes index, end and the final header. The caller syncs the sink.
    ///
    /// # Errors
    /// A reel without slices, one that passes the size limit, or a sink that fails.
    pub fn finish(mut self) -> Result<(W, Summary), WriteError> {
        if self.out.end.slices == 0 {
            return Err(refuse("a reel needs at least one slice", self.out.offset));
        }
        self.fill_index(self.out.time());
        let header = self.final_header();
        header.check().map_err(|kind| ReelError::at(kind, 0))?;
        self.write_index()?;
        self.out.finish(&header)?;
        let mut sector = [0; SECTOR];
        header.emit(&mut sector);
        self.out.sink.seek(SeekFrom::Start(0))?;
        self.out.sink.write_all(&sector)?;
        self.out.sink.flush()?;
        let summary = Summary {
            header,
            end: self.out.end,
            length: self.out.offset,
            overhead: self.out.offset - self.out.payload,
        };
        Ok((self.out.sink, summary))
    }

    fn final_header(&self) -> Header {
        let out = &self.out;
        let entries = self.entries.len() as u32;
        let index_length = index::chunk_length(entries);
        let duration = out.end.ticks;
        Header {
            may_ignore: if self.repaired { Header::REPAIRED } else { 0 },
            duration,
            reel_duration: match out.header.parts {
                1 => duration,
                _ => out.header.reel_duration,
            },
            file_length: out.offset + index_length + chunk_length(END_PAYLOAD as u64),
            picture_count: out.end.pictures,
            slice_count: out.end.slices,
            largest_chunk: out.largest.chunk,
            most_pictures: out.largest.pictures,
            most_ticks: out.largest.ticks,
            largest_sound: out.largest.sound,
            largest_picture: out.largest.picture,
            worst_bus_bytes: out.largest.bus,
            worst_instructions: out.largest.cost,
            prebuffer: self
                .prebuffer
                .unwrap_or_else(|| self.pace.prebuffer(duration)),
            mean_rate: self.pace.mean_rate(duration),
            worst_rate: self.pace.worst_rate(),
            index_offset: out.offset,
            index_length: index_length as u32,
            index_step: self.step,
            index_entries: entries,
            ..out.header
        }
    }

    fn write_index(&mut self) -> Result<(), WriteError> {
        let mut payload = vec![0; index::payload_length(self.entries.len() as u32) as usize];
        let sectors = payload[index::LEAD..].chunks_mut(SECTOR);
        let per_sector = ENTRIES_PER_SECTOR as usize;
        for (i, (bytes, entries)) in sectors.zip(self.entries.chunks(per_sector)).enumerate() {
            let mut sector = IndexSector {
                first: i as u32 * ENTRIES_PER_SECTOR,
                id_low: self.out.header.id_low(),
                step: self.step,
                entries: [IndexEntry::default(); ENTRIES_PER_SECTOR as usize],
            };
            sector.entries[..entries.len()].copy_from_slice(entries);
            if let Some(bytes) = bytes.first_chunk_mut() {
                sector.emit(bytes);
            }
        }
        self.out.side_chunk(Kind::Index, &payload)
    }
}

/// Writes a live reel: no duration, no index, readable as it grows.
pub struct LiveWriter<W> {
    out: Emitter<W>,
}

impl<W: Write> LiveWriter<W> {
    /// Starts a live reel whose slices hold at most `largest_chunk` bytes each.
    ///
    /// # Errors
    /// Settings or poster that the format cannot hold, or a sink that fails.
    pub fn new(
        sink: W,
        settings: &Settings,
        poster: Option<&Poster>,
        largest_chunk: u32,
    ) -> Result<Self, WriteError> {
        let none = Poster::default();
        let poster = poster.unwrap_or(&none);
        let mut out = Emitter::new(sink, settings, poster)?;
        let largest = whole_sectors(largest_chunk.into()).min(MAX_CHUNK.into()) as u32;
        out.header.largest_chunk = largest;
        out.header.largest_sound = largest;
        out.header.largest_picture = largest;
        out.start(settings, poster)?;
        Ok(Self { out })
    }

    /// Writes a slice and flushes it.
    ///
    /// # Errors
    /// A slice that breaks a rule, or a sink that fails.
    pub fn slice(&mut self, slice: &Slice) -> Result<(), WriteError> {
        self.out.slice(slice)?;
        Ok(self.out.sink.flush()?)
    }

    /// Writes the end chunk.
    ///
    /// # Errors
    /// A sink that fails.
    pub fn finish(mut self) -> Result<W, WriteError> {
        let header = self.out.header;
        self.out.finish(&header)?;
        self.out.sink.flush()?;
        Ok(self.out.sink)
    }
}
