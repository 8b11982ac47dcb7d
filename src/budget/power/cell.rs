//! A lithium cell by its curve: open-circuit voltage and resistance by charge
//! and temperature.

use crate::board::{CellKind, Power};

/// Steps in which the published curve is laid out.
const STEPS: usize = 400;
/// Temperature that capacity and resistance are stated for, kelvin.
const WARM_K: f64 = 298.15;
/// Rise of the resistance in the cold, kelvin (activation energy over the gas
/// constant; common practice, no source).
const COLD_K: f64 = 2900.0;

/// Open-circuit voltage of a polymer lithium-ion cell at a share of charge
/// from 0 to 1, volts, for a cell that is charged to 4.1 V (Chen and
/// Rincón-Mora, "Accurate electrical battery model capable of predicting
/// runtime and I-V performance", IEEE Transactions on Energy Conversion 21-2,
/// 2006, equation 2). Above 1 its cubic goes on to higher charge voltages.
fn lithium_ion_v(share: f64) -> f64 {
    -1.031 * (-35.0 * share).exp() + 3.685 + 0.2156 * share - 0.1178 * share.powi(2)
        + 0.3201 * share.powi(3)
}

/// Resistance of that cell, all three of the model's resistors, ohms
/// (equations 3, 4 and 6 of the same paper).
fn lithium_ion_ohm(share: f64) -> f64 {
    let series = 0.1562 * (-24.37 * share).exp() + 0.07446;
    let short = 0.3208 * (-29.14 * share).exp() + 0.04669;
    let long = 6.603 * (-155.2 * share).exp() + 0.04984;
    series + short + long
}

/// Open-circuit voltage of a lithium iron phosphate cell by share of charge
/// (common practice, no source).
const IRON_PHOSPHATE: [(f64, f64); 10] = [
    (0.0, 2.5),
    (0.03, 2.9),
    (0.06, 3.08),
    (0.1, 3.19),
    (0.2, 3.24),
    (0.4, 3.28),
    (0.7, 3.31),
    (0.95, 3.34),
    (0.98, 3.4),
    (1.0, 3.5),
];

/// A cell at a temperature.
#[derive(Clone, Debug, PartialEq)]
pub struct Cell {
    /// Share of charge left and open-circuit volts, rising.
    curve: Vec<(f64, f64)>,
    /// Resistance of the half full cell, ohms.
    ohm: f64,
    /// Where the published resistance is read, shares of charge at 1.
    stretch: f64,
    /// Charge from full to empty at this temperature, mAh.
    capacity_mah: f64,
}

impl Cell {
    /// The profile's cell at the profile's temperature.
    #[must_use]
    pub fn new(power: &Power) -> Self {
        let stretch = charged_share(power.cell_full_v);
        let curve = if !power.cell_curve.is_empty() {
            power.cell_curve.clone()
        } else if power.cell_kind == CellKind::LithiumIronPhosphate {
            IRON_PHOSPHATE.to_vec()
        } else {
            let at = |i: usize| i as f64 / STEPS as f64;
            (0..=STEPS)
                .map(|i| (at(i), lithium_ion_v(at(i) * stretch)))
                .collect()
        };
        let kelvin = power.ambient_c + 273.15;
        Self {
            curve,
            ohm: power.cell_ohm * (COLD_K * (1.0 / kelvin - 1.0 / WARM_K)).exp().max(0.5),
            stretch,
            capacity_mah: power.cell_mah * warm_share(power.ambient_c),
        }
    }

    /// Volts without load at a share of charge from 0 to 1.
    #[must_use]
    pub fn open_v(&self, charge: f64) -> f64 {
        let after = self.curve.partition_point(|(share, _)| *share < charge);
        let last = self.curve.len() - 1;
        let (a, b) = (
            self.curve[after.saturating_sub(1)],
            self.curve[after.min(last)],
        );
        if b.0 <= a.0 {
            return b.1;
        }
        a.1 + (b.1 - a.1) * (charge - a.0) / (b.0 - a.0)
    }

    /// Resistance at a share of charge, ohms.
    #[must_use]
    pub fn ohm(&self, charge: f64) -> f64 {
        self.ohm * lithium_ion_ohm(charge * self.stretch) / lithium_ion_ohm(0.5 * self.stretch)
    }

    /// Charge that it gives from full to empty, mAh.
    #[must_use]
    pub const fn capacity_mah(&self) -> f64 {
        self.capacity_mah
    }
}

/// The share on the published curve at which the open-circuit voltage is
/// `full_v`: 1.095 for 4.2 V.
fn charged_share(full_v: f64) -> f64 {
    let (mut low, mut high) = (0.5, 2.0);
    for _ in 0..60 {
        let middle = f64::midpoint(low, high);
        if lithium_ion_v(middle) < full_v {
            low = middle;
        } else {
            high = middle;
        }
    }
    low
}

/// Share of the capacity that is left at a temperature (common practice, no
/// source): all from 25 °C up, 88 % at 0 °C, 65 % at -20 °C.
fn warm_share(celsius: f64) -> f64 {
    match celsius {
        c if c >= 25.0 => 1.0,
        c if c >= 0.0 => 0.88 + 0.12 * c / 25.0,
        c => (0.88 + 0.23 * c / 20.0).max(0.5),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The usual table of a 4.2 V lithium-ion cell at rest (common practice, no
    /// source), from full to a tenth.
    #[test]
    fn the_published_curve_continued_to_4v2_is_near_the_usual_table() {
        let cell = Cell::new(&Power::default());
        let table = [
            (1.0, 4.20),
            (0.9, 4.06),
            (0.8, 3.98),
            (0.7, 3.92),
            (0.6, 3.87),
            (0.5, 3.82),
            (0.4, 3.79),
            (0.3, 3.77),
            (0.2, 3.74),
            (0.1, 3.68),
        ];
        for (share, volts) in table {
            let found = cell.open_v(share);
            assert!((found - volts).abs() < 0.04, "{share}: {found} for {volts}");
        }
    }

    /// Figures of the paper's own curve: 3.803 V at half, 4.103 V full.
    #[test]
    fn the_published_equation() {
        assert!((lithium_ion_v(0.5) - 3.8034).abs() < 1e-3);
        assert!((lithium_ion_v(1.0) - 4.1029).abs() < 1e-4);
        assert!((lithium_ion_ohm(1.0) - 0.17099).abs() < 1e-5);
        assert!((charged_share(4.2) - 1.095).abs() < 1e-3);
    }

    #[test]
    fn cold_and_empty_cells_resist_more() {
        let warm = Cell::new(&Power::default());
        let cold = Cell::new(&Power {
            ambient_c: 0.0,
            ..Power::default()
        });
        assert!((warm.ohm(0.5) - 0.15).abs() < 1e-9);
        assert!((2.2..2.7).contains(&(cold.ohm(0.5) / warm.ohm(0.5))));
        assert!(warm.ohm(0.02) > 1.5 * warm.ohm(0.5));
        assert!((cold.capacity_mah() - 880.0).abs() < 1e-9);
    }

    #[test]
    fn a_profile_brings_its_own_curve() {
        let cell = Cell::new(&Power {
            cell_curve: vec![(0.0, 3.0), (0.5, 3.6), (1.0, 4.0)],
            ..Power::default()
        });
        for (share, volts) in [(0.0, 3.0), (0.25, 3.3), (0.5, 3.6), (0.75, 3.8), (1.0, 4.0)] {
            assert!((cell.open_v(share) - volts).abs() < 1e-12, "{share}");
        }
    }
}
