//! The link in simulated time: card reads, or TCP segments.

use crate::board::{Board, Card, Stalls, Wifi};
use crate::budget::{Link, card_wire_ns, rate_bps};

use super::random::{Dice, Stream, scale, threshold};

/// When the link makes everyone wait.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum StallPlan {
    /// By chance, as the profile says.
    Random,
    /// Never.
    None,
    /// When the byte at each place (from the first slice) is fetched, for so
    /// many nanoseconds; places rising.
    At(Vec<(u64, u64)>),
    /// Whenever so many bytes have been fetched, for so many nanoseconds.
    Every {
        /// Bytes from stall to stall.
        bytes: u64,
        /// Length in nanoseconds.
        ns: u64,
    },
}

/// What delayed the bytes since the reader was last ahead.
#[derive(Clone, Copy, Default)]
pub(super) struct Delay {
    pub stall: u64,
    pub loss: u64,
}

/// A link's fixed figures, in nanoseconds and bytes.
pub(super) struct LinkModel {
    kind: Kind,
    stalls: StallPlan,
    stall_threshold: u64,
    stall_typical: f64,
    stall_worst: f64,
    /// Bytes of one read or segment.
    pub unit: u64,
    /// Before the first byte is asked for.
    pub first: u64,
}

enum Kind {
    Card(CardModel),
    Wifi(WifiModel),
}

struct CardModel {
    /// Wire, blocks and intake of one read.
    fixed: u64,
    /// Access time in the middle.
    access: u64,
    cluster_bytes: u64,
    cluster: u64,
    /// Measured read times as (share, nanoseconds), if there are any.
    quantiles: Vec<(u32, u64)>,
}

struct WifiModel {
    /// Air time of one segment.
    segment: u64,
    intake: u64,
    round_trip: u64,
    retransmit: u64,
    loss: u64,
    /// Window in segments.
    window: usize,
    /// Nanoseconds a byte at the server's pace, and its burst.
    pace: Option<(f64, u64)>,
}

impl LinkModel {
    pub(super) fn new(
        board: &Board,
        link: Link,
        stalls: StallPlan,
        script_intake: f64,
        card_factor: f64,
        case: Span,
    ) -> Option<Self> {
        let (kind, unit, first, profile) = match link {
            Link::Card => {
                let card = board.card.as_ref()?;
                let unit = u64::from(board.player.read_bytes);
                let model = CardModel::new(card, unit, script_intake, card_factor);
                (Kind::Card(model), unit, 0, &card.stalls)
            }
            Link::Wifi => {
                let wifi = board.wifi.as_ref()?;
                let model = WifiModel::new(wifi, script_intake);
                let first = (wifi.server_ms * 1e6) as u64 + model.round_trip * 3 / 2;
                (
                    Kind::Wifi(model),
                    u64::from(wifi.segment_bytes),
                    first,
                    &wifi.stalls,
                )
            }
        };
        Some(Self {
            kind,
            stall_threshold: threshold(stall_chance(profile, unit, case)),
            stall_typical: profile.typical_ms * 1e6,
            stall_worst: profile.worst_ms * 1e6,
            stalls,
            unit,
            first,
        })
    }

    fn stall(&self, number: u64, dice: &LinkDice, scripted: &mut usize) -> u64 {
        match &self.stalls {
            StallPlan::None => 0,
            StallPlan::Random if u64::from(dice.stall.roll(number)) >= self.stall_threshold => 0,
            StallPlan::Random => self.stall_length(dice.length.unit(number)),
            StallPlan::Every { bytes, ns } => {
                let (from, to) = (number * self.unit, (number + 1) * self.unit);
                (to / bytes - from / bytes) * ns
            }
            StallPlan::At(list) => {
                let mut sum = 0;
                while let Some((_, ns)) = list
                    .get(*scripted)
                    .filter(|(at, _)| *at < (number + 1) * self.unit)
                {
                    sum += ns;
                    *scripted += 1;
                }
                sum
            }
        }
    }

