//! Where each buffer lies.

use serde::Serialize;

use crate::board::Board;

use super::facts::{PictureCoding, ReelFacts};

/// A memory of the board.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Place {
    /// Internal memory.
    Internal,
    /// External memory.
    External,
}

/// One buffer.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Buffer {
    /// What it is for.
    pub name: &'static str,
    /// Its size in bytes.
    pub bytes: u64,
    /// Where it lies.
    pub place: Place,
}

/// The whole plan of memory.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct MemoryPlan {
    /// Buffers in order of urgency.
    pub buffers: Vec<Buffer>,
    /// Bytes that the ring buffer gets.
    pub ring_buffer_bytes: u64,
    /// Bytes that memory leaves for the ring buffer, however long the reel.
    pub room: u64,
    /// Bytes that the ring buffer needs at the least: the largest chunk and a read.
    pub least_ring: u64,
    /// Where the ring buffer lies.
    pub ring_place: Place,
    /// Where the decoder's pictures lie.
    pub picture_place: Place,
    /// Pixels pass through the send buffer: all but raw ones, and those too
    /// where DMA does not reach the memory that the ring buffer lies in.
    pub copies: bool,
}

impl MemoryPlan {
    /// Places the buffers of `reel` on `board`: what DMA and interrupts touch
    /// inside, pictures inside if they fit, the ring buffer outside if there is an
    /// outside.
    #[must_use]
    pub fn new(reel: &ReelFacts, board: &Board) -> Self {
        let memory = &board.memory;
        let least_ring = u64::from(reel.largest_chunk) + u64::from(board.player.read_bytes);
        let outside = u64::from(memory.external_bytes);
        let out_of_reach = outside >= least_ring && !memory.dma_from_external;
        let copies = reel.coding != PictureCoding::Raw || out_of_reach;
        let mut buffers = small_buffers(board, copies);
        let inside: u64 = buffers.iter().map(|b| b.bytes).sum();
        let free = u64::from(memory.internal_bytes).saturating_sub(inside);
        let pictures = u64::from(reel.working_bytes);
        let ring_place = if outside >= least_ring && outside > free {
            Place::External
        } else {
            Place::Internal
        };
        let beside = if ring_place == Place::Internal {
            least_ring
        } else {
            0
        };
        let picture_place = if outside > 0 && pictures + beside > free {
            Place::External
        } else {
            Place::Internal
        };
        let at = |place| if picture_place == place { pictures } else { 0 };
        let left = match ring_place {
            Place::Internal => free.saturating_sub(at(Place::Internal)),
            Place::External => outside.saturating_sub(at(Place::External)),
        };
        let ring_buffer_bytes = ring_size(reel, board, left);
        if pictures > 0 {
            buffers.push(Buffer {
                name: "picture decoder",
                bytes: pictures,
                place: picture_place,
            });
        }
        buffers.push(Buffer {
            name: "ring buffer",
            bytes: ring_buffer_bytes,
            place: ring_place,
        });
        Self {
            buffers,
            ring_buffer_bytes,
            room: left.min(stated(board)) / 512 * 512,
            least_ring,
            ring_place,
            picture_place,
            copies,
        }
    }

    /// Bytes needed in a memory, the ring buffer counted at its least.
    #[must_use]
    pub fn need(&self, place: Place) -> u64 {
        let all: u64 = self
            .buffers
            .iter()
            .filter(|b| b.place == place && b.name != "ring buffer")
            .map(|b| b.bytes)
            .sum();
        all + if self.ring_place == place {
            self.least_ring
        } else {
            0
        }
    }
}

/// What is left for the ring buffer, never more than the reel or a stated size, in
/// whole blocks.
fn ring_size(reel: &ReelFacts, board: &Board, left: u64) -> u64 {
    let reel_bytes = reel.slice_bytes().max(u64::from(reel.largest_chunk));
    let size = left
        .min(stated(board))
        .min(reel_bytes + u64::from(board.player.read_bytes));
    size / 512 * 512
}

/// Buffers that must lie inside whatever happens.
fn small_buffers(board: &Board, copies: bool) -> Vec<Buffer> {
    let slot_pair = 2 * u64::from(board.sound.slot_bits) / 8;
    let mut list = vec![
        ("stacks", u64::from(board.player.stack_bytes)),
        (
            "sound queue",
            u64::from(board.sound.queue_samples) * slot_pair,
        ),
    ];
    if copies {
        list.push(("send buffer", u64::from(board.player.send_bytes)));
    }
    list.into_iter()
        .map(|(name, bytes)| Buffer {
            name,
            bytes,
            place: Place::Internal,
        })
        .collect()
}

/// A stated size of the ring buffer, or no bound.
fn stated(board: &Board) -> u64 {
    match board.player.ring_buffer_bytes {
        0 => u64::MAX,
        bytes => u64::from(bytes),
    }
}
