//! The link in simulated time: card reads, or TCP segments.

use crate::board::{Board, Card, Wifi};
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

/// A receiver's wait for a second segment before it acknowledges one, in
/// nanoseconds (assumed; RFC 1122 allows up to half a second).
const DELAYED: u64 = 15_000_000;

/// What delayed the bytes since the reader was last ahead.
#[derive(Clone, Copy, Default)]
pub(super) struct Delay {
    pub stall: u64,
    pub loss: u64,
}

/// A link's fixed figures, in nanoseconds and bytes.
#[derive(Clone)]
pub(super) struct LinkModel {
    kind: Kind,
    stalls: StallPlan,
    /// Of 2^32, for each sector.
    stall_threshold: f64,
    stall_typical: f64,
    stall_worst: f64,
    /// Before the first byte of a request.
    pub first: u64,
}

#[derive(Clone)]
enum Kind {
    Card(CardModel),
    Wifi(WifiModel),
}

#[derive(Clone)]
struct CardModel {
    /// Of one block on the wire, and of a block beside that.
    wire: f64,
    block: f64,
    intake: f64,
    /// Access time in the middle.
    access: u64,
    cluster_bytes: u64,
    cluster: u64,
    /// Measured read times as (share, nanoseconds), if there are any, and the
    /// blocks of such a read.
    quantiles: Vec<(u32, u64)>,
    quantile_blocks: u64,
}

