//! Agreement with what a formula says, to the nanosecond where the formula
//! is exact.

use super::built::{calm, ideal, steady, uneven};
use thumbreel::board::Board;
use thumbreel::board::StarvePolicy;
use thumbreel::budget::{Link, ReelFacts, card_read_ns};
use thumbreel::rehearsal::{Cause, Conditions, Rehearsal, Run, StallPlan};

const MS: u64 = 1_000_000;

fn play(reel: &ReelFacts, board: &Board, link: Link, conditions: &Conditions) -> Run {
    Rehearsal::new(reel, board, link, conditions)
        .unwrap()
        .run(1)
}

/// Time of `reads` reads of 512 bytes.
fn read_time(board: &Board, reads: u64) -> u64 {
    reads * card_read_ns(board.card.as_ref().unwrap(), 512) as u64
}

/// The first sound comes when the start level is in.
#[test]
fn start_is_the_start_level_over_the_rate() {
    let board = ideal(102_400.0);
    let reel = steady(50, 5120);
    for slices in [1, 2, 7] {
        let run = play(&reel, &board, Link::Card, &calm(slices * 5120));
        assert_eq!(run.start_ns, read_time(&board, slices * 10));
        assert!(run.is_clean());
        assert_eq!(run.end_ns, run.start_ns + 50 * 100 * MS);
    }
}

/// A link at half the drain's rate: slice k, counted from 0, is whole after
/// (k + 1) reads of its bytes, and every slice after the start is late by one
/// more slice's reading less one slice's length.
#[test]
fn constant_source_below_constant_drain() {
    let board = ideal(51_200.0);
    let reel = steady(40, 10_240);
    let start = 5;
    let run = play(&reel, &board, Link::Card, &calm(start * 10_240));
    let slice = read_time(&board, 20);
    let lateness = |k: u64| ((k + 1) * slice).saturating_sub(start * slice + k * 100 * MS);
    let late: Vec<u64> = (0..40).map(lateness).filter(|l| *l > 0).collect();
    assert_eq!(run.gaps as usize, late.len());
    assert_eq!(
        run.gap_ns,
        late.iter().map(|l| (*l).min(100 * MS)).sum::<u64>()
    );
    let first = run.first.unwrap();
    let first_late = (0..40).find(|k| lateness(*k) > 0).unwrap();
    assert_eq!(first.at_ns, first_late * 100 * MS);
    assert_eq!(first.cause, Cause::Link);
}

/// With pauses, play ends when the last slice has come in and been played,
/// whatever the refill level: the source never rests.
#[test]
fn pauses_end_when_the_source_allows() {
    let mut board = ideal(51_200.0);
    board.player.starve = StarvePolicy::Pause;
    let reel = steady(40, 10_240);
    let slice = read_time(&board, 20);
    let run = play(&reel, &board, Link::Card, &calm(10_240));
    assert_eq!(run.start_ns, slice);
    // Refilled one slice at a time, every slice after the first waits.
    assert_eq!(run.gaps, 39);
    assert_eq!(run.end_ns, 40 * slice + 100 * MS);
}

/// One stall is ridden out exactly if it is no longer than what is ahead.
#[test]
fn a_single_stall_against_what_is_ahead() {
    let board = ideal(1_024_000.0);
    let reel = steady(50, 10_240);
    let slice = read_time(&board, 20);
    // The source is ten times faster; the ring buffer is a slice short of five, so
    // that the reader waits for room.
    let ring = 4 * 10_240 + 512;
    let stalled_slice = 20;
    let at = stalled_slice * 10_240;
    let run_with = |stall: u64| {
        let conditions = Conditions {
            ring_buffer_bytes: Some(ring),
            stalls: StallPlan::At(vec![(at, stall)]),
            ..calm(2 * 10_240)
        };
        play(&reel, &board, Link::Card, &conditions)
    };
    // The first read of slice n is the last of the twenty that wait until
    // slice n - 5 has been handed to the sound queue, that much before slice
    // n - 4 sounds.
    let queue = 64 * 1_000_000_000 / 10_000;
    let begins = (stalled_slice - 4) * 100 * MS - queue + read_time(&board, 19);
    let whole = begins + slice;
    let ahead = stalled_slice * 100 * MS - whole;
    let clean = run_with(ahead);
    assert!(clean.is_clean(), "{clean:?}");
    let broken = run_with(ahead + 1);
    assert_eq!((broken.gaps, broken.gap_ns), (1, 1));
    assert_eq!(broken.first.unwrap().cause, Cause::Stall);
    assert_eq!(broken.first.unwrap().at_ns, stalled_slice * 100 * MS);
}

