//! What one read, one picture, one block of sound costs on a board. Budget
//! and rehearsal both count with these, so that they cannot disagree.

use crate::board::{Board, Card, CardBus, InstructionSet};

use super::counted::{Counted, sound_instructions};
use super::facts::{PictureCoding, SoundCoding};
use super::memory::{MemoryPlan, Place};

/// Bytes of one SD block.
pub const BLOCK: u64 = 512;

/// Instructions to copy one pixel from picture memory to the send buffer
/// (assumed: a load and a store move two pixels).
const COPY_PER_PIXEL: f64 = 1.0;

/// Wire time of a read of `bytes` in nanoseconds, framing included.
///
/// SPI: 515 bytes for 512 (token, data, CRC). SD bus: 4096 / lines + 18 clocks
/// a block (start, CRC-16 on each line, end). SD Physical Layer Simplified
/// Specification.
#[must_use]
pub fn card_wire_ns(card: &Card, bytes: u64) -> f64 {
    let blocks = bytes.div_ceil(BLOCK) as f64;
    let clocks = match card.bus {
        CardBus::Spi => 515.0 * 8.0,
        bus => 4096.0 / f64::from(bus.lines()) + 18.0,
    };
    blocks * clocks * 1e9 / f64::from(card.clock_hz)
}

/// Mean time of one read of `bytes` in nanoseconds: access, blocks, wire and
/// the cluster boundaries that it crosses on average.
#[must_use]
pub fn card_read_ns(card: &Card, bytes: u64) -> f64 {
    let wire = card_wire_ns(card, bytes);
    if let Some(mean) = quantile_mean_us(&card.quantiles) {
        let measured = u64::from(card.quantile_bytes);
        return (mean * 1e3 + wire - card_wire_ns(card, measured)).max(wire);
    }
    let blocks = bytes.div_ceil(BLOCK) as f64;
    let crossings = bytes as f64 / f64::from(card.cluster_bytes);
    wire + (card.access_us + blocks * card.block_us + crossings * card.cluster_us) * 1e3
}

/// Mean of a distribution given by its quantiles, straight lines between
/// them; `None` without any.
#[must_use]
pub fn quantile_mean_us(quantiles: &[(f64, f64)]) -> Option<f64> {
    let first = quantiles.first()?;
    let mut mean = first.0 * first.1;
    for pair in quantiles.windows(2) {
        mean += (pair[1].0 - pair[0].0) * (pair[0].1 + pair[1].1) / 2.0;
    }
    Some(mean)
}

/// Sustained rate of reads of the player's size, in bytes per second.
#[must_use]
pub fn card_rate(card: &Card, read_bytes: u32) -> f64 {
    f64::from(read_bytes) * 1e9 / card_read_ns(card, u64::from(read_bytes))
}

/// A board's costs, each a plain number.
#[derive(Clone, Debug)]
pub struct Costs {
    /// Nanoseconds an instruction of the player's share of one core.
    instruction_ns: f64,
    /// The same where the picture lies in external memory.
    picture_instruction_ns: f64,
    /// Nanoseconds a pixel on the panel's wire.
    pixel_ns: f64,
    /// Nanoseconds a window on the panel's wire.
    window_ns: f64,
    /// Nanoseconds a pixel of the JPEG unit, if there is one and it is used.
    unit_ns: Option<f64>,
    /// What the reel's estimates come to on these cores.
    counted: Counted,
    set: InstructionSet,
    copies: bool,
    /// Pixels of one strip of the send buffer.
    strip: f64,
    /// The core is free while the bus sends.
    pub dma: bool,
}

impl Costs {
    /// Costs of pictures in `coding` on `board`, with its buffers placed so.
    #[must_use]
    pub fn new(board: &Board, coding: PictureCoding, memory: &MemoryPlan) -> Self {
        let (cpu, panel) = (&board.cpu, &board.panel);
        // What is copied lies with the decoder, or raw in the ring buffer.
        let external = match coding {
            PictureCoding::Raw => memory.ring_place,
            _ => memory.picture_place,
        } == Place::External;
        let instruction_ns =
            1e9 / (f64::from(cpu.clock_hz) * cpu.instructions_per_cycle * cpu.share);
        let lines = f64::from(panel.lines);
        let clock = f64::from(panel.clock_hz);
        let pixel_bytes = panel.half_bytes_per_pixel() as f64 / 2.0;
        let unit = coding == PictureCoding::Jpeg && cpu.jpeg_pixels_per_second > 0.0;
        Self {
            instruction_ns,
            picture_instruction_ns: instruction_ns
                * if external { cpu.external_factor } else { 1.0 },
            pixel_ns: pixel_bytes * 8e9 / (clock * lines),
            window_ns: f64::from(panel.window_bytes) * 8e9 / (clock * lines)
                + panel.window_us * 1e3,
            unit_ns: unit.then(|| 1e9 / cpu.jpeg_pixels_per_second),
            counted: Counted::new(coding, cpu.instruction_set),
            set: cpu.instruction_set,
            copies: memory.copies,
            strip: f64::from(board.player.send_bytes) / 2.0 / 2.0,
            dma: panel.dma,
        }
    }

    /// Time of the bus to send pixels in windows.
    #[must_use]
    pub fn send_ns(&self, pixels: u64, windows: u64) -> f64 {
        pixels as f64 * self.pixel_ns + windows as f64 * self.window_ns
    }

    /// Time of one core to decode a picture, whose `instructions` the encoder
    /// has estimated, and to copy its pixels for sending.
    #[must_use]
    pub fn decode_ns(&self, instructions: u64, pixels: u64) -> f64 {
        let copy = if self.copies {
            pixels as f64 * COPY_PER_PIXEL
        } else {
            0.0
        };
        let work = self.unit_ns.map_or_else(
            || self.counted.instructions(instructions, pixels) * self.picture_instruction_ns,
            |unit| pixels as f64 * unit,
        );
        work + copy * self.picture_instruction_ns
    }

    /// Time from the start of decoding a picture until the panel has all of
    /// it, and until the core is free, where each strip is sent as soon as it
    /// is decoded. With DMA one strip is sent while the next is decoded.
    #[must_use]
    pub fn draw_ns(&self, decode: f64, send: f64, pixels: u64) -> (f64, f64) {
        if !self.dma {
            return (decode + send, decode + send);
        }
        let strips = if self.copies {
            (pixels as f64 / self.strip).ceil().max(1.0)
        } else {
            1.0
        };
        let all = if self.copies {
            decode.max(send) + decode.min(send) / strips
        } else {
            decode + send
        };
        (all, (all - send / strips).max(decode))
    }

    /// Time of one core to take in bytes from a link.
    #[must_use]
    pub fn intake_ns(&self, bytes: f64, instructions_per_byte: f64) -> f64 {
        bytes * instructions_per_byte * self.instruction_ns
    }

    /// Time of one core to hand samples to I2S.
    #[must_use]
    pub fn sound_ns(&self, samples: f64, coding: SoundCoding) -> f64 {
        samples * sound_instructions(coding, self.set) * self.instruction_ns
    }
}
