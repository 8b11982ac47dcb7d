//! How many boards one access point feeds: time on the air, contention, rate.

use serde::Serialize;

use super::air::{IP_TCP, frame_us};
use crate::board::{DATA_BITS_PER_SYMBOL, Wifi};

/// Slot time and the sum of SIFS, acknowledgement and DIFS, microseconds (IEEE
/// 802.11-2016, clauses 17 and 19; the acknowledgement at 24 Mbit/s).
const SLOT_US: f64 = 9.0;
const BACKOFF_US: f64 = 67.5;
/// Least contention window and how often it doubles (best search: 15 to 1023).
const WINDOW: f64 = 16.0;
const DOUBLINGS: i32 = 6;
/// More boards than this are not counted.
const MOST_BOARDS: u32 = 250;

/// Share of its time that a contender sends, and share of the slots in which
/// a transmission meets another, for `contenders` that always have something
/// to send (Bianchi, "Performance analysis of the IEEE 802.11 distributed
/// coordination function", IEEE Journal on Selected Areas in Communications
/// 18-3, 2000, equations 7 and 9).
fn attempts(contenders: u32) -> f64 {
    let others = f64::from(contenders.max(1) - 1);
    let (mut low, mut high) = (1e-6, 0.5);
    for _ in 0..60 {
        let attempt = f64::midpoint(low, high);
        let hit = 1.0 - (1.0 - attempt).powf(others);
        let double: f64 = (0..DOUBLINGS).map(|i| (2.0 * hit).powi(i)).sum();
        let wanted = 2.0 / (1.0 + WINDOW + hit * WINDOW * double);
        if attempt < wanted {
            low = attempt;
        } else {
            high = attempt;
        }
    }
    low
}

/// Mean time from one delivered frame to the next, microseconds, where
/// `contenders` always have a frame that keeps the air for `busy_us`, its
/// acknowledgement and the space behind it included; collisions keep it as long.
#[must_use]
pub fn delivery_us(contenders: u32, busy_us: f64) -> f64 {
    let n = f64::from(contenders.max(1));
    let attempt = attempts(contenders);
    let idle = (1.0 - attempt).powf(n);
    let alone = n * attempt * (1.0 - attempt).powf(n - 1.0);
    (idle * SLOT_US + (1.0 - idle) * busy_us) / alone
}

/// Time that one frame of an IP packet keeps the air, without backoff.
fn busy_us(ip_bytes: u32, bits: u32, symbol_us: f64) -> f64 {
    frame_us(ip_bytes, bits, symbol_us) - BACKOFF_US
}

/// UDP payload rate of one sender that joins frames into aggregates (A-MPDU) of
/// at most `aggregate_bytes`, bit/s: the frames follow each other with 4 bytes
/// of delimiter each, and one block acknowledgement of 32 bytes answers at
/// `reply_us`.
#[must_use]
pub fn aggregated_udp_bps(mcs: u8, payload: u32, aggregate_bytes: u32, reply_us: f64) -> f64 {
    let bits = DATA_BITS_PER_SYMBOL[usize::from(mcs.min(7))];
    // IP, UDP, LLC, MAC header with quality of service, check sequence.
    let frame = payload + 28 + 8 + 26 + 4;
    let each = (frame + 4).next_multiple_of(4);
    let count = (aggregate_bytes / each).max(1);
    let symbols = (8 * count * each + 22).div_ceil(bits);
    // AIFS of best search 43, mean backoff, preamble 36, SIFS 16 at 5 GHz.
    let time = 43.0 + BACKOFF_US + 36.0 + 4.0 * f64::from(symbols) + 16.0 + reply_us;
    f64::from(8 * count * payload) * 1e6 / time
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

/// Share of the air that `boards` take, each with `bytes_per_second` of
/// payload over TCP: a data frame for each segment from the access point, one
/// acknowledgement for two segments from the board. Access point and boards
/// contend as if they always had something to send.
#[must_use]
pub fn airtime(bytes_per_second: f64, wifi: &Wifi, boards: u32) -> f64 {
    let symbol_us = if wifi.short_guard { 3.6 } else { 4.0 };
    let bits = if wifi.link_bps > 0 {
        (wifi.link_bps as f64 * symbol_us / 1e6).round().max(1.0) as u32
    } else {
        DATA_BITS_PER_SYMBOL[usize::from(wifi.mcs.min(7))]
    };
    let data = busy_us(wifi.segment_bytes + IP_TCP, bits, symbol_us);
    let answer = busy_us(IP_TCP, bits, symbol_us);
    let mean_us = (data + 0.5 * answer) / 1.5;
    // With one segment lost in so many, that one is sent again.
    let segments = f64::from(boards) * bytes_per_second
        / f64::from(wifi.segment_bytes)
        / (1.0 - wifi.loss.min(0.5));
    1.5 * segments * delivery_us(boards + 1, mean_us) / 1e6
}