#[derive(Clone)]
struct WifiModel {
    segment_bytes: u64,
    /// Air time of one segment.
    segment: u64,
    intake: f64,
    round_trip: u64,
    /// Longest wait for a sleeping radio.
    asleep: u64,
    retransmit: u64,
    loss: u64,
    /// Chance of a lost connection with a segment, and how long it takes.
    parting: u64,
    reconnect: u64,
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
        intake: f64,
        case: Span,
    ) -> Option<Self> {
        let (kind, first, profile) = match link {
            Link::Card => {
                let card = board.card.as_ref()?;
                (Kind::Card(CardModel::new(card, intake)), 0, &card.stalls)
            }
            Link::Wifi => {
                let wifi = board.wifi.as_ref()?;
                let model = WifiModel::new(wifi, intake, case);
                let first = (wifi.server_ms * 1e6) as u64 + model.round_trip * 3 / 2;
                (Kind::Wifi(model), first, &wifi.stalls)
            }
        };
        let sectors = case.bytes.div_ceil(SECTOR).max(1) as f64;
        let chance = profile.met(case.seconds, case.bytes) / sectors;
        Some(Self {
            kind,
            stall_threshold: chance * 4_294_967_296.0,
            stall_typical: profile.typical_ms * 1e6,
            stall_worst: profile.worst_ms * 1e6,
            stalls,
            first,
        })
    }

    /// The same link with other stalls.
    pub(super) fn stalled(&self, stalls: StallPlan) -> Self {
        Self {
            stalls,
            ..self.clone()
        }
    }

    /// What the bytes from `from` to `to` of the slices wait for.
    fn stall(&self, from: u64, to: u64, dice: &LinkDice, scripted: &mut usize) -> u64 {
        match &self.stalls {
            StallPlan::None => 0,
            StallPlan::Random => {
                let sectors = (to - from).div_ceil(SECTOR) as f64;
                let roll = f64::from(dice.stall.roll(from / SECTOR));
                if roll >= self.stall_threshold * sectors {
                    return 0;
                }
                self.stall_length(dice.length.unit(from / SECTOR))
            }
            StallPlan::Every { bytes, ns } => (to / bytes - from / bytes) * ns,
            StallPlan::At(list) => {
                let mut sum = 0;
                while let Some((_, ns)) = list.get(*scripted).filter(|(at, _)| *at < to) {
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
        length.min(self.stall_worst.max(self.stall_typical)) as u64
    }
}

/// Bytes that draws are pinned to.
const SECTOR: u64 = 512;

/// Length of the case in bytes and seconds.
#[derive(Clone, Copy)]
pub(super) struct Span {
    pub bytes: u64,
    pub seconds: f64,
}

impl CardModel {
    fn new(card: &Card, intake: f64) -> Self {
        let quantile = |(share, us): &(f64, f64)| {
            let share = (share * f64::from(u32::MAX)) as u32;
            (share, (us * 1e3) as u64)
        };
        Self {
            wire: card_wire_ns(card, SECTOR),
            block: card.block_us * 1e3,
            intake,
            access: (card.access_us * 1e3) as u64,
            cluster_bytes: u64::from(card.cluster_bytes),
            cluster: (card.cluster_us * 1e3) as u64,
            quantiles: card.quantiles.iter().map(quantile).collect(),
            quantile_blocks: u64::from(card.quantile_bytes).div_ceil(SECTOR),
        }
    }

    /// Time of a read of the bytes from `from` to `to`.
    fn read(&self, from: u64, to: u64, roll: u32) -> u64 {
        let blocks = (to - from).div_ceil(SECTOR);
        let taken = (to - from) as f64 * self.intake;
        let wire = blocks as f64 * self.wire;
        if !self.quantiles.is_empty() {
            // Measured times stand for everything up to the last byte; reads
            // of another size differ by their wire time.
            let shift = wire - self.quantile_blocks as f64 * self.wire;
            let measured = interpolate(&self.quantiles, roll) as f64;
            return ((measured + shift).max(wire) + taken) as u64;
        }
        let enters = from / self.cluster_bytes != to / self.cluster_bytes;
        // Access varies evenly from half to one and a half (assumed).
        let access = self.access / 2 + scale(self.access, roll);
        let fixed = (wire + blocks as f64 * self.block + taken) as u64;
        fixed + access + if enters { self.cluster } else { 0 }
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
    fn new(wifi: &Wifi, intake: f64, case: Span) -> Self {
        let bytes = f64::from(wifi.segment_bytes);
        let segments = (case.bytes as f64 / bytes).max(1.0);
        // Window, loss and pace are played out; only the air's own rate is fixed.
        let alone = Wifi {
            window_bytes: u32::MAX,
            round_trip_ms: 0.1,
            power_save_ms: 0.0,
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
            segment_bytes: u64::from(wifi.segment_bytes),
            segment: (bytes * 8e9 / rate) as u64,
            intake,
            round_trip: (wifi.round_trip_ms * 1e6) as u64,
            asleep: (wifi.power_save_ms * 1e6) as u64,
            retransmit: (wifi.retransmit_ms.max(wifi.turn_ms()) * 1e6) as u64,
            loss: threshold(wifi.loss),
            parting: threshold(wifi.reconnects_per_hour / 3600.0 * case.seconds / segments),
            reconnect: (wifi.reconnect_ms * 1e6) as u64,
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
    /// Of retransmissions, of a radio's sleep, of lost connections.
    again: Dice,
    sleep: Dice,
    parting: Dice,
}

/// A link at work.
pub(super) struct LinkRun<'a> {
    model: &'a LinkModel,
    dice: LinkDice,
    /// Next segment, the first of the request, and how many have been read.
    number: u64,
    origin: u64,
    read: u64,
    /// Bytes of the present request that were read.
    consumed: u64,
    /// When the last one was done (card) or had come in (Wi-Fi).
    free: u64,
    /// When the request's first byte may come.
    opened: u64,
    /// When each of the last segments was read from the socket.
    taken: Vec<u64>,
    /// When the next segment comes in, once that is known.
    coming: Option<u64>,
    /// Congestion window and slow start's end in segments, times 256.
    congestion: u64,
    threshold: u64,
    /// Segments up to this one were sent before a loss was noticed: they wait
    /// at the receiver, but for those that were lost with it.
    sent: u64,
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
                again: dice(Stream::Again),
                sleep: dice(Stream::Sleep),
                parting: dice(Stream::Parting),
            },
            number: 0,
            origin: 0,
            read: 0,
            consumed: 0,
            free: 0,
            opened: 0,
            taken,
            coming: None,
            congestion: window as u64 * 256,
            threshold: window as u64 * 256,
            sent: 0,
            scripted: 0,
            delay: Delay::default(),
        }
    }

    /// Gives back the memory for the next run.
    pub(super) fn into_memory(self) -> Vec<u64> {
        self.taken
    }

    /// Asks for what follows another byte: a new request over the air.
    pub(super) fn request(&mut self, now: u64) {
        self.opened = now + self.model.first;
        self.free = self.free.max(self.opened);
        self.origin = self.number;
        self.read = self.number;
        self.consumed = 0;
        self.coming = None;
        self.sent = 0;
    }

    /// Reads up to `most` bytes, which begin `from` bytes into the slices, from
    /// `now` on: how many, and when they are there.
    pub(super) fn fetch(&mut self, now: u64, from: Option<u64>, most: u32) -> (u32, u64) {
        let model = self.model;
        match &model.kind {
            Kind::Card(card) => {
                // Header and heads before the first slice draw as it does.
                let at = from.unwrap_or(0);
                let to = at + u64::from(most);
                let stall =
                    from.map_or(0, |at| model.stall(at, to, &self.dice, &mut self.scripted));
                self.delay.stall += stall;
                let time = card.read(at, to, self.dice.access.roll(at / SECTOR));
                (most, now + time + stall)
            }
            Kind::Wifi(wifi) => self.receive(wifi, now, from, most),
        }
    }

    /// Takes what has come in, or waits for the next segment.
    fn receive(&mut self, wifi: &WifiModel, now: u64, from: Option<u64>, most: u32) -> (u32, u64) {
        let size = wifi.segment_bytes;
        let mut now = now;
        while let Some(at) = self.arrival(wifi, from) {
            let there = (self.number - self.origin) * size > self.consumed;
            if at > now && there {
                break;
            }
            now = now.max(at);
            self.coming = None;
            self.number += 1;
        }
        let there = (self.number - self.origin) * size - self.consumed;
        let bytes = there.min(u64::from(most)) as u32;
        let done = now + (f64::from(bytes) * wifi.intake) as u64;
        self.consumed += u64::from(bytes);
        while (self.read - self.origin + 1) * size <= self.consumed {
            let slot = (self.read % wifi.window as u64) as usize;
            self.taken[slot] = done;
            self.read += 1;
        }
        (bytes, done)
    }

    /// When the next segment comes in, if the window lets it leave: it comes
    /// behind the one before.
    fn arrival(&mut self, wifi: &WifiModel, from: Option<u64>) -> Option<u64> {
        if self.coming.is_some() {
            return self.coming;
        }
        let window = (self.congestion / 256).clamp(1, wifi.window as u64);
        let since = self.number - self.origin;
        // What was sent before a loss was noticed has left already.
        let leaves = if self.number < self.sent || since < window {
            self.opened
        } else if self.number - window < self.read {
            // The last of an odd window waits for the receiver to acknowledge it.
            let alone = window % 2 == 1
                && window < wifi.window as u64
                && self.number.is_multiple_of(window);
            // All that waits for one waking comes with it.
            let waking = self.number / wifi.window as u64;
            let asleep = scale(wifi.asleep, self.dice.sleep.roll(waking));
            let slot = ((self.number - window) % wifi.window as u64) as usize;
            let delayed = if alone { DELAYED } else { 0 };
            self.taken[slot] + wifi.round_trip + asleep + delayed
        } else {
            return None;
        };
        let paced = wifi.pace.map_or(0, |(per_byte, burst)| {
            let ahead = ((since + 1) * wifi.segment_bytes).saturating_sub(burst);
            self.opened + (ahead as f64 * per_byte) as u64
        });
        let waits = self.number < self.sent && !self.is_lost(wifi, self.number);
        let comes = if waits {
            self.free
        } else {
            (self.free + wifi.segment).max(leaves).max(paced) + self.lose(wifi, window)
        };
        let begin = from.map(|at| at + since * wifi.segment_bytes - self.consumed);
        let stall = begin.map_or(0, |at| {
            let to = at + wifi.segment_bytes;
            self.model.stall(at, to, &self.dice, &mut self.scripted)
        });
        self.delay.stall += stall;
        self.free = comes + stall + self.part(wifi);
        self.coming = Some(self.free);
        self.coming
    }

    fn is_lost(&self, wifi: &WifiModel, number: u64) -> bool {
        u64::from(self.dice.loss.roll(number)) < wifi.loss
    }

    /// Delay by a connection that is lost and made again.
    fn part(&mut self, wifi: &WifiModel) -> u64 {
        if u64::from(self.dice.parting.roll(self.number)) >= wifi.parting {
            return 0;
        }
        self.delay.stall += wifi.reconnect;
        wifi.reconnect
    }

    /// Delay by loss (RFC 5681, RFC 6582): a lost segment is sent again when
    /// three behind it have come in, else after a time-out that doubles with
    /// each try; others that were lost with it cost a round trip each. The
    /// window halves, or begins at one segment, and grows with every second
    /// segment's acknowledgement.
    fn lose(&mut self, wifi: &WifiModel, window: u64) -> u64 {
        if !self.is_lost(wifi, self.number) {
            self.grow(wifi.window as u64 * 256);
            return 0;
        }
        if self.number < self.sent {
            self.delay.loss += wifi.round_trip;
            return wifi.round_trip;
        }
        let behind = self.number + 1..self.number + window;
        let came = behind.filter(|n| !self.is_lost(wifi, *n)).count();
        self.sent = self.number + window;
        self.threshold = (window * 128).max(512);
        let mut again = 0;
        while again < 7 && u64::from(self.dice.again.roll(self.number * 8 + again)) < wifi.loss {
            again += 1;
        }
        let delay = if came >= 3 && again == 0 {
            self.congestion = self.threshold;
            wifi.round_trip + 3 * wifi.segment
        } else {
            self.congestion = 256;
            let outs = if came >= 3 { again } else { again + 1 };
            wifi.round_trip + wifi.retransmit * ((1 << outs.min(6)) - 1)
        };
        self.delay.loss += delay;
        delay
    }

    /// One segment more has come in.
    fn grow(&mut self, most: u64) {
        let step = if self.congestion < self.threshold {
            128
        } else {
            32_768 / self.congestion.max(256)
        };
        self.congestion = (self.congestion + step).min(most);
    }
}
