//! One line of a budget: need against capacity.

use serde::Serialize;

use crate::board::{Board, Provenance};

use super::facts::ReelFacts;

/// What a line is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Part {
    /// Bytes per second from the card.
    Card,
    /// Bytes per second over Wi-Fi.
    Wifi,
    /// Time of the panel's bus.
    Bus,
    /// Decoding and sending, strip by strip.
    Turns,
    /// One picture, the most expensive.
    Picture,
    /// The core that draws (the only one, where there is one).
    DisplayCore,
    /// The core that reads, where there are two.
    IoCore,
    /// Internal memory.
    Internal,
    /// External memory.
    External,
    /// Traffic of external memory.
    ExternalRate,
    /// I2S bit clock.
    I2s,
    /// Pictures larger than the panel.
    Panel,
    /// Size of the file on its card.
    Space,
    /// Current through the regulator.
    Regulator,
    /// Temperature of the regulator.
    Heat,
    /// Current from USB port or cell.
    Source,
    /// Voltage that the logic's supply needs before its regulator.
    Rail,
}

impl Part {
    /// A part of the supply: no other picture changes much about it.
    #[must_use]
    pub const fn is_supply(self) -> bool {
        matches!(
            self,
            Self::Regulator | Self::Heat | Self::Source | Self::Rail
        )
    }

    /// The part's name in tables.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Card => "card",
            Self::Wifi => "Wi-Fi",
            Self::Bus => "panel bus",
            Self::Turns => "drawing in strips",
            Self::Picture => "worst picture",
            Self::DisplayCore => "display core",
            Self::IoCore => "I/O core",
            Self::Internal => "internal memory",
            Self::External => "external memory",
            Self::ExternalRate => "external memory traffic",
            Self::I2s => "I2S",
            Self::Panel => "picture on the panel",
            Self::Space => "file size",
            Self::Regulator => "regulator current",
            Self::Heat => "regulator heat",
            Self::Source => "supply current",
            Self::Rail => "supply voltage",
        }
    }
}

/// Whether a need is met.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// With the asked margin to spare.
    Fits,
    /// Met, with less than the margin to spare.
    Tight,
    /// Not met.
    DoesNotFit,
}

impl Verdict {
    /// The verdict on a need at `ratio` of its capacity.
    #[must_use]
    pub fn of(ratio: f64, margin: f64) -> Self {
        if ratio > 1.0 || ratio.is_nan() {
            Self::DoesNotFit
        } else if ratio > 1.0 - margin + 1e-12 {
            Self::Tight
        } else {
            Self::Fits
        }
    }

    /// One word.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Fits => "fits",
            Self::Tight => "tight",
            Self::DoesNotFit => "does not fit",
        }
    }
}

/// One thing that a figure was made from.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Source {
    /// A key of the profile, or a few words.
    pub name: String,
    /// Where it comes from itself.
    pub provenance: Provenance,
}

/// Where a figure comes from, and what it was made from.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Origin {
    /// How the figure itself was made.
    pub kind: Provenance,
    /// The weakest provenance among what it was made from.
    pub of: Provenance,
    /// What it was made from.
    pub from: Vec<Source>,
}

impl Origin {
    /// Computed from keys of a board.
    #[must_use]
    pub fn keys(board: &Board, keys: &[&str]) -> Self {
        let source = |key: &&str| Source {
            name: (*key).to_owned(),
            provenance: board.provenance_of(key),
        };
        Self::of(keys.iter().map(source).collect())
    }

    /// From one named origin that is no key.
    #[must_use]
    pub fn plain(kind: Provenance, from: &str) -> Self {
        let source = Source {
            name: from.to_owned(),
            provenance: kind,
        };
        Self {
            kind,
            ..Self::of(vec![source])
        }
    }

    /// From two origins together.
    #[must_use]
    pub fn and(self, other: Self) -> Self {
        let mut from = self.from;
        for source in other.from {
            if !from.contains(&source) {
                from.push(source);
            }
        }
        Self::of(from)
    }

    fn of(from: Vec<Source>) -> Self {
        let weakest = from.iter().map(|s| s.provenance).max();
        Self {
            kind: Provenance::Computed,
            of: weakest.unwrap_or(Provenance::Computed),
            from,
        }
    }

