//! The loop on a board with one core: reels in as bytes, pixels and samples out.
//! `spec/firmware/player.h` has the same for C.

use byteorder::{ByteOrder as _, LE};

use super::{
    Coding, Counts, Fetcher, Found, Picture, Presenter, Queue, Reach, Read, SECTOR, Said, Setup,
    Source, Span, Stage, Title, step,
};
use crate::coding::dirty::Cells;
use crate::coding::patch::{self, Level};
use crate::coding::raw::Rectangles;
use crate::coding::{Coding as PictureCoding, MOST_SIDE};
use crate::reel::{
    ByteOrder, CHUNK_HEADER, ChunkHeader, Event, Header, PartName, PictureHeader, Reader,
};
use crate::reel::{ReelError, SoundCoding};
use crate::sound::{self, BlockReader};
use crate::units::Rect;

/// What a board does for the loop. None of it waits longer than it must.
pub trait Board {
    /// Reads the next bytes of the item into `to`, as many as there are now.
    fn read(&mut self, to: &mut [u8]) -> Read;
    /// Goes to a byte of an item of the list, from 0. Nothing need be open before.
    fn reach(&mut self, item: u32, offset: u64) -> Reach;
    /// Sends pixels to a rectangle of the panel's memory; with `None` they go on where
    /// those before ended. Each pixel is two bytes in the order of the wire. The loop
    /// lets go of them when the call returns.
    fn window(&mut self, window: Option<Rect>, pixels: impl Iterator<Item = [u8; 2]>);
    /// Takes samples into the sound queue, as many as fit; returns how many.
    fn sound(&mut self, samples: &[i16]) -> u32;
    /// Samples taken and not heard yet.
    fn sound_left(&mut self) -> u32;
    /// Microseconds since some start, modulo 2^32.
    fn clock(&mut self) -> u32;
    /// A reel begins; the sound queue is empty if its rate is another than that of the
    /// reel before. `false` passes it over.
    fn begin(&mut self, item: u32, header: &Header) -> bool;
    /// An item cannot be played and is passed over.
    fn refused(&mut self, item: u32, fault: Fault);
    /// Called once a round: buttons, a status page, a watchdog; and a nap if
    /// `now.idle` is not zero.
    fn between(&mut self, now: Now<'_>);
}

/// What the loop is at.
pub struct Now<'a> {
    /// Microseconds for which there is nothing to do.
    pub idle: u32,
    /// The tick of the picture that was sent last.
    pub position: Option<u64>,
    /// Stretches of the reels that could not be used.
    pub damaged: u32,
    /// Times that the source failed.
    pub lost: u32,
    /// Pauses, seeks, sets the volume, stops.
    pub control: &'a mut Presenter,
}

impl Now<'_> {
    /// What was counted so far.
    #[must_use]
    pub const fn counts(&self) -> &Counts {
        self.control.counts()
    }
}

/// Why an item cannot be played.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// It is no reel, or too damaged or too new.
    Reel(ReelError),
    /// `chunk` or `ring` is too small for its slices, or `work` for its pictures.
    Memory,
    /// Its pictures are coded as this loop cannot decode: `jpeg`.
    Coding,
}

/// Memory of the loop.
pub struct Memory<'a> {
    /// What was read ahead: twice `largest_chunk`, or more.
    pub ring: &'a mut [u8],
    /// The chunk that is being read: `largest_chunk`, or more.
    pub chunk: &'a mut [u8],
    /// The decoder's: `working_memory`, or more; nothing for `raw`.
    pub work: &'a mut [u8],
}

/// Plays all items of the list, or without end; returns when all was seen and heard,
/// or when play was stopped.
///
/// # Panics
/// If `memory.chunk` is smaller than a sector.
pub fn run<B: Board>(board: &mut B, memory: Memory<'_>, repeat: bool) {
    let Memory { ring, chunk, work } = memory;
    let queue = Queue::default();
    let mut fetcher = Fetcher::new(Setup {
        ring_buffer_bytes: ring.len() as u32,
        piece: SECTOR,
        repeat,
    });
    let mut presenter = Presenter::new(board.clock());
    let mut deck = Deck::new(board, ring, chunk, work.len());
    loop {
        let header = deck.header;
        let decoder = header.and_then(|header| decoder(&header, work));
        let mut stage = Decoding {
            deck: &mut deck,
            decoder,
        };
        // With one decoder, until a reel begins.
        let said = loop {
            let said = step(&mut fetcher, &mut presenter, &queue, &mut stage);
            let idle = match said {
                Said::Idle => presenter.idle(&mut stage),
                _ => 0,
            };
            stage.deck.board.between(Now {
                idle,
                position: stage.deck.position,
                damaged: fetcher.damaged,
                lost: fetcher.lost,
                control: &mut presenter,
            });
            match said {
                Said::Item if !stage.deck.begin(&presenter) => {
                    presenter.seek(presenter.item() + 1, 0);
                    break said;
                }
                Said::Item if stage.deck.opened => break said,
                Said::Failed(code) => {
                    let item = if code == UNREADABLE {
                        fetcher.item()
                    } else {
                        presenter.item()
                    };
                    let fault = stage.deck.fault;
                    stage.deck.board.refused(item, fault);
                    presenter.seek(item + 1, 0);
                }
                Said::Ended => break said,
                Said::Item | Said::GoesOn | Said::Idle => {}
            }
        };
        if said == Said::Ended {
            return;
        }
        deck.opened = false;
    }
}

