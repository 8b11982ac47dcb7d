//! Boards and reels whose behaviour can be worked out by hand.

use thumbreel::board::Board;
use thumbreel::budget::{PictureCoding, PictureFacts, ReelFacts, SliceFacts, SoundCoding};
use thumbreel::rehearsal::{Conditions, StallPlan};

/// A board whose card gives exactly `rate` bytes per second in reads of 512
/// bytes, whose cores, bus and memory never wait, and which never stalls.
pub fn ideal(rate: f64) -> Board {
    let text = "name = \"ideal\"\n[panel]\nwidth = 16\nheight = 16\nclock_hz = 160_000_000\nlines = 16\nwindow_us = 0.0\n[card]\n[wifi]\n";
    let mut board = Board::parse(text, "ideal.toml").unwrap();
    let card = board.card.as_mut().unwrap();
    // Wire time is 515 bytes per block at a clock chosen for the rate.
    card.clock_hz = (rate * 515.0 / 512.0 * 8.0).round() as u32;
    card.access_us = 0.0;
    card.block_us = 0.0;
    card.cluster_us = 0.0;
    card.instructions_per_byte = 0.0;
    board.player.read_bytes = 512;
    board.cpu.jitter = 0.0;
    board.cpu.clock_hz = 2_000_000_000;
    board.cpu.instructions_per_cycle = 4.0;
    board.sound.queue_samples = 64;
    board.memory.internal_bytes = 60_000_000;
    board
}

/// `count` slices of `bytes` and 100 ms each, one cheap picture in each.
pub fn steady(count: u32, bytes: u32) -> ReelFacts {
    uneven(&vec![bytes; count as usize])
}

/// Slices of 100 ms with the given bytes.
pub fn uneven(bytes: &[u32]) -> ReelFacts {
    let slices: Vec<SliceFacts> = (0..)
        .zip(bytes)
        .map(|(n, b)| SliceFacts {
            tick: u64::from(n) * 1000,
            ticks: 1000,
            bytes: *b,
            first_picture: n,
            pictures: 1,
        })
        .collect();
    let pictures = (0..)
        .zip(bytes)
        .map(|(n, b)| PictureFacts {
            tick: n * 1000,
            bytes: *b,
            instructions: 0,
            pixels: 1,
            windows: 1,
            key: true,
        })
        .collect();
    ReelFacts {
        assumed: false,
        width: 16,
        height: 16,
        clock_rate: 10_000,
        rate: 10.0,
        sound: SoundCoding::None,
        coding: PictureCoding::Raw,
        largest_chunk: bytes.iter().copied().max().unwrap_or(0),
        working_bytes: 0,
        prebuffer: 0,
        lead_bytes: 512,
        total_bytes: bytes.iter().map(|b| u64::from(*b)).sum(),
        programme: thumbreel::budget::power::Programme::silent(),
        damages: 0,
        slices,
        pictures,
    }
}

/// The same reel with sound of 16 bits at its clock's rate.
pub fn sounding(mut reel: ReelFacts) -> ReelFacts {
    reel.sound = SoundCoding::Pcm16;
    reel
}

/// No stalls, the given start level, a ring buffer for everything.
pub fn calm(start: u64) -> Conditions {
    Conditions {
        start_bytes: Some(start),
        stalls: StallPlan::None,
        ..Conditions::default()
    }
}
