//! The air's rate with losses, against the published formula and a network of
//! single packets.

use std::cmp::Reverse;
use std::collections::{BTreeSet, BinaryHeap};

use thumbreel::board::Wifi;
use thumbreel::budget::{Flow, rate_bps};

/// Round trip in milliseconds, share lost, and kB/s by Padhye et al. 1998,
/// equation (32), for 1440-byte segments, a window of 5760 bytes, a time-out
/// of 200 ms and two segments an acknowledgement; worked out by hand.
const TABLE: [(f64, f64, f64); 4] = [
    (30.0, 0.01, 151.3),
    (30.0, 0.02, 125.3),
    (30.0, 0.05, 83.6),
    (5.0, 0.05, 158.3),
];

fn flow(round_trip_ms: f64, loss: f64) -> Flow {
    Flow {
        loss,
        round_trip: round_trip_ms / 1e3,
        time_out: 0.2,
        window: 4.0,
    }
}

#[test]
fn losses_cost_what_the_published_formula_says() {
    for (rtt, loss, kilobytes) in TABLE {
        let rate = flow(rtt, loss).segments_per_second() * 1.44;
        assert!((rate - kilobytes).abs() < 0.06, "{rtt} {loss}: {rate}");
        // Nothing but window and losses binds here.
        let wifi = Wifi {
            mcs: 7,
            usable_share: 0.95,
            round_trip_ms: rtt,
            loss,
            ..Wifi::default()
        };
        let through = rate_bps(&wifi).0 / 8e3;
        assert!(
            (through - kilobytes).abs() < 0.06,
            "{rtt} {loss}: {through}"
        );
    }
}

/// Without losses a window a round trip; with a wide window the square root
/// of Mathis, Semke, Mahdavi, Ott 1997 (two segments an acknowledgement:
/// sqrt(3 / 4)), as far as time-outs are rare.
#[test]
fn the_formula_ends_where_simpler_ones_begin() {
    let calm = Flow {
        loss: 1e-9,
        ..flow(30.0, 0.0)
    };
    assert!((calm.segments_per_second() * 0.03 / 4.0 - 1.0).abs() < 1e-6);
    assert_eq!(flow(30.0, 0.0).segments_per_second(), 4.0 / 0.03);
    let wide = Flow {
        window: 1e6,
        ..flow(100.0, 1e-5)
    };
    let mathis = (0.75f64 / 1e-5).sqrt() / 0.1;
    assert!((wide.segments_per_second() / mathis - 1.0).abs() < 0.03);
}

/// A sender of RFC 5681 with the recovery of RFC 6582 and a receiver that
/// acknowledges every second segment, packet by packet.
struct Net {
    round_trip: f64,
    loss: f64,
    window: u64,
    random: u64,
    now: f64,
    events: BinaryHeap<(Reverse<u64>, u64, Event)>,
    count: u64,
    // sender
    next: u64,
    acked: u64,
    cwnd: f64,
    threshold: f64,
    doubles: u32,
    recover: Option<u64>,
    repeats: u32,
    timer: u64,
    // receiver
    expected: u64,
    early: BTreeSet<u64>,
    owes: bool,
}

#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Event {
    Segment(u64),
    Acknowledgement(u64),
    Delayed(u64),
    TimeOut(u64),
}

const TIME_OUT: f64 = 0.2;
/// A receiver's longest wait for a second segment.
const DELAY: f64 = 0.02;

impl Net {
    fn new(round_trip: f64, loss: f64, window: u64, seed: u64) -> Self {
        Self {
            round_trip,
            loss,
            window,
            random: seed,
            now: 0.0,
            events: BinaryHeap::new(),
            count: 0,
            next: 0,
            acked: 0,
            cwnd: 2.0,
            threshold: 1e9,
            doubles: 0,
            recover: None,
            repeats: 0,
            timer: 0,
            expected: 0,
            early: BTreeSet::new(),
            owes: false,
        }
    }

