//! Power: source, cell, regulator, and what each part draws.

use serde::{Deserialize, Serialize};

use super::keys::section;

/// Power source.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PowerSource {
    /// Five volts over USB.
    Usb,
    /// One lithium cell.
    Cell,
}

/// Kind of regulator for the logic supply.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RegulatorKind {
    /// A linear regulator: the difference becomes heat.
    Linear,
    /// A switching converter.
    Switching,
}

/// What a cell is made of: its charge voltage, its discharge end and the shape
/// of its curve.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CellKind {
    /// Lithium ion or lithium polymer with a cobalt or mixed oxide.
    LithiumIon,
    /// Lithium iron phosphate.
    LithiumIronPhosphate,
}

impl CellKind {
    /// Highest charge voltage where no datasheet allows more, volts.
    #[must_use]
    pub const fn charge_limit_v(self) -> f64 {
        match self {
            Self::LithiumIon => 4.2,
            Self::LithiumIronPhosphate => 3.65,
        }
    }

    /// Lowest discharge voltage where no datasheet allows less, volts.
    #[must_use]
    pub const fn discharge_limit_v(self) -> f64 {
        match self {
            Self::LithiumIon => 3.0,
            Self::LithiumIronPhosphate => 2.5,
        }
    }

    /// Its name in sentences.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::LithiumIon => "lithium-ion cell",
            Self::LithiumIronPhosphate => "lithium iron phosphate cell",
        }
    }
}

section! {
    /// Power supply. The cell's datasheet and local codes override every figure here.
    Power {
        /// Power source.
        source: PowerSource = PowerSource::Usb, "usb | cell", "wiring";
        /// Voltage of the USB port without load.
        usb_v: f64 = 5.0, "volts", "a meter at the port; 4.75 to 5.25 by the standard", 4 ..= 5.5;
        /// Resistance of the USB cable and its plugs, both conductors together.
        usb_ohm: f64 = 0.2, "ohms", "voltage drop at the board divided by current; thin cables have 0.2 to 0.5 (common practice, no source)", 0 ..= 2;
        /// Current limit of the USB port.
        usb_limit_ma: f64 = 500.0, "milliamperes", "the port or charger: 500 for a plain USB 2.0 port, often 1000 for a charger", 100 ..= 5000;
        /// What the cell is made of.
        cell_kind: CellKind = CellKind::LithiumIon, "lithium-ion | lithium-iron-phosphate", "printed on the cell, or its nominal voltage: 3.6 to 3.85 V or 3.2 V";
        /// Capacity of the cell, from full to its discharge end, at 25 degrees.
        cell_mah: f64 = 1000.0, "milliampere hours", "printed on the cell", 20 ..= 100_000;
        /// Voltage that the cell is charged to.
        cell_full_v: f64 = 4.2, "volts", "the charger; never above what the cell's datasheet states", 3 ..= 20;
        /// Voltage at which playback must stop to protect the cell.
        cell_empty_v: f64 = 3.0, "volts", "the protection circuit or the firmware; never below what the cell's datasheet states", 0 ..= 4;
        /// Highest charge voltage that the cell's datasheet allows; unset takes 4.2 V, and 3.65 V for iron phosphate.
        cell_charge_limit_v: Option<f64> = None, "volts", "the cell's datasheet, only if it states more", 3 ..= 4.5;
        /// Lowest discharge voltage that the cell's datasheet allows; unset takes 3.0 V, and 2.5 V for iron phosphate.
        cell_discharge_limit_v: Option<f64> = None, "volts", "the cell's datasheet, only if it states less", 2 ..= 4;
        /// Open-circuit voltage by the share of charge left, as rising pairs from 0 to 1; empty takes the curve of its kind.
        cell_curve: Vec<(f64, f64)> = Vec::new(), "[share, volts] pairs", "the cell's datasheet at a small current, or a meter after rests";
        /// Internal resistance of the half full cell at 25 degrees, with wires and protection circuit.
        cell_ohm: f64 = 0.15, "ohms", "voltage drop divided by current", 0 ..= 5;
        /// Largest continuous current of the cell.
        cell_limit_ma: f64 = 1000.0, "milliamperes", "the cell's datasheet: standard discharge current, usually 1 C", 20 ..= 100_000;
        /// Voltage drop of the diode between source and board; 0 for none.
        diode_drop_v: f64 = 0.3, "volts", "a meter across the diode while playing", 0 ..= 1.5;
        /// Current at which that drop was measured.
        diode_at_ma: f64 = 200.0, "milliamperes", "a meter in the supply at the same time", 1 ..= 5000;
        /// Current limit of the diode.
        diode_limit_ma: f64 = 1000.0, "milliamperes", "the diode's datasheet", 50 ..= 20_000;
        /// Capacitor at the input of regulator and amplifier.
        bulk_uf: f64 = 22.0, "microfarads", "the board's schematic, all capacitors there together", 0.1 ..= 100_000;
        /// Series resistance of that capacitor.
        bulk_esr_ohm: f64 = 0.05, "ohms", "the capacitor's datasheet: ESR", 0 ..= 10;
        /// Lowest voltage at which everything behind the regulator still works; unset asks for the regulator's full output, and 95 % of it at an instant.
        logic_min_v: Option<f64> = None, "volts", "the highest minimum among microcontroller, card (2.7 V, SD specification) and panel", 1 ..= 5.5;
        /// Highest voltage that everything behind the regulator bears.
        logic_max_v: f64 = 3.6, "volts", "the lowest maximum among microcontroller, card (3.6 V, SD specification) and panel", 1 ..= 6;
        /// Current of the idle board: display on, backlight off, radio off, no sound.
        base_ma: f64 = 45.0, "milliamperes", "a meter in the supply", 0 ..= 5000;
        /// Current of the backlight.
        backlight_ma: f64 = 25.0, "milliamperes", "a meter: backlight on minus backlight off", 0 ..= 2000;
        /// Extra current of one fully busy core.
        core_ma: f64 = 20.0, "milliamperes", "a meter: busy loop minus idle", 0 ..= 2000;
        /// Extra current while the radio receives.
        wifi_ma: f64 = 80.0, "milliamperes", "a meter, or the microcontroller's datasheet", 0 ..= 2000;
        /// Extra current while the radio sends, in bursts of a few milliseconds.
        wifi_send_ma: f64 = 240.0, "milliamperes", "the microcontroller's datasheet: transmit current at full power, minus idle", 0 ..= 2000;
        /// Extra current while the card is read.
        card_ma: f64 = 40.0, "milliamperes", "a meter; peaks may exceed 100 mA", 0 ..= 800;
        /// Ambient temperature inside the case.
        ambient_c: f64 = 25.0, "degrees Celsius", "a thermometer in the exhibit", -20 ..= 80;
    }
    nested {
        /// The regulator that feeds the logic.
        regulator: Regulator;
    }
}

