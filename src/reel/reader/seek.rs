//! Seeking: by one block of the index. Without an index by halving, then from
//! chunk header to chunk header.

use super::super::chunk::{CHUNK_HEADER, ChunkHeader, Kind};
use super::super::header::Header;
use super::super::index::{self, INDEX_BLOCK, IndexBlock};
use super::super::layout::{ALIGN, MAX_CHUNK};
use super::{Found, Place, Reader, State};

/// Most bytes read at once where a chunk is looked for.
const LOOK: usize = 4096;
/// What is left of the file at this size is not halved again.
const NEAR: u64 = 4096;
/// How far before the tick a key slice is looked for first; then four times as far.
const BACK: u64 = 16 << 10;

/// A search for the last key slice that starts at a tick or before.
#[derive(Clone, Copy)]
pub(super) struct Quest {
    tick: u64,
    /// The best so far, and whether the walk itself has met it.
    key: Place,
    found: bool,
    /// Where the walk begins, and how far back the next one would.
    begin: u64,
    back: u64,
    /// Slices before `from` are in time, those from `to` on are not.
    from: u64,
    to: u64,
    /// Where the look between the two began.
    middle: u64,
}

impl<B: AsRef<[u8]> + AsMut<[u8]>> Reader<B> {
    /// Goes to the key slice for `tick`: one block of the index, or, without an index,
    /// by halving the file, or from slice to slice if its length is not known. The
    /// slices from there on follow; what is before `tick` is to be decoded but not
    /// presented. `false` before the header.
    pub fn seek(&mut self, tick: u64) -> bool {
        let Some(header) = self.header else {
            return false;
        };
        let tick = tick.max(header.first_tick);
        if header.index_entries == 0 {
            self.start_search(tick);
        } else {
            let entry = index_entry(&header, tick);
            self.go(
                index::block_of(header.index_offset, entry),
                State::Index(tick),
            );
            self.want = INDEX_BLOCK;
        }
        self.input_ended = false;
        true
    }

    pub(super) fn read_index(&mut self, tick: u64) -> Option<Found> {
        let header = self.header?;
        match IndexBlock::parse(
            self.buffer
                .as_ref()
                .first_chunk()
                .unwrap_or(&[0; INDEX_BLOCK]),
        ) {
            Ok(s) if s.id_low == header.id_low() && s.step == header.index_step => {
                let entry = index_entry(&header, tick);
                let found = s.entries[(entry % index::ENTRIES_PER_BLOCK) as usize];
                let trusted = entry - entry % index::ENTRIES_PER_BLOCK == s.first
                    && found.offset() >= header.first_slice
                    && found.offset() < header.index_offset;
                if trusted {
                    let place = Place {
                        offset: found.offset(),
                        number: found.number,
                        time: header.first_tick,
                    };
                    self.resume(place);
                } else {
                    self.start_search(tick);
                }
            }
            _ => self.start_search(tick),
        }
        None
    }

    /// Without an index: halves the file, if its length is known, then goes
    /// from slice to slice.
    pub(super) fn start_search(&mut self, tick: u64) {
        let Some(header) = self.header else { return };
        let first = Place {
            offset: header.first_slice,
            number: 0,
            time: header.first_tick,
        };
        self.halve(Quest {
            tick,
            key: first,
            found: false,
            begin: first.offset,
            back: BACK,
            from: first.offset,
            to: self.search_end(&header),
            middle: first.offset,
        });
    }

    /// Where the slices end at the latest; 0 if that is not known.
    fn search_end(&self, header: &Header) -> u64 {
        let stated = match header.index_offset {
            0 => header.file_length,
            index => index,
        };
        match (stated, self.source_length) {
            (0, length) => length,
            (stated, 0) => stated,
            (stated, length) => stated.min(length),
        }
    }

    /// Looks in the middle of what is left, or goes from slice to slice if that
    /// is little.
    fn halve(&mut self, quest: Quest) {
        let left = quest.to.saturating_sub(quest.from);
        if left <= NEAR {
            return self.go(quest.begin, State::Walk(quest));
        }
        let middle = quest.from + left / 2 / ALIGN as u64 * ALIGN as u64;
        self.go(middle, State::Bisect(Quest { middle, ..quest }));
        self.want = self.look();
    }

