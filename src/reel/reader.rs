//! The reader: a state machine without input or output. It is given bytes in
//! any pieces and answers with events, or with what it needs next.
//!
//! It holds one chunk at a time in a buffer of the caller's, checks each part of
//! it, and only then hands that out: nothing damaged is ever presented, and
//! nothing whole is held back for it.

use super::chunk::{CHUNK_HEADER, ChunkHeader, Kind, PictureHeader, check_chunk};
use super::end::End;
use super::error::{ErrorKind, FaultSide, PartName, ReelError};
use super::event::{Damage, Event, Need};
use super::header::Header;
use super::layout::{ALIGN, FIRST_CHUNK, MAX_SLICE_SECONDS, SECTOR};
use super::slice::{self, Cursor, Part};
use core::ops::Range;

mod damage;
mod seek;

use seek::Quest;

/// What `step` found, in ranges of the buffer instead of borrows.
enum Found {
    Header,
    Chunk(ChunkHeader),
    Slice(ChunkHeader),
    Sound(ChunkHeader, Range<usize>),
    Picture(u64, u32, PictureHeader, Range<usize>),
    Stale(u64, u32, PictureHeader),
    Damage(Damage),
    End(Option<End>),
}

/// What becomes of a chunk out of turn.
#[derive(Clone, Copy, PartialEq)]
enum Fate {
    /// It jumps ahead: it is used.
    Used,
    /// It goes back or breaks a limit: it is passed over, and is silent for as
    /// long as it would have lasted.
    Silent,
    /// It is too far ahead: it is passed over unless the next one confirms it.
    Doubted,
}

#[derive(Clone, Copy)]
enum State {
    /// Wants sector 0.
    Header,
    /// Wants its copy in sector 1; what is wrong with sector 0.
    Copy(ReelError),
    /// Has read the copy, and reports what is wrong with sector 0.
    Copied(ReelError),
    /// Wants the header of the next chunk.
    Chunk,
    /// Wants the rest of a chunk whose header is in order.
    Body(ChunkHeader),
    /// Hands out the parts of a slice.
    Parts(ChunkHeader, Cursor),
    /// Looks for the next chunk after damage that began there.
    Search(ReelError),
    /// Wants the index sector for a tick.
    Index(u64),
    /// Looks for the key slice for a tick by halving the file.
    Bisect(Quest),
    /// Looks for it chunk by chunk.
    Walk(Quest),
    /// The end was reported, or will be.
    Ended,
    Failed(ReelError),
}

/// A place to go on reading.
#[derive(Clone, Copy, Default)]
struct Place {
    offset: u64,
    number: u32,
    time: u64,
}

/// See the module. `B` is the buffer: `&mut [u8]` in firmware, `Vec<u8>` on a
/// host. It must hold `largest_chunk` bytes, and at least one sector.
pub struct Reader<B> {
    buffer: B,
    /// Bytes in the buffer, and how many the state wants there.
    filled: usize,
    want: usize,
    /// Offset in the reel of the buffer's first byte, and of the next byte supplied.
    base: u64,
    position: u64,
    /// Offset of the chunk opened last.
    chunk_at: u64,
    state: State,
    header: Option<Header>,
    /// Number of the next chunk, if it can be known, and the tick of the next slice.
    number: Option<u32>,
    time: u64,
    /// Set after damage until a key picture comes.
    stale: bool,
    /// Set when chunks may be missing here and it has been reported.
    loose: bool,
    /// Set when reading begins anywhere: the next slice tells number and time.
    anywhere: bool,
    /// Number and time of the chunk that would confirm one far ahead of its time.
    candidate: Option<(u32, u64)>,
    input_ended: bool,
    /// Bytes of the source, 0 if that is not known.
    source_length: u64,
}

impl<B: AsRef<[u8]> + AsMut<[u8]>> Reader<B> {
    /// A reader at the start of a reel.
    ///
    /// # Panics
    /// If `buffer` is smaller than one sector.
    pub fn new(buffer: B) -> Self {
        assert!(
            buffer.as_ref().len() >= SECTOR,
            "the buffer holds less than one sector"
        );
        Self {
            buffer,
            filled: 0,
            want: SECTOR,
            base: 0,
            position: 0,
            chunk_at: 0,
            state: State::Header,
            header: None,
            number: None,
            time: 0,
            stale: true,
            loose: false,
            anywhere: false,
            candidate: None,
            input_ended: false,
            source_length: 0,
        }
    }

