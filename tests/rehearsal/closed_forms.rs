//! Agreement with what a formula says. The loop looks at its clock every few
//! milliseconds, so that times agree within its naps.

use super::built::{calm, ideal, sounding, steady, uneven};
use thumbreel::board::Board;
use thumbreel::budget::{Link, ReelFacts, card_read_ns};
use thumbreel::rehearsal::{Cause, Conditions, Rehearsal, Run, StallPlan};

const MS: u64 = 1_000_000;
/// The loop naps for at most 5 ms, and the reading side for one.
const NAPS: u64 = 7 * MS;

fn play(reel: &ReelFacts, board: &Board, link: Link, conditions: &Conditions) -> Run {
    Rehearsal::new(reel, board, link, conditions)
        .unwrap()
        .run(1)
}

/// Time of `reads` reads of 512 bytes.
fn read_time(board: &Board, reads: u64) -> u64 {
    (reads as f64 * card_read_ns(board.card.as_ref().unwrap(), 512)) as u64
}

fn near(value: u64, expected: u64, by: u64) {
    assert!(
        value + by >= expected && value <= expected + by,
        "{value} is not {expected} +- {by}"
    );
}

/// The first sound comes when header and start level are in.
#[test]
fn start_is_the_start_level_over_the_rate() {
    let board = ideal(102_400.0);
    for reel in [steady(50, 5120), sounding(steady(50, 5120))] {
        for slices in [1, 2, 7] {
            let run = play(&reel, &board, Link::Card, &calm(slices * 5120));
            near(run.start_ns, read_time(&board, slices * 10 + 1), NAPS);
            assert!(run.is_clean(), "{run:?}");
            near(run.end_ns, run.start_ns + 50 * 100 * MS, 2 * NAPS);
        }
    }
}

/// A link at half the drain's rate: play ends when the last slice has come in
/// and been played, and stands still for the rest.
#[test]
fn pauses_end_when_the_source_allows() {
    let board = ideal(51_200.0);
    for reel in [steady(40, 10_240), sounding(steady(40, 10_240))] {
        let run = play(&reel, &board, Link::Card, &calm(10_240));
        let whole = read_time(&board, 40 * 20 + 1);
        near(run.end_ns, whole + 100 * MS, 4 * NAPS);
        // A slice at a time: every one after the first is waited for.
        assert_eq!(run.gaps, 39, "{run:?}");
        let still = run.end_ns - run.start_ns - 40 * 100 * MS;
        // Each break of the sound falls to zero in 10 ms.
        near(run.gap_ns, still, 39 * 2 * NAPS);
        assert_eq!(run.first.unwrap().cause, Cause::Link);
    }
}

/// One stall is ridden out exactly if it is no longer than what is ahead: the
/// loop stops 20 ms before its queue is empty.
#[test]
fn a_single_stall_against_what_is_ahead() {
    let mut board = ideal(1_024_000.0);
    board.sound.queue_samples = 500;
    let reel = sounding(steady(50, 10_240));
    // Four slices and the one that is heard, in one piece each.
    let ring = 5 * 10_240;
    let clean = |stall: u64| {
        let conditions = Conditions {
            ring_buffer_bytes: Some(ring),
            stalls: StallPlan::At(vec![(25 * 10_240, stall)]),
            ..calm(2 * 10_240)
        };
        play(&reel, &board, Link::Card, &conditions).is_clean()
    };
    let (mut low, mut high) = (0, 2000 * MS);
    assert!(clean(low) && !clean(high));
    while high - low > MS {
        let middle = low + (high - low) / 2;
        if clean(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
    // Slice 25 is begun when slice 20 is given back, that is, has been put into
    // the queue of 50 ms and its picture been seen: 50 ms before slice 21 is
    // heard at the latest. Slices 21 to 24 follow: at least 400 ms.
    let read = read_time(&board, 20);
    assert!(
        (400 * MS - 20 * MS - read - NAPS..=450 * MS).contains(&low),
        "{low}"
    );
}

/// A stall of s every n bytes makes a source of rate r one of rate
/// n / (n / r + s).
#[test]
fn a_periodic_stall_is_a_slower_source() {
    let board = ideal(102_400.0);
    let reel = steady(100, 5120);
    let slice = read_time(&board, 10);
    for (every, clean) in [(80 * MS, true), (120 * MS, false)] {
        let conditions = Conditions {
            stalls: StallPlan::Every {
                bytes: 5120,
                ns: every - slice,
            },
            ..calm(10_240)
        };
        let run = play(&reel, &board, Link::Card, &conditions);
        assert_eq!(run.is_clean(), clean, "{run:?}");
        if !clean {
            near(run.end_ns, 100 * every + 200 * MS, 100 * MS);
        }
    }
}

/// Token bucket: a burst of b bytes at once, then r bytes per second: the reel's
/// last byte is there at (e - b) / r.
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
    assert!(run.start_ns < NAPS, "two slices are within the burst");
    let last = (60 * 5120 - 20_480) as f64 / 25_600.0;
    // Two slices are refilled before play goes on.
    near(run.end_ns, (last * 1e9) as u64 + 200 * MS, 60 * MS);
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
    // The loop's queue has room for thirty slices.
    let reel = steady(25, 115_200 / 512 * 512);
    let bytes = reel.slice_bytes() * 24 / 25;
    let run = play(&reel, &board, Link::Wifi, &calm(bytes));
    let expected = (bytes as f64 / 5760.0 - 1.0) * 5e6;
    let error = (run.start_ns as f64 - 7.5e6) / expected - 1.0;
    assert!(error.abs() < 0.01, "{error}");
}

/// What `least` finds is clean, and a step less is not.
#[test]
fn the_least_buffers_are_the_least() {
    let board = ideal(102_400.0);
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