/// What the loop is told of a fault: of the side that reads, of the other side.
const UNREADABLE: i32 = -1;
const UNSUITED: i32 = -2;

type Decoder<'w> = patch::Decoder<&'w mut [u8]>;

fn decoder<'w>(header: &Header, work: &'w mut [u8]) -> Option<Decoder<'w>> {
    if header.coding != PictureCoding::Patch as u8 {
        return None;
    }
    let level = Level::from_number(header.level)?;
    patch::Decoder::new(header.width, header.height, level, work).ok()
}

/// Whether the reel's pictures can be decoded in `work` bytes.
fn check_decoder(header: &Header, work: usize) -> Result<(), Fault> {
    match PictureCoding::from_number(header.coding) {
        Some(PictureCoding::Raw) => Ok(()),
        Some(PictureCoding::Patch)
            if header.width > MOST_SIDE
                || header.height > MOST_SIDE
                || Level::from_number(header.level).is_none() =>
        {
            Err(Fault::Coding)
        }
        Some(PictureCoding::Patch) if patch::memory_bytes(header.width, header.height) > work => {
            Err(Fault::Memory)
        }
        Some(PictureCoding::Patch) => Ok(()),
        Some(PictureCoding::Jpeg) | None => Err(Fault::Coding),
    }
}

/// Pixels that are converted at a time: a row of the largest panel, two rows of most.
const STRIP: usize = MOST_SIDE as usize;

/// A slice lies in the ring buffer as its head, its sound and its pictures, each picture
/// behind a head of its own.
const HEAD: usize = 20;
/// Offset in ticks, then the length in 24 bits and the flags in 8.
const PICTURE_HEAD: usize = 8;
/// Most bytes that a slice takes there. Its chunk holds its sound and its pictures, and more.
fn most_bytes(h: &ChunkHeader) -> u32 {
    let heads = HEAD + usize::from(h.pictures) * PICTURE_HEAD;
    h.length + heads.saturating_sub(CHUNK_HEADER) as u32
}
/// In place of the number of bytes: the sound is lost.
const LOST: u32 = u32::MAX;

/// The slice that is being laid into the ring buffer.
#[derive(Clone, Copy)]
struct Laying {
    at: usize,
    end: usize,
    used: usize,
}

/// All but the decoder.
struct Deck<'a, B> {
    board: &'a mut B,
    ring: &'a mut [u8],
    reader: Reader<&'a mut [u8]>,
    work: usize,
    /// Where the header goes.
    header_at: usize,
    piece: [u8; SECTOR as usize],
    /// A slice that has no place yet, the one that is being laid, what came behind it.
    wanted: Option<ChunkHeader>,
    laying: Option<Laying>,
    behind: Option<Found>,
    /// Of the reel that is presented.
    header: Option<Header>,
    opened: bool,
    fault: Fault,
    position: Option<u64>,
    block: Option<(BlockReader, usize, usize)>,
    /// What was decoded and not sent yet.
    owed: Cells,
    strip: [u16; STRIP],
}

impl<'a, B: Board> Deck<'a, B> {
    fn new(board: &'a mut B, ring: &'a mut [u8], chunk: &'a mut [u8], work: usize) -> Self {
        Self {
            board,
            ring,
            reader: Reader::new(chunk),
            work,
            header_at: 0,
            piece: [0; SECTOR as usize],
            wanted: None,
            laying: None,
            behind: None,
            header: None,
            opened: false,
            fault: Fault::Coding,
            position: None,
            block: None,
            owed: Cells::new(0, 0),
            strip: [0; STRIP],
        }
    }

