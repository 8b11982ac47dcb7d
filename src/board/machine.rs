//! The computer: memory, cores, and how its firmware plays.

use serde::{Deserialize, Serialize};

use super::keys::section;

section! {
    /// Memory that the player may use.
    Memory {
        /// Internal memory left for the player after system, network stack and driver.
        internal_bytes: u32 = 160_000, "bytes", "firmware: largest sum of free heap with everything else running", 4096 ..= 67_108_864;
        /// External memory left for the player; 0 for none.
        external_bytes: u32 = 0, "bytes", "firmware: free external heap", 0 ..= 1_073_741_824;
        /// Rate at which external memory is really read or written.
        external_bytes_per_second: f64 = 20e6, "bytes/s", "probe, or assume half of clock x lines / 8", 1e5 ..= 1e10;
        /// The panel's DMA can read external memory directly.
        dma_from_external: bool = false, "true | false", "the microcontroller's manual";
    }
}

/// Instruction set of the cores, as far as decoding was counted on it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum InstructionSet {
    /// Armv7E-M: 32-bit microcontrollers with Thumb-2 and the DSP extension.
    #[serde(rename = "armv7e-m")]
    Armv7em,
    /// RV32IMC: 32-bit RISC-V with multiplication and compressed instructions.
    #[serde(rename = "rv32imc")]
    Rv32imc,
    /// Any other: counted as the slower of the two.
    #[serde(rename = "other")]
    Other,
}

impl InstructionSet {
    /// Its name in a profile.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Armv7em => "armv7e-m",
            Self::Rv32imc => "rv32imc",
            Self::Other => "other",
        }
    }
}

section! {
    /// The cores.
    Cpu {
        /// Clock of the cores.
        clock_hz: u32 = 240_000_000, "Hz", "firmware set-up", 1_000_000 ..= 2_000_000_000;
        /// Cores that the player may use: with two, one reads and sounds while the other decodes.
        cores: u8 = 2, "1 | 2", "the microcontroller's datasheet", 1 ..= 2;
        /// Instruction set: what decoding takes was counted on two; any other is taken for the slower of them.
        instruction_set: InstructionSet = InstructionSet::Other, "armv7e-m | rv32imc | other", "the microcontroller's datasheet";
        /// Instructions that a core finishes in a cycle, memory waits included.
        instructions_per_cycle: f64 = 0.6, "instructions a cycle", "probe: decode lines; assume 0.5 to 0.8", 0.05 ..= 4.0;
        /// Share of each core that is left for the player.
        share: f64 = 0.8, "share", "1 less what radio, system and the sketch use", 0.05 ..= 1.0;
        /// Factor on decode time when pictures lie in external memory.
        external_factor: f64 = 1.5, "factor", "probe: decode lines; assume 1.3 to 2", 1 ..= 10;
        /// Share by which the time of equal work varies.
        jitter: f64 = 0.05, "share", "probe: spread of decode lines", 0 ..= 1;
        /// Pixels per second of a JPEG unit; 0 for none.
        jpeg_pixels_per_second: f64 = 0.0, "pixels/s", "the microcontroller's datasheet", 0 ..= 1e10;
    }
}

section! {
    /// How the firmware plays: buffers and policies.
    Player {
        /// Bytes of the ring buffer that read data wait in; 0 takes what memory leaves.
        ring_buffer_bytes: u32 = 0, "bytes", "firmware", 0 ..= 67_108_864;
        /// Bytes in the ring buffer before play begins; 0 takes what the reel asks for.
        start_bytes: u32 = 0, "bytes", "firmware", 0 ..= 67_108_864;
        /// Bytes of one read from the card.
        read_bytes: u32 = 8192, "bytes", "firmware: a multiple of 512", 512 ..= 1_048_576;
        /// Buffer in internal memory from which DMA sends pixels, all parts together.
        send_bytes: u32 = 7680, "bytes", "firmware: two strips of some panel rows", 512 ..= 1_048_576;
        /// Sending waits for the panel's tearing signal.
        wait_tearing: bool = false, "true | false", "firmware";
        /// Reading waits for its bytes; if not, one core starts a read, plays on, and takes the bytes when they are there. Counts only with one core.
        read_blocks: bool = true, "true | false", "firmware: whether the reading hook waits, or starts a transfer and returns 0 until it is over";
        /// Lateness of a picture against the sound that is still in step.
        tolerance_ms: f64 = 45.0, "milliseconds", "ITU-R BT.1359: sound that leads by 45 ms is noticed (from memory)", 1 ..= 1000;
        /// Memory for stacks and small state of the player's tasks.
        stack_bytes: u32 = 8192, "bytes", "firmware", 256 ..= 1_048_576;
    }
}
