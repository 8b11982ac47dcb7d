//! What holds for every reel, board and seed.

use super::built::uneven;
use proptest::prelude::*;
use thumbreel::board::{Board, LatePolicy, StarvePolicy};
use thumbreel::budget::{Link, PictureCoding, ReelFacts};
use thumbreel::rehearsal::{Conditions, Rehearsal, Run};

/// A reel of up to a hundred slices with a few pictures' costs.
fn reels() -> impl Strategy<Value = ReelFacts> {
    let slice = (1u32..60, 0u32..3_000_000, 0u32..57_600);
    (prop::collection::vec(slice, 2..100), any::<bool>()).prop_map(|(slices, raw)| {
        let bytes: Vec<u32> = slices.iter().map(|s| s.0 * 512).collect();
        let mut reel = uneven(&bytes);
        reel.width = 240;
        reel.height = 240;
        reel.coding = if raw {
            PictureCoding::Raw
        } else {
            PictureCoding::PatchLight
        };
        reel.working_bytes = if raw { 0 } else { 131_072 };
        for (picture, (_, instructions, pixels)) in reel.pictures.iter_mut().zip(&slices) {
            picture.instructions = *instructions;
            picture.pixels = *pixels;
        }
        reel
    })
}

/// A board with links around the reels' needs, and stalls.
fn boards() -> impl Strategy<Value = Board> {
    let ranges = (
        1u32..40,
        5u32..80,
        1.0..200.0,
        0.0..300.0,
        100_000u32..600_000,
        1u8..3,
        any::<bool>(),
    );
    ranges.prop_map(
        |(card_mhz, panel_mhz, per_minute, worst_ms, ring, buffers, dma)| {
            let mut board = Board::find("lantern-room").unwrap();
            board.panel.clock_hz = panel_mhz * 1_000_000;
            board.panel.dma = dma;
            board.player.picture_buffers = buffers;
            board.player.ring_buffer_bytes = ring;
            board.player.starve = StarvePolicy::Silence;
            board.player.late = LatePolicy::CatchUp;
            let card = board.card.as_mut().unwrap();
            card.clock_hz = card_mhz * 500_000;
            card.stalls.per_minute = per_minute;
            card.stalls.typical_ms = worst_ms / 3.0;
            card.stalls.worst_ms = worst_ms;
            let wifi = board.wifi.as_mut().unwrap();
            wifi.stalls = card.stalls.clone();
            wifi.link_bps = u64::from(card_mhz) * 1_000_000;
            wifi.loss = per_minute / 10_000.0;
            board
        },
    )
}

fn play(
    reel: &ReelFacts,
    board: &Board,
    link: Link,
    seed: u64,
    ring: Option<u64>,
    start: u64,
) -> Run {
    let conditions = Conditions {
        ring_buffer_bytes: ring,
        start_bytes: Some(start),
        ..Conditions::default()
    };
    Rehearsal::new(reel, board, link, &conditions)
        .unwrap()
        .run(seed)
}

/// `better` is in no way worse than `worse`.
fn never_worse(better: &Run, worse: &Run) {
    assert!(better.gap_ns <= worse.gap_ns, "{better:?}\n{worse:?}");
    assert!(better.gaps <= worse.gaps, "{better:?}\n{worse:?}");
    assert!(better.late <= worse.late, "{better:?}\n{worse:?}");
    assert!(
        better.late_sum_ns <= worse.late_sum_ns,
        "{better:?}\n{worse:?}"
    );
    assert!(
        better.worst_sync_ns <= worse.worst_sync_ns,
        "{better:?}\n{worse:?}"
    );
}

