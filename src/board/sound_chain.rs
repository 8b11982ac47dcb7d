//! The sound chain: I2S, amplifier, speaker and its box.

use serde::{Deserialize, Serialize};

use super::keys::section;

/// Longest DMA block of the I2S driver, milliseconds, as the contract of the
/// firmware's player says: its fades last as long.
pub(super) const LONGEST_BLOCK_MS: f64 = 10.0;

/// Supply of the amplifier.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AmplifierSupply {
    /// The board's source itself: USB or the cell, less a diode if there is one.
    Source,
    /// The regulator's output.
    Regulator,
}

section! {
    /// The sound chain: I2S output, amplifier, speaker.
    SoundChain {
        /// Sample rates that the firmware supports, rising.
        sample_rates: Vec<u32> = vec![16_000, 22_050, 24_000, 32_000, 44_100, 48_000], "list of Hz", "firmware and the amplifier's datasheet";
        /// Default sample rate.
        sample_rate: u32 = 24_000, "Hz", "a small speaker plays little above 10 kHz", 8_000 ..= 48_000;
        /// Bits of one I2S slot.
        slot_bits: u8 = 16, "16 | 32", "firmware: the I2S set-up";
        /// Clock that the I2S bit clock is divided from.
        master_clock_hz: f64 = 160e6, "Hz", "the microcontroller's manual: 160 MHz is usual inside, 12.288 and 11.2896 MHz are audio crystals", 1e6 ..= 500e6;
        /// The divider of that clock takes fractions.
        fractional_clock: bool = true, "true | false", "the microcontroller's manual: I2S clock divider";
        /// Samples in one DMA block of the I2S driver.
        block_samples: u32 = 64, "samples", "firmware: the I2S set-up; 10 ms or less at the lowest of sample_rates", 16 ..= 8192;
        /// Samples in the I2S driver's DMA buffers.
        queue_samples: u32 = 2048, "samples", "firmware: number of buffers x samples per buffer", 64 ..= 65_536;
    }
    nested {
        /// The amplifier.
        amplifier: Amplifier;
        /// The speaker and its box.
        speaker: Speaker;
    }
}

section! {
    /// A mono class-D amplifier with an I2S input and a bridged output.
    Amplifier {
        /// Gain settings that straps or resistors select, rising.
        gains_db: Vec<f64> = vec![3.0, 6.0, 9.0, 12.0, 15.0], "list of dB", "the amplifier's datasheet: gain selection";
        /// Gain that is strapped now.
        gain_db: f64 = 9.0, "dB", "the strap on the board; an unconnected pin usually selects the middle gain (common practice, no source)", -20 ..= 40;
        /// Output level of a full-scale sine at 0 dB gain.
        reference_dbv: f64 = 2.1, "dBV", "the amplifier's datasheet: output voltage against digital full scale", -20 ..= 20;
        /// Supply of the amplifier.
        supply: AmplifierSupply = AmplifierSupply::Source, "source | regulator", "wiring";
        /// Lowest supply voltage.
        supply_min_v: f64 = 2.5, "volts", "the amplifier's datasheet", 1 ..= 30;
        /// Highest supply voltage.
        supply_max_v: f64 = 5.5, "volts", "the amplifier's datasheet", 1 ..= 30;
        /// Highest output power at any supply.
        max_w: f64 = 3.2, "watts", "the amplifier's datasheet: output power at the lowest load", 0.05 ..= 100;
        /// Efficiency at high level.
        efficiency: f64 = 0.92, "share", "the amplifier's datasheet: efficiency curve", 0.1 ..= 0.99;
        /// Quiescent current, with silence at the input.
        quiescent_ma: f64 = 2.5, "milliamperes", "the amplifier's datasheet", 0 ..= 200;
        /// Resistance of both output switches and the wiring.
        output_ohm: f64 = 0.3, "ohms", "the amplifier's datasheet: on resistance", 0 ..= 5;
        /// Output noise, A-weighted.
        noise_uv: f64 = 30.0, "microvolts", "the amplifier's datasheet: output noise", 0 ..= 10000;
        /// Thermal resistance, junction to ambient.
        theta_ja: f64 = 60.0, "degrees Celsius per watt", "the amplifier's datasheet, for its package on a small board", 5 ..= 500;
    }
}

section! {
    /// A small moving-coil speaker. Leave unknown values unset: they are estimated from its size and marked so.
    Speaker {
        /// Nominal impedance.
        impedance_ohm: f64 = 8.0, "ohms", "printed on the speaker", 2 ..= 100;
        /// Rated continuous power.
        rated_w: f64 = 1.0, "watts", "printed on the speaker, or its datasheet", 0.05 ..= 100;
        /// Diameter of the cone, or of the circle of equal area.
        diameter_mm: f64 = 28.0, "millimetres", "a ruler: from the middle of the surround to the middle opposite", 5 ..= 200;
        /// Resonance in free air (fs).
        resonance_hz: Option<f64> = None, "Hz", "the speaker's datasheet, or the frequency of highest impedance", 30 ..= 5000;
        /// Total quality factor in free air (Qts).
        q_total: Option<f64> = None, "ratio", "the speaker's datasheet", 0.1 ..= 10;
        /// Equivalent compliance volume (Vas).
        vas_litres: Option<f64> = None, "litres", "the speaker's datasheet", 0.0005 ..= 100;
        /// Effective cone area (Sd).
        cone_cm2: Option<f64> = None, "square centimetres", "the speaker's datasheet; else from the diameter", 0.1 ..= 500;
        /// Linear excursion in one direction (Xmax).
        excursion_mm: Option<f64> = None, "millimetres", "the speaker's datasheet", 0.05 ..= 20;
        /// Sound pressure at one watt and one metre.
        sensitivity_db: Option<f64> = None, "dB at 1 W, 1 m", "the speaker's datasheet; subtract 20 dB from a figure at 0.1 m, add 10 dB to one at 0.1 W", 40 ..= 120;
        /// Air volume of the closed box behind the speaker; unset for no box.
        box_litres: Option<f64> = None, "litres", "inner length x width x height of the box, minus what is inside", 0.001 ..= 100;
    }
}
