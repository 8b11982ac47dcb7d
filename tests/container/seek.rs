//! Seeking in reels whose index is damaged or not there: few reads, and the
//! same place as a look at every chunk.

use crate::common::faults::Chance;
use crate::common::reels::{TINY_TICKS, bytes, header_of, tiny_reel, tiny_settings, write_reel};
use std::io::{Cursor, Read, Seek, SeekFrom};
use thumbreel::reel::{LiveWriter, Picture, ReelFile, Slice, find_chunk};

/// Counts reads and what they bring.
struct Counting {
    inner: Cursor<Vec<u8>>,
    reads: u64,
    bytes: u64,
}

impl Read for Counting {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let n = self.inner.read(buffer)?;
        self.reads += 1;
        self.bytes += n as u64;
        Ok(n)
    }
}

impl Seek for Counting {
    fn seek(&mut self, to: SeekFrom) -> std::io::Result<u64> {
        self.inner.seek(to)
    }
}

/// Slices of 25 ms with a picture of a kilobyte, every fortieth a key slice.
fn slices(count: u64) -> Vec<Slice> {
    let payload = bytes(7, 1000);
    let slice = |i: u64| {
        let picture = Picture {
            key: i.is_multiple_of(40),
            bytes: payload.clone(),
            ..Picture::default()
        };
        Slice::new(i * TINY_TICKS, TINY_TICKS as u32, Vec::new(), vec![picture])
    };
    (0..count).map(slice).collect()
}

/// A finished reel whose every index block is damaged, and a live one.
fn without_index(count: u64) -> [Vec<u8>; 2] {
    let slices = slices(count);
    let mut reel = write_reel(&tiny_settings(), None, &slices).0;
    let header = header_of(&reel);
    let index = header.index_offset as usize;
    reel[index + 48..index + header.index_length as usize].fill(0x55);
    let mut live = LiveWriter::new(Vec::new(), &tiny_settings(), None, 4096).unwrap();
    slices.iter().for_each(|slice| live.slice(slice).unwrap());
    [reel, live.finish().unwrap()]
}

/// Most reads and bytes of 40 seeks in a reel of `count` slices.
fn cost(reel: Vec<u8>, count: u64) -> (u64, u64) {
    let source = Counting {
        inner: Cursor::new(reel),
        reads: 0,
        bytes: 0,
    };
    let mut file = ReelFile::new(source).unwrap();
    let mut chance = Chance::new(count);
    let mut most = (0, 0);
    for _ in 0..40 {
        let tick = chance.below(count * TINY_TICKS);
        let before = (file.source().reads, file.source().bytes);
        file.seek(tick);
        let slice = file.next_slice().unwrap().unwrap();
        assert_eq!(slice.time, tick / TINY_TICKS / 40 * 40 * TINY_TICKS);
        let spent = (
            file.source().reads - before.0,
            file.source().bytes - before.1,
        );
        most = (most.0.max(spent.0), most.1.max(spent.1));
    }
    most
}

/// Sixteen times the file is four halvings more: each is one read of 4 KiB, as
/// the chunks are smaller than that.
#[test]
fn without_an_index_a_seek_halves_the_file() {
    let small = without_index(500).map(|reel| cost(reel, 500));
    let large = without_index(8000).map(|reel| cost(reel, 8000));
    for (small, large) in small.into_iter().zip(large) {
        println!("reads and bytes: {small:?} of 500 slices, {large:?} of 8000");
        assert!(large.0 <= small.0 + 8, "{small:?} {large:?}");
        assert!(large.1 <= small.1 + 8 * 4096, "{small:?} {large:?}");
        // 8.6 MB: halved to 4 KiB in 11 reads; the walk from 16 KiB or 80 KiB back.
        assert!(large.0 <= 11 + 4 + 2 * (80 + 16), "{large:?}");
    }
}

/// Where a look at every chunk header would begin to read for `tick`.
fn by_looking_at_all(reel: &[u8], tick: u64) -> Option<u64> {
    let header = header_of(reel);
    let (mut at, mut key) = (header.first_slice as usize, None);
    let end = header.index_offset as usize;
    while let Some((offset, h)) = find_chunk(&reel[at..end], header.id_low(), false) {
        if h.is_slice() && h.is_key() && h.time <= tick {
            key = Some(h.time);
        }
        if h.is_slice() && h.end() > tick {
            break;
        }
        at += offset + h.length as usize;
    }
    key
}

#[test]
fn in_damaged_files_a_seek_finds_what_a_look_at_all_chunks_finds() {
    let whole = tiny_reel(400);
    let header = header_of(&whole);
    let (first, index) = (header.first_slice as usize, header.index_offset as usize);
    let mut chance = Chance::new(3);
    for round in 0..60 {
        let mut reel = whole.clone();
        reel[index + 48..index + header.index_length as usize].fill(0x55);
        for _ in 0..1 + round % 6 {
            let length = 1 + chance.below(3000) as usize;
            let at = first + chance.below((index - first - length) as u64) as usize;
            reel[at..at + length].fill(0xAA);
        }
        let mut file = ReelFile::new(Cursor::new(&reel)).unwrap();
        for _ in 0..10 {
            let tick = chance.below(400 * TINY_TICKS);
            file.seek(tick);
            let found = file.next_slice().unwrap().map(|slice| slice.time);
            // Without a key slice in time reading begins at the first slice that is left.
            match by_looking_at_all(&reel, tick) {
                Some(time) => assert_eq!(found, Some(time), "round {round}, tick {tick}"),
                None => assert!(found.is_some(), "round {round}, tick {tick}"),
            }
        }
    }
}

#[test]
fn a_file_that_was_cut_off_is_halved_as_far_as_it_goes() {
    let mut reel = tiny_reel(300);
    let end = header_of(&reel).index_offset as usize;
    reel.truncate(end * 2 / 3);
    let mut file = ReelFile::new(Cursor::new(&reel)).unwrap();
    for tick in (0..300 * TINY_TICKS).step_by(977) {
        file.seek(tick);
        let slice = file.next_slice().unwrap().unwrap();
        assert!(slice.key && slice.time <= tick);
        let late = slice.time + 3 * TINY_TICKS <= tick;
        assert!(
            !late || slice.time > 150 * TINY_TICKS,
            "{tick}: {}",
            slice.time
        );
    }
}
