//! Which keys of a profile a figure comes from.

use crate::board::{Board, Provenance};

use super::super::{Link, Origin, ReelFacts, air};

/// Keys that the bus's time comes from.
pub(super) const BUS_KEYS: [&str; 4] = [
    "panel.clock_hz",
    "panel.lines",
    "panel.window_bytes",
    "panel.window_us",
];

/// Keys that the cores' speed comes from.
pub(super) const CORE_KEYS: [&str; 3] = ["cpu.clock_hz", "cpu.instructions_per_cycle", "cpu.share"];

/// Keys that the card's rate comes from where no read was measured.
pub(super) const CARD_KEYS: [&str; 5] = [
    "card.clock_hz",
    "card.access_us",
    "card.block_us",
    "card.cluster_us",
    "player.read_bytes",
];

/// Keys that a link's rate comes from: of the air, those of what binds it.
pub(super) fn link_keys(board: &Board, link: Link) -> &'static [&'static str] {
    let Some(wifi) = board.wifi.as_ref().filter(|_| link == Link::Wifi) else {
        let measured = board.card.as_ref().is_some_and(|c| !c.quantiles.is_empty());
        return if measured {
            &["card.quantiles", "card.quantile_bytes", "player.read_bytes"]
        } else {
            &CARD_KEYS
        };
    };
    match air::rate_bps(wifi).1 {
        air::AirLimit::Share if wifi.link_bps > 0 => &["wifi.link_bps", "wifi.usable_share"],
        air::AirLimit::Share => &["wifi.mcs", "wifi.usable_share"],
        air::AirLimit::Frames => &["wifi.mcs", "wifi.segment_bytes"],
        air::AirLimit::Window => &["wifi.window_bytes", "wifi.round_trip_ms"],
        air::AirLimit::Loss => &[
            "wifi.loss",
            "wifi.round_trip_ms",
            "wifi.retransmit_ms",
            "wifi.window_bytes",
            "wifi.segment_bytes",
        ],
        air::AirLimit::Server => &["wifi.server_bps"],
    }
}

/// The key of what taking bytes in costs a core.
pub(super) const fn intake_key(link: Link) -> &'static str {
    match link {
        Link::Card => "card.instructions_per_byte",
        Link::Wifi => "wifi.instructions_per_byte",
    }
}

impl Origin {
    /// Where sizes and costs of a reel's pictures come from.
    #[must_use]
    pub fn of_pictures(reel: &ReelFacts) -> Self {
        if reel.assumed {
            Self::plain(Provenance::Assumed, "typical pictures")
        } else {
            Self::plain(Provenance::Computed, "the reel")
        }
    }

    /// Where the course of a reel's play on a board comes from.
    #[must_use]
    pub fn of_play(reel: &ReelFacts, board: &Board, link: Link) -> Self {
        let stalls = match link {
            Link::Card => "card.stalls",
            Link::Wifi => "wifi.stalls",
        };
        // Window, loss and share are each played out, whichever binds.
        let link_keys = match link {
            Link::Card => link_keys(board, link),
            Link::Wifi => &[
                "wifi.mcs",
                "wifi.usable_share",
                "wifi.window_bytes",
                "wifi.round_trip_ms",
                "wifi.loss",
            ],
        };
        Self::of_pictures(reel)
            .and(Self::keys(board, link_keys))
            .and(Self::keys(board, &[stalls, intake_key(link)]))
            .and(Self::keys(board, &BUS_KEYS))
            .and(Self::keys(board, &CORE_KEYS))
            .and(Self::of_work(reel, board))
    }
}
