//! The writer: slices in, chunks out. A finished reel has its index and totals
//! (`ReelWriter`, needs a sink that can seek back to the header); a live one has
//! neither (`LiveWriter`).

use super::chunk::{ChunkHeader, Kind, side_chunk_length};
use super::content::Slice;
use super::emit::{Emitter, WriteError, header_sectors, refuse};
use super::end::{END_PAYLOAD, End};
use super::error::ReelError;
use super::header::Header;
use super::index::{self, ENTRIES_PER_BLOCK, INDEX_BLOCK, IndexBlock, IndexEntry};
use super::layout::{ALIGN, MAX_CHUNK, aligned};
use super::pace::Pace;
use super::settings::Settings;
use std::io::{Seek, SeekFrom, Write};

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

/// Most entries whose index is not larger than a chunk may be; an even number.
const MAX_ENTRIES: usize = ENTRIES_PER_BLOCK as usize * (MAX_CHUNK as usize / INDEX_BLOCK - 32);

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
    /// Milliseconds to be ridden out from the start, and most bytes for it.
    ride: (u32, u32),
    /// Bus bytes and instructions of the costliest pictures.
    worst: (u32, u32),
    repaired: bool,
}

impl<W: Write + Seek> ReelWriter<W> {
    /// Starts a reel at the sink's start; `poster` is the payload of a key
    /// picture. One `write` call a chunk reaches the sink.
    ///
    /// # Errors
    /// Settings or poster that the format cannot hold, or a sink that fails.
    pub fn new(sink: W, settings: &Settings, poster: Option<&[u8]>) -> Result<Self, WriteError> {
        let poster = poster.unwrap_or_default();
        let mut out = Emitter::new(sink, settings, poster)?;
        let step = u64::from(settings.clock_rate) * u64::from(settings.index_step_ms) / 1000;
        out.start(settings, poster)?;
        Ok(Self {
            step: u32::try_from(step.max(1)).unwrap_or(u32::MAX),
            entries: Vec::new(),
            key: None,
            pace: Pace::new(settings.clock_rate, settings.start.tick),
            prebuffer: None,
            ride: (0, 0),
            repaired: false,
            worst: (0, 0),
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
            place: u32::try_from(self.out.offset / ALIGN as u64)
                .map_err(|_| refuse("a part holds at most 64 GiB", self.out.offset))?,
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
        let end = slice.time.saturating_add(slice.ticks.into());
        let ticks = end.saturating_sub(self.out.header.first_tick);
        let after = self.out.offset + slice.chunk_length() + self.closing_length(ticks);
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

    /// Bytes that `finish` would add to a reel of `ticks` ticks.
    fn closing_length(&self, ticks: u64) -> u64 {
        let entries = ticks.div_ceil(u64::from(self.step)).min(MAX_ENTRIES as u64);
        index::chunk_length(entries as u32) + side_chunk_length(END_PAYLOAD as u64)
    }

    /// States the bytes to have before play starts, where a rehearsal knows better.
    pub fn set_prebuffer(&mut self, bytes: u32) {
        self.prebuffer = Some(bytes);
    }

    /// Before play starts, at least what a wait of `ms` milliseconds right
    /// after it uses up in the worst second is to be had, but no more than
    /// `most` bytes for it.
    pub fn ride_out(&mut self, ms: u32, most: u32) {
        self.ride = (ms, most);
    }

    /// The bytes for [`ReelWriter::ride_out`].
    fn ridden(&self) -> u32 {
        let (ms, most) = self.ride;
        if ms == 0 {
            return 0;
        }
        let used = u64::from(self.pace.rates.worst()) * u64::from(ms) / 1000;
        let whole = used + u64::from(self.out.largest.chunk);
        whole.min(u64::from(most)).min(self.out.offset) as u32
    }

    /// The next slice comes after something that is lost, even if no time is.
    pub fn mark_gap(&mut self) {
        self.out.gap_next = true;
    }

    /// States what its costliest pictures ask of a board; nothing, 0, if not called.
    pub fn set_worst(&mut self, bus_bytes: u32, instructions: u32) {
        self.worst = (bus_bytes, instructions);
    }

    /// Marks the reel as put together again by `repair`.
    pub fn mark_repaired(&mut self) {
        self.repaired = true;
    }

    /// Writes a slice read from another reel, with the gap before it and the
    /// numbers of its pictures as they were there.
    ///
    /// # Errors
    /// As [`slice`](Self::slice), or picture numbers that go back.
    pub fn copy(&mut self, header: &ChunkHeader, slice: &Slice) -> Result<(), WriteError> {
        if header.first_picture < self.out.next_picture {
            return Err(refuse("picture numbers must not go back", self.out.offset));
        }
        // Pictures that are not there are a gap, even if no time is missing.
        let missing = header.first_picture > self.out.next_picture;
        self.out.gap_next |= header.is_after_gap() || missing;
        self.out.next_picture = header.first_picture;
        self.slice(slice)
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
        self.out.sink.seek(SeekFrom::Start(0))?;
        self.out.sink.write_all(&header_sectors(&header))?;
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
            file_length: out.offset + index_length + side_chunk_length(END_PAYLOAD as u64),
            picture_count: out.end.pictures,
            slice_count: out.end.slices,
            largest_chunk: out.largest.chunk,
            most_pictures: out.largest.pictures,
            most_ticks: out.largest.ticks,
            largest_sound: out.largest.sound,
            largest_picture: out.largest.picture,
            worst_bus_bytes: self.worst.0,
            worst_instructions: self.worst.1,
            prebuffer: self
                .prebuffer
                .unwrap_or_else(|| self.pace.prebuffer(duration))
                .max(self.ridden()),
            mean_rate: self.pace.rates.mean(duration),
            worst_rate: self.pace.rates.worst(),
            index_offset: out.offset,
            index_length: index_length as u32,
            index_step: self.step,
            index_entries: entries,
            ..out.header
        }
    }

    fn write_index(&mut self) -> Result<(), WriteError> {
        let mut payload = vec![0; index::payload_length(self.entries.len() as u32) as usize];
        let blocks = payload.chunks_mut(INDEX_BLOCK);
        let per_block = ENTRIES_PER_BLOCK as usize;
        for (i, (bytes, entries)) in blocks.zip(self.entries.chunks(per_block)).enumerate() {
            let mut block = IndexBlock {
                first: i as u32 * ENTRIES_PER_BLOCK,
                id_low: self.out.header.id_low(),
                step: self.step,
                entries: [IndexEntry::default(); ENTRIES_PER_BLOCK as usize],
            };
            block.entries[..entries.len()].copy_from_slice(entries);
            if let Some(bytes) = bytes.first_chunk_mut() {
                block.emit(bytes);
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
        poster: Option<&[u8]>,
        largest_chunk: u32,
    ) -> Result<Self, WriteError> {
        let poster = poster.unwrap_or_default();
        let mut out = Emitter::new(sink, settings, poster)?;
        let largest = aligned(largest_chunk.into()).min(MAX_CHUNK.into()) as u32;
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
