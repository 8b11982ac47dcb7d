//! A board's sound chain in the terms of the sound stage.

use crate::board::{AmplifierSupply, Board, PowerSource, RegulatorKind};
use crate::sound::SoundError;
use crate::sound::enclosure::{Driver, DriverDatasheet, Enclosure, Mounting};
use crate::sound::gain::{OutputStage, Supply};
use crate::sound::supply::{AmplifierLoad, Conversion, Feed, Tap};

/// How busy the parts are while a reel plays (assumed): each core half of the
/// time, card or radio three tenths.
const CORE_DUTY: f64 = 0.5;
const LINK_DUTY: f64 = 0.3;

/// The speaker as the profile mounts it: in `litres` if given, else in its own
/// box, else in free air.
///
/// # Errors
/// Figures that no speaker has.
pub fn enclosure(board: &Board, litres: Option<f64>) -> Result<Enclosure, SoundError> {
    let speaker = &board.sound.speaker;
    let driver = Driver::new(&DriverDatasheet {
        diameter_mm: speaker.diameter_mm,
        impedance_ohm: speaker.impedance_ohm,
        rated_w: speaker.rated_w,
        resonance_hz: speaker.resonance_hz,
        q_total: speaker.q_total,
        vas_litres: speaker.vas_litres,
        cone_cm2: speaker.cone_cm2,
        excursion_mm: speaker.excursion_mm,
        sensitivity_db: speaker.sensitivity_db,
    })?;
    let volume = litres.or(speaker.box_litres);
    Enclosure::new(driver, volume.map_or(Mounting::FreeAir, Mounting::Closed))
}

/// Amplifier and speaker.
#[must_use]
pub fn output_stage(board: &Board) -> OutputStage {
    let (amplifier, speaker) = (&board.sound.amplifier, &board.sound.speaker);
    OutputStage {
        gains_db: amplifier.gains_db.clone(),
        reference_dbv: amplifier.reference_dbv,
        max_w: amplifier.max_w,
        output_ohm: amplifier.output_ohm,
        noise_uv: amplifier.noise_uv,
        load_ohm: speaker.impedance_ohm,
        rated_w: speaker.rated_w,
    }
}

/// Volts that reach the amplifier on USB, on a full and on a nearly empty cell.
#[must_use]
pub fn supplies(board: &Board) -> [Supply; 3] {
    let power = &board.power;
    let at = |source: f64| {
        let input = source - power.diode_drop_v;
        match (board.sound.amplifier.supply, power.regulator.kind) {
            (AmplifierSupply::Source, _) => input,
            (AmplifierSupply::Regulator, RegulatorKind::Switching) => power.regulator.output_v,
            (AmplifierSupply::Regulator, RegulatorKind::Linear) => power
                .regulator
                .output_v
                .min(input - power.regulator.dropout_v),
        }
    };
    [
        ("USB", power.usb_v),
        ("full cell", power.cell_full_v),
        ("nearly empty cell", power.cell_empty_v),
    ]
    .map(|(name, volts)| Supply {
        name,
        volts: at(volts),
    })
}

/// The supply that the board runs on, the weakest that it may meet: USB, or the
/// nearly empty cell.
#[must_use]
pub fn own_supply(board: &Board) -> Supply {
    let [usb, _, empty] = supplies(board);
    match board.power.source {
        PowerSource::Usb => usb,
        PowerSource::Cell => empty,
    }
}

/// The way of the current on this board, from its own source.
#[must_use]
pub fn feed(board: &Board) -> Feed {
    let (power, regulator) = (&board.power, &board.power.regulator);
    let cell = power.source == PowerSource::Cell;
    let link = if board.card.is_some() {
        power.card_ma
    } else {
        power.wifi_ma
    };
    Feed {
        source_v: if cell {
            power.cell_typical_v
        } else {
            power.usb_v
        },
        source_ohm: if cell { power.cell_ohm } else { 0.0 },
        diode_v: power.diode_drop_v,
        conversion: match regulator.kind {
            RegulatorKind::Linear => Conversion::Linear {
                quiescent_ma: regulator.quiescent_ma,
            },
            RegulatorKind::Switching => Conversion::Switching {
                efficiency: regulator.efficiency,
            },
        },
        logic_v: regulator.output_v,
        logic_ma: power.base_ma
            + power.backlight_ma
            + f64::from(board.cpu.cores) * CORE_DUTY * power.core_ma
            + LINK_DUTY * link,
        tap: match board.sound.amplifier.supply {
            AmplifierSupply::Source => Tap::Source,
            AmplifierSupply::Regulator => Tap::Regulator,
        },
        regulator_theta: regulator.theta_ja,
        amplifier_theta: board.sound.amplifier.theta_ja,
        thermal_s: regulator.settle_s,
        ambient_c: power.ambient_c,
    }
}

/// The amplifier as a consumer at this gain and software volume.
#[must_use]
pub fn amplifier_load(board: &Board, gain_db: f64, volume_db: f64) -> AmplifierLoad {
    let amplifier = &board.sound.amplifier;
    let volts = output_stage(board).volts(gain_db, volume_db, 0.0);
    AmplifierLoad {
        supply_v: feed(board).amplifier_v(),
        full_scale_v: volts * std::f64::consts::SQRT_2,
        load_ohm: board.sound.speaker.impedance_ohm,
        output_ohm: amplifier.output_ohm,
        efficiency: amplifier.efficiency,
        quiescent_ma: amplifier.quiescent_ma,
    }
}
