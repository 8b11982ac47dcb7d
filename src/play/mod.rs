//! The playback loop: reel in, pictures and sound out, in step.
//!
//! A state machine without I/O and without allocation. One side reads ahead
//! ([`Fetcher`]), the other presents ([`Presenter`]): on one core by turns
//! ([`step`]), on two cores each in its own loop. They share nothing but a
//! [`Queue`] with one writer and one reader.
//!
//! What a board can do is given by two traits: [`Source`] reads, [`Stage`]
//! sounds and shows. Firmware feeds bytes, a rehearsal feeds sizes and times:
//! the loop itself never looks at a payload.
//!
//! [`run`] is all of it for a board with one core: reels in as bytes, pixels and
//! samples out, by what a [`Board`] does. `spec/firmware/rust` puts a card, a panel and
//! a sound port behind it.
//!
//! `spec/firmware/player.c` is its twin: same order of work, same states.
//!
//! Rules of play: sound is the master clock; without sound the clock takes its
//! place. A picture that is late by more than a picture's time is not sent:
//! coding `patch` decodes it and sends its changes with the next one. A
//! picture that is very late waits for a key picture. When the memory runs
//! dry, sound fades out, time stands still, and play goes on when it has
//! filled again.

mod fetch;
mod hear;
mod present;
mod queue;
mod run;
mod see;

pub use fetch::Fetcher;
pub use present::Presenter;
pub use queue::{Queue, SLOTS};
pub use run::{Board, Fault, Memory, Now, run};

/// Bytes of a sector, the least that is read.
pub const SECTOR: u32 = 512;
/// Samples that are made at a time.
pub const BLOCK: u32 = 64;
/// Longest nap while nothing is due, in microseconds.
pub const LONGEST_IDLE: u32 = 5000;
/// Rounds of reading between two of presenting, on one core.
pub const ROUNDS: u32 = 16;
/// Time between tries to reach a source that failed, in microseconds.
const RETRY: u32 = 250_000;
/// Longest silence for a gap, in seconds; past a longer one play goes on.
const LONGEST_GAP: u64 = 10;

/// Memory and habits of the side that reads.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Setup {
    /// Bytes of the ring buffer that chunks lie in.
    pub ring_buffer_bytes: u32,
    /// Most bytes in one read; 512 or more.
    pub piece: u32,
    /// Play the list again and again.
    pub repeat: bool,
}

/// What the reader of chunks found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Found {
    /// It wants more bytes.
    More,
    /// A reel's header, a sector long; the tick of its first slice.
    Header(u64),
    /// A slice, which with what was read behind it takes so many bytes; it must be
    /// told where that is to lie.
    Place(u32),
    /// A whole slice of so many bytes; whether pictures before it are missing.
    Slice(u32, bool),
    /// A stretch that cannot be used.
    Damage,
    /// The reel's end.
    End,
    /// An error that ends play.
    Failed(i32),
}

/// What a read brought.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Read {
    /// So many bytes; 0: none yet.
    Bytes(u32),
    /// There are no more.
    End,
    /// It failed; try again later.
    Failed,
}

/// Whether the source went where it was sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reach {
    /// It is there.
    There,
    /// The list has no such item.
    End,
    /// It cannot be reached now; try again later.
    Failed,
}

/// The side that reads: a reader of chunks, and the source of its bytes.
pub trait Source {
    /// Begins to read a reel from its header, into the ring buffer at `at`.
    fn open(&mut self, at: u32, room: u32);
    /// Whether the source can seek.
    fn seeks(&self) -> bool;
    /// Goes to a byte of an item of the list.
    fn reach(&mut self, item: u32, offset: u64) -> Reach;
    /// Whether the header of the item that is open has been read.
    fn has_header(&self) -> bool;
    /// What the reader found.
    fn next(&mut self) -> Found;
    /// Whether what is wanted next has no place in the ring buffer yet.
    fn lacks_place(&self) -> bool;
    /// What is wanted next, and what was read of it, goes into the ring buffer at
    /// `at`, where `room` bytes are free.
    fn place(&mut self, at: u32, room: u32);
    /// Where the reader wants to go on if that is not where the source is.
    fn ahead(&mut self) -> Option<u64>;
    /// Where the source is.
    fn position(&self) -> u64;
    /// Reads up to `most` of the bytes that the reader wants.
    fn read(&mut self, most: u32) -> Read;
    /// The source has ended.
    fn ended(&mut self);
    /// The reader is to go on at the key slice for a tick; `false` if it has
    /// no header yet.
    fn seek(&mut self, tick: u64) -> bool;
    /// Microseconds since some start, modulo 2^32.
    fn clock(&mut self) -> u32;
}

