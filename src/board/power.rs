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

section! {
    /// Power supply. The cell's datasheet and local codes override every figure here.
    Power {
        /// Power source.
        source: PowerSource = PowerSource::Usb, "usb | cell", "wiring";
        /// Voltage of the USB supply at the board.
        usb_v: f64 = 5.0, "volts", "a meter at the board; 4.75 to 5.25 by the standard", 4 ..= 5.5;
        /// Current limit of the USB port.
        usb_limit_ma: f64 = 500.0, "milliamperes", "the port or charger: 500 for a plain USB 2.0 port", 100 ..= 5000;
        /// Capacity of the cell.
        cell_mah: f64 = 1000.0, "milliampere hours", "printed on the cell", 20 ..= 100_000;
        /// Voltage of the charged cell.
        cell_full_v: f64 = 4.2, "volts", "the cell's datasheet: at most 4.2 V unless it says otherwise", 3 ..= 4.45;
        /// Voltage of the cell over most of its discharge.
        cell_typical_v: f64 = 3.7, "volts", "printed on the cell", 2.5 ..= 4.2;
        /// Voltage at which playback must stop.
        cell_empty_v: f64 = 3.0, "volts", "the cell's datasheet: at least 3.0 V unless it says otherwise", 2.5 ..= 4;
        /// Internal resistance of the cell with wires and protection circuit.
        cell_ohm: f64 = 0.15, "ohms", "voltage drop divided by current", 0 ..= 5;
        /// Largest continuous current of the cell.
        cell_limit_ma: f64 = 1000.0, "milliamperes", "the cell's datasheet: standard discharge current, usually 1 C", 20 ..= 100_000;
        /// Voltage drop of the diode between source and board; 0 for none.
        diode_drop_v: f64 = 0.3, "volts", "a meter across the diode while playing", 0 ..= 1.5;
        /// Current limit of the diode.
        diode_limit_ma: f64 = 1000.0, "milliamperes", "the diode's datasheet", 50 ..= 20_000;
        /// Current of the idle board: display on, backlight off, radio off, no sound.
        base_ma: f64 = 45.0, "milliamperes", "a meter in the supply", 0 ..= 5000;
        /// Current of the backlight.
        backlight_ma: f64 = 25.0, "milliamperes", "a meter: backlight on minus backlight off", 0 ..= 2000;
        /// Extra current of one fully busy core.
        core_ma: f64 = 20.0, "milliamperes", "a meter: busy loop minus idle", 0 ..= 2000;
        /// Extra current while the radio receives.
        wifi_ma: f64 = 80.0, "milliamperes", "a meter, or the microcontroller's datasheet", 0 ..= 2000;
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
