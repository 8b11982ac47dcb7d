//! What a board allows each picture and each second of a reel, margin kept.

use crate::board::Board;
use crate::budget::{
    Costs, Link, MEMORY_MARGIN, MemoryPlan, Part, PictureCoding, Place, ReelFacts, SoundCoding,
    link_rate,
};
use crate::coding::patch;

/// Work a pixel of a busy picture, in instructions, by coding: the encoder's
/// own estimate for `patch`, measured spans for JPEG.
const fn busy_work(coding: PictureCoding) -> f64 {
    match coding {
        PictureCoding::Raw => 0.0,
        PictureCoding::Jpeg => 85.0,
        PictureCoding::PatchLight => 25.0,
        PictureCoding::PatchFull => 45.0,
    }
}

/// No slice is asked to be larger, in bytes.
pub const LARGEST_SLICE: u32 = 65_536;

/// Windows that a picture may set before their time is felt.
const WINDOWS: u64 = 16;

/// The limits that follow from a board.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Allowance {
    /// Bytes per second of the whole reel.
    pub link: f64,
    /// Bus bytes of one picture.
    pub bus: u32,
    /// Decode instructions of one picture.
    pub instructions: u32,
    /// Bytes that a slice should not pass.
    pub slice: u32,
    /// Milliseconds that must be ridden out also at the start, and the bytes
    /// that the ring buffer has for it.
    pub ride_out: (u32, u32),
    /// The whole panel can be redrawn within one picture's time.
    pub whole: bool,
    /// What the ring buffer rides out, and not the link, sets `link`.
    pub by_ring: bool,
}

/// What is asked of the board.
#[derive(Clone, Copy, Debug)]
pub(super) struct Wish {
    pub size: (u16, u16),
    /// Pixels that can be seen.
    pub pixels: u64,
    /// Frames per second.
    pub rate: f64,
    pub coding: PictureCoding,
    pub working_bytes: u32,
    pub sound: SoundCoding,
    pub sound_rate: u32,
    pub margin: f64,
    /// What of this margin goes beyond the one that was asked for.
    pub more: f64,
}

impl Allowance {
    /// What `board` allows over `link`, or the memory that does not hold the
    /// decoder and a ring.
    pub(super) fn new(board: &Board, link: Link, wish: &Wish) -> Result<Self, Short> {
        let empty = empty_reel(wish);
        let memory = MemoryPlan::new(&empty, board);
        let ring = ring(board, &memory, wish)?;
        let slice = slice_bytes(ring, board, wish);
        let steady = link_rate(board, link) * (1.0 - wish.margin);
        let wait = longest_wait(board, link);
        let ahead = ahead(board, ring, slice);
        let ridden = ahead * 1e3 / wait.max(1.0) * (1.0 - wish.more);
        let link_bytes = steady.min(ridden);
        let costs = Costs::new(board, wish.coding, &memory);
        let time = Time::new(board, link, wish, &costs, link_bytes);
        let (bus, instructions, whole) = time.split(&costs, wish);
        Ok(Self {
            link: link_bytes,
            bus,
            instructions,
            slice,
            ride_out: ((wait / (1.0 - wish.margin)).ceil() as u32, ahead as u32),
            whole,
            by_ring: ridden < steady,
        })
    }
}

/// A memory that is too small, and by how much.
#[derive(Clone, Copy, Debug)]
pub(super) struct Short {
    pub part: Part,
    /// Bytes that are needed, the ring buffer at its least.
    pub need: f64,
    /// Bytes that there are, less what must stay free.
    pub room: f64,
}

/// The ring buffer that memory leaves.
fn ring(board: &Board, memory: &MemoryPlan, wish: &Wish) -> Result<u64, Short> {
    // The budget asks for so much of each memory to stay free.
    let keep = 1.0 - wish.margin.min(MEMORY_MARGIN);
    let room = |bytes: u32| (f64::from(bytes) * keep) as u64;
    let inside = room(board.memory.internal_bytes);
    let outside = room(board.memory.external_bytes);
    for (part, place, room) in [
        (Part::Internal, Place::Internal, inside),
        (Part::External, Place::External, outside),
    ] {
        let need = memory.need(place);
        if need > room {
            let (need, room) = (need as f64, room as f64);
            return Err(Short { part, need, room });
        }
    }
    let others: u64 = memory
        .buffers
        .iter()
        .filter(|b| b.place == memory.ring_place && b.name != "ring buffer")
        .map(|b| b.bytes)
        .sum();
    let room = if memory.ring_place == Place::Internal {
        inside
    } else {
        outside
    };
    let free = room.saturating_sub(others);
    match u64::from(board.player.ring_buffer_bytes) {
        0 => Ok(free),
        stated => Ok(free.min(stated)),
    }
}