/// What a reel's header states.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Title {
    /// The reel's number.
    pub reel: u64,
    /// Its part, from 1.
    pub part: u16,
    /// Its first tick.
    pub first_tick: u64,
    /// Ticks per second; the sound rate where there is sound.
    pub clock_rate: u32,
    /// Frames per second.
    pub rate: (u32, u32),
    /// Bytes to have before play begins.
    pub prebuffer: u32,
    /// It has no sound.
    pub silent: bool,
}

/// When a slice is, in ticks of its reel.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Span {
    /// Its first tick.
    pub time: u64,
    /// Its length.
    pub ticks: u32,
}

/// How a picture behaves when it is left out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Coding {
    /// Sent from the ring buffer itself; left out without work.
    Raw,
    /// Decoded on its own; left out without work.
    Jpeg,
    /// Decoded in any case; changes not sent go with the next.
    Patch,
}

/// A picture of a slice.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Picture {
    /// Ticks from its slice's start.
    pub offset: u32,
    /// It needs none before it.
    pub key: bool,
    /// It is the one before, again.
    pub unchanged: bool,
    /// How it is coded.
    pub coding: Coding,
}

/// The side that presents: sound, panel, and what lies in the ring.
pub trait Stage {
    /// Whether samples are looked at; if not, only their number counts.
    const HEARD: bool;
    /// The header that lies in the ring buffer at `at`, or the error that it is.
    fn title(&mut self, at: u32) -> Result<Title, i32>;
    /// Gets ready to decode the reel whose header lies at `at`.
    fn open(&mut self, at: u32) -> Result<(), i32>;
    /// The slice that lies in the ring buffer at `at`.
    fn slice(&mut self, at: u32) -> Span;
    /// Opens a slice's sound; `false` if it breaks its coding.
    fn sound_open(&mut self, at: u32) -> bool;
    /// Decodes the next samples of the slice.
    fn sound_read(&mut self, to: &mut [i16]);
    /// Gives samples to the queue that is being played; how many it took.
    fn sound(&mut self, samples: &[i16]) -> u32;
    /// Samples taken and not heard yet.
    fn sound_left(&mut self) -> u32;
    /// Microseconds since some start, modulo 2^32.
    fn clock(&mut self) -> u32;
    /// Picture `index` of the slice at `at`.
    fn picture(&mut self, at: u32, index: u32) -> Option<Picture>;
    /// Decodes a picture and, with `sends`, sends it; `late` is in ticks.
    /// `false` if it breaks its coding.
    fn show(&mut self, at: u32, index: u32, sends: bool, late: i64) -> bool;
    /// A picture is left out for want of a key picture.
    fn passed(&mut self, at: u32, index: u32, late: i64);
    /// Returns when the last transfer to the panel is over.
    fn settle(&mut self);
}

/// What a round of presenting says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Said {
    /// Something was done.
    GoesOn,
    /// There is nothing to do just now.
    Idle,
    /// A reel begins. If it has sound of another rate than the port's, the queue is
    /// empty: set the port; then go on.
    Item,
    /// All has been seen and heard.
    Ended,
    /// An error ended play.
    Failed(i32),
}

/// Counters, for a status page or a log.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Pictures sent.
    pub shown: u32,
    /// Decoded but sent with a later one, or passed over.
    pub late: u32,
    /// Passed over for want of a key picture.
    pub waiting: u32,
    /// Sound and pictures that could not be used.
    pub broken: u32,
    /// Times the memory underran.
    pub dry: u32,
    /// Times the sound queue ran empty while sound was there.
    pub starved: u32,
}

/// One core: one round of presenting, and of reading until a picture is due.
pub fn step<B: Source + Stage>(
    fetcher: &mut Fetcher,
    presenter: &mut Presenter,
    queue: &Queue,
    board: &mut B,
) -> Said {
    let mut said = presenter.present(queue, board);
    if !matches!(said, Said::GoesOn | Said::Idle) {
        return said;
    }
    let mut rounds = ROUNDS;
    while rounds > 0 && fetcher.fetch(queue, board) {
        rounds -= 1;
        said = Said::GoesOn;
        presenter.keep_sounding(queue, board);
        if presenter.is_due(queue, board) {
            break;
        }
    }
    said
}
