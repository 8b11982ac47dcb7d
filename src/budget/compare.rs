//! Card or air, for one reel on one board.

use serde::Serialize;

use crate::board::{Board, Wifi};

use super::{Budget, BudgetError, Link, ReelFacts, Terms, Verdict, air};

/// Longest round trip and greatest loss that a profile may state.
const LONGEST_MS: f64 = 5000.0;
const MOST_LOSS: f64 = 0.3;

/// Where Wi-Fi stops sufficing, each figure with all else as it is.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Crossover {
    /// Payload rate that the reel needs with the margin, in bit/s.
    pub need_bps: f64,
    /// Least link rate in bit/s at the profile's usable share.
    pub link_bps: f64,
    /// Least MCS that gives it; `None` if even MCS 7 does not.
    pub mcs: Option<u8>,
    /// Reach of that MCS in metres, an order of magnitude.
    pub reach_m: Option<f64>,
    /// Longest round trip in milliseconds; `None` if none is short enough.
    pub round_trip_ms: Option<f64>,
    /// Largest share of lost segments; `None` if even none lost is too many.
    pub loss: Option<f64>,
}

/// Both links side by side.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Comparison {
    /// The budget from the card.
    pub card: Budget,
    /// The budget over Wi-Fi.
    pub wifi: Budget,
    /// Where Wi-Fi stops sufficing.
    pub crossover: Crossover,
    /// The link that is advised.
    pub advice: Link,
    /// Why, in one sentence.
    pub reason: String,
}

impl Comparison {
    /// Compares card and air.
    ///
    /// # Errors
    /// The board lacks one of the two, or the reel is empty.
    pub fn new(reel: &ReelFacts, board: &Board, terms: Terms) -> Result<Self, BudgetError> {
        let card = Budget::new(reel, board, Link::Card, terms)?;
        let wifi = Budget::new(reel, board, Link::Wifi, terms)?;
        let link = board.wifi.as_ref().ok_or(BudgetError::NoLink {
            board: board.name.clone(),
            section: "wifi",
        })?;
        let crossover = Crossover::new(wifi.lines[0].need, link, terms.margin);
        let (advice, reason) = advise(&card, &wifi);
        Ok(Self {
            card,
            wifi,
            crossover,
            advice,
            reason,
        })
    }
}

/// The better verdict wins; between equals the card, which knows no neighbours.
fn advise(card: &Budget, wifi: &Budget) -> (Link, String) {
    let share = |b: &Budget| b.lines[0].ratio() * 100.0;
    let (c, w) = (share(card), share(wifi));
    if wifi.verdict < card.verdict {
        (
            Link::Wifi,
            format!(
                "over Wi-Fi the verdict is \"{}\", from the card \"{}\"",
                wifi.verdict.word(),
                card.verdict.word()
            ),
        )
    } else if wifi.verdict == Verdict::Fits && card.verdict == Verdict::Fits {
        (
            Link::Card,
            format!(
                "both fit; the card is filled to {c:.0} %, Wi-Fi to {w:.0} %, and a card has no neighbours: use Wi-Fi only if films must change from afar"
            ),
        )
    } else if wifi.verdict == card.verdict {
        (
            Link::Card,
            format!(
                "both verdicts are \"{}\"; a card has no neighbours",
                card.verdict.word()
            ),
        )
    } else {
        (
            Link::Card,
            format!(
                "from the card the verdict is \"{}\", over Wi-Fi \"{}\"",
                card.verdict.word(),
                wifi.verdict.word()
            ),
        )
    }
}

impl Crossover {
    /// The crossover for a need of `bytes_per_second`, with the margin on top.
    #[must_use]
    pub fn new(bytes_per_second: f64, wifi: &Wifi, margin: f64) -> Self {
        let need_bps = bytes_per_second * 8.0 / (1.0 - margin);
        let link_bps = need_bps / wifi.usable_share;
        let suffices = |mcs: &u8| {
            let at = Wifi {
                mcs: *mcs,
                link_bps: 0,
                round_trip_ms: 0.1,
                loss: 0.0,
                server_bps: 0,
                ..wifi.clone()
            };
            air::rate_bps(&at).0 >= need_bps
        };
        let mcs = (0..8).find(suffices);
        let with = |edit: &dyn Fn(&mut Wifi)| {
            let mut changed = wifi.clone();
            edit(&mut changed);
            air::rate_bps(&changed).0 >= need_bps
        };
        Self {
            need_bps,
            link_bps,
            mcs,
            reach_m: mcs.map(air::reach_m),
            round_trip_ms: most(0.1, LONGEST_MS, |ms| with(&|w| w.round_trip_ms = ms)),
            loss: most(0.0, MOST_LOSS, |loss| with(&|w| w.loss = loss)),
        }
    }
}

/// The greatest value from `low` to `high` that suffices, to a thousandth; the
/// smaller the better.
fn most(low: f64, high: f64, suffices: impl Fn(f64) -> bool) -> Option<f64> {
    if !suffices(low) {
        return None;
    }
    let (mut low, mut high) = (low, high);
    if suffices(high) {
        return Some(high);
    }
    while high - low > 0.001 * high {
        let middle = low + (high - low) / 2.0;
        if suffices(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
    Some(low)
}
