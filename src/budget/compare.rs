//! Card or air, for one reel on one board.

use serde::Serialize;

use crate::board::{Board, Wifi};

use super::{AccessPoint, Budget, BudgetError, Link, ReelFacts, Terms, Verdict, air};

/// Beyond this share of lost segments the rule of TCP's rate no longer holds:
/// time-outs, and not halved windows, set the pace (Padhye et al. 1998).
pub const MOST_LOSS: f64 = 0.05;

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
    /// Longest round trip in milliseconds that the TCP window allows.
    pub round_trip_ms: f64,
    /// Largest share of lost segments, at most [`MOST_LOSS`].
    pub loss: f64,
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
    /// How many boards one access point feeds with it.
    pub access_point: AccessPoint,
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
        let mean = reel.slice_bytes() as f64 / reel.seconds();
        Ok(Self {
            access_point: AccessPoint::new(mean, link, terms.margin),
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
        let segment_bits = f64::from(wifi.segment_bytes) * 8e3;
        Self {
            need_bps,
            link_bps,
            mcs,
            reach_m: mcs.map(air::reach_m),
            round_trip_ms: f64::from(wifi.window_bytes) * 8e3 / need_bps,
            loss: (segment_bits * 1.22 / (wifi.round_trip_ms * need_bps))
                .powi(2)
                .min(MOST_LOSS),
        }
    }
}
