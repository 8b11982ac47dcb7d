//! How many boards one access point feeds: time on the air, contention, rate.

use serde::Serialize;

use super::air::{BACKOFF_US, IP_TCP, frame_us};
use crate::board::{DATA_BITS_PER_SYMBOL, Wifi};

/// Slot time, microseconds (IEEE 802.11-2016, clauses 17 and 19).
const SLOT_US: f64 = 9.0;
/// Least contention window and how often it doubles (best search: 15 to 1023).
const WINDOW: f64 = 16.0;
const DOUBLINGS: i32 = 6;
/// Acknowledgements of TCP for one segment (RFC 1122 section 4.2.3.2).
const ANSWERS: f64 = 0.5;
/// More boards than this are not counted.
const MOST_BOARDS: u32 = 250;

/// Stations that contend for the air: one that always has a frame to send, and
/// others that are all alike. Each figure is a share of the slots.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Contention {
    /// In which the first begins to send.
    first: f64,
    /// In which each other begins to send.
    other: f64,
    /// How many others there are.
    others: f64,
}

/// Share of the slots in which a station that always has a frame begins to
/// send, where a share `hit` of its frames collides (Bianchi, "Performance
/// analysis of the IEEE 802.11 distributed coordination function", IEEE Journal
/// on Selected Areas in Communications 18-3, 2000, equation 7).
fn attempt(hit: f64) -> f64 {
    let double: f64 = (0..DOUBLINGS).map(|i| (2.0 * hit).powi(i)).sum();
    2.0 / (1.0 + WINDOW + hit * WINDOW * double)
}

/// The attempt that fits the collisions which `hit` gives for it.
fn settle(hit: impl Fn(f64) -> f64) -> f64 {
    let (mut low, mut high) = (1e-6, 0.5);
    for _ in 0..60 {
        let middle = f64::midpoint(low, high);
        if middle < attempt(hit(middle)) {
            low = middle;
        } else {
            high = middle;
        }
    }
    low
}

/// Share of the slots in which none of `count` begins to send.
fn none_of(each: f64, count: f64) -> f64 {
    (1.0 - each).powf(count)
}

impl Contention {
    /// Stations that always have a frame to send, 1 or more (equation 9 of the
    /// same paper).
    #[must_use]
    pub fn saturated(stations: u32) -> Self {
        let others = f64::from(stations.max(1) - 1);
        let first = settle(|each| 1.0 - none_of(each, others));
        Self {
            first,
            other: first,
            others,
        }
    }

    /// An access point that always has a segment to send to one of `boards`,
    /// which send no more than their acknowledgements: all together one for two
    /// segments, so that their successes are half of the access point's.
    #[must_use]
    pub fn answered(boards: u32) -> Self {
        let others = f64::from(boards.max(1));
        let answer = |first: f64| {
            let odds = ANSWERS * first / (1.0 - first) / others;
            odds / (1.0 + odds)
        };
        let first = settle(|first| 1.0 - none_of(answer(first), others));
        Self {
            first,
            other: answer(first),
            others,
        }
    }

    /// Mean time from one delivered frame of the first to its next,
    /// microseconds, where its frames keep the air for `busy_us` and the
    /// others' for `other_us`, acknowledgement and the space behind it included;
    /// a collision keeps it as long as the frame of the first in it.
    #[must_use]
    pub fn delivery_us(&self, busy_us: f64, other_us: f64) -> f64 {
        let quiet = none_of(self.other, self.others);
        let idle = (1.0 - self.first) * quiet;
        let by_others = 1.0 - self.first - idle;
        let slot = idle * SLOT_US + self.first * busy_us + by_others * other_us;
        slot / (self.first * quiet)
    }
}

/// What one access point carries of a reel.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct AccessPoint {
    /// Share of the air that one board alone takes.
    pub airtime: f64,
    /// Boards that play it at once with the margin kept.
    pub boards: u32,
    /// Share of the air that they then take, contention included.
    pub airtime_of_all: f64,
}

impl AccessPoint {
    /// For a need of `bytes_per_second` for each board, so much of the air
    /// kept free. No frames are joined: a small board's window holds few.
    #[must_use]
    pub fn new(bytes_per_second: f64, wifi: &Wifi, margin: f64) -> Self {
        let share = |boards: u32| airtime(bytes_per_second, wifi, boards);
        let fits = |boards: &u32| share(*boards) <= 1.0 - margin;
        let boards = (1..=MOST_BOARDS).take_while(fits).last().unwrap_or(0);
        Self {
            airtime: share(1),
            boards,
            airtime_of_all: share(boards),
        }
    }
}

/// Share of the air that `boards` take, each with `bytes_per_second` of payload
/// over TCP: 1 is all that the access point can deliver, or all that other
/// networks leave, whichever is less.
#[must_use]
pub fn airtime(bytes_per_second: f64, wifi: &Wifi, boards: u32) -> f64 {
    let symbol_us = if wifi.short_guard { 3.6 } else { 4.0 };
    let bits = if wifi.link_bps > 0 {
        (wifi.link_bps as f64 * symbol_us / 1e6).round().max(1.0) as u32
    } else {
        DATA_BITS_PER_SYMBOL[usize::from(wifi.mcs.min(7))]
    };
    let busy_us = |ip_bytes| frame_us(ip_bytes, bits, symbol_us) - BACKOFF_US;
    let segment_us = Contention::answered(boards)
        .delivery_us(busy_us(wifi.segment_bytes + IP_TCP), busy_us(IP_TCP));
    // With one segment lost in so many, that one is sent again.
    let sent = f64::from(boards) * bytes_per_second / (1.0 - wifi.loss.min(0.5));
    let contended = sent / f64::from(wifi.segment_bytes) * segment_us / 1e6;
    contended.max(8.0 * sent / (wifi.rate_bps() * wifi.usable_share))
}
