//! Power: source, cell, regulator, and what each part draws.

use serde::{Deserialize, Serialize};

use super::keys::section;

/// Where the power comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PowerSource {
    /// Five volts over USB.
    Usb,
    /// One lithium cell.
    Cell,
}

/// How the logic's voltage is made.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RegulatorKind {
    /// A linear regulator: the difference becomes heat.
    Linear,
    /// A switching converter.
    Switching,
}

section! {
    /// Power. A cell's own datasheet and local codes win over every figure here.
    Power {
        /// Where the power comes from.
        source: PowerSource = PowerSource::Usb, "usb | cell", "wiring";
        /// Voltage of the USB supply at the board.
        usb_v: f64 = 5.0, "volts", "a meter at the board; 4.75 to 5.25 by the standard", 4 ..= 5.5;
        /// Current that the USB port may give.
        usb_limit_ma: f64 = 500.0, "milliamperes", "the port or charger: 500 for a plain USB 2.0 port", 100 ..= 5000;
        /// Capacity of the cell.
        cell_mah: f64 = 1000.0, "milliampere hours", "printed on the cell", 20 ..= 100_000;
        /// Voltage of the full cell.
        cell_full_v: f64 = 4.2, "volts", "the cell's datasheet: never above 4.2 V unless it says so", 3 ..= 4.45;
        /// Voltage of the cell over most of its discharge.
        cell_typical_v: f64 = 3.7, "volts", "printed on the cell", 2.5 ..= 4.2;
        /// Voltage at which play must stop.
        cell_empty_v: f64 = 3.0, "volts", "the cell's datasheet: not below 3.0 V unless it says so", 2.5 ..= 4;
        /// Inner resistance of the cell with its wires and protection.
        cell_ohm: f64 = 0.15, "ohms", "voltage drop divided by current", 0 ..= 5;
        /// Largest continuous current of the cell.
        cell_limit_ma: f64 = 1000.0, "milliamperes", "the cell's datasheet: standard discharge, as a rule capacity x 1/h", 20 ..= 100_000;
        /// Drop of the diode between source and board; 0 for none.
        diode_drop_v: f64 = 0.3, "volts", "a meter across the diode while playing", 0 ..= 1.5;
        /// Current that the diode bears.
        diode_limit_ma: f64 = 1000.0, "milliamperes", "the diode's datasheet", 50 ..= 20_000;
        /// Current of the board while it idles with the display on but dark, radio off, silent.
        base_ma: f64 = 45.0, "milliamperes", "a meter in the supply", 0 ..= 5000;
        /// Current of the lit backlight.
        backlight_ma: f64 = 25.0, "milliamperes", "a meter, light on less light off", 0 ..= 2000;
        /// Further current of one core that is busy all the time.
        core_ma: f64 = 20.0, "milliamperes", "a meter, busy loop less idle", 0 ..= 2000;
        /// Further current while the radio receives.
        wifi_ma: f64 = 80.0, "milliamperes", "a meter, or the microcontroller's datasheet", 0 ..= 2000;
        /// Further current while the card is read.
        card_ma: f64 = 40.0, "milliamperes", "a meter, or the card's class; peaks may reach 100 mA and more", 0 ..= 800;
        /// Temperature around the board, in its case.
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
        /// How the logic's voltage is made.
        kind: RegulatorKind = RegulatorKind::Linear, "linear | switching", "the board's schematic";
        /// Output voltage.
        output_v: f64 = 3.3, "volts", "the board's schematic", 1 ..= 5.5;
        /// Least difference between input and output of a linear regulator.
        dropout_v: f64 = 0.25, "volts", "the regulator's datasheet at the load current", 0 ..= 3;
        /// The regulator's own current.
        quiescent_ma: f64 = 0.1, "milliamperes", "the regulator's datasheet", 0 ..= 50;
        /// Rise of its inside over the air for each watt.
        theta_ja: f64 = 140.0, "degrees Celsius per watt", "the regulator's datasheet, for its package on a small board; 140 brings a common board to the mid-forties after half an hour (common practice, no source), a tiny package without copper has 200 and more", 5 ..= 500;
        /// Time in which it comes within a third of its last temperature.
        settle_s: f64 = 300.0, "seconds", "a thermometer on the part: 63 % of the rise", 1 ..= 7200;
        /// Largest output current.
        max_ma: f64 = 600.0, "milliamperes", "the regulator's datasheet", 10 ..= 10_000;
        /// Share of input power that a switching converter passes on.
        efficiency: f64 = 0.9, "share", "the converter's datasheet", 0.3 ..= 0.99;
        /// Temperature at which it gives up.
        max_junction_c: f64 = 125.0, "degrees Celsius", "the regulator's datasheet", 60 ..= 200;
    }
}