/// A slice: a quarter of the ring buffer after a read, so that three wait while one
/// comes in; never less than one raw picture.
fn slice_bytes(ring: u64, board: &Board, wish: &Wish) -> u32 {
    let quarter = ring.saturating_sub(u64::from(board.player.read_bytes)) / 4;
    let one = if wish.coding == PictureCoding::Raw {
        wish.pixels * 2 + 2048
    } else {
        2048
    };
    let most = u64::from(LARGEST_SLICE);
    quarter.clamp(one.min(most), most) as u32
}

/// The wait in milliseconds that must be ridden out: the worst stall, or a
/// lost segment's time-out, and the work of catching up.
fn longest_wait(board: &Board, link: Link) -> f64 {
    let stalls = match link {
        Link::Card => board.card.as_ref().map(|c| &c.stalls),
        Link::Wifi => board.wifi.as_ref().map(|w| &w.stalls),
    };
    let worst = stalls.map_or(0.0, |s| if s.strike() { s.worst_ms } else { 0.0 });
    let loss = match (link, &board.wifi) {
        (Link::Wifi, Some(w)) if w.loss > 0.0 => w.retransmit_ms,
        _ => 0.0,
    };
    worst.max(loss) * 1.25
}

/// Bytes that lie ahead in the ring buffer beside the slice that plays and the one
/// that comes in.
fn ahead(board: &Board, ring: u64, slice: u32) -> f64 {
    ring.saturating_sub(2 * u64::from(slice) + u64::from(board.player.read_bytes)) as f64
}

/// Nanoseconds that one picture may take.
struct Time {
    /// Of drawing, decode and send overlapping in strips.
    drawing: f64,
    /// Of the core.
    core: f64,
    instruction: f64,
    pixel: f64,
    full_send: f64,
    copy: f64,
    /// Of sending one strip.
    strip: f64,
}

impl Time {
    fn new(board: &Board, link: Link, wish: &Wish, costs: &Costs, link_bytes: f64) -> Self {
        let period = 1e9 / wish.rate;
        let per_byte = match link {
            Link::Card => board.card.as_ref().map_or(0.0, |c| c.instructions_per_byte),
            Link::Wifi => board.wifi.as_ref().map_or(0.0, |w| w.instructions_per_byte),
        };
        let sound = costs.sound_ns(f64::from(wish.sound_rate), wish.sound);
        let intake = if board.cpu.cores == 1 {
            costs.intake_ns(link_bytes, per_byte)
        } else {
            0.0
        };
        let beside = (sound + intake) / 1e9;
        let shared = board
            .card
            .as_ref()
            .filter(|c| c.shares_panel_bus && link == Link::Card);
        let shared = shared.map_or(0.0, |_| (link_bytes / link_rate(board, link)).min(0.5));
        let keep = 1.0 - wish.margin;
        let windows = costs.send_ns(0, WINDOWS);
        Self {
            drawing: period * (keep - shared) - windows,
            core: period * (keep - beside) / (1.0 + board.cpu.jitter)
                - if costs.dma { 0.0 } else { windows },
            instruction: costs.decode_ns(1000, 0) / 1000.0,
            pixel: costs.send_ns(1000, 0) / 1000.0,
            full_send: costs.send_ns(wish.pixels, 1),
            copy: costs.decode_ns(0, wish.pixels),
            strip: costs.send_ns(u64::from(board.player.send_bytes) / 4, 0),
        }
    }

    /// Bus bytes and instructions of one picture, and whether the whole panel
    /// fits into them.
    fn split(&self, costs: &Costs, wish: &Wish) -> (u32, u32, bool) {
        let busy = wish.pixels as f64 * busy_work(wish.coding) * self.instruction + self.copy;
        let (send, decode) = if !costs.dma {
            // One after the other: shared out as a busy picture needs them.
            let fraction = (self.core / (self.full_send + busy)).min(1.0);
            let send = self.full_send * fraction;
            (send, self.core - send)
        } else if wish.coding == PictureCoding::Raw {
            (self.drawing, self.core)
        } else {
            // The longer of both and one strip of the other must fit; a strip
            // of the longer one is never shorter.
            let overlapping = self.drawing - self.strip;
            (overlapping, overlapping.min(self.core))
        };
        let pixels = (send / self.pixel).max(0.0);
        let whole = pixels >= wish.pixels as f64;
        let bus = 2.0 * pixels.min(wish.pixels as f64) + 11.0 * WINDOWS as f64;
        // A pixel that is shown costs the core more than the estimate says, but
        // no more pixels are shown than the estimate has room for.
        let shown = self.copy / wish.pixels.max(1) as f64 / f64::from(patch::SHOWN_PIXEL);
        let work = ((decode - self.copy) / self.instruction)
            .max(decode / (self.instruction + shown))
            .max(0.0);
        (bus as u32, work.min(4e9) as u32, whole)
    }
}

/// A reel of which only the memory is asked.
fn empty_reel(wish: &Wish) -> ReelFacts {
    ReelFacts {
        clock_rate: wish.sound_rate,
        rate: wish.rate,
        sound: wish.sound,
        coding: wish.coding,
        working_bytes: wish.working_bytes,
        ..ReelFacts::unmade(wish.size.0, wish.size.1)
    }
}