    /// In a few words, without the names of keys.
    #[must_use]
    pub fn short(&self) -> String {
        let is_key = |s: &&Source| s.name.contains(['.', '_']);
        let plain = self.from.iter().filter(|s| !is_key(s));
        let told = |s: &Source| match s.provenance {
            Provenance::Computed => s.name.clone(),
            word => format!("{word} {}", s.name),
        };
        let plain: Vec<String> = plain.map(told).collect();
        let weakest = self.from.iter().filter(is_key).map(|s| s.provenance).max();
        let keys = weakest.map(|of| format!("{of} keys of the profile"));
        let all: Vec<String> = plain.into_iter().chain(keys).collect();
        if self.kind == Provenance::Computed {
            format!("computed from {}", all.join(" and "))
        } else {
            format!("{} ({})", self.kind, all.join(", "))
        }
    }

    /// The names of a provenance, the word before them.
    fn names(&self, provenance: Provenance) -> Option<String> {
        let of = self.from.iter().filter(|s| s.provenance == provenance);
        let names: Vec<&str> = of.map(|s| s.name.as_str()).collect();
        let names = (!names.is_empty()).then(|| names.join(", "))?;
        Some(match provenance {
            // What is computed needs no word before it where all is.
            Provenance::Computed => names,
            word => format!("{word} {names}"),
        })
    }
}

impl std::fmt::Display for Origin {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        use Provenance::{Assumed, Computed, Measured};
        if self.from.iter().all(|s| s.provenance == self.kind) {
            let names: Vec<&str> = self.from.iter().map(|s| s.name.as_str()).collect();
            return write!(f, "{} ({})", self.kind, names.join(", "));
        }
        let parts = [Computed, Measured, Assumed].map(|p| self.names(p));
        let parts: Vec<String> = parts.into_iter().flatten().collect();
        write!(f, "{} from {}", self.kind, parts.join("; "))
    }
}

/// Need against capacity of one part.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Line {
    /// The part.
    pub part: Part,
    /// What is needed.
    pub need: f64,
    /// What there is.
    pub capacity: f64,
    /// Unit of both.
    pub unit: &'static str,
    /// Share of the need that does not grow with rate or size of the pictures.
    pub fixed: f64,
    /// It grows with the picture rate.
    pub by_rate: bool,
    /// It grows with the picture's area.
    pub by_area: bool,
    /// When the need is greatest, in seconds from the start.
    pub at_seconds: Option<f64>,
    /// Where the need comes from.
    pub need_origin: Origin,
    /// Where the capacity comes from.
    pub capacity_origin: Origin,
    /// The verdict with the margin.
    pub verdict: Verdict,
    /// Share of the capacity that must stay free for "fit".
    pub margin: f64,
    /// Highest picture rate at which this part keeps its margin, all else
    /// equal; `None` where it does not depend on the rate.
    pub highest_rate: Option<f64>,
    /// Largest picture of the same proportions at which it does.
    pub largest: Option<(u32, u32)>,
    /// What else must be said.
    pub note: Option<String>,
}

impl Line {
    /// Need over capacity; infinite where there is none.
    #[must_use]
    pub fn ratio(&self) -> f64 {
        if self.capacity > 0.0 {
            self.need / self.capacity
        } else if self.need > 0.0 {
            f64::INFINITY
        } else {
            0.0
        }
    }

    /// The part and why it is short: its load, or its note where the load is not
    /// the cause.
    #[must_use]
    pub fn reason(&self) -> String {
        let name = self.part.name();
        match &self.note {
            Some(note) if self.ratio() <= 1.0 - self.margin => format!("{name}: {note}"),
            _ => format!(
                "{name} is loaded to {:.0} % of its capacity",
                self.ratio() * 100.0
            ),
        }
    }

    /// The factor on the growing share at which the margin is just kept.
    pub(super) fn growth(&self) -> Option<f64> {
        self.room(1.0 - self.margin)
    }

    /// Fills in the highest rate and the largest picture.
    pub(super) fn look_ahead(&mut self, reel: &ReelFacts) {
        let growth = self.growth();
        self.highest_rate = growth.filter(|_| self.by_rate).map(|room| reel.rate * room);
        let side = |v: u16, room: f64| (f64::from(v) * room.sqrt()) as u32;
        self.largest = growth
            .filter(|_| self.by_area)
            .map(|room| (side(reel.width, room), side(reel.height, room)));
    }

    /// The factor by which what grows may grow until it fills `share` of the
    /// capacity; `None` if nothing grows.
    #[must_use]
    pub fn room(&self, share: f64) -> Option<f64> {
        let growing = self.need - self.fixed;
        (growing > 0.0).then(|| ((self.capacity * share - self.fixed) / growing).max(0.0))
    }
}
