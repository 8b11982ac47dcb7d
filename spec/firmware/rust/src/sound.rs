//! The sound queue between the loop and the I2S port's interrupt.

use core::sync::atomic::{AtomicI16, AtomicU32, Ordering};

/// Samples on their way: the loop puts them in, the port's interrupt takes them out. `N` is a
/// power of two; take 0.3 s or more. Lies in a `static`.
pub struct SoundQueue<const N: usize> {
    samples: [AtomicI16; N],
    /// Samples ever put in, and taken.
    put: AtomicU32,
    taken: AtomicU32,
    /// Samples in the block that is heard, and in the one that waits behind it.
    playing: AtomicU32,
    next: AtomicU32,
    /// Odd while a block is being filled.
    blocks: AtomicU32,
}

impl<const N: usize> Default for SoundQueue<N> {
    fn default() -> Self {
        Self::new()
    }
}

impl<const N: usize> SoundQueue<N> {
    /// An empty queue.
    #[must_use]
    pub const fn new() -> Self {
        const { assert!(N.is_power_of_two() && N <= 1 << 24) };
        Self {
            samples: [const { AtomicI16::new(0) }; N],
            put: AtomicU32::new(0),
            taken: AtomicU32::new(0),
            playing: AtomicU32::new(0),
            next: AtomicU32::new(0),
            blocks: AtomicU32::new(0),
        }
    }

    /// Takes samples in, as many as fit; returns how many. Of the loop alone.
    pub fn put(&self, samples: &[i16]) -> u32 {
        let put = self.put.load(Ordering::Relaxed);
        let room = N as u32 - put.wrapping_sub(self.taken.load(Ordering::Acquire));
        let n = samples.len().min(room as usize);
        for (i, &sample) in samples[..n].iter().enumerate() {
            let place = put.wrapping_add(i as u32) as usize % N;
            self.samples[place].store(sample, Ordering::Relaxed);
        }
        self.put
            .store(put.wrapping_add(n as u32), Ordering::Release);
        n as u32
    }

    /// Samples that were put in and not heard yet: those of the two blocks in the port count.
    pub fn left(&self) -> u32 {
        loop {
            let before = self.blocks.load(Ordering::SeqCst);
            let put = self.put.load(Ordering::SeqCst);
            let queued = put.wrapping_sub(self.taken.load(Ordering::SeqCst));
            let left =
                queued + self.playing.load(Ordering::SeqCst) + self.next.load(Ordering::SeqCst);
            // Again, if a block was filled in between.
            if before.is_multiple_of(2) && before == self.blocks.load(Ordering::SeqCst) {
                return left;
            }
        }
    }

    /// Fills the port's next block of 10 ms or less, with zeros where samples are missing. Called
    /// by the port's interrupt, for one of two blocks while the other one is heard.
    pub fn fill(&self, block: &mut [i16]) {
        let taken = self.taken.load(Ordering::Relaxed);
        let have = self.put.load(Ordering::Acquire).wrapping_sub(taken);
        let have = have.min(block.len() as u32);
        let count = self.blocks.load(Ordering::Relaxed);
        self.blocks.store(count.wrapping_add(1), Ordering::SeqCst);
        let (sound, silence) = block.split_at_mut(have as usize);
        for (i, sample) in sound.iter_mut().enumerate() {
            let place = taken.wrapping_add(i as u32) as usize % N;
            *sample = self.samples[place].load(Ordering::Relaxed);
        }
        silence.fill(0);
        let next = self.next.load(Ordering::Relaxed);
        self.playing.store(next, Ordering::SeqCst);
        self.next.store(have, Ordering::SeqCst);
        self.taken.store(taken.wrapping_add(have), Ordering::SeqCst);
        self.blocks.store(count.wrapping_add(2), Ordering::SeqCst);
    }
}
