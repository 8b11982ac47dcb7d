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
            thumbreel::reel::Piece::Slice(whole) => {
                assert_eq!(whole.damage, []);
                slices.push(whole.slice);
            }
            thumbreel::reel::Piece::Damage(damage) => panic!("{damage:?}"),
        }
    }
    slices
}

/// The most slices of `reel` that stand untouched and in order in `damaged`.
fn untouched(reel: &[u8], damaged: &[u8]) -> usize {
    let chunks = slice_ends(reel);
    let mut found = Vec::new();
    for at in (0..damaged.len()).step_by(16) {
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

/// Whether `slice` is `right`, but for sound that is silent and a picture that is
/// missing or keeps what the panel shows.
fn is_part_of(slice: &Slice, right: &Slice) -> bool {
    let sound = slice.sound.is_empty() || slice.sound == right.sound;
    let picture = slice.pictures.iter().zip(&right.pictures).all(|(p, q)| {
        p == q || p.unchanged && p.bytes.is_empty() && p.tick_offset == q.tick_offset
    });
    (slice.time, slice.ticks) == (right.time, right.ticks) && sound && picture
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
                prop_assert!(repaired.slices as usize >= whole);
                for slice in all_slices(&bytes) {
                    prop_assert!(is_part_of(&slice, &tiny_slice(slice.time / 200)));
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
            prop_assert!(slice.time >= time, "time goes back");
            time = slice.time + u64::from(slice.ticks);
            prop_assert!(is_part_of(&slice, &tiny_slice(slice.time / 200)));
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
    // The headers of slices 4 and 5, which lose all of them.
    let reel = flipped(12, &[4, 5], 20);
    let mut file = ReelFile::new(Cursor::new(&reel)).unwrap();
    let mut times = Vec::new();
    while let Some(slice) = file.next_slice().unwrap() {
        times.push((slice.time / 200, slice.pictures.len()));
    }
    // 6 is a key slice, so pictures go on at once.
    let expected: Vec<_> = (0..12)
        .filter(|t| ![4, 5].contains(t))
        .map(|t| (t, 1))
        .collect();
    assert_eq!(times, expected);
    let spans: Vec<_> = file.damage().iter().map(|d| (d.from, d.to)).collect();
    assert_eq!(spans, [(800, 1200)]);
}

/// A tiny reel with a bit turned over at byte `at` of each of `slices`.
fn flipped(n: u64, slices: &[usize], at: usize) -> Vec<u8> {
    let mut reel = tiny_reel(n);
    let ends = slice_ends(&reel);
    for &slice in slices {
        reel[ends[slice].0 as usize + at] ^= 1;
    }
    reel
}

/// Time, bytes of sound and pictures of each slice as a player presents it.
fn presented(reel: &[u8]) -> Vec<(u64, usize, usize)> {
    let slices = read_slices(reel);
    let shape = |s: &Slice| (s.time / 200, s.sound.len(), s.pictures.len());
    slices.iter().map(shape).collect()
}

#[test]
fn a_part_that_is_damaged_costs_itself() {
    let whole = presented(&tiny_reel(9));
    let with = |slice: usize, change: &dyn Fn(&mut (u64, usize, usize))| {
        let mut expected = whole.clone();
        change(&mut expected[slice]);
        expected
    };
    // Sound at 48, directory at 48 + 204, picture at 48 + 204 + 20.
    let silent = presented(&flipped(9, &[3], 60));
    assert_eq!(silent, with(3, &|s| s.1 = 0));
    for at in [48 + 204, 48 + 224] {
        let mut expected = with(3, &|s| s.2 = 0);
        expected[4].2 = 0;
        expected[5].2 = 0;
        assert_eq!(presented(&flipped(9, &[3], at)), expected, "{at}");
    }
    // The last of a group: nothing depends on it.
    assert_eq!(
        presented(&flipped(9, &[2], 48 + 224)),
        with(2, &|s| s.2 = 0)
    );
}

#[test]
fn repair_changes_no_time_and_presents_what_a_player_did() {
    for (slices, at) in [
        (&[3_usize, 4][..], 60),
        (&[3], 252),
        (&[3, 7], 272),
        (&[1, 5], 20),
    ] {
        let reel = flipped(12, slices, at);
        let (sink, repaired) = repair(Cursor::new(&reel), Cursor::new(Vec::new())).unwrap();
        let mended = sink.into_inner();
        assert!(verify(Cursor::new(&mended)).unwrap().is_whole());
        let sound = |reel: &[u8]| -> Vec<_> {
            let slices = read_slices(reel);
            slices
                .iter()
                .map(|s| (s.time, s.ticks, s.sound.clone()))
                .collect()
        };
        assert!(
            sound(&mended) == sound(&reel),
            "{slices:?} {at}: {repaired:?}"
        );
        let shown = |reel: &[u8]| -> Vec<_> {
            let slices = read_slices(reel);
            let all = slices
                .iter()
                .flat_map(|s| s.pictures.iter().map(|p| (s.time, p.clone())));
            all.filter(|(_, p)| !p.unchanged).collect()
        };
        assert!(shown(&mended) == shown(&reel), "{slices:?} {at}");
    }
}

#[test]
fn pictures_wait_for_a_key_picture_after_damage() {
    let reel = flipped(9, &[3], 20);
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