/// A stall of s every n bytes makes a source of rate r one of rate
/// n / (n / r + s).
#[test]
fn a_periodic_stall_is_a_slower_source() {
    let board = ideal(102_400.0);
    let reel = steady(100, 5120);
    let slice = read_time(&board, 10);
    for (stall, clean) in [(100 * MS - slice, true), (100 * MS - slice + 1, false)] {
        let conditions = Conditions {
            stalls: StallPlan::Every {
                bytes: 5120,
                ns: stall,
            },
            ..calm(5120)
        };
        let run = play(&reel, &board, Link::Card, &conditions);
        assert_eq!(run.is_clean(), clean, "{run:?}");
        if !clean {
            // One nanosecond more with every slice after the first.
            assert_eq!(run.gaps, 99);
            assert_eq!(run.gap_ns, (1..100).sum::<u64>());
        }
    }
}

/// Token bucket: a burst of b bytes at once, then r bytes per second. A slice
/// that ends at byte e is there at (e - b) / r.
#[test]
fn a_pacing_server_is_a_token_bucket() {
    let mut board = ideal(1e6);
    let wifi = board.wifi.as_mut().unwrap();
    wifi.link_bps = 10_000_000_000;
    wifi.usable_share = 0.95;
    wifi.window_bytes = 4_000_000;
    wifi.segment_bytes = 512;
    wifi.round_trip_ms = 0.1;
    wifi.loss = 0.0;
    wifi.server_ms = 0.0;
    wifi.server_bps = 8 * 25_600;
    wifi.server_burst_bytes = 20_480;
    wifi.instructions_per_byte = 0.0;
    let reel = steady(60, 5120);
    let run = play(&reel, &board, Link::Wifi, &calm(10_240));
    // The reel drains 51,200 bytes per second. Slice k is due at start + k x
    // 100 ms, and there at first + (5120 (k + 1) - 20,480) x 8 s / 204,800.
    let first = 150_000u64;
    let there = |k: u64| first + (5120 * (k + 1)).saturating_sub(20_480) * 390_625 / 10;
    assert!(run.start_ns < first + MS, "two slices are within the burst");
    let late: Vec<u64> = (0..60)
        .map(|k| there(k).saturating_sub(run.start_ns + k * 100 * MS))
        .filter(|l| *l > 0)
        .collect();
    assert_eq!(run.gaps as usize, late.len());
    let expected: u64 = late.iter().map(|l| (*l).min(100 * MS)).sum();
    assert!(
        run.gap_ns.abs_diff(expected) < 60 * 10_000,
        "{} {expected}",
        run.gap_ns
    );
}

/// One window a round trip: W x 8 / RTT, for a reel that asks for all of it.
#[test]
fn a_window_fills_once_a_round_trip() {
    let mut board = ideal(1e6);
    let wifi = board.wifi.as_mut().unwrap();
    wifi.link_bps = 10_000_000_000;
    wifi.usable_share = 0.95;
    wifi.window_bytes = 5760;
    wifi.segment_bytes = 1440;
    wifi.round_trip_ms = 5.0;
    wifi.loss = 0.0;
    wifi.server_ms = 0.0;
    wifi.instructions_per_byte = 0.0;
    // 400 windows of data before play may begin.
    let reel = steady(50, 115_200 / 512 * 512);
    let bytes = reel.slice_bytes() * 49 / 50;
    let run = play(&reel, &board, Link::Wifi, &calm(bytes));
    // The first window leaves at once.
    let expected = (bytes as f64 / 5760.0 - 1.0) * 5e6;
    let error = (run.start_ns as f64 - 7.5e6) / expected - 1.0;
    assert!(error.abs() < 0.0002, "{error}");
}

/// What `least` finds is clean, and a step less is not.
#[test]
fn the_least_buffers_are_the_least() {
    let mut board = ideal(102_400.0);
    board.player.starve = StarvePolicy::Pause;
    let mut bytes = vec![5120; 100];
    bytes[30..50].fill(15_360);
    let reel = uneven(&bytes);
    // Before the hard stretch the reader is far ahead; in it, it falls behind
    // by 20 slices x (150 - 100) ms = a second of reading.
    let conditions = calm(40_960);
    let rehearsal = Rehearsal::new(&reel, &board, Link::Card, &conditions).unwrap();
    let least = rehearsal.least(1, 1);
    let ring = least.ring_buffer_bytes.unwrap();
    let clean = |ring, start| {
        let conditions = Conditions {
            ring_buffer_bytes: Some(ring),
            ..calm(start)
        };
        Rehearsal::new(&reel, &board, Link::Card, &conditions)
            .unwrap()
            .run(1)
            .is_clean()
    };
    assert!(clean(ring, 40_960) && !clean(ring - 1024, 40_960));
    let (whole, _) = rehearsal.buffers();
    let start = least.start_bytes.unwrap();
    assert!(clean(whole, start) && (start < 1024 || !clean(whole, start - 1024)));
}
