//! Frame times, contention and boards per access point: against published
//! tables and against stations that draw their backoffs one by one.

use std::collections::VecDeque;

use thumbreel::board::Wifi;
use thumbreel::budget::{AccessPoint, Contention, airtime, frame_us, tcp_bps, udp_bps};

fn near(value: f64, expected: f64, tolerance: f64) {
    assert!(
        (value - expected).abs() <= tolerance,
        "{value} is not {expected} +- {tolerance}"
    );
}

/// Within 10 %.
fn about(found: f64, published: f64, what: &str) {
    let ratio = found / published;
    assert!(
        (ratio - 1.0).abs() < 0.1,
        "{what}: {found} for {published}, {ratio}"
    );
}

/// Mean backoff of a lone station: 15 / 2 slots of 9 us.
const BACKOFF: f64 = 67.5;

/// By hand from the standard's constants (IEEE 802.11n-2009 clause 20 and table
/// 20-30, 2.4 GHz, long guard interval; the constants from memory).
///
/// MCS 4 carries 156 bits in a symbol of 4 us. A TCP segment of 1,440 bytes with
/// 40 of headers, 8 of LLC, 24 of MAC header and 4 of check sequence is 1,516
/// bytes: 12,128 bits, with service and tail 12,150; 78 symbols, 312 us. DIFS is
/// SIFS and two slots, 10 + 18 = 28. The preamble of mixed mode is 8 + 8 + 4 (old
/// training and signal), 8 (HT-SIG), 4 + 4 (HT training), 36. Signal extension 6.
/// The answer after SIFS 10: 14 bytes at 24 Mbit/s, 112 + 22 bits in 2 symbols of
/// 96, 20 + 8 + 6 = 34. Together 28 + 67.5 + 36 + 312 + 6 + 10 + 34 = 493.5.
#[test]
fn a_frame_in_the_air_by_hand() {
    near(frame_us(1480, 156, 4.0), 493.5, 1e-9);
    // TCP's own answer: 40 + 36 bytes, 630 bits, 5 symbols: 201.5 us. Two
    // segments and one answer: 2 x 11,520 bits in 2 x 493.5 + 201.5 us.
    near(tcp_bps(1440, 156, 4.0) / 1e6, 19.386, 1e-3);
    // MCS 7, 260 bits: 1,536 bytes are 12,310 bits, 48 symbols.
    near(frame_us(1500, 260, 4.0), 373.5, 1e-9);
    near(udp_bps(7) / 1e6, 11_776.0 / 373.5, 1e-9);
}

/// "PHY rate and UDP throughput", 802.11 notes, 24 March 2014
/// (80211notes.blogspot.com/2014/03/phy-rate-and-udp-throughput.html), table of
/// payloads of 1,500 bytes, short guard interval, no frames joined: microseconds
/// of data, and Mbit/s. The 40 MHz channel has 540 bits in a symbol.
#[test]
fn udp_agrees_with_a_published_802_11n_table() {
    for (bits, data_us, mbit) in [(260, 176.0, 32.1), (540, 84.0, 42.6)] {
        let whole = frame_us(1528, bits, 3.6);
        about(12_000.0 / whole, mbit, "UDP");
        // All but the data: DIFS, backoff, preamble, extension, SIFS, answer.
        near(whole - 181.5, data_us, 3.0);
    }
}

/// Jun, Peddabachagari, Sichitiu, "Theoretical maximum throughput of IEEE 802.11
/// and its applications", NCA 2003: 8 x / (a x + b) Mbit/s for x bytes of LLC
/// frame, a and b in microseconds from its table for 802.11a (from memory).
#[test]
fn throughput_agrees_with_the_published_theoretical_maximum() {
    for (bits, a, b) in [
        (24, 1.333_33, 223.5),
        (48, 0.666_67, 187.0),
        (96, 0.333_33, 170.75),
        (216, 0.148_15, 159.94),
    ] {
        let bytes = 1500.0;
        let published = 8.0 * bytes / (a * bytes + b);
        let found = 8.0 * bytes / frame_us(1492, bits, 4.0);
        about(found, published, "maximum");
        assert!(found < published, "802.11n's preamble is longer");
    }
}

