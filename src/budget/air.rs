//! What the air carries: IEEE 802.11n frame times, TCP's window and losses,
//! reach.

use serde::Serialize;

use crate::board::{DATA_BITS_PER_SYMBOL, Wifi};

use super::tcp::Flow;

/// Bytes of IPv4 and UDP headers, of IPv4 and TCP headers, and of LLC, MAC
/// header and frame check sequence around them.
const IP_UDP: u32 = 28;
pub(super) const IP_TCP: u32 = 40;
const MAC: u32 = 36;
/// Mean backoff of a station alone: 7.5 slots, microseconds.
pub(super) const BACKOFF_US: f64 = 67.5;

/// Time on the air of one frame that carries `ip_bytes` of an IP packet, in
/// microseconds, without aggregation: DIFS 28, mean backoff 67.5, preamble 36,
/// symbols, signal extension 6, SIFS 10, ACK 34 (IEEE 802.11n-2009; the
/// constants from memory).
#[must_use]
pub fn frame_us(ip_bytes: u32, bits_per_symbol: u32, symbol_us: f64) -> f64 {
    let bits = 8 * (ip_bytes + MAC) + 22;
    let data = f64::from(bits.div_ceil(bits_per_symbol)) * symbol_us;
    28.0 + BACKOFF_US + 36.0 + data + 6.0 + 10.0 + 34.0
}

/// UDP payload rate alone in the air, bit/s, long guard interval.
#[must_use]
pub fn udp_bps(mcs: u8) -> f64 {
    let bits = DATA_BITS_PER_SYMBOL[usize::from(mcs.min(7))];
    8.0 * 1472.0 * 1e6 / frame_us(1472 + IP_UDP, bits, 4.0)
}

/// TCP payload rate alone in the air, bit/s, one acknowledgement for two
/// segments.
#[must_use]
pub fn tcp_bps(segment: u32, bits_per_symbol: u32, symbol_us: f64) -> f64 {
    let data = frame_us(segment + IP_TCP, bits_per_symbol, symbol_us);
    let ack = frame_us(IP_TCP, bits_per_symbol, symbol_us);
    16.0 * f64::from(segment) * 1e6 / (2.0 * data + ack)
}

/// Payload bit/s that one window a round trip allows.
#[must_use]
pub fn window_bps(window_bytes: u32, round_trip_ms: f64) -> f64 {
    f64::from(window_bytes) * 8e3 / round_trip_ms
}

/// What binds the rate of a wireless link.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum AirLimit {
    /// The share of the link rate that payload can use.
    Share,
    /// Frame overheads without aggregation.
    Frames,
    /// TCP window over round trip.
    Window,
    /// Lost segments.
    Loss,
    /// The server's pace.
    Server,
}

impl AirLimit {
    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Share => "limited by the share of the link rate that payload can use",
            Self::Frames => "limited by Wi-Fi frame overhead",
            Self::Window => "limited by the TCP window over the round trip",
            Self::Loss => "limited by lost segments and the timeouts they cost",
            Self::Server => "limited by the server's rate",
        }
    }
}

/// Share of the window's rate below which losses bind it.
const BOUND_BY_LOSS: f64 = 0.98;

/// Sustained payload rate in bit/s and what binds it.
#[must_use]
pub fn rate_bps(wifi: &Wifi) -> (f64, AirLimit) {
    let symbol = if wifi.short_guard { 3.6 } else { 4.0 };
    let bits = DATA_BITS_PER_SYMBOL[usize::from(wifi.mcs.min(7))];
    let mut air = vec![(wifi.rate_bps() * wifi.usable_share, AirLimit::Share)];
    if wifi.link_bps == 0 {
        air.push((tcp_bps(wifi.segment_bytes, bits, symbol), AirLimit::Frames));
    }
    if wifi.server_bps > 0 {
        air.push((wifi.server_bps as f64, AirLimit::Server));
    }
    let calm = window_bps(wifi.window_bytes, wifi.turn_ms());
    air.push((calm, AirLimit::Window));
    let (most, limit) = air
        .into_iter()
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .unwrap_or((0.0, AirLimit::Share));
    let segment = f64::from(wifi.segment_bytes) * 8.0;
    let flow = Flow::of(wifi).through(most / segment) * segment;
    if flow < most * BOUND_BY_LOSS {
        (flow, AirLimit::Loss)
    } else {
        (flow.min(most), limit)
    }
}

/// Least received power for MCS 0 to 7, dBm (IEEE 802.11n-2009 table of
/// receiver minimum input sensitivity, 20 MHz; from memory).
pub const SENSITIVITY_DBM: [f64; 8] = [-82.0, -79.0, -77.0, -74.0, -70.0, -66.0, -65.0, -64.0];

/// Reach in metres at which an MCS still holds, indoors on one floor: ITU-R
/// P.1238, L = 20 log10(MHz) + 30 log10(d) - 28 (office coefficient; from
/// memory), 15 dBm sent, 10 dB kept for fading (both assumed). An order of
/// magnitude, not a promise.
#[must_use]
pub fn reach_m(mcs: u8) -> f64 {
    let loss = 15.0 - 10.0 - SENSITIVITY_DBM[usize::from(mcs.min(7))];
    10f64.powf((loss - 20.0 * 2437f64.log10() + 28.0) / 30.0)
}

/// The highest MCS that reaches `metres` ([`reach_m`]); none if even MCS 0 does not.
#[must_use]
pub fn mcs_at(metres: f64) -> Option<u8> {
    (0..8).rev().find(|mcs| reach_m(*mcs) >= metres)
}

/// Bytes that HTTP chunked coding adds to a chunk: its length in hexadecimal
/// and two line ends (RFC 9112 section 7.1).
#[must_use]
pub const fn chunk_overhead(bytes: u64) -> u64 {
    let digits = if bytes == 0 {
        1
    } else {
        (bytes.ilog2() / 4 + 1) as u64
    };
    digits + 4
}
