//! How long a cell lasts, and what ends it.

use serde::Serialize;

use super::model::PowerModel;
use crate::board::{Board, PowerSource, RegulatorKind};
use crate::budget::{Link, ReelFacts};

/// Steps of the discharge.
const STEPS: usize = 100;
/// Halvings in which the end is sought.
const HALVINGS: usize = 16;

/// What ends the run on a cell.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum End {
    /// The logic's supply drops out, already at the mean current.
    Rail,
    /// The logic's supply drops out at the worst instant.
    RailAtPeak,
    /// The amplifier gets less than it needs.
    Amplifier,
    /// The cell reaches its discharge end.
    Cell,
}

impl End {
    /// As a clause.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Rail => "the logic's supply drops out of regulation",
            Self::RailAtPeak => "the logic's supply drops out at the worst instant",
            Self::Amplifier => "the amplifier gets less than its lowest supply",
            Self::Cell => "the cell reaches its discharge end",
        }
    }
}

/// A run from a full cell.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct RunTime {
    /// Hours of play.
    pub hours: f64,
    /// Current from the cell over these hours, mA; at once on a full cell if
    /// they are none.
    pub mean_ma: f64,
    /// What ends it.
    pub end: End,
    /// Share of the charge that is then left unused.
    pub charge_left: f64,
    /// Volts of the cell without load at the end.
    pub open_v: f64,
    /// Volts behind the diode at the end, at the mean current.
    pub mean_v: f64,
}

/// Where a run from a full cell ends that lasts down to the charge `from` at
/// most: a share of charge that is too low, and the lowest that is not.
fn end_of(from: f64, ends: impl Fn(f64) -> bool) -> (f64, f64) {
    if ends(1.0) {
        return (1.0, 1.0);
    }
    if !ends(from) {
        return (from, from);
    }
    let (mut dead, mut alive) = (from, 1.0);
    for _ in 0..HALVINGS {
        let middle = f64::midpoint(dead, alive);
        if ends(middle) {
            dead = middle;
        } else {
            alive = middle;
        }
    }
    (dead, alive)
}

/// The run of a model's cell.
pub(super) fn run_time(model: &PowerModel<'_>, capacity_mah: f64) -> RunTime {
    // The mean is quick to judge, and the worst instant ends no run later.
    let (mut dead, mut alive) = end_of(0.0, |charge| model.ends_in_the_mean(charge).is_some());
    if dead < 1.0 && model.ends(alive).is_some() {
        (dead, alive) = end_of(alive, |charge| model.ends(charge).is_some());
    }
    let left = if dead >= 1.0 { 1.0 } else { alive };
    let end = model.ends(dead).unwrap_or(End::Cell);
    // Hours = charge over current, summed over equal steps of charge.
    let step = (1.0 - left) / STEPS as f64;
    let hours: f64 = (0..STEPS)
        .map(|i| {
            let charge = left + (i as f64 + 0.5) * step;
            step * capacity_mah / model.rest(charge).1.source_ma
        })
        .sum();
    let (circuit, rest) = model.rest(left);
    let used = (1.0 - left) * capacity_mah;
    RunTime {
        hours,
        mean_ma: if hours > 0.0 {
            used / hours
        } else {
            rest.source_ma
        },
        end,
        charge_left: left,
        open_v: circuit.open_v,
        mean_v: rest.node_v,
    }
}

/// A change of the board that was tried, and the hours it gives.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Change {
    /// What to do.
    pub what: String,
    /// Hours of play with it.
    pub hours: f64,
}

/// Changes that make a cell last a tenth longer or more, the best first; each
/// was tried on the model. None on USB.
#[must_use]
pub fn changes(reel: &ReelFacts, board: &Board, link: Link) -> Vec<Change> {
    if board.power.source == PowerSource::Usb {
        return Vec::new();
    }
    let hours = |board: &Board| {
        let run = PowerModel::new(reel, board, link).run_time();
        run.map_or(0.0, |run| run.hours)
    };
    let before = hours(board);
    let tried = tries(board).into_iter().map(|(what, edit)| {
        let mut changed = board.clone();
        edit(&mut changed);
        Change {
            hours: hours(&changed),
            what,
        }
    });
    let mut found: Vec<Change> = tried
        .filter(|c| c.hours > before * 1.1 && c.hours > before + 0.1)
        .collect();
    found.sort_by(|a, b| b.hours.total_cmp(&a.hours));
    found
}

type Edit = Box<dyn Fn(&mut Board)>;

fn tries(board: &Board) -> Vec<(String, Edit)> {
    let power = &board.power;
    let mut all: Vec<(String, Edit)> = Vec::new();
    if power.diode_drop_v > 0.05 {
        all.push((
            "replace the diode by a transistor switch that drops 0.02 V".into(),
            Box::new(|b| b.power.diode_drop_v = 0.02),
        ));
    }
    if power.regulator.kind == RegulatorKind::Linear {
        if power.regulator.dropout_v > 0.12 {
            all.push((
                "use a regulator with a dropout of 0.1 V".into(),
                Box::new(|b| b.power.regulator.dropout_v = 0.1),
            ));
        }
        all.push((
            "feed the logic by a switching converter that also raises the voltage".into(),
            Box::new(|b| b.power.regulator.kind = RegulatorKind::Switching),
        ));
        let usual = 3.0;
        if power.logic_min_v.is_none() && power.regulator.output_v > usual {
            all.push((
                format!(
                    "check that everything behind the regulator works at {usual} V by its datasheet, and state power.logic_min_v = {usual}"
                ),
                Box::new(move |b| b.power.logic_min_v = Some(usual)),
            ));
        }
    }
    if power.backlight_ma > 0.0 {
        all.push((
            "halve the current of the backlight".into(),
            Box::new(|b| b.power.backlight_ma /= 2.0),
        ));
    }
    all
}
