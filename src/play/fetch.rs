//! The side that reads ahead: chunk after chunk into the ring buffer, each in one
//! piece.

use super::queue::{Entry, Kind, Queue, SLOTS};
use super::{Found, RETRY, Reach, Read, SECTOR, Setup, Source};

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    Open,
    Read,
    Lost,
    Done,
}

/// The side that reads ahead.
#[derive(Debug)]
pub struct Fetcher {
    setup: Setup,
    state: State,
    item: u32,
    /// Where the next chunk goes.
    head: u32,
    /// Tick at which the item that is being opened is to start.
    goal: u64,
    retry_at: u32,
    generation: u8,
    restart: bool,
    /// Stretches of the reel that could not be used.
    pub damaged: u32,
    /// Times that the source failed.
    pub lost: u32,
}

impl Fetcher {
    /// Begins with the first item, as soon as [`fetch`](Self::fetch) is called.
    #[must_use]
    pub const fn new(setup: Setup) -> Self {
        Self {
            setup,
            state: State::Open,
            item: 0,
            head: 0,
            goal: 0,
            retry_at: 0,
            generation: 0,
            restart: false,
            damaged: 0,
            lost: 0,
        }
    }

    /// The item that is being read.
    #[must_use]
    pub const fn item(&self) -> u32 {
        self.item
    }

    /// One piece of reading ahead; whether something was done.
    pub fn fetch<S: Source>(&mut self, queue: &Queue, source: &mut S) -> bool {
        let did = self.any(queue, source);
        if did {
            queue.set_stuck(false);
        }
        did
    }

    fn any<S: Source>(&mut self, queue: &Queue, source: &mut S) -> bool {
        let generation = queue.generation();
        if generation != self.generation {
            return self.begin(queue, source, generation);
        }
        match self.state {
            State::Open => self.open(queue, source),
            State::Read => self.read(queue, source),
            State::Lost => self.retry(source),
            State::Done => false,
        }
    }

    /// Bytes free at the head without a break; with `wrapped`, at the start.
    fn free(&self, queue: &Queue, wrapped: bool) -> u32 {
        let (got, put) = (queue.got(), queue.put());
        if put.wrapping_sub(got) >= SLOTS - 1 {
            return 0;
        }
        let ring = self.setup.ring_buffer_bytes;
        let tail = if got == put { 0 } else { queue.at(got) };
        match (got == put, self.head <= tail, wrapped) {
            (true, _, true) => ring,
            (true, _, false) | (false, false, false) => ring - self.head,
            (false, true, true) => 0,
            (false, true, false) => tail - self.head,
            (false, false, true) => tail,
        }
    }

    /// Finds room for `bytes` and moves the head there.
    fn find(&mut self, queue: &Queue, bytes: u32) -> bool {
        if self.free(queue, false) >= bytes {
            return true;
        }
        let wraps = self.free(queue, true) >= bytes;
        if wraps {
            self.head = 0;
        }
        wraps
    }

    fn put(&mut self, queue: &Queue, kind: Kind, bytes: u32, code: i32, stale: bool) {
        let slice = kind == Kind::Slice;
        queue.push(&Entry {
            at: self.head,
            bytes,
            code,
            kind,
            generation: self.generation,
            restart: slice && self.restart,
            stale,
        });
        self.restart &= !slice;
        self.head += bytes;
    }

    fn wait(queue: &Queue) -> bool {
        queue.set_stuck(true);
        false
    }

    fn finish(&mut self, queue: &Queue, kind: Kind, code: i32) {
        self.put(queue, kind, 0, code, false);
        self.state = State::Done;
    }

    /// The list has no such item: begins again, or is over.
    fn last(&mut self, queue: &Queue) -> bool {
        if self.setup.repeat && self.item > 0 {
            self.item = 0;
        } else {
            self.finish(queue, Kind::End, 0);
        }
        true
    }

