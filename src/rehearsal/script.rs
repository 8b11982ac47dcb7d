//! The reel compressed to what a rehearsal touches: nanoseconds and bytes.

use crate::board::Board;
use crate::budget::{Costs, Link, MemoryPlan, PictureCoding, ReelFacts, draws_ahead};

/// A slice.
pub(super) struct Part {
    /// Bytes from the first slice's start to this slice's end.
    pub end: u64,
    /// Its place on the sound's clock, from the first slice.
    pub due: u64,
    /// Its length.
    pub length: u64,
    /// Time to make its first sound ready.
    pub sound: u64,
    /// Numbers of its pictures.
    pub pictures: std::ops::Range<usize>,
}

/// A picture.
pub(super) struct Shot {
    /// From its slice's start to its time.
    pub offset: u64,
    /// Core time to decode it.
    pub decode: u64,
    /// Bus time for its pixels and windows.
    pub send: u64,
    /// Strips that it is drawn in.
    pub strips: u64,
    /// To the time of the next picture.
    pub next: u64,
    /// It may be left out without harm to those after it.
    pub apart: bool,
}

/// The whole reel on a board.
pub(super) struct Script {
    pub parts: Vec<Part>,
    pub shots: Vec<Shot>,
    /// Bus time of a whole picture: no merged update takes longer.
    pub full_send: u64,
    /// Pictures are decoded ahead into two buffers.
    pub ahead: bool,
    /// Pixels pass through the send buffer.
    copies: bool,
    /// The core is free while the bus sends.
    pub dma: bool,
    /// Nanoseconds of a byte's intake on the I/O core.
    pub intake: f64,
    /// What the sound queue holds.
    pub queue: u64,
    /// Period of the tearing signal if the player waits for it.
    pub scan: Option<u64>,
}

impl Script {
    pub(super) fn new(reel: &ReelFacts, board: &Board, link: Link, memory: &MemoryPlan) -> Self {
        let costs = Costs::new(board, reel.coding, memory);
        let intake = costs.intake_ns(1.0, intake_instructions(board, link));
        let share = Sharing::new(reel, board, link, &costs);
        let mut script = Self {
            parts: parts(reel, board, &costs),
            shots: Vec::new(),
            full_send: (costs.send_ns(u64::from(reel.width) * u64::from(reel.height), 1)
                * share.panel) as u64,
            ahead: draws_ahead(reel, board),
            copies: memory.copies,
            dma: costs.dma,
            intake,
            queue: ns(u64::from(board.sound.queue_samples), reel.clock_rate),
            scan: (board.player.wait_tearing && board.panel.tearing_signal)
                .then(|| (1e9 / board.panel.refresh_hz) as u64),
        };
        script.shots = script.shots(reel, board, &costs, &share);
        script
    }

    fn shots(&self, reel: &ReelFacts, board: &Board, costs: &Costs, share: &Sharing) -> Vec<Shot> {
        let one_core = board.cpu.cores == 1;
        let apart = matches!(reel.coding, PictureCoding::Raw | PictureCoding::Jpeg);
        let mut shots = Vec::with_capacity(reel.pictures.len());
        for (part, slice) in self.parts.iter().zip(&reel.slices) {
            // One core reads and sounds as well; its pictures take that longer.
            let beside = if one_core {
                let bytes = f64::from(slice.bytes) * self.intake;
                let sound = costs.sound_ns(f64::from(slice.ticks), reel.sound);
                (bytes + sound) / f64::from(slice.pictures.max(1))
            } else {
                0.0
            };
            for number in part.pictures.clone() {
                let p = &reel.pictures[number];
                let next = reel
                    .pictures
                    .get(number + 1)
                    .map_or(slice.tick + u64::from(slice.ticks), |n| n.tick);
                let moves = p.pixels > 0 || p.windows > 0;
                let send = if moves {
                    costs.send_ns(p.pixels.into(), p.windows.into()) * share.panel
                } else {
                    0.0
                };
                shots.push(Shot {
                    offset: ns(p.tick - slice.tick, reel.clock_rate),
                    decode: (costs.decode_ns(p.instructions.into(), p.pixels.into()) + beside)
                        .ceil() as u64,
                    send: send.ceil() as u64,
                    strips: strips(p.pixels, self.copies, board),
                    next: ns(next.saturating_sub(p.tick), reel.clock_rate),
                    apart,
                });
            }
        }
        shots
    }
}

/// Ticks in nanoseconds, rounded to the nearest.
pub(super) fn ns(ticks: u64, clock_rate: u32) -> u64 {
    (u128::from(ticks) * 2_000_000_000 / u128::from(clock_rate.max(1))).div_ceil(2) as u64
}

fn parts(reel: &ReelFacts, board: &Board, costs: &Costs) -> Vec<Part> {
    let first = reel.slices.first().map_or(0, |s| s.tick);
    let mut end = 0;
    let part = |slice: &crate::budget::SliceFacts| {
        end += u64::from(slice.bytes);
        let samples = slice.ticks.min(board.sound.queue_samples);
        let first_picture = slice.first_picture as usize;
        let due = ns(slice.tick - first, reel.clock_rate);
        Part {
            end,
            due,
            length: ns(slice.tick - first + u64::from(slice.ticks), reel.clock_rate) - due,
            sound: costs.sound_ns(f64::from(samples), reel.sound) as u64,
            pictures: first_picture..first_picture + slice.pictures as usize,
        }
    };
    reel.slices.iter().map(part).collect()
}

fn intake_instructions(board: &Board, link: Link) -> f64 {
    match link {
        Link::Card => board.card.as_ref().map_or(0.0, |c| c.instructions_per_byte),
        Link::Wifi => board.wifi.as_ref().map_or(0.0, |w| w.instructions_per_byte),
    }
}

/// How card and panel slow each other on a bus that they share: each gets
/// what the other leaves in its worst second.
pub(super) struct Sharing {
    /// Factor on the panel's times.
    pub panel: f64,
    /// Factor on the card's times.
    pub card: f64,
}

impl Sharing {
    pub(super) fn new(reel: &ReelFacts, board: &Board, link: Link, costs: &Costs) -> Self {
        let card = board
            .card
            .as_ref()
            .filter(|c| c.shares_panel_bus && link == Link::Card);
        let Some(card) = card else {
            return Self {
                panel: 1.0,
                card: 1.0,
            };
        };
        let second = u64::from(reel.clock_rate);
        let load = |p: &crate::budget::PictureFacts| {
            costs.send_ns(p.pixels.into(), p.windows.into()) as u64
        };
        let panel = reel.worst_pictures(second, load).0 as f64 / 1e9;
        let read = u64::from(board.player.read_bytes);
        let busy = crate::budget::card_wire_ns(card, read) / 1e9 + card.access_us / 1e6;
        let reading = reel.worst_byte_rate(second).0 / read as f64 * busy;
        let left = |load: f64| 1.0 / (1.0 - load).max(0.02);
        Self {
            panel: left(reading),
            card: left(panel),
        }
    }
}

/// Strips of half the send buffer; raw pixels go out as they lie.
fn strips(pixels: u32, copies: bool, board: &Board) -> u64 {
    let strip = u64::from(board.player.send_bytes / 4).max(1);
    if copies {
        u64::from(pixels).div_ceil(strip).max(1)
    } else {
        1
    }
}
