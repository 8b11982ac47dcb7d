//! The one model of a board's supply: what the parts draw while a reel plays,
//! how far that lets the supply sag, how long a cell lasts and what gets warm.
//!
//! Budget, rehearsal, gain, enclosure, conversion and report all ask
//! [`PowerModel`]; none of them estimates on its own. What is assumed stands in
//! [`ASSUMED`], once.
//!
//! The circuit: an ideal source of the cell's open-circuit voltage (or of the
//! USB port's), a series resistance, a diode by Shockley's equation, and behind
//! it one node with the bulk capacitor, the regulator and, where the profile
//! wires it so, the amplifier.

mod amplifier;
mod cell;
mod circuit;
mod load;
mod model;
mod programme;
mod run_time;
mod words;
mod worst;

pub use amplifier::{AmplifierLoad, CurrentMeter, CurrentUse};
pub use cell::Cell;
pub use circuit::{Circuit, Demand};
pub use load::{Duty, LogicLoad, PartCurrent};
pub(in crate::budget) use model::stand_in;
pub use model::{Heat, Power, PowerModel, USB_PORT, assumed_at, supplies, weakest_supply};
pub use programme::{Excerpt, Programme, ProgrammeMeter};
pub use run_time::{Change, End, RunTime, changes};
pub use words::{HEAT_AND_SOUND, cautions, cell_caution, lasting, sentences, speaker_caution};
pub use worst::{Carry, State, carrying_capacitor};

/// What the model takes for granted, each sentence once.
pub const ASSUMED: [&str; 8] = [
    "a lithium-ion cell's open-circuit voltage and the course of its resistance follow Chen and Rincón-Mora (IEEE Transactions on Energy Conversion 21-2, 2006), continued to the charge voltage; an iron phosphate cell's are common practice, no source",
    "cold raises a cell's resistance by 2,900 K over absolute temperature and takes capacity: 12 % at 0 °C, 35 % at -20 °C (common practice, no source)",
    "the diode follows Shockley's equation from its stated drop, with an emission coefficient of 1.05 at 27 °C",
    "a linear regulator in dropout gives its input less its dropout; a switching one holds its output down to its lowest input",
    "the amplifier takes its quiescent current and the speaker's power through its efficiency at high level, and clips at its supply less what its outputs drop",
    "the worst instant has all cores busy, the backlight on, the card being read or the radio sending, and the loudest moments of the very sound",
    "the radio listens all the time (with power saving on: while it carries data, for 5 ms at each beacon, and until a lost connection is back) and sends an acknowledgement for each frame and for every second segment; at the worst instant it sends a 1,500-byte frame at 6 Mbit/s",
    "without a reel the sound is a film mix: 18 dB below a full-scale sine on average, its loudest moment a 100 Hz tone at -1 dBFS (common practice, no source)",
];
