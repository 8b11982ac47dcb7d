//! The queue between the two sides: stretches of the ring buffer, in order.

use core::sync::atomic::{AtomicBool, AtomicI32, AtomicU32, Ordering};

/// Entries of the queue; a power of two.
pub const SLOTS: u32 = 32;

/// What an entry is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    Item,
    Slice,
    End,
    Error,
    /// An item that cannot be played.
    Refused,
}

/// An entry: a stretch of the ring.
#[derive(Clone, Copy, Debug)]
pub(super) struct Entry {
    pub at: u32,
    pub bytes: u32,
    pub code: i32,
    pub kind: Kind,
    pub generation: u8,
    /// Play begins somewhere else in time.
    pub restart: bool,
    /// Pictures before it are missing.
    pub stale: bool,
}

#[derive(Default)]
struct Slot {
    at: AtomicU32,
    bytes: AtomicU32,
    code: AtomicI32,
    /// Kind, generation, restart and stale, eight bits each.
    flags: AtomicU32,
}

/// What both sides see. Each field has one writer.
pub struct Queue {
    slots: [Slot; SLOTS as usize],
    /// Written by the side that reads ahead.
    put: AtomicU32,
    stuck: AtomicBool,
    /// Written by the side that presents.
    got: AtomicU32,
    generation: AtomicU32,
    goal: [AtomicU32; 3],
}

impl Default for Queue {
    fn default() -> Self {
        Self {
            slots: core::array::from_fn(|_| Slot::default()),
            put: AtomicU32::new(0),
            stuck: AtomicBool::new(false),
            got: AtomicU32::new(0),
            generation: AtomicU32::new(1),
            goal: core::array::from_fn(|_| AtomicU32::new(0)),
        }
    }
}

impl Queue {
    fn slot(&self, number: u32) -> &Slot {
        &self.slots[(number % SLOTS) as usize]
    }

    /// Number of the entry that comes next.
    pub(super) fn put(&self) -> u32 {
        self.put.load(Ordering::Acquire)
    }

    /// Number of the first entry that was not given back.
    #[must_use]
    pub fn got(&self) -> u32 {
        self.got.load(Ordering::Acquire)
    }

    pub(super) fn give_back(&self, number: u32) {
        self.got.store(number, Ordering::Release);
    }

    /// Whether the reading side waits for room.
    #[must_use]
    pub fn is_stuck(&self) -> bool {
        self.stuck.load(Ordering::Acquire)
    }

    pub(super) fn set_stuck(&self, stuck: bool) {
        self.stuck.store(stuck, Ordering::Release);
    }

    /// Counts the places that play was sent to.
    #[must_use]
    pub fn generation(&self) -> u8 {
        self.generation.load(Ordering::Acquire) as u8
    }

    /// Sends the reading side to a tick of an item.
    pub(super) fn send_to(&self, item: u32, tick: u64) {
        let words = [item, tick as u32, (tick >> 32) as u32];
        for (place, word) in self.goal.iter().zip(words) {
            place.store(word, Ordering::Relaxed);
        }
        let next = self.generation().wrapping_add(1);
        self.generation.store(next.into(), Ordering::Release);
    }

    /// Item and tick of the goal.
    pub(super) fn goal(&self) -> (u32, u64) {
        let [item, low, high] = [0, 1, 2].map(|n: usize| self.goal[n].load(Ordering::Relaxed));
        (item, u64::from(low) | u64::from(high) << 32)
    }

    pub(super) fn push(&self, entry: &Entry) {
        let number = self.put.load(Ordering::Relaxed);
        let slot = self.slot(number);
        slot.at.store(entry.at, Ordering::Relaxed);
        slot.bytes.store(entry.bytes, Ordering::Relaxed);
        slot.code.store(entry.code, Ordering::Relaxed);
        let bytes = [
            entry.kind as u8,
            entry.generation,
            entry.restart.into(),
            entry.stale.into(),
        ];
        slot.flags
            .store(u32::from_le_bytes(bytes), Ordering::Relaxed);
        self.put.store(number.wrapping_add(1), Ordering::Release);
    }

    /// The presenting side cannot play the item that entry `number` begins.
    pub(super) fn refuse(&self, number: u32, code: i32) {
        let flags = [Kind::Refused as u8, self.generation(), 0, 0];
        let slot = self.slot(number);
        slot.code.store(code, Ordering::Relaxed);
        slot.flags
            .store(u32::from_le_bytes(flags), Ordering::Relaxed);
    }

    /// Whether entry `number` was read before a seek, and is of no use since. What
    /// is read once is: a header.
    pub(super) fn is_old(&self, number: u32) -> bool {
        let entry = self.entry(number);
        entry.generation != self.generation() && entry.kind != Kind::Item
    }

    pub(super) fn entry(&self, number: u32) -> Entry {
        let slot = self.slot(number);
        let flags = slot.flags.load(Ordering::Relaxed);
        let [kind, generation, restart, stale] = flags.to_le_bytes();
        Entry {
            at: slot.at.load(Ordering::Relaxed),
            bytes: slot.bytes.load(Ordering::Relaxed),
            code: slot.code.load(Ordering::Relaxed),
            kind: match kind {
                0 => Kind::Item,
                1 => Kind::Slice,
                2 => Kind::End,
                3 => Kind::Error,
                _ => Kind::Refused,
            },
            generation,
            restart: restart != 0,
            stale: stale != 0,
        }
    }

    /// Bytes that lie in the ring.
    #[must_use]
    pub fn bytes(&self) -> u64 {
        let (mut bytes, mut number) = (0, self.got());
        while number != self.put() {
            bytes += u64::from(self.entry(number).bytes);
            number = number.wrapping_add(1);
        }
        bytes
    }

    pub(super) fn at(&self, number: u32) -> u32 {
        self.slot(number).at.load(Ordering::Relaxed)
    }
}
