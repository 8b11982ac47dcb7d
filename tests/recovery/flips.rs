//! Every single bit of a reel turned over.

use crate::common::reels::{tiny_reel, tiny_slices};
use std::io::Cursor;
use thumbreel::reel::{Event, Reader, repair, verify};

/// Checks that whatever a player would present is right: sound and pictures
/// equal the original's, and no picture stands on one that is missing.
fn check_presented(reel: &[u8], bit: usize) {
    let slices = tiny_slices(6);
    let mut reader = Reader::new(vec![0; 1 << 16]);
    reader.supply(reel);
    let (mut at, mut last) = (reader.position() as usize, None);
    while !reader.is_finished() {
        if reader.need().length > 0 {
            if at == reel.len() {
                reader.end_of_input();
            }
            at += reader.supply(&reel[at..]);
        }
        match reader.next() {
            Err(_) => return,
            Ok(Some(Event::Sound { tick, bytes, .. })) => {
                assert!(slices[tick as usize / 200].sound == bytes, "bit {bit}");
            }
            Ok(Some(Event::Picture {
                tick,
                number,
                header,
                bytes,
            })) => {
                let right = &slices[number as usize].pictures[0];
                assert_eq!(
                    tick,
                    u64::from(number * 200 + right.tick_offset),
                    "bit {bit}"
                );
                assert!(right.bytes == bytes && right.unchanged == header.is_unchanged());
                let stands = header.is_key() || last == number.checked_sub(1);
                assert!(stands, "bit {bit}: picture {number} after {last:?}");
                last = Some(number);
            }
            Ok(_) => {}
        }
    }
}

#[test]
fn every_flipped_bit_is_found_and_nothing_wrong_is_presented() {
    let mut reel = tiny_reel(6);
    check_presented(&reel, usize::MAX);
    for bit in 0..reel.len() * 8 {
        reel[bit / 8] ^= 1 << (bit % 8);
        let verdict = verify(Cursor::new(&reel)).unwrap();
        // No byte of a reel is free of a checksum: none of the flips is harmless.
        assert!(!verdict.is_whole(), "bit {bit} is not noticed");
        check_presented(&reel, bit);
        reel[bit / 8] ^= 1 << (bit % 8);
    }
}

#[test]
fn a_flipped_bit_costs_one_slice_at_most() {
    let mut reel = tiny_reel(6);
    for bit in (0..reel.len() * 8).step_by(11) {
        reel[bit / 8] ^= 1 << (bit % 8);
        let (sink, repaired) = repair(Cursor::new(&reel), Cursor::new(Vec::new())).unwrap();
        assert!(repaired.slices >= 5, "bit {bit}: {repaired:?}");
        let verdict = verify(Cursor::new(sink.into_inner())).unwrap();
        assert!(verdict.is_whole(), "bit {bit}: {verdict:?}");
        reel[bit / 8] ^= 1 << (bit % 8);
    }
}