section! {
    /// The regulator that feeds the logic.
    Regulator {
        /// Kind of regulator.
        kind: RegulatorKind = RegulatorKind::Linear, "linear | switching", "the board's schematic";
        /// Highest input voltage that it bears.
        input_max_v: f64 = 6.0, "volts", "the regulator's datasheet", 1 ..= 60;
        /// Lowest input at which a switching converter works; one that cannot raise the voltage needs its output and a little more.
        input_min_v: f64 = 2.5, "volts", "the converter's datasheet", 0.5 ..= 30;
        /// Output voltage.
        output_v: f64 = 3.3, "volts", "the board's schematic", 1 ..= 5.5;
        /// Dropout voltage of a linear regulator.
        dropout_v: f64 = 0.25, "volts", "the regulator's datasheet at the load current", 0 ..= 3;
        /// Quiescent current.
        quiescent_ma: f64 = 0.1, "milliamperes", "the regulator's datasheet", 0 ..= 50;
        /// Thermal resistance, junction to ambient.
        theta_ja: f64 = 140.0, "degrees Celsius per watt", "the regulator's datasheet, for its package on a small board; by package class about 140 for three small leads, 60 with a cooling tab (common practice, no source)", 5 ..= 500;
        /// Thermal time constant: time to 63 % of the final temperature rise.
        settle_s: f64 = 300.0, "seconds", "a thermometer on the part", 1 ..= 7200;
        /// Largest output current.
        max_ma: f64 = 600.0, "milliamperes", "the regulator's datasheet", 10 ..= 10_000;
        /// Efficiency of a switching converter.
        efficiency: f64 = 0.9, "share", "the converter's datasheet", 0.3 ..= 0.99;
        /// Highest junction temperature.
        max_junction_c: f64 = 125.0, "degrees Celsius", "the regulator's datasheet", 60 ..= 200;
    }
}