    fn begin(&mut self, presenter: &Presenter) -> bool {
        let (board, item) = (&mut self.board, presenter.item());
        self.header.is_some_and(|h| board.begin(item, &h))
    }

    fn forget(&mut self) {
        self.wanted = None;
        self.laying = None;
        self.behind = None;
    }

    /// What the reader found; the parts of a slice go into the ring buffer first.
    fn found(&mut self) -> Found {
        let ring = &mut *self.ring;
        loop {
            let found = match self.reader.next() {
                Ok(None) => Found::More,
                Ok(Some(Event::Header(header))) => Found::Header(header.first_tick),
                Ok(Some(Event::Slice(h))) if most_bytes(&h) as usize > ring.len() => {
                    self.fault = Fault::Memory;
                    Found::Failed(UNREADABLE)
                }
                Ok(Some(Event::Slice(h))) => {
                    self.wanted = Some(h);
                    Found::Place(most_bytes(&h))
                }
                Ok(Some(Event::Sound { bytes, .. })) => {
                    if let Some(laying) = &mut self.laying {
                        laying.sound(ring, bytes);
                    }
                    continue;
                }
                Ok(Some(Event::Picture { header, bytes, .. })) => {
                    if let Some(laying) = &mut self.laying {
                        laying.picture(ring, &header, bytes);
                    }
                    continue;
                }
                // Pictures that lean on a lost one are not shown: the panel keeps its own.
                Ok(Some(Event::Chunk(..) | Event::Stale { .. })) => continue,
                Ok(Some(Event::Damage(damage))) => match damage.error.part {
                    Some(PartName::Padding) => continue,
                    Some(_) => return Found::Damage,
                    None => Found::Damage,
                },
                Ok(Some(Event::End(_))) => Found::End,
                Err(error) => {
                    self.fault = match error.kind {
                        crate::reel::ErrorKind::Buffer { .. } => Fault::Memory,
                        _ => Fault::Reel(error),
                    };
                    Found::Failed(UNREADABLE)
                }
            };
            return match self.laying.take() {
                None => found,
                Some(laying) => {
                    self.behind = (self.wanted.is_none() && found != Found::More).then_some(found);
                    Found::Slice((laying.used - laying.at) as u32, false)
                }
            };
        }
    }

    fn header_in_ring(&self, at: u32) -> Option<Header> {
        let sector = self.ring.get(at as usize..)?.first_chunk()?;
        Header::parse(sector).ok()
    }

    /// The sound of the slice at `at`, as a range of the ring buffer.
    fn sound_of(&self, at: usize) -> Option<core::ops::Range<usize>> {
        let bytes = LE::read_u32(&self.ring[at + 12..]);
        (bytes != LOST).then(|| at + HEAD..at + HEAD + bytes as usize)
    }

    /// Offset in ticks, flags and payload of a picture of the slice at `at`.
    fn picture_at(&self, at: u32, index: u32) -> Option<(u32, u8, core::ops::Range<usize>)> {
        let at = at as usize;
        if index >= u32::from(LE::read_u16(&self.ring[at + 16..])) {
            return None;
        }
        let mut next = self.sound_of(at).map_or(at + HEAD, |sound| sound.end);
        for _ in 0..index {
            next += PICTURE_HEAD + LE::read_u24(&self.ring[next + 4..]) as usize;
        }
        let head = &self.ring[next..next + PICTURE_HEAD];
        let from = next + PICTURE_HEAD;
        let bytes = from..from + LE::read_u24(&head[4..]) as usize;
        Some((LE::read_u32(head), head[7], bytes))
    }

    fn offset(header: &Header, rect: Rect) -> Rect {
        Rect {
            x: rect.x + header.x_offset,
            y: rect.y + header.y_offset,
            ..rect
        }
    }

    fn show_raw(&mut self, header: &Header, bytes: core::ops::Range<usize>) -> bool {
        let payload = &self.ring[bytes];
        let pieces = Rectangles::new(payload, header.width, header.height);
        let Some(pieces) = pieces.ok().filter(|pieces| pieces.check().is_ok()) else {
            return false;
        };
        for piece in pieces.flatten() {
            let window = Self::offset(header, piece.rect);
            let pixels = piece.wire.chunks_exact(2).map(|b| [b[0], b[1]]);
            self.board.window(Some(window), pixels);
        }
        true
    }

