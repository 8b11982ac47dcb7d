//! A reel's slices, measured: what `inspect` and the budget look at.

use super::chunk::{ChunkHeader, Kind};
use super::end::End;
use super::event::{Damage, Event};
use super::file::{FileError, ReelFile};
use super::header::Header;
use super::pace::Pace;
use std::io::{Read, Seek};

/// One slice's sizes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SliceRecord {
    /// Offset of its chunk.
    pub offset: u64,
    /// Its chunk header.
    pub header: ChunkHeader,
    /// Bytes of picture payload.
    pub picture_bytes: u64,
    /// Pictures that the panel keeps as they are.
    pub unchanged: u16,
}

/// A chunk besides slices.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SideRecord {
    /// Offset of the chunk.
    pub offset: u64,
    /// Its chunk header.
    pub header: ChunkHeader,
    /// The text of a note.
    pub note: Option<String>,
}

/// A reel read from end to end.
#[derive(Clone, Debug, PartialEq)]
pub struct Survey {
    /// Sector 0.
    pub header: Header,
    /// Bytes in the file.
    pub file_bytes: u64,
    /// Chunks besides slices, the end left out.
    pub others: Vec<SideRecord>,
    /// Slices in order.
    pub slices: Vec<SliceRecord>,
    /// Totals of the end chunk, if there is one.
    pub end: Option<End>,
    /// What could not be read.
    pub damage: Vec<Damage>,
    /// Mean bytes per second of slice chunks.
    pub mean_rate: u32,
    /// Most bytes of slice chunks that start within any one second.
    pub worst_rate: u32,
    /// Least lead for a link of the mean rate, in bytes.
    pub prebuffer: u32,
}

impl Survey {
    /// Reads `reel` from where it stands to its end; start with a reel just opened.
    ///
    /// # Errors
    /// A source that fails, or a reel that needs a newer reader.
    pub fn read<R: Read + Seek>(reel: &mut ReelFile<R>) -> Result<Self, FileError> {
        let header = *reel.header();
        let mut survey = Self {
            header,
            file_bytes: reel.source_length()?,
            others: Vec::new(),
            slices: Vec::new(),
            end: None,
            damage: Vec::new(),
            mean_rate: 0,
            worst_rate: 0,
            prebuffer: 0,
        };
        while let Some(()) = reel.next_event_at(|event, offset| survey.see(event, offset))? {}
        survey.end = reel.end().copied();
        survey.add_rates();
        Ok(survey)
    }

    fn see(&mut self, event: &Event<'_>, offset: u64) {
        match *event {
            Event::Chunk(header, bytes) => self.others.push(SideRecord {
                offset,
                header,
                note: note_text(&header, bytes),
            }),
            Event::Slice(header) => self.slices.push(SliceRecord {
                offset,
                header,
                picture_bytes: 0,
                unchanged: 0,
            }),
            Event::Picture { header, .. } | Event::Stale { header, .. } => {
                if let Some(slice) = self.slices.last_mut() {
                    slice.picture_bytes += u64::from(header.length);
                    slice.unchanged += u16::from(header.is_unchanged());
                }
            }
            Event::Damage(damage) => self.damage.push(damage),
            Event::Header(_) | Event::Sound { .. } | Event::End(_) => {}
        }
    }

    fn add_rates(&mut self) {
        let mut pace = Pace::new(self.header.clock_rate, self.header.first_tick);
        for slice in &self.slices {
            pace.slice(slice.header.time, slice.header.length);
        }
        self.mean_rate = pace.rates.mean(self.ticks());
        self.worst_rate = pace.rates.worst();
        self.prebuffer = pace.prebuffer(self.ticks());
    }

    /// Ticks from the start to the end of the last slice.
    #[must_use]
    pub fn ticks(&self) -> u64 {
        let last = self.slices.last();
        last.map_or(0, |s| s.header.end() - self.header.first_tick)
    }

    /// Bytes of sound and picture payload.
    #[must_use]
    pub fn payload_bytes(&self) -> u64 {
        let slices = self.slices.iter();
        slices
            .map(|s| s.picture_bytes + u64::from(s.header.bytes))
            .sum()
    }

    /// Bytes of poster, tables and note.
    #[must_use]
    pub fn side_bytes(&self) -> u64 {
        let kinds = [Kind::Poster, Kind::Tables, Kind::Note];
        let others = self.others.iter().map(|o| &o.header);
        let sides = others.filter(|h| h.kind().is_some_and(|k| kinds.contains(&k)));
        sides.map(|h| u64::from(h.bytes)).sum()
    }

    /// Share of the file that carries nothing: headers, checksums, padding,
    /// index, end. From 0 to 1.
    #[must_use]
    pub fn overhead(&self) -> f64 {
        let total = self.file_bytes.max(1) as f64;
        (total - (self.payload_bytes() + self.side_bytes()) as f64) / total
    }
}

fn note_text(header: &ChunkHeader, bytes: &[u8]) -> Option<String> {
    let note = header.kind() == Some(Kind::Note);
    note.then(|| String::from_utf8_lossy(bytes).into_owned())
}
