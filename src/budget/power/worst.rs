//! The worst instant at a state of the source, and the capacitor that would
//! carry it.

use serde::Serialize;

use super::circuit::{Circuit, Course, Demand};
use super::programme::Excerpt;

/// Capacitors of the E6 series (IEC 60063), microfarads, from 1 to 100,000.
const E6: [f64; 6] = [1.0, 1.5, 2.2, 3.3, 4.7, 6.8];
/// Largest capacitor that is worth naming, microfarads.
const LARGEST_UF: f64 = 47_000.0;

/// What would carry the worst instant.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub enum Carry {
    /// Nothing is needed.
    NotNeeded,
    /// A capacitor of this value behind the diode, in place of the fitted one.
    Capacitor {
        /// Microfarads, of the E6 series.
        uf: f64,
    },
    /// Even the mean current lets the supply drop out.
    NotByCapacitor,
    /// No capacitor up to 47,000 µF suffices.
    TooLarge,
}

/// The supply at one state of the source.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct State {
    /// Which state.
    pub name: &'static str,
    /// Share of the cell's charge that is left; none on USB.
    pub charge: Option<f64>,
    /// Volts of the source without load.
    pub open_v: f64,
    /// Volts behind the diode at the mean current.
    pub mean_v: f64,
    /// Current from the source in the mean, mA.
    pub mean_ma: f64,
    /// Lowest volts behind the diode at the worst instant.
    pub least_v: f64,
    /// Volts that are needed there at an instant.
    pub need_v: f64,
    /// Volts that are needed there in the mean.
    pub mean_need_v: f64,
    /// Lowest volts of the logic's supply.
    pub rail_v: f64,
    /// Current of all parts at the worst instant, from the source's side, mA.
    pub peak_ma: f64,
    /// Current out of the regulator at the worst instant, mA.
    pub regulator_peak_ma: f64,
    /// Current of the amplifier at the worst instant, mA.
    pub amplifier_peak_ma: f64,
    /// The logic's supply drops out at the worst instant.
    pub drops_out: bool,
    /// What would carry it.
    pub carry: Carry,
}

/// The worst of all excerpts.
pub(super) fn worst(
    circuit: &Circuit,
    excerpts: &[Excerpt],
    demand: Demand,
    start_v: f64,
) -> Course {
    let plays = excerpts.iter().map(|e| circuit.play(e, demand, start_v));
    plays
        .reduce(|a, b| Course {
            least_v: a.least_v.min(b.least_v),
            peak_ma: a.peak_ma.max(b.peak_ma),
            regulator_ma: a.regulator_ma.max(b.regulator_ma),
            amplifier_ma: a.amplifier_ma.max(b.amplifier_ma),
        })
        .unwrap_or(Course {
            least_v: start_v,
            peak_ma: 0.0,
            regulator_ma: 0.0,
            amplifier_ma: 0.0,
        })
}

/// The least capacitor of the E6 series, above the one that is fitted, with
/// which the node stays at `need_v` through all excerpts, in microfarads; none
/// if 47,000 do not suffice. Larger ones sag less.
#[must_use]
pub fn carrying_capacitor(
    circuit: &Circuit,
    excerpts: &[Excerpt],
    demand: Demand,
    start_v: f64,
    need_v: f64,
) -> Option<f64> {
    let fitted = circuit.bulk_f * 1e6;
    let decades = (0..5).map(|d| 10f64.powi(d));
    let values = decades.flat_map(|d| E6.map(|v| v * d));
    let values: Vec<f64> = values.filter(|v| *v > fitted && *v <= LARGEST_UF).collect();
    let suffices = |uf: &f64| {
        let mut with = circuit.clone();
        with.bulk_f = uf * 1e-6;
        worst(&with, excerpts, demand, start_v).least_v >= need_v
    };
    let first = values.partition_point(|uf| !suffices(uf));
    values.get(first).copied()
}
