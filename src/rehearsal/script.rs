//! The reel compressed to what a rehearsal touches: nanoseconds and bytes.

use crate::board::Board;
use crate::budget::{Costs, Link, MemoryPlan, PictureCoding, ReelFacts};
use crate::play::{Coding, Title};
use crate::reel::{END_PAYLOAD, side_chunk_length};

/// A slice.
pub(super) struct Part {
    /// Bytes from the first slice's start to this slice's start.
    pub begin: u64,
    pub bytes: u32,
    /// Its first tick, from the first slice, and its length.
    pub tick: u64,
    pub ticks: u32,
    /// Its first picture, and how many.
    pub first: u32,
    pub pictures: u32,
}

/// A picture.
pub(super) struct Shot {
    /// Ticks from its slice's start.
    pub offset: u32,
    pub key: bool,
    /// It shows the one before again.
    pub unchanged: bool,
    /// Core time to decode it.
    pub decode: u64,
    /// Bus time for its pixels and windows.
    pub send: u64,
    /// Strips that it is drawn in.
    pub strips: u64,
}

/// The whole reel on a board.
pub(super) struct Script {
    pub title: Title,
    pub coding: Coding,
    pub parts: Vec<Part>,
    pub shots: Vec<Shot>,
    /// Bytes before the first slice.
    pub lead: u64,
    /// Bytes of all slices.
    pub bytes: u64,
    /// Bytes from the last slice's end to the end chunk.
    pub behind: u64,
    /// Length in ticks.
    pub ticks: u64,
    /// Bus time of a whole picture: no merged update takes longer.
    pub full_send: u64,
    /// The core is free while the bus sends.
    pub dma: bool,
    /// Nanoseconds of a byte's intake on the I/O core.
    pub intake: f64,
    /// Picoseconds of a sample on the sounding core.
    pub sample: u64,
    /// Samples that the sound queue holds.
    pub queue: u32,
    /// Period of the tearing signal if the player waits for it.
    pub scan: Option<u64>,
    /// One core does all.
    pub one_core: bool,
    /// A read holds its core until the bytes are there.
    pub read_blocks: bool,
    /// Reading keeps the panel's bus.
    pub shares_bus: bool,
}

impl Script {
    pub(super) fn new(reel: &ReelFacts, board: &Board, link: Link, memory: &MemoryPlan) -> Self {
        let costs = Costs::new(board, reel.coding, memory);
        let first = reel.slices.first().map_or(0, |s| s.tick);
        let pixels = u64::from(reel.width) * u64::from(reel.height);
        let card = board.card.as_ref().filter(|_| link == Link::Card);
        Self {
            title: Title {
                reel: 1,
                part: 1,
                first_tick: 0,
                clock_rate: reel.clock_rate,
                rate: ((reel.rate * 1000.0).round().max(1.0) as u32, 1000),
                prebuffer: 0,
                silent: reel.sound.bits() == 0,
            },
            coding: match reel.coding {
                PictureCoding::Raw => Coding::Raw,
                PictureCoding::Jpeg => Coding::Jpeg,
                PictureCoding::PatchLight | PictureCoding::PatchFull => Coding::Patch,
            },
            parts: parts(reel, first),
            shots: shots(reel, board, &costs, memory.copies),
            lead: u64::from(reel.lead_bytes),
            bytes: reel.slice_bytes(),
            behind: reel
                .total_bytes
                .saturating_sub(reel.lead_bytes.into())
                .saturating_sub(reel.slice_bytes())
                .saturating_sub(side_chunk_length(END_PAYLOAD as u64)),
            ticks: reel.ticks(),
            full_send: costs.send_ns(pixels, 1) as u64,
            dma: costs.dma,
            intake: costs.intake_ns(1.0, link.instructions_per_byte(board)),
            sample: (costs.sound_ns(1000.0, reel.sound)) as u64,
            queue: board.sound.queue_samples,
            scan: (board.player.wait_tearing && board.panel.tearing_signal)
                .then(|| (1e9 / board.panel.refresh_hz) as u64),
            one_core: board.cpu.cores == 1,
            read_blocks: board.player.read_blocks,
            shares_bus: card.is_some_and(|c| c.shares_panel_bus),
        }
    }

    /// Ticks in nanoseconds, rounded to the nearest.
    pub(super) fn ns(&self, ticks: u64) -> u64 {
        (u128::from(ticks) * 2_000_000_000 / u128::from(self.title.clock_rate.max(1))).div_ceil(2)
            as u64
    }
}

fn parts(reel: &ReelFacts, first: u64) -> Vec<Part> {
    let mut begin = 0;
    let part = |slice: &crate::budget::SliceFacts| {
        let part = Part {
            begin,
            bytes: slice.bytes,
            tick: slice.tick - first,
            ticks: slice.ticks,
            first: slice.first_picture,
            pictures: slice.pictures,
        };
        begin += u64::from(slice.bytes);
        part
    };
    reel.slices.iter().map(part).collect()
}

fn shots(reel: &ReelFacts, board: &Board, costs: &Costs, copies: bool) -> Vec<Shot> {
    let mut shots = Vec::with_capacity(reel.pictures.len());
    for slice in &reel.slices {
        let first = slice.first_picture as usize;
        for p in &reel.pictures[first..first + slice.pictures as usize] {
            let moves = p.pixels > 0 || p.windows > 0;
            let send = costs.send_ns(p.pixels.into(), p.windows.into());
            shots.push(Shot {
                offset: (p.tick - slice.tick) as u32,
                key: p.key,
                unchanged: p.bytes == 0 && !moves,
                decode: costs.decode_ns(p.instructions.into(), p.pixels.into()) as u64,
                send: if moves { send as u64 } else { 0 },
                strips: strips(p.pixels, copies, board),
            });
        }
    }
    shots
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
