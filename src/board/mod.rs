//! Board profiles: what a panel, its links, its computer, its sound chain and
//! its power can do, in figures that say where they come from.
//!
//! A profile is a TOML file. Every key has a default; `panel.width`,
//! `panel.height` and one link (`[card]` or `[wifi]`) must be there. Unknown
//! keys are errors that suggest the nearest known one.

mod check;
mod clocks;
mod hazards;
pub mod keys;
mod links;
mod machine;
mod measure;
mod panel;
mod power;
mod questions;
mod sound_chain;
mod write;

use std::collections::BTreeMap;
#[cfg(feature = "files")]
use std::path::Path;

use serde::{Deserialize, Serialize};
use toml::Table;

pub use check::{Advice, BoardError};
pub use clocks::Divider;
pub use links::{Card, CardBus, DATA_BITS_PER_SYMBOL, Stalls, Wifi};
pub use machine::{Cpu, InstructionSet, Memory, Player};
pub use measure::{Latency, MeasureError, Measured};
pub use panel::{ByteOrder, Panel, Shape, Tone};
pub use power::{CellKind, Power, PowerSource, Regulator, RegulatorKind};
pub use questions::{AskError, ask};
pub use sound_chain::{Amplifier, AmplifierSupply, SoundChain, Speaker};

/// Where a figure comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Provenance {
    /// Read from a run on the board or with an instrument.
    Measured,
    /// Worked out by a formula from other figures.
    Computed,
    /// Taken from a datasheet, from custom, or guessed.
    Assumed,
}

impl std::fmt::Display for Provenance {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Measured => "measured",
            Self::Computed => "computed",
            Self::Assumed => "assumed",
        })
    }
}

/// A whole board.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Board {
    /// Short name, lower case with hyphens.
    pub name: String,
    /// One line about geometry and numbers.
    #[serde(default)]
    pub description: String,
    /// The panel and its bus.
    pub panel: Panel,
    /// The memory card, if there is one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub card: Option<Card>,
    /// The wireless link, if there is one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub wifi: Option<Wifi>,
    /// Memory for the player.
    #[serde(default)]
    pub memory: Memory,
    /// The cores.
    #[serde(default)]
    pub cpu: Cpu,
    /// How the firmware plays.
    #[serde(default)]
    pub player: Player,
    /// The sound chain.
    #[serde(default)]
    pub sound: SoundChain,
    /// Power.
    #[serde(default)]
    pub power: Power,
    /// Where figures come from: a key or a whole section to its provenance.
    /// What is not named is assumed.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub provenance: BTreeMap<String, Provenance>,
}

/// The built-in profiles' texts.
const BUILT_IN: &[&str] = &[
    include_str!("builtin/lantern-room.toml"),
    include_str!("builtin/porthole.toml"),
    include_str!("builtin/tide-gauge.toml"),
    include_str!("builtin/keepers-door.toml"),
    include_str!("builtin/harbour-chart.toml"),
    include_str!("builtin/bell-buoy.toml"),
];

impl Board {
    /// All built-in boards.
    ///
    /// # Panics
    /// Never: the texts are part of the program and a test parses them.
    #[must_use]
    pub fn built_in() -> Vec<Self> {
        BUILT_IN
            .iter()
            .map(|text| Self::parse(text, "built-in profile").expect("built-in profile"))
            .collect()
    }

    /// The built-in board of that name.
    ///
    /// # Errors
    /// [`BoardError`] names the nearest board.
    pub fn named(name: &str) -> Result<Self, BoardError> {
        let boards = Self::built_in();
        let names: Vec<String> = boards.iter().map(|b| b.name.clone()).collect();
        boards
            .into_iter()
            .find(|b| b.name == name)
            .ok_or_else(|| BoardError::unknown_board(name, &names))
    }

    /// The board of that name, or the profile in that file: what ends in
    /// `.toml` or names a folder is a path.
    ///
    /// # Errors
    /// [`BoardError`] names the nearest board or key and the way out.
    #[cfg(feature = "files")]
    pub fn find(name_or_path: &str) -> Result<Self, BoardError> {
        let path = Path::new(name_or_path);
        let is_path = path
            .extension()
            .is_some_and(|e| e.eq_ignore_ascii_case("toml"))
            || path.components().count() > 1;
        if is_path {
            return Self::load(path);
        }
        Self::named(name_or_path)
    }

    /// Reads and checks a profile.
    ///
    /// # Errors
    /// As for [`Board::parse`], or the file cannot be read.
    #[cfg(feature = "files")]
    pub fn load(path: &Path) -> Result<Self, BoardError> {
        let name = path.display().to_string();
        let text = std::fs::read_to_string(path).map_err(|source| match source.kind() {
            std::io::ErrorKind::InvalidData => BoardError::Syntax {
                file: name.clone(),
                message: "it is not a board profile, which is text; check the name".into(),
            },
            _ => BoardError::Read {
                file: name.clone(),
                source,
            },
        })?;
        Self::parse(&text, &name)
    }