    /// Opens the item, at its beginning.
    fn open<S: Source>(&mut self, queue: &Queue, source: &mut S) -> bool {
        if !self.find(queue, SECTOR) {
            return Self::wait(queue);
        }
        source.open(self.head, self.free(queue, false));
        let reached = if source.seeks() {
            source.reach(self.item, 0)
        } else {
            Reach::There
        };
        match reached {
            Reach::End => return self.last(queue),
            Reach::Failed => return self.failed(source),
            Reach::There => self.state = State::Read,
        }
        true
    }

    /// After the end of an item: the next one, or the first one again.
    fn next_item<S: Source>(&mut self, queue: &Queue, source: &S) -> bool {
        if source.seeks() {
            self.item += 1;
            self.state = State::Open;
        } else {
            self.finish(queue, Kind::End, 0);
        }
        true
    }

    fn failed<S: Source>(&mut self, source: &mut S) -> bool {
        self.lost += 1;
        self.state = State::Lost;
        self.retry_at = source.clock().wrapping_add(RETRY);
        false
    }

    /// Tries to reach a source that failed, from time to time.
    fn retry<S: Source>(&mut self, source: &mut S) -> bool {
        if (source.clock().wrapping_sub(self.retry_at) as i32) < 0 {
            return false;
        }
        if source.seeks() && !source.has_header() {
            // From its beginning: it may be another card.
            self.state = State::Open;
            return true;
        }
        if source.seeks() && source.reach(self.item, source.position()) != Reach::There {
            self.retry_at = source.clock().wrapping_add(RETRY);
            return false;
        }
        self.state = State::Read;
        true
    }

    /// Reads one piece of what the reader wants.
    fn piece<S: Source>(&mut self, source: &mut S) -> bool {
        if source.seeks()
            && let Some(offset) = source.ahead()
            && source.reach(self.item, offset) != Reach::There
        {
            return self.failed(source);
        }
        match source.read(self.setup.piece) {
            Read::Bytes(bytes) => bytes > 0,
            Read::Failed if source.seeks() => self.failed(source),
            Read::End | Read::Failed => {
                source.ended();
                true
            }
        }
    }

    fn read<S: Source>(&mut self, queue: &Queue, source: &mut S) -> bool {
        let found = source.next();
        if found != Found::More {
            return self.take(queue, source, found);
        }
        // Before more is read there must be a place for what is wanted. What was read
        // of a chunk lies at the head already, behind the one before.
        if source.lacks_place() {
            if !self.find(queue, SECTOR) {
                return Self::wait(queue);
            }
            source.place(self.head, self.free(queue, false));
        }
        self.piece(source)
    }

    fn take<S: Source>(&mut self, queue: &Queue, source: &mut S, found: Found) -> bool {
        match found {
            Found::Header(first) => {
                self.put(queue, Kind::Item, SECTOR, self.item as i32, false);
                if self.goal > first {
                    self.restart = true;
                    source.seek(self.goal);
                    self.goal = 0;
                }
            }
            Found::Place(length) => {
                if !self.find(queue, length) {
                    return Self::wait(queue);
                }
                source.place(self.head, self.free(queue, false));
            }
            Found::Slice(length, stale) => self.put(queue, Kind::Slice, length, 0, stale),
            Found::Damage => self.damaged += 1,
            Found::End => return self.next_item(queue, source),
            Found::Failed(code) => self.finish(queue, Kind::Error, code),
            Found::More => {}
        }
        true
    }

    /// The presenting side wants to be elsewhere, and has let go of everything.
    fn begin<S: Source>(&mut self, queue: &Queue, source: &mut S, generation: u8) -> bool {
        if queue.got() != queue.put() {
            return false;
        }
        let (item, tick) = queue.goal();
        self.generation = generation;
        self.head = 0;
        self.goal = tick;
        self.restart = true;
        self.state = State::Read;
        if self.item == item && source.seek(tick) {
            source.place(0, self.setup.ring_buffer_bytes);
            self.goal = 0;
        } else {
            self.item = item;
            self.state = State::Open;
        }
        true
    }
}