/// Gast, "When is 54 not equal to 54? A look at 802.11a, b, and g throughput",
/// 2003: 2,336 transactions per second of one TCP segment and its
/// acknowledgement at 54 Mbit/s, without backoff, 27.3 Mbit/s of payload.
#[test]
fn tcp_agrees_with_a_published_table() {
    let transaction = frame_us(1500, 216, 4.0) + frame_us(40, 216, 4.0) - 2.0 * BACKOFF;
    about(1e6 / transaction, 2336.0, "transactions");
    about(8.0 * 1460.0 / transaction, 27.3, "TCP");
}

/// Saturated stations against the calculated table that ns-3 (a general-purpose
/// network simulator) holds itself to, `src/wifi/examples/wifi-bianchi.cc`,
/// packets of 1,500 bytes, OFDM at 54, 24 and 6 Mbit/s, 5 to 50 stations.
#[test]
fn contention_agrees_with_a_published_table() {
    const STATIONS: [u32; 10] = [5, 10, 15, 20, 25, 30, 35, 40, 45, 50];
    for (bits, reply, table) in [
        (
            216,
            28.0,
            [
                29.2861, 27.3763, 26.2078, 25.3325, 24.6808, 24.0944, 23.5719, 23.1549, 22.8100,
                22.4162,
            ],
        ),
        (
            96,
            28.0,
            [
                16.0836, 14.9153, 14.2327, 13.7300, 13.3595, 13.0281, 12.7343, 12.5008, 12.3083,
                12.0889,
            ],
        ),
        (
            24,
            44.0,
            [
                4.6899, 4.3197, 4.1107, 3.9589, 3.8478, 3.7490, 3.6618, 3.5927, 3.5358, 3.4711,
            ],
        ),
    ] {
        // Preamble 20, symbols of 4, SIFS 16, the answer, DIFS 34.
        let symbols = f64::from((8u32 * 1536 + 22).div_ceil(bits));
        let busy = 20.0 + 4.0 * symbols + 16.0 + reply + 34.0;
        for (stations, mbit) in STATIONS.into_iter().zip(table) {
            let each = Contention::saturated(stations).delivery_us(busy, busy);
            let found = 12_000.0 * f64::from(stations) / each;
            about(found, mbit, "contention");
        }
    }
}

/// Numbers by chance (xorshift64*).
struct Luck(u64);

impl Luck {
    fn below(&mut self, most: u32) -> u32 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        let high = self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 32;
        ((high * u64::from(most)) >> 32) as u32
    }
}

/// A station with its contention window and backoff, in slots.
#[derive(Clone)]
struct Station {
    window: u32,
    backoff: u32,
    frames: u32,
}

impl Station {
    fn draw(&mut self, window: u32, luck: &mut Luck) {
        self.window = window.min(1024);
        self.backoff = luck.below(self.window);
    }
}

/// An access point that sends segments to boards, each of which answers every
/// second one: IEEE 802.11's distributed coordination, backoff by backoff.
struct Air {
    stations: Vec<Station>,
    luck: Luck,
    now: f64,
    /// Boards of the segments that wait, and since when.
    waiting: VecDeque<(usize, f64)>,
    /// When each board's next segment arrives.
    next: Vec<f64>,
    odd: Vec<bool>,
    worst_us: f64,
}

const SLOT: f64 = 9.0;

impl Air {
    fn new(boards: usize, period_us: f64) -> Self {
        let mut luck = Luck(0x9E37_79B9_7F4A_7C15);
        let mut stations = vec![
            Station {
                window: 16,
                backoff: 0,
                frames: 0
            };
            boards + 1
        ];
        for station in &mut stations {
            station.draw(16, &mut luck);
        }
        Self {
            next: (0..boards)
                .map(|i| period_us * i as f64 / boards as f64)
                .collect(),
            odd: vec![false; boards],
            stations,
            luck,
            now: 0.0,
            waiting: VecDeque::new(),
            worst_us: 0.0,
        }
    }

    /// Longest wait of a segment in so many seconds, milliseconds.
    fn worst_ms(mut self, period_us: f64, frame: [f64; 2], seconds: f64) -> f64 {
        while self.now < seconds * 1e6 {
            self.arrive(period_us);
            let ready = |i: &usize| self.stations[*i].frames > 0;
            let ready: Vec<usize> = (0..self.stations.len()).filter(ready).collect();
            let arrival = self.next.iter().copied().fold(f64::MAX, f64::min);
            let Some(slots) = ready.iter().map(|i| self.stations[*i].backoff).min() else {
                self.now = arrival;
                continue;
            };
            let until = ((arrival - self.now) / SLOT).ceil().max(1.0) as u32;
            self.now += f64::from(slots.min(until)) * SLOT;
            for i in &ready {
                self.stations[*i].backoff -= slots.min(until);
            }
            if slots <= until {
                self.send(&ready, frame);
            }
        }
        self.worst_us / 1e3
    }