    /// Sends what is owed to the panel.
    fn send(&mut self, decoder: &Decoder<'_>, header: &Header) {
        let order: ByteOrder = header.pixel_format;
        let (board, strip) = (&mut *self.board, &mut self.strip);
        self.owed.rectangles(|rect| {
            let mut window = Some(Self::offset(header, rect));
            let pitch = usize::from(rect.w);
            // Rows that share their chroma stay together where two fit.
            let most = (STRIP / pitch) as u16;
            let most = if most > 1 { most & !1 } else { most };
            for y in (0..rect.h).step_by(most.into()) {
                let h = most.min(rect.h - y);
                let rows = Rect {
                    y: rect.y + y,
                    h,
                    ..rect
                };
                let pixels = &mut strip[..pitch * usize::from(h)];
                decoder.paint(rows, pixels, pitch);
                board.window(window.take(), pixels.iter().map(|&p| order.bytes(p)));
            }
        });
        self.owed.clear();
    }
}

impl Laying {
    /// Begins at `at`, where `room` bytes are free.
    fn begin(ring: &mut [u8], at: u32, room: u32, h: &ChunkHeader) -> Self {
        let at = at as usize;
        let head = &mut ring[at..at + HEAD];
        LE::write_u64(head, h.time);
        LE::write_u32(&mut head[8..], h.ticks);
        LE::write_u32(&mut head[12..], LOST);
        LE::write_u32(&mut head[16..], 0);
        Self {
            at,
            end: at + room as usize,
            used: at + HEAD,
        }
    }

    fn take<'r>(&mut self, ring: &'r mut [u8], bytes: usize) -> Option<&'r mut [u8]> {
        let to = ring[..self.end].get_mut(self.used..)?.get_mut(..bytes)?;
        self.used += bytes;
        Some(to)
    }

    fn sound(&mut self, ring: &mut [u8], bytes: &[u8]) {
        let at = self.at;
        if let Some(to) = self.take(ring, bytes.len()) {
            to.copy_from_slice(bytes);
            LE::write_u32(&mut ring[at + 12..], bytes.len() as u32);
        }
    }

    fn picture(&mut self, ring: &mut [u8], h: &PictureHeader, bytes: &[u8]) {
        let at = self.at + 16;
        if let Some(to) = self.take(ring, PICTURE_HEAD + bytes.len()) {
            LE::write_u32(to, h.tick_offset);
            LE::write_u24(&mut to[4..], bytes.len() as u32);
            to[7] = h.flags;
            to[PICTURE_HEAD..].copy_from_slice(bytes);
            let count = LE::read_u16(&ring[at..]);
            LE::write_u16(&mut ring[at..], count + 1);
        }
    }
}

/// Both sides of the loop, with the decoder of one reel.
struct Decoding<'d, 'a, 'w, B> {
    deck: &'d mut Deck<'a, B>,
    decoder: Option<Decoder<'w>>,
}

impl<B: Board> Source for Decoding<'_, '_, '_, B> {
    fn open(&mut self, at: u32, _: u32) {
        self.deck.forget();
        self.deck.reader.reopen();
        self.deck.header_at = at as usize;
    }

    fn seeks(&self) -> bool {
        true
    }

    fn reach(&mut self, item: u32, offset: u64) -> Reach {
        self.deck.board.reach(item, offset)
    }

    fn has_header(&self) -> bool {
        self.deck.reader.header().is_some()
    }

    fn next(&mut self) -> Found {
        let deck = &mut *self.deck;
        if let Some(h) = &deck.wanted {
            return Found::Place(most_bytes(h));
        }
        deck.behind.take().unwrap_or_else(|| deck.found())
    }

    /// A chunk is read into memory of its own.
    fn lacks_place(&self) -> bool {
        false
    }

    fn place(&mut self, at: u32, room: u32) {
        if let Some(h) = self.deck.wanted.take() {
            let room = room.min(most_bytes(&h));
            self.deck.laying = Some(Laying::begin(self.deck.ring, at, room, &h));
        }
    }

    fn ahead(&mut self) -> Option<u64> {
        let reader = &mut self.deck.reader;
        let need = reader.need();
        let ahead = need.length > 0 && need.offset != reader.position();
        ahead.then(|| {
            reader.jump();
            need.offset
        })
    }

    fn position(&self) -> u64 {
        self.deck.reader.position()
    }

    fn read(&mut self, most: u32) -> Read {
        let deck = &mut *self.deck;
        let want = deck.reader.need().length.min(most as usize);
        let want = want.min(deck.piece.len());
        let read = deck.board.read(&mut deck.piece[..want]);
        if let Read::Bytes(n) = read {
            let bytes = &deck.piece[..(n as usize).min(want)];
            if deck.reader.header().is_none() {
                // The header, or its copy, is kept as it is.
                let at = deck.header_at + deck.reader.position() as usize % SECTOR as usize;
                deck.ring[at..at + bytes.len()].copy_from_slice(bytes);
            }
            deck.reader.supply(bytes);
        }
        read
    }

    fn ended(&mut self) {
        self.deck.reader.end_of_input();
    }

    fn seek(&mut self, tick: u64) -> bool {
        self.deck.forget();
        self.deck.reader.seek(tick)
    }

    fn clock(&mut self) -> u32 {
        self.deck.board.clock()
    }
}