    /// Knuth's MMIX generator.
    fn chance(&mut self) -> f64 {
        self.random = self
            .random
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.random >> 11) as f64 / (1u64 << 53) as f64
    }

    fn after(&mut self, seconds: f64, event: Event) {
        self.count += 1;
        let at = ((self.now + seconds) * 1e9) as u64;
        self.events
            .push((Reverse(at), u64::MAX - self.count, event));
    }

    fn transmit(&mut self, number: u64) {
        if self.chance() >= self.loss {
            self.after(self.round_trip / 2.0, Event::Segment(number));
        }
    }

    fn arm(&mut self) {
        self.timer += 1;
        let wait = TIME_OUT * f64::from(1u32 << self.doubles.min(6));
        self.after(wait, Event::TimeOut(self.timer));
    }

    fn send(&mut self) {
        let most = self.window.min(self.cwnd as u64).max(1);
        while self.next < self.acked + most {
            self.transmit(self.next);
            self.next += 1;
        }
    }

    fn acknowledge(&mut self) {
        self.owes = false;
        self.after(self.round_trip / 2.0, Event::Acknowledgement(self.expected));
    }

    fn segment(&mut self, number: u64) {
        if number != self.expected {
            if number > self.expected {
                self.early.insert(number);
            }
            return self.acknowledge();
        }
        self.expected += 1;
        let gap = !self.early.is_empty();
        while self.early.remove(&self.expected) {
            self.expected += 1;
        }
        if gap || self.owes {
            self.acknowledge();
        } else {
            self.owes = true;
            self.after(DELAY, Event::Delayed(self.expected));
        }
    }

    fn acknowledged(&mut self, upto: u64) {
        if upto <= self.acked {
            self.repeats += 1;
            if self.repeats == 3 && self.recover.is_none() {
                self.threshold = ((self.next - self.acked) as f64 / 2.0).max(2.0);
                self.recover = Some(self.next);
                self.transmit(self.acked);
                self.cwnd = self.threshold + 3.0;
            } else if self.recover.is_some() {
                self.cwnd += 1.0;
            }
            return self.send();
        }
        let fresh = (upto - self.acked) as f64;
        self.acked = upto;
        self.next = self.next.max(upto);
        self.repeats = 0;
        self.doubles = 0;
        match self.recover {
            Some(end) if upto < end => {
                self.transmit(upto);
                self.cwnd = (self.cwnd - fresh + 1.0).max(1.0);
            }
            Some(_) => {
                self.recover = None;
                self.cwnd = self.threshold;
            }
            None if self.cwnd < self.threshold => self.cwnd += 1.0,
            None => self.cwnd += 1.0 / self.cwnd,
        }
        self.cwnd = self.cwnd.min(self.window as f64);
        self.arm();
        self.send();
    }

    fn timed_out(&mut self) {
        self.threshold = ((self.next - self.acked) as f64 / 2.0).max(2.0);
        self.cwnd = 1.0;
        self.recover = None;
        self.repeats = 0;
        self.doubles += 1;
        self.next = self.acked;
        self.arm();
        self.send();
    }

    /// Segments per second over `seconds`.
    fn run(mut self, seconds: f64) -> f64 {
        self.send();
        self.arm();
        while self.now < seconds {
            let Some((Reverse(at), _, event)) = self.events.pop() else {
                break;
            };
            self.now = at as f64 / 1e9;
            match event {
                Event::Segment(n) => self.segment(n),
                Event::Acknowledgement(n) => self.acknowledged(n),
                Event::Delayed(n) if self.owes && n == self.expected => self.acknowledge(),
                Event::TimeOut(n) if n == self.timer => self.timed_out(),
                Event::Delayed(_) | Event::TimeOut(_) => {}
            }
        }
        self.expected as f64 / seconds
    }
}

#[test]
fn a_network_of_single_packets_agrees() {
    for (rtt, loss, _) in TABLE {
        let mean = (1..=8u64)
            .map(|seed| Net::new(rtt / 1e3, loss, 4, seed).run(1500.0))
            .sum::<f64>()
            / 8.0;
        let formula = flow(rtt, loss).segments_per_second();
        let error = formula / mean - 1.0;
        println!(
            "{rtt} ms {loss}: formula {:.1}, packets {:.1} kB/s, {:+.1} %",
            formula * 1.44,
            mean * 1.44,
            error * 100.0
        );
        assert!(error.abs() < 0.15, "{rtt} {loss}: {formula} and {mean}");
    }
}