    fn arrive(&mut self, period_us: f64) {
        for (board, next) in self.next.iter_mut().enumerate() {
            while *next <= self.now {
                self.waiting.push_back((board, *next));
                *next += period_us;
            }
        }
        self.stations[0].frames = self.waiting.len() as u32;
    }

    fn send(&mut self, ready: &[usize], frame: [f64; 2]) {
        let all = ready.iter().copied();
        let who: Vec<usize> = all.filter(|i| self.stations[*i].backoff == 0).collect();
        let longest = who.iter().map(|i| frame[usize::from(*i > 0)]);
        self.now += longest.fold(0.0, f64::max);
        let [one] = who[..] else {
            for i in who {
                let window = self.stations[i].window * 2;
                self.stations[i].draw(window, &mut self.luck);
            }
            return;
        };
        self.stations[one].draw(16, &mut self.luck);
        self.stations[one].frames -= 1;
        if one == 0 {
            let (board, since) = self.waiting.pop_front().unwrap();
            self.worst_us = self.worst_us.max(self.now - since);
            self.stations[board + 1].frames += u32::from(self.odd[board]);
            self.odd[board] = !self.odd[board];
        }
    }
}

/// Boards for which a whole access point suffices, by the formula and by
/// stations that contend packet by packet: within a tenth, or one board.
#[test]
fn as_many_boards_as_contending_stations_really_feed() {
    const BITS: [u32; 8] = [26, 52, 78, 104, 156, 208, 234, 260];
    for (mcs, rate) in [
        (0, 20e3),
        (1, 60e3),
        (4, 60e3),
        (4, 200e3),
        (7, 60e3),
        (7, 400e3),
    ] {
        let wifi = Wifi {
            mcs,
            usable_share: 0.95,
            loss: 0.0,
            ..Wifi::default()
        };
        let told = (1..).take_while(|n| airtime(rate, &wifi, *n) <= 1.0);
        let told = told.last().unwrap_or(0) as usize;
        let period_us = f64::from(wifi.segment_bytes) / rate * 1e6;
        let bits = BITS[usize::from(mcs)];
        let frame = [wifi.segment_bytes + 40, 40].map(|b| frame_us(b, bits, 4.0) - BACKOFF);
        let holds = |n: usize| Air::new(n, period_us).worst_ms(period_us, frame, 8.0) < 200.0;
        let tenth = (told / 10).max(1);
        assert!(
            holds(told - tenth),
            "MCS {mcs}, {rate}: {told} are too many"
        );
        assert!(
            !holds(told + tenth + 1),
            "MCS {mcs}, {rate}: {told} are too few"
        );
    }
}

/// More bytes, fewer boards; the number that is named fits and one more does
/// not. A single board alone has the rate that TCP has there.
#[test]
fn an_access_point_feeds_so_many_boards() {
    let wifi = Wifi::default();
    let mut before = u32::MAX;
    for rate in [20e3, 60e3, 200e3, 600e3] {
        let point = AccessPoint::new(rate, &wifi, 0.15);
        assert!(point.boards < before && point.boards > 0, "{point:?}");
        assert!(airtime(rate, &wifi, point.boards) <= 0.85);
        assert!(airtime(rate, &wifi, point.boards + 1) > 0.85);
        before = point.boards;
    }
    let alone = Wifi {
        usable_share: 0.95,
        loss: 0.0,
        ..Wifi::default()
    };
    let rate = tcp_bps(alone.segment_bytes, 156, 4.0) / 8.0;
    near(airtime(rate, &alone, 1), 1.0, 0.03);
    // What other networks leave binds as it does for one board: 40 % of 39
    // Mbit/s are 1.95 MB/s, 19.5 boards of 100 kB/s.
    let busy = Wifi {
        usable_share: 0.4,
        loss: 0.0,
        ..Wifi::default()
    };
    near(airtime(100e3, &busy, 39), 2.0, 1e-9);
}