impl<B: Board> Stage for Decoding<'_, '_, '_, B> {
    const HEARD: bool = true;

    fn title(&mut self, at: u32) -> Result<Title, i32> {
        let header = self.deck.header_in_ring(at).ok_or(UNSUITED)?;
        Ok(Title {
            reel: header.reel_id,
            part: header.part,
            first_tick: header.first_tick,
            clock_rate: header.clock_rate,
            rate: (header.rate.num, header.rate.den),
            prebuffer: header.prebuffer,
            silent: header.sound == SoundCoding::None,
        })
    }

    fn open(&mut self, at: u32) -> Result<(), i32> {
        let header = self.deck.header_in_ring(at).ok_or(UNSUITED)?;
        if let Err(fault) = check_decoder(&header, self.deck.work) {
            self.deck.fault = fault;
            return Err(UNSUITED);
        }
        self.deck.owed = Cells::new(header.width, header.height);
        self.deck.header = Some(header);
        self.deck.opened = true;
        Ok(())
    }

    fn slice(&mut self, at: u32) -> Span {
        let head = &self.deck.ring[at as usize..];
        Span {
            time: LE::read_u64(head),
            ticks: LE::read_u32(&head[8..]),
        }
    }

    fn sound_open(&mut self, at: u32) -> bool {
        let ticks = self.slice(at).ticks as usize;
        let deck = &mut *self.deck;
        let coding = deck.header.map_or(SoundCoding::None, |h| h.sound);
        let coding = sound::SoundCoding::from_number(coding as u8);
        deck.block = None;
        if let (Some(coding), Some(bytes)) = (coding, deck.sound_of(at as usize)) {
            let block = BlockReader::open(coding, &deck.ring[bytes.clone()], ticks).ok();
            deck.block = block.map(|block| (block, bytes.start, bytes.end));
        }
        deck.block.is_some()
    }

    fn sound_read(&mut self, to: &mut [i16]) {
        if let Some((block, from, end)) = &mut self.deck.block {
            block.read(&self.deck.ring[*from..*end], to);
        }
    }

    fn sound(&mut self, samples: &[i16]) -> u32 {
        self.deck.board.sound(samples)
    }

    fn sound_left(&mut self) -> u32 {
        self.deck.board.sound_left()
    }

    fn clock(&mut self) -> u32 {
        self.deck.board.clock()
    }

    fn picture(&mut self, at: u32, index: u32) -> Option<Picture> {
        let (offset, flags, _) = self.deck.picture_at(at, index)?;
        let coding = match self.decoder {
            Some(_) => Coding::Patch,
            None => Coding::Raw,
        };
        Some(Picture {
            offset,
            key: flags & PictureHeader::KEY != 0,
            unchanged: flags & PictureHeader::UNCHANGED != 0,
            coding,
        })
    }

    fn show(&mut self, at: u32, index: u32, sends: bool, _: i64) -> bool {
        let deck = &mut *self.deck;
        let (Some(header), Some((offset, flags, bytes))) =
            (deck.header, deck.picture_at(at, index))
        else {
            return false;
        };
        deck.position = Some(LE::read_u64(&deck.ring[at as usize..]) + u64::from(offset));
        let changes = flags & PictureHeader::UNCHANGED == 0;
        let Some(decoder) = &mut self.decoder else {
            return !changes || deck.show_raw(&header, bytes);
        };
        if changes {
            let payload = &deck.ring[bytes];
            // The key flag is also the third bit of the payload.
            let key = payload.first().is_some_and(|head| head & 4 != 0);
            if key != (flags & PictureHeader::KEY != 0) || decoder.decode(payload).is_err() {
                return false;
            }
            deck.owed.add(decoder.changed());
        }
        if sends {
            deck.send(decoder, &header);
        }
        true
    }

    fn passed(&mut self, _: u32, _: u32, _: i64) {}

    /// Pixels have been taken when [`Board::window`] returns.
    fn settle(&mut self) {}
}