    /// Begins again with another reel, or with the same one, in the same buffer.
    pub fn reopen(&mut self)
    where
        B: Default,
    {
        *self = Self::new(core::mem::take(&mut self.buffer));
    }

    /// Tells the reader how many bytes the source has. Without an index a reel
    /// that does not state its length can then be halved to seek.
    pub fn set_source_length(&mut self, bytes: u64) {
        self.source_length = bytes;
    }

    /// The header, once it was read.
    pub fn header(&self) -> Option<&Header> {
        self.header.as_ref()
    }

    /// Tick at which the next slice should start.
    pub fn time(&self) -> u64 {
        self.time
    }

    /// What to supply next. A source that can only go forwards supplies from
    /// [`position`](Self::position) on instead; bytes in between are passed over.
    pub fn need(&self) -> Need {
        let length = match self.state {
            State::Ended | State::Failed(_) | State::Parts(..) | State::Copied(_) => 0,
            _ => self.want.saturating_sub(self.filled),
        };
        Need {
            offset: self.base + self.filled as u64,
            length,
        }
    }

    /// Offset of the next byte that [`supply`](Self::supply) takes.
    pub fn position(&self) -> u64 {
        self.position
    }

    /// Tells the reader that the source now stands at the offset it needs.
    pub fn jump(&mut self) {
        self.position = self.need().offset;
    }

    /// Takes bytes that follow those supplied before, as many as it wants now;
    /// returns how many. Zero means that events are waiting.
    pub fn supply(&mut self, bytes: &[u8]) -> usize {
        let need = self.need();
        if need.length == 0 {
            return 0;
        }
        let gap = need.offset - self.position;
        let skipped = usize::try_from(gap).unwrap_or(usize::MAX).min(bytes.len());
        let taken = (bytes.len() - skipped).min(need.length);
        self.buffer.as_mut()[self.filled..self.filled + taken]
            .copy_from_slice(&bytes[skipped..skipped + taken]);
        self.filled += taken;
        self.position += (skipped + taken) as u64;
        skipped + taken
    }

    /// Tells the reader that the source has no more bytes.
    pub fn end_of_input(&mut self) {
        self.input_ended = true;
    }

    /// Takes [`end_of_input`](Self::end_of_input) back: a file that still grows.
    pub fn input_goes_on(&mut self) {
        self.input_ended = false;
    }

