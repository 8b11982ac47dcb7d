//! What holds for every reel, board and seed.

use super::built::uneven;
use proptest::prelude::*;
use thumbreel::board::Board;
use thumbreel::budget::{Link, PictureCoding, ReelFacts};
use thumbreel::rehearsal::{Conditions, Rehearsal};

/// A reel of up to a hundred slices with a few pictures' costs.
fn reels() -> impl Strategy<Value = ReelFacts> {
    let slice = (4u32..1900, 0u32..3_000_000, 0u32..57_600);
    let slices = prop::collection::vec(slice, 2..100);
    (slices, any::<bool>(), 64u32..1000, 4u64..400).prop_map(|(slices, raw, lead, index)| {
        let bytes: Vec<u32> = slices.iter().map(|s| s.0 * 16).collect();
        let mut reel = uneven(&bytes);
        reel.lead_bytes = lead * 16;
        reel.total_bytes = u64::from(reel.lead_bytes) + reel.slice_bytes() + index * 16 + 608;
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
        any::<bool>(),
    );
    ranges.prop_map(
        |(card_mhz, panel_mhz, per_minute, worst_ms, ring, cores, dma, blocks)| {
            let mut board = Board::find("lantern-room").unwrap();
            board.panel.clock_hz = panel_mhz * 1_000_000;
            board.panel.dma = dma;
            board.cpu.cores = cores;
            board.player.read_blocks = blocks;
            board.player.ring_buffer_bytes = ring;
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

/// Every byte that a player reads of `reel`, each once: sector 0, the head of
/// what lies before the first slice, the slices, the heads of index and end.
/// What it wants and has not read yet it reads on to the end of a sector. Also
/// how much of that it may leave where the ring buffer's room ends: what lies
/// behind the head of the index, and a sector with the end's head if it reads on for that.
fn bytes_read(reel: &ReelFacts) -> (u64, u64) {
    let first = u64::from(reel.lead_bytes);
    let index = first + reel.slice_bytes();
    // The end chunk: 48 bytes of header, 552 of payload and their checksum, on to 16.
    let end = reel.total_bytes.max(index + 608) - 608;
    let beside = [(0, 512), (1024, 48)];
    let beside = &beside[..if first > 1024 { 2 } else { 1 }];
    let slices = reel.slices.iter().scan(first, |at, slice| {
        *at += u64::from(slice.bytes);
        Some((*at - u64::from(slice.bytes), u64::from(slice.bytes)))
    });
    let wanted = beside.iter().copied().chain(slices);
    let behind = (index + 48).next_multiple_of(512) - (index + 48);
    let with_index = end + 48 <= (index + 48).next_multiple_of(512);
    let tail = behind + if with_index { 0 } else { 512 };
    let (mut read, mut position) = (0, 0);
    for (at, bytes) in wanted.chain([(index, 48), (end, 48)]) {
        position = position.max(at);
        if position < at + bytes {
            let to = (at + bytes).next_multiple_of(512);
            read += to - position;
            position = to;
        }
    }
    (read, tail)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    /// All slices are played, every picture is shown or left out, the ring buffer
    /// never holds more than it can, and play ends.
    #[test]
    fn nothing_is_lost_or_made(reel in reels(), board in boards(), seed: u64, wifi: bool, sounds: bool) {
        let link = if wifi { Link::Wifi } else { Link::Card };
        let reel = if sounds { super::built::sounding(reel) } else { reel };
        let conditions = Conditions { start_bytes: Some(20_000), ..Conditions::default() };
        let rehearsal = Rehearsal::new(&reel, &board, link, &conditions).unwrap();
        let trace = rehearsal.trace(seed);
        let run = trace.run;
        prop_assert_eq!(run.bytes_out, reel.slice_bytes());
        let (read, tail) = bytes_read(&reel);
        prop_assert!(run.bytes_in <= read && run.bytes_in + tail >= read, "{} of {}", run.bytes_in, read);
        prop_assert_eq!((run.shown + run.dropped) as usize, reel.pictures.len());
        let length = reel.ticks() * 100_000;
        if sounds {
            prop_assert!(run.end_ns + 1_000_000 >= run.start_ns + length, "{:?}", run);
        }
        prop_assert!(run.end_ns < length * 20 + 600_000_000_000, "it never ends: {:?}", run);
        prop_assert_eq!(run, rehearsal.run(seed));
        prop_assert!(trace.level.windows(2).all(|w| w[0].0 <= w[1].0));
        for (_, bytes) in &trace.level {
            prop_assert!(*bytes <= trace.ring_buffer_bytes);
        }
        // The last raw pictures may be on their way to the panel still.
        let rest = trace.level.last().map_or(0, |l| l.1);
        prop_assert!(rest == 0 || reel.coding == PictureCoding::Raw, "{}", rest);
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