    /// Half of the stalls rise evenly to the typical length, the rest by a
    /// cube to the worst: long ones are rare, and none is longer.
    fn stall_length(&self, unit: f64) -> u64 {
        let length = if unit < 0.5 {
            self.stall_typical * (0.25 + 1.5 * unit)
        } else {
            let tail = (2.0 * unit - 1.0).powi(3);
            self.stall_typical + (self.stall_worst - self.stall_typical) * tail
        };
        length as u64
    }
}

/// Length of the case in bytes and seconds.
#[derive(Clone, Copy)]
pub(super) struct Span {
    pub bytes: u64,
    pub seconds: f64,
}

/// Chance of a stall in one unit. Stalls are pinned to places in the reel, so
/// many that a minute of play meets the stated number.
fn stall_chance(stalls: &Stalls, unit: u64, case: Span) -> f64 {
    let units = case.bytes.div_ceil(unit).max(1) as f64;
    stalls.per_minute * case.seconds / 60.0 / units
}

impl CardModel {
    fn new(card: &Card, unit: u64, intake: f64, factor: f64) -> Self {
        let wire = card_wire_ns(card, unit);
        let blocks = unit.div_ceil(512) as f64 * card.block_us * 1e3;
        let taken = unit as f64 * intake;
        // Measured times stand for everything up to the last byte; reads of
        // another size differ by their wire time.
        let shift = wire - card_wire_ns(card, u64::from(card.quantile_bytes));
        let quantile = |(share, us): &(f64, f64)| {
            let time = (us * 1e3 + shift).max(wire) * factor + taken;
            ((share * f64::from(u32::MAX)) as u32, time as u64)
        };
        Self {
            fixed: ((wire + blocks) * factor + taken) as u64,
            access: (card.access_us * 1e3 * factor) as u64,
            cluster_bytes: u64::from(card.cluster_bytes),
            cluster: (card.cluster_us * 1e3 * factor) as u64,
            quantiles: card.quantiles.iter().map(quantile).collect(),
        }
    }

    /// Time of read `number` of `unit` bytes.
    fn read(&self, number: u64, unit: u64, roll: u32) -> u64 {
        if !self.quantiles.is_empty() {
            return interpolate(&self.quantiles, roll);
        }
        let enters = number * unit / self.cluster_bytes != (number + 1) * unit / self.cluster_bytes;
        // Access varies evenly from half to one and a half (assumed).
        let access = self.access / 2 + scale(self.access, roll);
        self.fixed + access + if enters { self.cluster } else { 0 }
    }
}

/// The time at a share, straight lines between quantiles.
fn interpolate(quantiles: &[(u32, u64)], roll: u32) -> u64 {
    let above = quantiles.partition_point(|(share, _)| *share < roll);
    let (Some(low), Some(high)) = (quantiles.get(above.wrapping_sub(1)), quantiles.get(above))
    else {
        return quantiles[above.min(quantiles.len() - 1)].1;
    };
    let span = u64::from(high.0 - low.0).max(1);
    low.1 + (high.1 - low.1) * u64::from(roll - low.0) / span
}

impl WifiModel {
    fn new(wifi: &Wifi, intake: f64) -> Self {
        let bytes = f64::from(wifi.segment_bytes);
        // Window, loss and pace are played out; only the air's own rate is fixed.
        let alone = Wifi {
            window_bytes: u32::MAX,
            loss: 0.0,
            server_bps: 0,
            ..wifi.clone()
        };
        let rate = rate_bps(&alone).0;
        let pace = (wifi.server_bps > 0).then(|| {
            (
                8e9 / wifi.server_bps as f64,
                u64::from(wifi.server_burst_bytes),
            )
        });
        Self {
            segment: (bytes * 8e9 / rate) as u64,
            intake: (bytes * intake) as u64,
            round_trip: (wifi.round_trip_ms * 1e6) as u64,
            retransmit: (wifi.retransmit_ms * 1e6) as u64,
            loss: threshold(wifi.loss),
            window: (wifi.window_bytes / wifi.segment_bytes).max(1) as usize,
            pace,
        }
    }
}

struct LinkDice {
    access: Dice,
    stall: Dice,
    length: Dice,
    loss: Dice,
}

