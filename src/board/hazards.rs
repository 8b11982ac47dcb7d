//! Figures of a profile that could hurt a part or a person: refused with the
//! caution, wherever a profile is read.

use super::{AmplifierSupply, Board, PowerSource, RegulatorKind};

/// No single lithium cell is charged to more, volts.
const SEVERAL_V: f64 = 4.5;

/// A key and what is wrong with its value.
type Refusal = (&'static str, String);

/// Refuses contradictions of the supply and everything that could hurt.
pub(super) fn refuse(board: &Board) -> Result<(), Refusal> {
    cell(board)?;
    cell_curve(board)?;
    regulator(board)?;
    logic(board)?;
    amplifier(board)
}

/// Highest volts that the source gives: without load a diode drops nothing.
fn highest_v(board: &Board) -> f64 {
    match board.power.source {
        PowerSource::Usb => board.power.usb_v,
        PowerSource::Cell => board.power.cell_full_v,
    }
}

/// Charge and discharge ends, also of a cell that is not in use.
fn cell(board: &Board) -> Result<(), Refusal> {
    let power = &board.power;
    let kind = power.cell_kind;
    let most = power
        .cell_charge_limit_v
        .unwrap_or_else(|| kind.charge_limit_v());
    if power.cell_full_v > most + 1e-9 {
        let several = if power.cell_full_v > SEVERAL_V {
            ". The profile describes one cell: give a pack of several with its converter as source = \"usb\""
        } else {
            ""
        };
        return Err((
            "power.cell_full_v",
            format!(
                "{} V is above the {most} V that a {} is charged to; an overcharged lithium cell can catch \
                 fire. Charge it to {most} V, or, if its datasheet allows more, state that as \
                 power.cell_charge_limit_v{several}",
                power.cell_full_v,
                kind.words()
            ),
        ));
    }
    let least = power
        .cell_discharge_limit_v
        .unwrap_or_else(|| kind.discharge_limit_v());
    if power.cell_empty_v < least - 1e-9 {
        return Err((
            "power.cell_empty_v",
            format!(
                "{} V is below the {least} V at which the discharge of a {} ends; a cell that was discharged \
                 deeper can short inside when it is charged again. Stop at {least} V, or, if its datasheet \
                 allows less, state that as power.cell_discharge_limit_v",
                power.cell_empty_v,
                kind.words()
            ),
        ));
    }
    if power.cell_empty_v >= power.cell_full_v {
        return Err(("power.cell_empty_v", "must be below cell_full_v".into()));
    }
    Ok(())
}

fn cell_curve(board: &Board) -> Result<(), Refusal> {
    let curve = &board.power.cell_curve;
    if curve.is_empty() {
        return Ok(());
    }
    let rising = curve
        .windows(2)
        .all(|w| w[0].0 < w[1].0 && w[0].1 <= w[1].1);
    let (first, last) = (curve[0], curve[curve.len() - 1]);
    let whole = first.0 == 0.0 && last.0 == 1.0;
    if !rising || !whole || first.1 <= 0.0 || last.1 > board.power.cell_full_v + 1e-9 {
        return Err((
            "power.cell_curve",
            "must rise from share 0 to share 1, in volts above 0 and up to cell_full_v at most"
                .into(),
        ));
    }
    Ok(())
}

fn regulator(board: &Board) -> Result<(), Refusal> {
    let (power, high) = (&board.power, highest_v(board));
    let regulator = &power.regulator;
    if high > regulator.input_max_v {
        return Err((
            "power.regulator.input_max_v",
            format!(
                "{high:.2} V reaches the regulator, which bears {:.2} V; it can break and put the full voltage on \
                 everything behind it. Use another regulator, or correct the figure by its datasheet",
                regulator.input_max_v
            ),
        ));
    }
    let linear = regulator.kind == RegulatorKind::Linear;
    if linear && regulator.output_v >= high {
        return Err((
            "power.regulator.output_v",
            "a linear regulator cannot raise the voltage of its source".into(),
        ));
    }
    Ok(())
}

fn logic(board: &Board) -> Result<(), Refusal> {
    let power = &board.power;
    let output = power.regulator.output_v;
    if output > power.logic_max_v + 1e-9 {
        return Err((
            "power.regulator.output_v",
            format!(
                "{output} V is above the {} V that microcontroller, card and panel bear; it can destroy them. Lower \
                 it, or, if all their datasheets allow more, state that as power.logic_max_v",
                power.logic_max_v
            ),
        ));
    }
    if power.logic_min_v.is_some_and(|least| least > output) {
        return Err((
            "power.logic_min_v",
            format!("is above the regulator's output of {output} V"),
        ));
    }
    Ok(())
}

fn amplifier(board: &Board) -> Result<(), Refusal> {
    let amplifier = &board.sound.amplifier;
    let (high, most) = match amplifier.supply {
        AmplifierSupply::Source => (highest_v(board), amplifier.supply_max_v),
        AmplifierSupply::Regulator => (board.power.regulator.output_v, amplifier.supply_max_v),
    };
    if high > most + 1e-9 {
        return Err((
            "sound.amplifier.supply_max_v",
            format!(
                "{high:.2} V reaches the amplifier, which bears {most:.2} V; above that it can break and leave \
                 direct current on the speaker, which burns it. Feed it from the regulator, or correct the \
                 figure by its datasheet"
            ),
        ));
    }
    Ok(())
}

/// What is wrong with the lowest voltage that feeds the amplifier, if anything.
pub(super) fn weak_amplifier(board: &Board) -> Option<String> {
    let (power, amplifier) = (&board.power, &board.sound.amplifier);
    let low = match (amplifier.supply, power.source) {
        (AmplifierSupply::Regulator, _) => power.regulator.output_v,
        (_, PowerSource::Usb) => power.usb_v - power.diode_drop_v,
        (_, PowerSource::Cell) => power.cell_empty_v - power.diode_drop_v,
    };
    let least = amplifier.supply_min_v;
    (low < least).then(|| {
        format!("no more than {low:.1} V may reach the amplifier, which needs {least:.1} V")
    })
}
