//! Electric current of a playing board, and what it does to regulator,
//! source and cell. Formulas: P = (Vin - Vout) x I + Vin x Iq,
//! Tj = Ta + P x thetaJA.

use serde::Serialize;

use crate::board::{AmplifierSupply, Board, PowerSource, RegulatorKind};

/// Sound level that the mean current assumes, dB below full scale (common
/// practice for a film's mix, no source).
const MEAN_LEVEL_DB: f64 = -18.0;

/// How busy the parts are, each from 0 to 1.
#[derive(Clone, Copy, Debug, Default)]
pub struct Duty {
    /// Sum over the cores.
    pub cores: f64,
    /// The card.
    pub card: f64,
    /// The radio's receiver.
    pub radio: f64,
}

/// Currents and what follows from them.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Currents {
    /// Through the logic's regulator, mean, in milliamperes.
    pub logic_ma: f64,
    /// Of the amplifier at film level, in milliamperes of its supply.
    pub amplifier_ma: f64,
    /// Of the amplifier at a full-scale sine, in milliamperes of its supply.
    pub amplifier_peak_ma: f64,
    /// From the source, mean, in milliamperes.
    pub source_ma: f64,
    /// From the source while the sound is at full scale, in milliamperes.
    pub source_peak_ma: f64,
    /// Heat in the regulator, in watts.
    pub regulator_w: f64,
    /// Inside temperature of the regulator, in degrees Celsius.
    pub regulator_c: f64,
    /// Voltage at the regulator's input less output and dropout.
    pub headroom_v: f64,
    /// Hours on a full cell; none on USB.
    pub hours: Option<f64>,
}

/// Power into the speaker of a sine at `level_db` below full scale, at the
/// strapped gain, in watts; clipped at the supply: Vdd^2 / 2R.
#[must_use]
pub fn speaker_watts(board: &Board, supply_v: f64, level_db: f64) -> f64 {
    let amplifier = &board.sound.amplifier;
    let ohms = board.sound.speaker.impedance_ohm;
    let vrms = 10f64.powf((level_db + amplifier.reference_dbv + amplifier.gain_db) / 20.0);
    let clipped = supply_v * supply_v / (2.0 * ohms);
    (vrms * vrms / ohms).min(clipped).min(amplifier.max_w)
}

impl Currents {
    /// Currents of `board` at such duty, with sound or silent.
    #[must_use]
    pub fn new(board: &Board, duty: Duty, sound: bool) -> Self {
        Self::at_level(board, duty, sound.then_some(MEAN_LEVEL_DB))
    }

    /// Currents of `board` at such duty while the sound has the power of a sine
    /// at `level_db` below full scale; `None` for silence.
    #[must_use]
    pub fn at_level(board: &Board, duty: Duty, level_db: Option<f64>) -> Self {
        let power = &board.power;
        let source_v = match power.source {
            PowerSource::Usb => power.usb_v,
            PowerSource::Cell => power.cell_typical_v,
        };
        let input_v = source_v - power.diode_drop_v;
        let amplifier = &board.sound.amplifier;
        let inside = amplifier.supply == AmplifierSupply::Regulator;
        let supply_v = if inside {
            power.regulator.output_v
        } else {
            input_v
        };
        let drawn = |level: Option<f64>| {
            let watts = level.map_or(0.0, |level| speaker_watts(board, supply_v, level));
            watts / amplifier.efficiency / supply_v * 1e3 + amplifier.quiescent_ma
        };
        let (mean, peak) = (drawn(level_db), drawn(level_db.map(|_| 0.0)));
        let parts = power.base_ma
            + power.backlight_ma
            + duty.cores * power.core_ma
            + duty.card * power.card_ma
            + duty.radio * power.wifi_ma;
        let logic_ma = parts + if inside { mean } else { 0.0 };
        let regulator = &power.regulator;
        let beside = |ma: f64| if inside { 0.0 } else { ma };
        let into_regulator = regulator_input_ma(board, input_v, logic_ma);
        let source_ma = into_regulator + beside(mean);
        let extra = if inside { peak - mean } else { 0.0 };
        let source_peak_ma = regulator_input_ma(board, input_v, logic_ma + extra) + beside(peak);
        let regulator_w = (into_regulator * input_v - logic_ma * regulator.output_v) / 1e3;
        Self {
            logic_ma,
            amplifier_ma: mean,
            amplifier_peak_ma: peak,
            source_ma,
            source_peak_ma,
            regulator_w,
            regulator_c: power.ambient_c + regulator_w * regulator.theta_ja,
            headroom_v: headroom(board, source_peak_ma),
            hours: (power.source == PowerSource::Cell).then(|| power.cell_mah / source_ma),
        }
    }
}

/// Input current of the regulator for an output current.
fn regulator_input_ma(board: &Board, input_v: f64, output_ma: f64) -> f64 {
    let regulator = &board.power.regulator;
    match regulator.kind {
        RegulatorKind::Linear => output_ma + regulator.quiescent_ma,
        RegulatorKind::Switching => {
            output_ma * regulator.output_v / (input_v * regulator.efficiency)
                + regulator.quiescent_ma
        }
    }
}

/// What is left at the regulator's input at the worst moment, over output and
/// dropout; negative means that the logic's voltage sags.
fn headroom(board: &Board, peak_ma: f64) -> f64 {
    let power = &board.power;
    let lowest = match power.source {
        PowerSource::Usb => power.usb_v,
        PowerSource::Cell => power.cell_typical_v - power.cell_ohm * peak_ma / 1e3,
    };
    let dropout = match power.regulator.kind {
        RegulatorKind::Linear => power.regulator.output_v + power.regulator.dropout_v,
        RegulatorKind::Switching => 0.0,
    };
    lowest - power.diode_drop_v - dropout
}