    /// The next event; `None` if more bytes are needed, or after the end.
    ///
    /// # Errors
    /// The reel cannot be read at all: it is no reel, too new, or needs a larger
    /// buffer. Damage further in is an event, not an error.
    // An `Iterator` could not lend out its buffer.
    #[allow(clippy::should_implement_trait)]
    pub fn next(&mut self) -> Result<Option<Event<'_>>, ReelError> {
        Ok(self.next_at()?.map(|(event, _)| event))
    }

    /// As [`next`](Self::next), with the offset of the chunk that the event came from.
    ///
    /// # Errors
    /// As [`next`](Self::next).
    pub fn next_at(&mut self) -> Result<Option<(Event<'_>, u64)>, ReelError> {
        let found = loop {
            if let State::Failed(error) = self.state {
                return Err(error);
            }
            if matches!(self.state, State::Ended) {
                return Ok(None);
            }
            let hungry = self.need().length > 0;
            if hungry && !self.input_ended {
                return Ok(None);
            }
            let found = if hungry {
                self.cut_short()
            } else {
                self.step()
            };
            match found {
                Ok(Some(found)) => break found,
                Ok(None) => {}
                Err(error) => {
                    self.state = State::Failed(error);
                    return Err(error);
                }
            }
        };
        Ok(Some((self.event(found), self.chunk_at)))
    }

    fn event(&self, found: Found) -> Event<'_> {
        let bytes = self.buffer.as_ref();
        match found {
            Found::Header => match &self.header {
                Some(header) => Event::Header(header),
                None => Event::End(None),
            },
            Found::Chunk(h) => Event::Chunk(h, &bytes[h.payload()]),
            Found::Slice(h) => Event::Slice(h),
            Found::Sound(h, range) => Event::Sound {
                tick: h.time,
                ticks: h.ticks,
                bytes: self.payload_bytes(range),
            },
            Found::Picture(tick, number, header, range) => Event::Picture {
                tick,
                number,
                header,
                bytes: self.payload_bytes(range),
            },
            Found::Stale(tick, number, header) => Event::Stale {
                tick,
                number,
                header,
            },
            Found::Damage(damage) => Event::Damage(damage),
            Found::End(end) => Event::End(end),
        }
    }

    fn step(&mut self) -> Result<Option<Found>, ReelError> {
        match self.state {
            State::Header => self.read_header(),
            State::Copy(error) => self.read_copy(error).map(Some),
            State::Copied(error) => Ok(Some(self.report_copied(error))),
            State::Chunk => self.read_chunk_header(),
            State::Body(h) => Ok(self.read_body(h)),
            State::Parts(..) => Ok(self.read_part()),
            State::Search(error) => self.search(error),
            State::Index(tick) => Ok(self.read_index(tick)),
            State::Bisect(quest) => Ok(self.bisect(quest)),
            State::Walk(quest) => Ok(self.walk(quest)),
            State::Ended | State::Failed(_) => Ok(None),
        }
    }

    /// Empties the buffer and wants the chunk header at `offset`.
    fn go(&mut self, offset: u64, state: State) {
        self.base = offset;
        self.filled = 0;
        self.want = CHUNK_HEADER;
        self.state = state;
    }

    /// Goes on looking for a chunk header at the next place where one may be.
    fn slide(&mut self, state: State) {
        let filled = self.filled;
        self.buffer.as_mut().copy_within(ALIGN..filled, 0);
        self.base += ALIGN as u64;
        self.filled -= ALIGN;
        self.state = state;
    }

    fn sector(&self) -> &[u8; SECTOR] {
        self.buffer.as_ref().first_chunk().unwrap_or(&[0; SECTOR])
    }

    fn chunk_header(&self) -> Result<ChunkHeader, ErrorKind> {
        self.chunk_header_at(0)
    }

    /// The chunk header at `at` in the buffer.
    fn chunk_header_at(&self, at: usize) -> Result<ChunkHeader, ErrorKind> {
        let bytes = self.buffer.as_ref()[at..].first_chunk::<CHUNK_HEADER>();
        let newer = self.header.as_ref().is_some_and(Header::is_newer);
        let h = ChunkHeader::parse(bytes.unwrap_or(&[0; CHUNK_HEADER]), newer)?;
        if self
            .header
            .is_some_and(|header| header.id_low() != h.id_low)
        {
            return Err(ErrorKind::OtherReel);
        }
        Ok(h)
    }

    fn read_header(&mut self) -> Result<Option<Found>, ReelError> {
        match Header::parse(self.sector()) {
            Ok(header) => self.start(header).map(Some),
            // The bytes are in order, and say that this reader is too old.
            Err(error) if error.fault_side() == FaultSide::Newer => Err(error),
            Err(error) => {
                self.go(SECTOR as u64, State::Copy(error));
                self.want = SECTOR;
                Ok(None)
            }
        }
    }

    fn read_copy(&mut self, error: ReelError) -> Result<Found, ReelError> {
        let header = Header::parse(self.sector()).map_err(|_| error)?;
        let found = self.start(header)?;
        self.state = State::Copied(error);
        Ok(found)
    }

    fn report_copied(&mut self, error: ReelError) -> Found {
        self.state = State::Chunk;
        Found::Damage(Damage {
            error,
            length: SECTOR as u64,
            from: self.time,
            to: self.time,
        })
    }

    /// Takes a header that is in order.
    fn start(&mut self, header: Header) -> Result<Found, ReelError> {
        let need = header.largest_chunk;
        if need as usize > self.buffer.as_ref().len() {
            return Err(ReelError::at(ErrorKind::Buffer { need }, 0));
        }
        self.header = Some(header);
        self.time = header.first_tick;
        self.number = (!header.is_live()).then_some(0);
        self.go(FIRST_CHUNK, State::Chunk);
        Ok(Found::Header)
    }

    fn read_chunk_header(&mut self) -> Result<Option<Found>, ReelError> {
        match self.chunk_header() {
            Ok(h) => self.accept(h),
            Err(kind) => {
                let error = ReelError::at(kind, self.base);
                self.slide(State::Search(error));
                Ok(None)
            }
        }
    }

    /// A chunk header in order: checks it against what went before.
    fn accept(&mut self, h: ChunkHeader) -> Result<Option<Found>, ReelError> {
        if h.kind().is_none() && h.flags & ChunkHeader::SKIPPABLE == 0 {
            let kind = ErrorKind::UnknownKind { kind: h.kind };
            return Err(ReelError::at(kind, self.base).in_chunk(h.number));
        }
        self.state = State::Body(h);
        let damage = match self.check_place(&h) {
            Ok(()) => None,
            Err((kind, fate)) => Some(self.misplaced(&h, kind, fate)),
        };
        if matches!(self.state, State::Body(_)) {
            self.open_body(&h);
        }
        Ok(damage.map(Found::Damage))
    }

    /// Whether the chunk comes in turn; if not, what becomes of it.
    fn check_place(&self, h: &ChunkHeader) -> Result<(), (ErrorKind, Fate)> {
        if let Some(header) = &self.header {
            slice::check_limits(header, h).map_err(|kind| (kind, Fate::Silent))?;
        }
        let late = h.time < self.time;
        let early = h.time > self.time && !self.loose && !h.is_after_gap();
        let found = h.number;
        if !self.believable(h) {
            return Err((ErrorKind::Field { name: "time" }, Fate::Doubted));
        }
        if let Some(expected) = self.number
            && found != expected
            && !(self.loose && found > expected)
        {
            let kind = ErrorKind::Sequence { expected, found };
            let fate = match found > expected && !late {
                true => Fate::Used,
                false => Fate::Silent,
            };
            return Err((kind, fate));
        }
        match late || early {
            true if late => Err((ErrorKind::Field { name: "time" }, Fate::Silent)),
            true => Err((ErrorKind::Field { name: "time" }, Fate::Used)),
            false => Ok(()),
        }
    }

    /// Whether a slice ends before the reel does, as far as that is known.
    fn ends_within(&self, h: &ChunkHeader) -> bool {
        let end = self.header.as_ref().and_then(Header::end_tick);
        end.is_none_or(|end| h.end() <= end)
    }

    /// Notes the chunk's place and wants the rest of it, or passes it over.
    fn open_body(&mut self, h: &ChunkHeader) {
        if h.is_after_gap() || h.time > self.time {
            self.stale = true;
        }
        self.loose = false;
        self.anywhere &= !h.is_slice();
        self.candidate = None;
        // A live reel joined in the middle: its first slice brings its own number.
        if self.number.is_some() || h.kind() == Some(Kind::Slice) {
            self.number = Some(h.number.saturating_add(1));
        }
        self.time = h.time;
        self.chunk_at = self.base;
        let fits = h.length as usize <= self.buffer.as_ref().len();
        if fits && h.kind().is_some() {
            self.want = h.length as usize;
        } else {
            self.go(self.base + u64::from(h.length), State::Chunk);
        }
    }

    fn read_body(&mut self, h: ChunkHeader) -> Option<Found> {
        match self.check_body(&h) {
            Ok(()) => self.open(h),
            Err(kind) => Some(Found::Damage(self.bad_body(&h, kind))),
        }
    }

    fn check_body(&self, h: &ChunkHeader) -> Result<(), ErrorKind> {
        let chunk = &self.buffer.as_ref()[..h.length as usize];
        let newer = self.header.as_ref().is_some_and(Header::is_newer);
        match h.kind() {
            Some(Kind::Slice) => Ok(()),
            Some(Kind::End) => {
                check_chunk(h, chunk, newer)?;
                End::parse(&chunk[h.payload()], newer).map(|_| ())
            }
            _ => check_chunk(h, chunk, newer),
        }
    }

    fn open_slice(&mut self, h: ChunkHeader) -> Found {
        self.time = h.end();
        self.state = State::Parts(h, Cursor::default());
        Found::Slice(h)
    }

    fn open(&mut self, h: ChunkHeader) -> Option<Found> {
        match h.kind() {
            Some(Kind::Slice) => Some(self.open_slice(h)),
            Some(Kind::End) => Some(self.close(&h)),
            _ => {
                // The payload stays in the buffer until the next call.
                let next = self.base + u64::from(h.length);
                self.go(next, State::Chunk);
                Some(Found::Chunk(h))
            }
        }
    }

    fn read_part(&mut self) -> Option<Found> {
        let State::Parts(h, _) = self.state else {
            return None;
        };
        Some(match self.take_part()? {
            (Part::Sound(range), _) => Found::Sound(h, range),
            (Part::Picture(i, picture, range), stale) => {
                let tick = h.time + u64::from(picture.tick_offset);
                let number = h.first_picture.wrapping_add(i.into());
                if stale {
                    Found::Stale(tick, number, picture)
                } else {
                    Found::Picture(tick, number, picture, range)
                }
            }
            (Part::Lost(name, kind, picture), _) => {
                Found::Damage(self.lost(&h, name, kind, picture))
            }
        })
    }

    /// What a part that is not in order costs: itself.
    pub(crate) fn lost(
        &self,
        h: &ChunkHeader,
        name: PartName,
        kind: ErrorKind,
        picture: Option<PictureHeader>,
    ) -> Damage {
        let tick = h.time + picture.map_or(0, |p| u64::from(p.tick_offset));
        let (from, to) = match name {
            PartName::Sound => (h.time, h.end()),
            _ => (tick, tick),
        };
        let error = ReelError::at(kind, self.base).in_chunk(h.number);
        Damage {
            error: error.in_part(name),
            length: 0,
            from,
            to,
        }
    }

    /// The next part of the slice, its range in the payload, and whether it
    /// builds on a picture that is lost. `None`: the slice is done.
    pub(crate) fn take_part(&mut self) -> Option<(Part, bool)> {
        let State::Parts(h, cursor) = self.state else {
            return None;
        };
        let header = self.header.as_ref()?;
        let chunk = &self.buffer.as_ref()[..h.length as usize];
        let Some((part, next)) = slice::next_part(header, &h, chunk, cursor) else {
            self.go(self.base + u64::from(h.length), State::Chunk);
            return None;
        };
        self.state = State::Parts(h, next);
        match &part {
            Part::Picture(_, picture, _) => self.stale &= !picture.is_key(),
            Part::Lost(PartName::Picture(_) | PartName::Directory, ..) => {
                self.stale |= h.pictures > 0;
            }
            Part::Lost(..) | Part::Sound(_) => {}
        }
        Some((part, self.stale))
    }

    /// Whether the chunk is no further ahead than a slice may be long.
    fn near(&self, h: &ChunkHeader) -> bool {
        let rate = self.header.map_or(0, |header| header.clock_rate);
        h.time <= self.time + u64::from(MAX_SLICE_SECONDS) * u64::from(rate)
    }

    /// Whether chunk `h`, ahead of the time expected, may be believed: it is no
    /// further ahead than a slice may be long, or it says that something is
    /// missing and comes in turn, or the chunk before foretold it.
    fn believable(&self, h: &ChunkHeader) -> bool {
        let in_turn = self.number.is_none_or(|n| n == h.number);
        self.near(h)
            || self.anywhere
            || h.is_after_gap() && in_turn
            || self.candidate == Some((h.number, h.time))
    }

    /// Bytes of the payload in the buffer.
    pub(crate) fn payload_bytes(&self, range: Range<usize>) -> &[u8] {
        &self.buffer.as_ref()[CHUNK_HEADER..][range]
    }

    /// Offset of the chunk that the last event came from.
    pub fn chunk_offset(&self) -> u64 {
        self.chunk_at
    }

    /// Whether the end was reported: no event will follow.
    pub fn is_finished(&self) -> bool {
        matches!(self.state, State::Ended)
    }

    /// The end chunk. What is missing before it was reported by its time.
    fn close(&mut self, h: &ChunkHeader) -> Found {
        let payload = &self.buffer.as_ref()[h.payload()];
        let end = End::parse(payload, true).unwrap_or_default();
        self.state = State::Ended;
        Found::End(Some(end))
    }
}
