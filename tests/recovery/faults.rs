//! Random faults, several at once: what is whole is saved, what is not is told.

use crate::common::faults::{Chance, Fault, FaultySource, SourceFault};
use crate::common::reels::{read_slices, slice_ends, tiny_reel, tiny_slice, tiny_slices};
use proptest::prelude::*;
use std::io::Cursor;
use std::time::Duration;
use thumbreel::reel::{ReelFile, RepairError, Slice, repair, verify};

/// Every slice of a repaired reel, stale pictures included.
fn all_slices(reel: &[u8]) -> Vec<Slice> {
    let mut file = ReelFile::new(Cursor::new(reel)).unwrap();
    let mut slices = Vec::new();
    while let Some(piece) = file.next_piece().unwrap() {
        match piece {
            thumbreel::reel::Piece::Slice(whole) => slices.push(whole.slice),
            thumbreel::reel::Piece::Damage(damage) => panic!("{damage:?}"),
        }
    }
    slices
}

/// The most slices of `reel` that stand untouched and in order in `damaged`.
fn untouched(reel: &[u8], damaged: &[u8]) -> usize {
    let chunks = slice_ends(reel);
    let mut found = Vec::new();
    for at in (0..damaged.len()).step_by(512) {
        let whole = |&(start, end): &(u64, u64)| {
            damaged[at..].starts_with(&reel[start as usize..end as usize])
        };
        found.extend(chunks.iter().position(whole));
    }
    // Longest run of rising numbers, by the plain quadratic way.
    let mut runs: Vec<usize> = Vec::new();
    for (i, number) in found.iter().enumerate() {
        let before = (0..i).filter(|&j| found[j] < *number).map(|j| runs[j]);
        runs.push(1 + before.max().unwrap_or(0));
    }
    runs.into_iter().max().unwrap_or(0)
}

proptest! {
    #[test]
    fn repair_saves_every_whole_slice_and_nothing_else(seed: u64, faults in 1..5_u64) {
        let mut chance = Chance::new(seed);
        let reel = tiny_reel(2 + chance.below(14));
        let mut damaged = reel.clone();
        for _ in 0..faults {
            // Faults past the header; its own are tested apart.
            let mut tail = damaged.split_off(512);
            if tail.len() >= 512 {
                Fault::any(&mut chance, tail.len() as u64).apply(&mut tail);
            }
            damaged.append(&mut tail);
        }
        let whole = untouched(&reel, &damaged);
        match repair(Cursor::new(&damaged), Cursor::new(Vec::new())) {
            Err(RepairError::NoSlice) => prop_assert_eq!(whole, 0),
            Err(error) => return Err(TestCaseError::fail(error.to_string())),
            Ok((sink, repaired)) => {
                let bytes = sink.into_inner();
                prop_assert_eq!(repaired.slices as usize, whole);
                for slice in all_slices(&bytes) {
                    prop_assert!(slice == tiny_slice(slice.time / 200));
                }
                let verdict = verify(Cursor::new(&bytes)).unwrap();
                prop_assert!(verdict.is_whole(), "{:?}", verdict);
            }
        }
    }

    #[test]
    fn a_player_never_presents_what_was_not_written(seed: u64, faults in 1..5_u64) {
        let mut chance = Chance::new(seed);
        let mut reel = tiny_reel(12);
        for _ in 0..faults {
            if reel.len() >= 512 {
                Fault::any(&mut chance, reel.len() as u64).apply(&mut reel);
            }
        }
        let mut time = 0;
        for slice in read_slices(&reel) {
            let mut right = tiny_slice(slice.time / 200);
            prop_assert!(slice.time >= time, "time goes back");
            time = slice.time + u64::from(slice.ticks);
            // A stale picture is left out.
            if slice.pictures.is_empty() {
                right.pictures.clear();
            }
            prop_assert!(slice == right);
        }
    }
}

#[test]
fn a_lost_header_is_mended_or_taken_from_its_copy() {
    let reel = tiny_reel(5);
    for (at, byte) in [(3, 0), (100, 0x40), (509, 1), (40, 0x12)] {
        let mut damaged = reel.clone();
        damaged[at] ^= byte | 1;
        damaged[200] ^= u8::from(at == 100);
        let (sink, repaired) = repair(Cursor::new(&damaged), Cursor::new(Vec::new())).unwrap();
        assert_eq!((repaired.slices, repaired.lost.len()), (5, 0));
        assert!(all_slices(&sink.into_inner()) == tiny_slices(5));
    }
}

#[test]
fn sound_goes_on_at_its_time_after_damage() {
    let mut reel = tiny_reel(12);
    let ends = slice_ends(&reel);
    for slice in [4, 5] {
        let at = ends[slice].0 as usize;
        reel[at + 70] ^= 1;
    }
    let mut file = ReelFile::new(Cursor::new(&reel)).unwrap();
    let mut times = Vec::new();
    while let Some(slice) = file.next_slice().unwrap() {
        times.push((slice.time / 200, slice.pictures.len()));
    }
    // Slices 4 and 5 are lost; 6 is a key slice, so pictures go on at once.
    let expected: Vec<_> = (0..12)
        .filter(|t| ![4, 5].contains(t))
        .map(|t| (t, 1))
        .collect();
    assert_eq!(times, expected);
    let spans: Vec<_> = file.damage().iter().map(|d| (d.from, d.to)).collect();
    assert_eq!(spans, [(800, 1000), (1000, 1200)]);
}

#[test]
fn pictures_wait_for_a_key_picture_after_damage() {
    let mut reel = tiny_reel(9);
    let at = slice_ends(&reel)[3].0 as usize;
    reel[at + 70] ^= 1;
    let shown: Vec<_> = read_slices(&reel)
        .iter()
        .map(|s| (s.time / 200, s.pictures.len()))
        .collect();
    let expected = [
        (0, 1),
        (1, 1),
        (2, 1),
        (4, 0),
        (5, 0),
        (6, 1),
        (7, 1),
        (8, 1),
    ];
    assert_eq!(shown, expected);
}

#[test]
fn a_slow_and_interrupted_card_gives_the_same_reel() {
    let reel = tiny_reel(20);
    let faults = vec![
        SourceFault::Stall(3000, Duration::from_millis(250)),
        SourceFault::Interrupt(4000),
        SourceFault::Interrupt(4001),
    ];
    let source = FaultySource::new(Cursor::new(&reel), faults, 5);
    let mut file = ReelFile::new(source).unwrap();
    let mut slices = Vec::new();
    while let Some(slice) = file.next_slice().unwrap() {
        slices.push(slice);
    }
    assert!(slices == tiny_slices(20));
    assert_eq!(file.source().waited(), Duration::from_millis(250));
}

#[test]
fn a_card_that_is_taken_out_is_an_error_not_an_end() {
    let reel = tiny_reel(20);
    let source = FaultySource::new(Cursor::new(&reel), vec![SourceFault::Gone(6000)], 5);
    let mut file = ReelFile::new(source).unwrap();
    let end = loop {
        match file.next_slice() {
            Ok(Some(_)) => {}
            other => break other,
        }
    };
    assert!(end.is_err());
}
