//! Seeking: by the index in one sector, or from chunk header to chunk header.

use super::super::chunk::Kind;
use super::super::header::Header;
use super::super::index::{self, IndexSector};
use super::super::layout::SECTOR;
use super::{Found, Place, Reader, State};

impl<B: AsRef<[u8]> + AsMut<[u8]>> Reader<B> {
    /// Goes to the key slice for `tick`: one index sector, or, without an index,
    /// from slice to slice. The slices from there on follow; what is before
    /// `tick` is to be decoded but not presented. `false` before the header.
    pub fn seek(&mut self, tick: u64) -> bool {
        let Some(header) = self.header else {
            return false;
        };
        let tick = tick.max(header.first_tick);
        if header.index_entries == 0 {
            self.start_walk(tick);
        } else {
            let entry = index_entry(&header, tick);
            self.go(
                index::sector_of(header.index_offset, entry),
                State::Index(tick),
            );
            self.want = SECTOR;
        }
        self.input_ended = false;
        true
    }

    pub(super) fn read_index(&mut self, tick: u64) -> Option<Found> {
        let header = self.header?;
        match IndexSector::parse(self.sector()) {
            Ok(s) if s.id_low == header.id_low() && s.step == header.index_step => {
                let entry = index_entry(&header, tick);
                let found = s.entries[(entry % index::ENTRIES_PER_SECTOR) as usize];
                let trusted = entry - entry % index::ENTRIES_PER_SECTOR == s.first
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
                    self.start_walk(tick);
                }
            }
            _ => self.start_walk(tick),
        }
        None
    }

    pub(super) fn start_walk(&mut self, tick: u64) {
        let Some(header) = self.header else { return };
        let first = Place {
            offset: header.first_slice,
            number: 0,
            time: header.first_tick,
        };
        self.go(header.first_slice, State::Walk(tick, first));
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

    pub(super) fn walk(&mut self, tick: u64, key: Place) -> Option<Found> {
        let Ok(h) = self.chunk_header() else {
            self.slide(State::Walk(tick, key));
            return None;
        };
        let slice = h.is_slice();
        let here = Place {
            offset: self.base,
            number: h.number,
            time: h.time,
        };
        let key = if slice && h.is_key() && h.time <= tick {
            here
        } else {
            key
        };
        if (slice && h.end() > tick) || matches!(h.kind(), Some(Kind::Index | Kind::End)) {
            self.resume(key);
        } else {
            self.go(self.base + u64::from(h.length), State::Walk(tick, key));
        }
        None
    }
}

fn index_entry(header: &Header, tick: u64) -> u32 {
    let step = u64::from(header.index_step.max(1));
    let entry = (tick - header.first_tick) / step;
    let last = header.index_entries.saturating_sub(1);
    u32::try_from(entry).unwrap_or(u32::MAX).min(last)
}
