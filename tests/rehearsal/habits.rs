//! What the loop itself does to a play: chunks in one piece, one core that
//! reads and shows by turns, a sound queue that must outlast both.

use super::built::{calm, ideal, sounding, steady};
use thumbreel::board::Board;
use thumbreel::budget::{Link, ReelFacts};
use thumbreel::rehearsal::{Cause, Conditions, Rehearsal, Run, StallPlan};

const MS: u64 = 1_000_000;

fn play(reel: &ReelFacts, board: &Board, conditions: &Conditions) -> Run {
    Rehearsal::new(reel, board, Link::Card, conditions)
        .unwrap()
        .run(1)
}

/// A chunk lies in one piece: a ring buffer that holds a little more than two of the
/// largest underruns again and again where one that holds three does not, on a
/// link that is four times as fast as the reel.
#[test]
fn chunks_need_room_in_one_piece() {
    let board = ideal(409_600.0);
    let reel = sounding(steady(100, 10_240));
    let with_ring = |ring: u64| {
        let conditions = Conditions {
            ring_buffer_bytes: Some(ring),
            ..calm(10_240)
        };
        play(&reel, &board, &conditions)
    };
    assert!(with_ring(10_240).gaps > 50, "{:?}", with_ring(10_240));
    assert!(
        with_ring(3 * 10_240).is_clean(),
        "{:?}",
        with_ring(3 * 10_240)
    );
}

/// Sound that would last, and one core that a read holds: the pictures of the
/// stall are late, and the sound stops where its queue is the shorter.
#[test]
fn a_stall_holds_the_one_core() {
    let mut board = ideal(1_024_000.0);
    board.player.read_bytes = 10_240;
    board.player.tolerance_ms = 45.0;
    let mut reel = sounding(steady(100, 10_240));
    // 25 frames per second, each in its place.
    reel.rate = 25.0;
    let at = |stall: u64| Conditions {
        stalls: StallPlan::At(vec![(50 * 10_240, stall * MS)]),
        ring_buffer_bytes: Some(40_960),
        ..calm(20_480)
    };
    let cores = |board: &Board, cores: u8, queue: u32| {
        let mut board = board.clone();
        board.cpu.cores = cores;
        board.sound.queue_samples = queue;
        board
    };
    // Two cores ride it out; one does not show what is due meanwhile.
    assert!(play(&reel, &cores(&board, 2, 4000), &at(150)).is_clean());
    let one = play(&reel, &cores(&board, 1, 4000), &at(150));
    assert_eq!(one.gaps, 0, "{one:?}");
    assert!(one.late + one.dropped > 0, "{one:?}");
    assert_eq!(one.first.unwrap().cause, Cause::Stall);
    // A queue of 100 ms is played out in a stall of 150.
    let short = play(&reel, &cores(&board, 1, 1000), &at(150));
    assert_eq!(short.gaps, 1, "{short:?}");
    assert!(
        (40 * MS..80 * MS).contains(&short.gap_ns),
        "{}",
        short.gap_ns
    );
    // A reading hook that returns at once leaves the core to play.
    let mut polls = cores(&board, 1, 4000);
    polls.player.read_blocks = false;
    let run = play(&reel, &polls, &at(150));
    assert!(run.is_clean(), "{run:?}");
}

/// A shared bus: a picture that is due waits until the read is over.
#[test]
fn a_read_keeps_a_shared_bus() {
    let mut board = ideal(102_400.0);
    board.player.read_bytes = 5120;
    board.sound.queue_samples = 4000;
    let mut reel = sounding(steady(100, 5120));
    for (n, picture) in (0..).zip(&mut reel.pictures) {
        picture.tick += n * 370 % 1000;
    }
    let free = play(&reel, &board, &calm(10_240));
    board.card.as_mut().unwrap().shares_panel_bus = true;
    let shared = play(&reel, &board, &calm(10_240));
    // A read takes 45 ms.
    assert!(
        shared.worst_sync_ns > free.worst_sync_ns + 30 * MS,
        "{} {}",
        shared.worst_sync_ns,
        free.worst_sync_ns
    );
}

/// Decoding for longer than the queue lasts stops the sound, whatever the link.
#[test]
fn a_long_picture_outlasts_a_short_queue() {
    let mut board = ideal(1e6);
    board.panel.clock_hz = 1_000_000;
    board.panel.lines = 1;
    board.panel.dma = false;
    let mut reel = sounding(steady(100, 10_240));
    reel.width = 64;
    reel.height = 64;
    for picture in &mut reel.pictures {
        picture.pixels = 4096;
    }
    // 65.5 ms on the wire, without DMA.
    let with_queue = |samples: u32| {
        let mut board = board.clone();
        board.sound.queue_samples = samples;
        play(&reel, &board, &calm(20_480))
    };
    assert!(with_queue(600).gaps > 50, "{:?}", with_queue(600));
    let long = with_queue(1000);
    assert_eq!(long.gaps, 0, "{long:?}");
}

/// The sweep puts the worst stall at every place, needs no seed, and says what
/// chance would hardly find.
#[test]
fn a_sweep_finds_the_one_place() {
    let mut board = ideal(409_600.0);
    let card = board.card.as_mut().unwrap();
    card.stalls.per_minute = 0.01;
    card.stalls.typical_ms = 50.0;
    card.stalls.worst_ms = 250.0;
    let reel = sounding(steady(100, 10_240));
    let rehearsal = |ring: u64| {
        let conditions = Conditions {
            ring_buffer_bytes: Some(ring),
            start_bytes: Some(ring / 3),
            ..Conditions::default()
        };
        Rehearsal::new(&reel, &board, Link::Card, &conditions).unwrap()
    };
    let small = rehearsal(30_720);
    assert!(small.many(300, 1).clean >= 297);
    let sweep = small.sweep().unwrap();
    assert_eq!(sweep.stall_ms, 250.0);
    assert!(sweep.step_ms <= 51.0 && sweep.places >= 190, "{sweep:?}");
    // All places but those behind which nothing is to come.
    assert!(
        sweep.tally.clean * 50 <= sweep.tally.runs,
        "{:?}",
        sweep.tally
    );
    assert_eq!(sweep.tally.commonest_cause(), Some(Cause::Stall));
    let large = rehearsal(102_400).sweep().unwrap();
    assert_eq!(large.tally.clean, large.tally.runs, "{:?}", large.tally);
}