/// A link at work.
pub(super) struct LinkRun<'a> {
    model: &'a LinkModel,
    dice: LinkDice,
    /// Next read or segment.
    number: u64,
    /// When the last one was done (card) or had come in (Wi-Fi).
    free: u64,
    /// When each of the last segments was taken from the socket.
    taken: Vec<u64>,
    /// Where the next segment's time goes in `taken`.
    slot: usize,
    /// Congestion window in segments, times 256.
    congestion: u64,
    scripted: usize,
    pub delay: Delay,
}

impl<'a> LinkRun<'a> {
    pub(super) fn new(model: &'a LinkModel, seed: u64, mut taken: Vec<u64>) -> Self {
        let window = match &model.kind {
            Kind::Card(_) => 0,
            Kind::Wifi(wifi) => wifi.window,
        };
        taken.clear();
        taken.resize(window, 0);
        let dice = |stream| Dice::new(seed, stream);
        Self {
            model,
            dice: LinkDice {
                access: dice(Stream::Access),
                stall: dice(Stream::Stall),
                length: dice(Stream::StallLength),
                loss: dice(Stream::Loss),
            },
            number: 0,
            free: model.first,
            taken,
            slot: 0,
            congestion: window as u64 * 256,
            scripted: 0,
            delay: Delay::default(),
        }
    }

    /// Gives back the memory for the next run.
    pub(super) fn into_memory(self) -> Vec<u64> {
        self.taken
    }

    /// End of what the next unit will bring, in bytes.
    pub(super) fn next_end(&self) -> u64 {
        (self.number + 1) * self.model.unit
    }

    /// Fetches the next unit; `space` is when the ring buffer has room for it.
    /// Returns when its bytes are in the ring buffer.
    pub(super) fn fetch(&mut self, space: u64) -> u64 {
        if space > self.free {
            self.delay = Delay::default();
        }
        let stall = self
            .model
            .stall(self.number, &self.dice, &mut self.scripted);
        self.delay.stall += stall;
        let done = match &self.model.kind {
            Kind::Card(card) => self.card(card, space, stall),
            Kind::Wifi(wifi) => self.segment(wifi, space, stall),
        };
        self.number += 1;
        done
    }

    fn card(&mut self, card: &CardModel, space: u64, stall: u64) -> u64 {
        let roll = self.dice.access.roll(self.number);
        let time = card.read(self.number, self.model.unit, roll);
        let done = self.free.max(space) + time + stall;
        self.free = done;
        done
    }

    /// A segment leaves the server when the window lets it, comes in behind
    /// the one before, and is taken when the ring buffer has room.
    fn segment(&mut self, wifi: &WifiModel, space: u64, stall: u64) -> u64 {
        let window = (self.congestion / 256).clamp(1, wifi.window as u64);
        let may_leave = if self.number >= window {
            let back = self.slot + wifi.window - window as usize;
            let wraps = back >= wifi.window;
            self.taken[if wraps { back - wifi.window } else { back }] + wifi.round_trip
        } else {
            self.model.first
        };
        let paced = wifi.pace.map_or(0, |(per_byte, burst)| {
            let ahead = self.next_end().saturating_sub(burst);
            self.model.first + (ahead as f64 * per_byte) as u64
        });
        let arrives =
            (self.free + wifi.segment).max(may_leave).max(paced) + stall + self.lose(wifi, window);
        self.free = arrives;
        let taken = arrives.max(space) + wifi.intake;
        self.taken[self.slot] = taken;
        self.slot = if self.slot + 1 == wifi.window {
            0
        } else {
            self.slot + 1
        };
        taken
    }

    /// Delay by loss: fast retransmission if three segments can follow, else
    /// the time-out; the congestion window halves and grows again (RFC 5681).
    fn lose(&mut self, wifi: &WifiModel, window: u64) -> u64 {
        if u64::from(self.dice.loss.roll(self.number)) >= wifi.loss {
            let most = wifi.window as u64 * 256;
            if self.congestion < most {
                let step = 65_536 / self.congestion.max(256);
                self.congestion = (self.congestion + step).min(most);
            }
            return 0;
        }
        self.congestion = (self.congestion / 2).max(256);
        let delay = if window >= 4 {
            wifi.round_trip + 3 * wifi.segment
        } else {
            wifi.retransmit
        };
        self.delay.loss += delay;
        delay
    }
}