    /// Parses and checks a profile's text; `file` names it in errors.
    ///
    /// # Errors
    /// Not TOML, an unknown key, a wrong type, a value out of its range, or
    /// figures that contradict each other.
    pub fn parse(text: &str, file: &str) -> Result<Self, BoardError> {
        check::parse(text, file)
    }

    /// Every section there is, every key at its default.
    fn blank() -> Self {
        Self {
            name: String::new(),
            description: String::new(),
            panel: Panel::default(),
            card: Some(Card::default()),
            wifi: Some(Wifi::default()),
            memory: Memory::default(),
            cpu: Cpu::default(),
            player: Player::default(),
            sound: SoundChain::default(),
            power: Power::default(),
            provenance: BTreeMap::new(),
        }
    }

    /// The profile as commented TOML, every key with its unit and origin.
    #[must_use]
    pub fn to_toml(&self) -> String {
        write::commented(self)
    }

    /// Panel, links, cores, speaker and source in a line, from the figures.
    #[must_use]
    pub fn summary(&self) -> String {
        let (width, height) = self.panel.upright_size();
        let links = match (&self.card, &self.wifi) {
            (Some(_), Some(_)) => "card and Wi-Fi",
            (Some(_), None) => "card",
            _ => "Wi-Fi",
        };
        let (cores, s) = (self.cpu.cores, if self.cpu.cores == 1 { "" } else { "s" });
        let source = match self.power.source {
            PowerSource::Usb => format!("USB, {:.0} mA", self.power.usb_limit_ma),
            PowerSource::Cell => format!(
                "one {} of {:.0} mAh",
                self.power.cell_kind.words(),
                self.power.cell_mah
            ),
        };
        format!(
            "{width}x{height} panel, {links}, {cores} core{s} at {:.0} MHz, {:.0} ohm speaker, {source}",
            f64::from(self.cpu.clock_hz) / 1e6,
            self.sound.speaker.impedance_ohm
        )
    }

    /// Contradictions and traps worth a word, none of them an error.
    #[must_use]
    pub fn advice(&self) -> Vec<Advice> {
        check::advice(self)
    }

    /// The sound's clock, its dividers and its latency: a sentence each, none of
    /// them a fault.
    #[must_use]
    pub fn clock_notes(&self) -> [String; 3] {
        clocks::notes(self)
    }

    /// Where the figure of a key such as `card.access_us` comes from.
    #[must_use]
    pub fn provenance_of(&self, key: &str) -> Provenance {
        let mut path = key;
        loop {
            if let Some(found) = self.provenance.get(path) {
                return *found;
            }
            match path.rfind('.') {
                Some(dot) => path = &path[..dot],
                None => return Provenance::Assumed,
            }
        }
    }
}

/// The default of a key as a profile writes it: nothing for what must be
/// given, `unset` for what is guessed or left out.
#[must_use]
pub fn default_of(section: &str, key: &keys::Key) -> Option<String> {
    if section == "panel" && REQUIRED.contains(&key.name) {
        return None;
    }
    let table = Table::try_from(Board::blank()).unwrap_or_default();
    let inner = section
        .split('.')
        .try_fold(&table, |t, part| t.get(part)?.as_table());
    let value = inner.and_then(|t| t.get(key.name));
    Some(value.map_or_else(|| "unset".into(), write::plain))
}

/// A key's unit, default and range in one phrase.
#[must_use]
pub fn terms_of(section: &str, key: &keys::Key) -> String {
    write::terms(section, key)
}

/// Keys of the panel that have no default.
const REQUIRED: [&str; 2] = ["width", "height"];

/// Every section of a profile with its keys, in the order of the file.
#[must_use]
pub fn sections() -> Vec<(&'static str, &'static [keys::Key])> {
    vec![
        ("panel", Panel::KEYS),
        ("panel.tone", Tone::KEYS),
        ("card", Card::KEYS),
        ("card.stalls", Stalls::KEYS),
        ("wifi", Wifi::KEYS),
        ("wifi.stalls", Stalls::KEYS),
        ("memory", Memory::KEYS),
        ("cpu", Cpu::KEYS),
        ("player", Player::KEYS),
        ("sound", SoundChain::KEYS),
        ("sound.amplifier", Amplifier::KEYS),
        ("sound.speaker", Speaker::KEYS),
        ("power", Power::KEYS),
        ("power.regulator", Regulator::KEYS),
    ]
}
