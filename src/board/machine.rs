//! The computer: memory, cores, and how its firmware plays.

use serde::{Deserialize, Serialize};

use super::keys::section;

section! {
    /// Memory that the player may use.
    Memory {
        /// Internal memory left for the player after system, network stack and driver.
        internal_bytes: u32 = 160_000, "bytes", "firmware: free heap with everything else running; without a system, the chip's RAM less your own variables and stacks", 4096 ..= 67_108_864;
        /// External memory left for the player; 0 for none.
        external_bytes: u32 = 0, "bytes", "firmware: free external heap", 0 ..= 1_073_741_824;
        /// Rate at which external memory is really read or written.
        external_bytes_per_second: f64 = 20e6, "bytes/s", "probe, or assume half of clock x lines / 8", 1e5 ..= 1e10;
        /// The panel's DMA can read external memory directly.
        dma_from_external: bool = false, "true | false", "the microcontroller's manual";
    }
}

/// Instruction set of the cores.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum InstructionSet {
    /// Armv6-M: 32-bit microcontrollers with 16-bit Thumb instructions and no divider.
    #[serde(rename = "armv6-m")]
    Armv6m,
    /// Armv7E-M: 32-bit microcontrollers with Thumb-2 and the DSP extension.
    #[serde(rename = "armv7e-m")]
    Armv7em,
    /// Armv8-M Mainline: the successor of Armv7E-M.
    #[serde(rename = "armv8-m.main")]
    Armv8mMain,
    /// RV32IMC: 32-bit RISC-V with multiplication and compressed instructions.
    #[serde(rename = "rv32imc")]
    Rv32imc,
    /// Xtensa, counted with the call0 convention on a core without a divider.
    #[serde(rename = "xtensa")]
    Xtensa,
    /// Any other: uses the figures of the slowest of these, `armv6-m` left out.
    #[serde(rename = "other")]
    Other,
}

impl InstructionSet {
    /// Its name in a profile.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Armv6m => "armv6-m",
            Self::Armv7em => "armv7e-m",
            Self::Armv8mMain => "armv8-m.main",
            Self::Rv32imc => "rv32imc",
            Self::Xtensa => "xtensa",
            Self::Other => "other",
        }
    }
}

section! {
    /// The processor cores.
    Cpu {
        /// Clock frequency of the cores.
        clock_hz: u32 = 240_000_000, "Hz", "firmware set-up", 1_000_000 ..= 2_000_000_000;
        /// Cores that the player may use. With two, the I/O core reads while the display core decodes and plays sound.
        cores: u8 = 2, "1 | 2", "the microcontroller's datasheet", 1 ..= 2;
        /// Instruction set. Decoding cost was counted on each that is named; `other` uses the slowest one's figures, `armv6-m` left out.
        instruction_set: InstructionSet = InstructionSet::Other, "armv6-m | armv7e-m | armv8-m.main | rv32imc | xtensa | other", "the microcontroller's datasheet";
        /// Instructions per cycle, memory waits included.
        instructions_per_cycle: f64 = 0.6, "instructions per cycle", "probe: decode lines; assume 0.5 to 0.8", 0.05 ..= 4.0;
        /// Share of each core that the player may use.
        share: f64 = 0.8, "share", "1 minus the share of radio, system and your own code", 0.05 ..= 1.0;
        /// Factor on decode time when pictures are in external memory.
        external_factor: f64 = 1.5, "factor", "probe: decode lines; assume 1.3 to 2", 1 ..= 10;
        /// Variation of the time of equal work, as a share.
        jitter: f64 = 0.05, "share", "probe: spread of decode lines", 0 ..= 1;
        /// Speed of a hardware JPEG decoder; 0 for none.
        jpeg_pixels_per_second: f64 = 0.0, "pixels/s", "the microcontroller's datasheet", 0 ..= 1e10;
    }
}

section! {
    /// How the firmware plays: buffers and policies.
    Player {
        /// Size of the ring buffer for read data; 0 uses the memory that is left.
        ring_buffer_bytes: u32 = 0, "bytes", "firmware", 0 ..= 67_108_864;
        /// Fill of the ring buffer before playback starts; 0 uses the reel's own value.
        start_bytes: u32 = 0, "bytes", "firmware", 0 ..= 67_108_864;
        /// Size of one read from the card.
        read_bytes: u32 = 8192, "bytes", "firmware: a multiple of 512", 512 ..= 1_048_576;
        /// Total size of the DMA send buffers in internal memory.
        send_bytes: u32 = 7680, "bytes", "firmware: two strips of a few panel rows", 512 ..= 1_048_576;
        /// Wait for the panel's tearing signal before sending.
        wait_tearing: bool = false, "true | false", "firmware";
        /// Reading waits for its bytes. If not, one core starts a read, goes on playing, and takes the bytes when they are there. Counts only with one core.
        read_blocks: bool = true, "true | false", "firmware: whether the read hook waits, or starts a transfer and returns 0 until it is over";
        /// How late a frame may be and still count as in sync.
        tolerance_ms: f64 = 45.0, "milliseconds", "ITU-R BT.1359: viewers notice sound that leads by 45 ms", 1 ..= 1000;
        /// Memory for the stacks and state of the player's tasks.
        stack_bytes: u32 = 8192, "bytes", "firmware", 256 ..= 1_048_576;
    }
}