    /// Bytes to read at once where a chunk is looked for.
    fn look(&self) -> usize {
        LOOK.min(self.buffer.as_ref().len())
    }

    /// The first chunk header in the buffer; what lies before it is let go.
    /// Without one, more is wanted.
    fn hunt(&mut self) -> Option<ChunkHeader> {
        let mut at = 0;
        let mut found = None;
        while found.is_none() && at + CHUNK_HEADER <= self.filled {
            found = self.chunk_header_at(at).ok();
            at += if found.is_none() { ALIGN } else { 0 };
        }
        let filled = self.filled;
        self.buffer.as_mut().copy_within(at..filled, 0);
        self.base += at as u64;
        self.filled -= at;
        self.want = found.map_or_else(|| self.look(), |_| CHUNK_HEADER);
        found
    }

    pub(super) fn bisect(&mut self, quest: Quest) -> Option<Found> {
        let longest = self.header.map_or(MAX_CHUNK, |h| h.largest_chunk);
        let end = quest.to.min(quest.middle + 2 * u64::from(longest));
        match self.hunt() {
            Some(h) if self.base < end && h.time <= quest.tick => {
                self.halve(self.noting(&h, quest));
            }
            None if self.base < end => {}
            // A slice that is too late, or none in the length of two.
            _ => self.miss(quest),
        }
        None
    }

    /// Nothing in time lies behind the middle.
    pub(super) fn miss(&mut self, quest: Quest) {
        let to = quest.middle;
        self.halve(Quest { to, ..quest });
    }

    /// The search after a chunk that is in time.
    fn noting(&self, h: &ChunkHeader, quest: Quest) -> Quest {
        let here = Place {
            offset: self.base,
            number: h.number,
            time: h.time,
        };
        Quest {
            key: if h.is_slice() && h.is_key() {
                here
            } else {
                quest.key
            },
            begin: here.offset,
            from: here.offset + u64::from(h.length),
            ..quest
        }
    }

    /// Goes back to the first slice. `false` before the header.
    pub fn rewind(&mut self) -> bool {
        let Some(header) = self.header else {
            return false;
        };
        self.resume(Place {
            offset: header.first_slice,
            number: 0,
            time: header.first_tick,
        });
        self.input_ended = false;
        true
    }

    /// Reads on at `place`, whose slice tells its own time.
    pub(super) fn resume(&mut self, place: Place) {
        self.number = Some(place.number);
        self.time = place.time;
        self.loose = true;
        self.stale = true;
        self.candidate = None;
        self.anywhere = place.offset != self.header.map_or(0, |header| header.first_slice);
        self.go(place.offset, State::Chunk);
    }

    pub(super) fn walk(&mut self, mut quest: Quest) -> Option<Found> {
        let h = self.hunt()?;
        let slice = h.is_slice();
        if slice && h.is_key() && h.time <= quest.tick {
            quest.key = Place {
                offset: self.base,
                number: h.number,
                time: h.time,
            };
            quest.found = true;
        }
        if (slice && h.end() > quest.tick) || matches!(h.kind(), Some(Kind::Index | Kind::End)) {
            self.walked(quest);
        } else {
            self.go(self.base + u64::from(h.length), State::Walk(quest));
        }
        None
    }

    /// Reads on at the key slice that was found, or looks for one further back.
    pub(super) fn walked(&mut self, quest: Quest) {
        if quest.found || quest.begin <= quest.key.offset {
            return self.resume(quest.key);
        }
        let begin = quest.begin.saturating_sub(quest.back);
        let quest = Quest {
            begin: begin.max(quest.key.offset),
            back: quest.back.saturating_mul(4),
            ..quest
        };
        self.go(quest.begin, State::Walk(quest));
    }
}

fn index_entry(header: &Header, tick: u64) -> u32 {
    let step = u64::from(header.index_step.max(1));
    let entry = (tick - header.first_tick) / step;
    let last = header.index_entries.saturating_sub(1);
    u32::try_from(entry).unwrap_or(u32::MAX).min(last)
}
