//! Damage: what is passed over, what time it costs, and where play goes on.

use super::super::chunk::{CHUNK_HEADER, ChunkHeader};
use super::super::error::{ErrorKind, ReelError};
use super::super::event::Damage;
use super::super::header::Header;
use super::super::layout::MAGIC;
use super::{Fate, Found, Reader, State};

impl<B: AsRef<[u8]> + AsMut<[u8]>> Reader<B> {
    /// Reports a chunk out of turn, and passes it over unless it is to be used.
    pub(super) fn misplaced(&mut self, h: &ChunkHeader, kind: ErrorKind, fate: Fate) -> Damage {
        let error = ReelError::at(kind, self.base).in_chunk(h.number);
        let from = self.time;
        let mut length = 0;
        self.loose = true;
        self.stale = true;
        if fate == Fate::Used {
            self.time = self.time.max(h.time);
        } else {
            length = u64::from(h.length);
            // A slice of more ticks than slices may have does not tell how long it lasts.
            let most = self.header.as_ref().map_or(0, |header| header.most_ticks);
            let slice = h.is_slice() && h.ticks <= most && h.time >= self.time && self.near(h);
            if fate == Fate::Silent && slice && self.ends_within(h) {
                self.time = h.end();
            }
            self.candidate = (fate == Fate::Doubted)
                .then(|| (h.number.saturating_add(1), h.end()))
                .filter(|_| self.ends_within(h));
            self.go(self.base + length, State::Chunk);
        }
        Damage {
            error,
            length,
            from,
            to: self.time,
        }
    }

    pub(super) fn bad_body(&mut self, h: &ChunkHeader, kind: ErrorKind) -> Damage {
        let length = u64::from(h.length);
        let damage = Damage {
            error: ReelError::at(kind, self.base).in_chunk(h.number),
            length,
            from: h.time,
            to: h.end(),
        };
        self.time = h.end();
        self.go(self.base + length, State::Chunk);
        damage
    }

    pub(super) fn search(&mut self, error: ReelError) -> Result<Option<Found>, ReelError> {
        let Ok(h) = self.chunk_header() else {
            self.slide(State::Search(error));
            return Ok(None);
        };
        self.loose = true;
        // Time goes on only if the chunk will be used.
        let reach = match self.check_place(&h) {
            Ok(()) | Err((_, Fate::Used)) => h.time.max(self.time),
            Err(_) => self.time,
        };
        let damage = Damage {
            error,
            length: self.base - error.offset,
            from: self.time,
            to: reach,
        };
        self.stale = true;
        // Judged once more, now as a chunk after reported damage.
        self.state = State::Chunk;
        self.time = reach;
        Ok(Some(Found::Damage(damage)))
    }

    /// The input ended where more was needed.
    pub(super) fn cut_short(&mut self) -> Result<Option<Found>, ReelError> {
        let Some(header) = self.header else {
            return Err(match self.state {
                State::Copy(error) => error,
                _ => ReelError::at(self.no_header(), 0),
            });
        };
        match self.state {
            State::Index(tick) => self.start_search(tick),
            // What was read before the source ended is looked at first.
            State::Bisect(_) | State::Walk(_) if self.filled >= CHUNK_HEADER => {
                self.want = CHUNK_HEADER;
            }
            State::Bisect(quest) => self.miss(quest),
            State::Walk(quest) => self.walked(quest),
            // A live reel may end after any byte.
            State::Chunk | State::Body(_) if header.is_live() => {
                self.state = State::Ended;
                return Ok(Some(Found::End(None)));
            }
            // What is missing up to the end was reported already.
            State::Chunk if self.filled == 0 && self.loose && self.is_over(&header) => {
                self.state = State::Ended;
                return Ok(Some(Found::End(None)));
            }
            _ => return Ok(Some(Found::Damage(self.cut(&header)))),
        }
        self.input_ended = false;
        Ok(None)
    }

    /// Whether all of a reel's time is accounted for.
    fn is_over(&self, header: &Header) -> bool {
        header.end_tick().is_none_or(|end| self.time >= end)
    }

    fn no_header(&self) -> ErrorKind {
        let magic = &MAGIC;
        let have = self.filled.min(magic.len());
        if have > 0 && self.buffer.as_ref()[..have] == magic[..have] {
            ErrorKind::Truncated
        } else {
            ErrorKind::NotAReel
        }
    }

    fn cut(&mut self, header: &Header) -> Damage {
        let error = match self.state {
            State::Search(error) => error,
            State::Body(h) => ReelError::at(ErrorKind::Truncated, self.base).in_chunk(h.number),
            _ => ReelError::at(ErrorKind::Truncated, self.base),
        };
        let reach = match self.state {
            State::Body(h) => h.end(),
            _ => self.time,
        };
        let (from, length) = (self.time, self.position.saturating_sub(error.offset));
        self.time = header.end_tick().unwrap_or(reach).max(reach);
        self.loose = true;
        // The end itself is the next event.
        self.go(self.position, State::Chunk);
        Damage {
            error,
            length,
            from,
            to: self.time,
        }
    }
}