/// The same, if only whether all was clean is asked.
fn never_uncleaner(better: &Run, worse: &Run) {
    assert!(
        better.is_clean() || !worse.is_clean(),
        "{better:?}\n{worse:?}"
    );
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn more_bandwidth_is_never_worse(reel in reels(), board in boards(), seed: u64) {
        let mut faster = board.clone();
        faster.card.as_mut().unwrap().clock_hz *= 2;
        never_worse(&play(&reel, &faster, Link::Card, seed, None, 20_000), &play(&reel, &board, Link::Card, seed, None, 20_000));
    }

    /// Over the air bytes come in bursts of a window, so that a start level
    /// may be met sooner and yet at a worse moment of the burst. What holds is
    /// that nothing ends later.
    #[test]
    fn more_bandwidth_in_the_air_never_ends_later(reel in reels(), mut board in boards(), seed: u64) {
        board.player.starve = StarvePolicy::Pause;
        let mut faster = board.clone();
        faster.wifi.as_mut().unwrap().link_bps *= 2;
        let better = play(&reel, &faster, Link::Wifi, seed, None, 0);
        let worse = play(&reel, &board, Link::Wifi, seed, None, 0);
        prop_assert!(better.end_ns <= worse.end_ns && better.start_ns <= worse.start_ns);
    }

    /// With a link that never makes anyone wait: where it does, a core that is
    /// ready sooner starts the clock sooner and leaves the link less time.
    #[test]
    fn a_faster_bus_or_core_is_never_worse(reel in reels(), mut board in boards(), seed: u64, bus: bool) {
        let card = board.card.as_mut().unwrap();
        card.clock_hz = 200_000_000;
        card.access_us = 0.0;
        card.instructions_per_byte = 0.0;
        card.stalls.per_minute = 0.0;
        let mut faster = board.clone();
        if bus {
            faster.panel.clock_hz *= 2;
        } else {
            faster.cpu.clock_hz *= 2;
        }
        let worse = play(&reel, &board, Link::Card, seed, None, 20_000);
        let better = play(&reel, &faster, Link::Card, seed, None, 20_000);
        never_worse(&better, &worse);
    }

    #[test]
    fn more_ring_is_never_worse(reel in reels(), board in boards(), seed: u64, more in 1u64..400_000, wifi: bool) {
        let link = if wifi { Link::Wifi } else { Link::Card };
        let less = play(&reel, &board, link, seed, Some(60_000), 20_000);
        never_worse(&play(&reel, &board, link, seed, Some(60_000 + more), 20_000), &less);
    }

    #[test]
    fn a_higher_start_level_is_never_worse(reel in reels(), board in boards(), seed: u64, more in 1u64..100_000) {
        let less = play(&reel, &board, Link::Card, seed, Some(200_000), 20_000);
        never_worse(&play(&reel, &board, Link::Card, seed, Some(200_000), 20_000 + more), &less);
    }

    #[test]
    fn shorter_stalls_are_never_worse(reel in reels(), board in boards(), seed: u64, factor in 0.0..1.0) {
        let mut calmer = board.clone();
        let stalls = &mut calmer.card.as_mut().unwrap().stalls;
        stalls.typical_ms *= factor;
        stalls.worst_ms *= factor;
        never_worse(&play(&reel, &calmer, Link::Card, seed, None, 20_000), &play(&reel, &board, Link::Card, seed, None, 20_000));
    }

    /// With dropping and pausing, what is clean stays clean.
    #[test]
    fn under_every_policy_better_links_keep_clean_runs_clean(reel in reels(), mut board in boards(), seed: u64) {
        board.player.late = LatePolicy::Drop;
        board.player.starve = StarvePolicy::Pause;
        let mut faster = board.clone();
        faster.card.as_mut().unwrap().clock_hz *= 2;
        never_uncleaner(&play(&reel, &faster, Link::Card, seed, None, 20_000), &play(&reel, &board, Link::Card, seed, None, 20_000));
    }

    /// Bytes in equal bytes out, but for the rest of the last read; every
    /// picture is shown or left out; the ring buffer holds no less than nothing and
    /// no more than it can.
    #[test]
    fn nothing_is_lost_or_made(reel in reels(), mut board in boards(), seed: u64, wifi: bool, drop: bool, pause: bool) {
        let link = if wifi { Link::Wifi } else { Link::Card };
        if drop {
            board.player.late = LatePolicy::Drop;
        }
        if pause {
            board.player.starve = StarvePolicy::Pause;
        }
        let conditions = Conditions { start_bytes: Some(20_000), ..Conditions::default() };
        let rehearsal = Rehearsal::new(&reel, &board, link, &conditions).unwrap();
        let trace = rehearsal.trace(seed);
        let run = trace.run;
        prop_assert_eq!(run.bytes_out, reel.slice_bytes());
        prop_assert!(run.bytes_in >= run.bytes_out && run.bytes_in - run.bytes_out < 8192);
        prop_assert_eq!((run.shown + run.dropped) as usize, reel.pictures.len());
        prop_assert!(run.end_ns >= run.start_ns + reel.ticks() * 100_000);
        prop_assert_eq!(run, rehearsal.run(seed));
        let mut level = 0i64;
        prop_assert!(trace.level.windows(2).all(|w| w[0].0 <= w[1].0));
        for (_, bytes) in &trace.level {
            prop_assert!(*bytes <= trace.ring_buffer_bytes);
            level = *bytes as i64;
        }
        prop_assert_eq!(level, 0);
    }

    /// A tally is the sum of its runs, whatever the threads.
    #[test]
    fn many_are_the_sum_of_each(reel in reels(), board in boards(), first in 0u64..1_000_000) {
        let rehearsal = Rehearsal::new(&reel, &board, Link::Card, &Conditions::default()).unwrap();
        let mut one_by_one = thumbreel::rehearsal::Tally::default();
        for seed in first..first + 9 {
            one_by_one.add(&rehearsal.run(seed), seed);
        }
        prop_assert_eq!(rehearsal.many(9, first), one_by_one);
    }
}
