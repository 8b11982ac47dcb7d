//! What everything but the amplifier draws, in the mean and at the worst
//! instant.

use serde::Serialize;

use super::circuit::Demand;
use crate::board::{Board, DATA_BITS_PER_SYMBOL};
use crate::budget::{Costs, Link, MemoryPlan, ReelFacts, airtime, frame_us, link_rate};

/// Bytes of an IP packet that carries nothing but a TCP acknowledgement.
const TCP_ACK: u32 = 40;
/// Longest burst of the radio: a 1,536-byte frame at 6 Mbit/s with its
/// preamble, seconds (IEEE 802.11-2016 clause 17).
const BURST_S: f64 = 2.07e-3;

/// Time awake for a beacon, milliseconds: waking, waiting and reading (common
/// practice, no source).
const BEACON_MS: f64 = 5.0;

/// How busy the parts are while a reel plays, each from 0 to 1.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Duty {
    /// Sum over the cores.
    pub cores: f64,
    /// The card.
    pub card: f64,
    /// The radio, listening.
    pub radio: f64,
    /// The radio, sending.
    pub radio_sends: f64,
}

impl Duty {
    /// The duty of `board` while it plays `reel` over `link`: of the very
    /// pictures, bytes and samples, in the mean.
    #[must_use]
    pub fn of(reel: &ReelFacts, board: &Board, link: Link) -> Self {
        let seconds = reel.seconds().max(1e-3);
        let bytes = reel.slice_bytes() as f64 / seconds;
        let carried = (bytes / link_rate(board, link).max(1.0)).min(1.0);
        let sends = board.wifi.as_ref().map_or(0.0, |w| {
            (bytes / f64::from(w.segment_bytes) * answer_s(w)).min(1.0)
        });
        let wireless = link == Link::Wifi;
        Self {
            cores: core_time(reel, board, link, bytes) / seconds,
            card: if wireless { 0.0 } else { carried },
            radio: if wireless { awake(board, bytes) } else { 0.0 },
            radio_sends: if wireless { sends } else { 0.0 },
        }
        .within(board)
    }

    fn within(self, board: &Board) -> Self {
        Self {
            cores: self.cores.min(f64::from(board.cpu.cores)),
            ..self
        }
    }
}

/// Share of the time in which the radio listens: always, or with power saving
/// on while it carries `bytes` per second, wakes for a beacon, or is lost and
/// looks for its network.
fn awake(board: &Board, bytes: f64) -> f64 {
    let Some(wifi) = board.wifi.as_ref().filter(|w| w.power_save_ms > 0.0) else {
        return 1.0;
    };
    let lost = wifi.reconnects_per_hour * wifi.reconnect_ms / 3.6e6;
    (airtime(bytes, wifi, 1) + BEACON_MS / wifi.power_save_ms + lost).min(1.0)
}

/// Seconds that the radio sends for one segment: its acknowledgement on the
/// link (34 us at 24 Mbit/s with its preamble) and half of TCP's.
fn answer_s(wifi: &crate::board::Wifi) -> f64 {
    let symbol = if wifi.short_guard { 3.6 } else { 4.0 };
    let bits = DATA_BITS_PER_SYMBOL[usize::from(wifi.mcs.min(7))];
    // Of the frame's time, what is waiting and the other side's answer.
    let waits = 28.0 + 67.5 + 10.0 + 34.0;
    let tcp = frame_us(TCP_ACK, bits, symbol) - waits;
    (34.0 + tcp / 2.0) * 1e-6
}

/// Core seconds that the whole reel takes.
fn core_time(reel: &ReelFacts, board: &Board, link: Link, bytes: f64) -> f64 {
    let costs = Costs::new(board, reel.coding, &MemoryPlan::new(reel, board));
    let picture = |p: &crate::budget::PictureFacts| {
        let send = costs.send_ns(p.pixels.into(), p.windows.into());
        costs.decode_ns(p.instructions.into(), p.pixels.into()) + if costs.dma { 0.0 } else { send }
    };
    let drawing: f64 = reel.pictures.iter().map(picture).sum();
    let per_byte = match link {
        Link::Card => board.card.as_ref().map_or(0.0, |c| c.instructions_per_byte),
        Link::Wifi => board.wifi.as_ref().map_or(0.0, |w| w.instructions_per_byte),
    };
    let seconds = reel.seconds();
    let reading = costs.intake_ns(bytes * seconds, per_byte);
    let sound = costs.sound_ns(f64::from(reel.clock_rate) * seconds, reel.sound);
    (drawing + reading + sound) / 1e9
}

/// What one part draws.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PartCurrent {
    /// The part.
    pub name: &'static str,
    /// In the mean, mA of its own supply.
    pub mean_ma: f64,
    /// At the worst instant, mA.
    pub peak_ma: f64,
}

/// Everything behind the regulator but the amplifier.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct LogicLoad {
    /// Part by part.
    pub parts: Vec<PartCurrent>,
    /// How busy they are.
    pub duty: Duty,
}

impl LogicLoad {
    /// What `board` draws at such duty over `link`.
    #[must_use]
    pub fn new(board: &Board, duty: Duty, link: Link) -> Self {
        let power = &board.power;
        let part = |name, mean_ma, peak_ma| PartCurrent {
            name,
            mean_ma,
            peak_ma,
        };
        let cores = f64::from(board.cpu.cores) * power.core_ma;
        let mut parts = vec![
            part("board at idle", power.base_ma, power.base_ma),
            part("backlight", power.backlight_ma, power.backlight_ma),
            part("cores", duty.cores * power.core_ma, cores),
        ];
        parts.push(match link {
            Link::Card => part("card", duty.card * power.card_ma, power.card_ma),
            Link::Wifi => part(
                "radio",
                duty.radio * power.wifi_ma
                    + duty.radio_sends * (power.wifi_send_ma - power.wifi_ma).max(0.0),
                power.wifi_send_ma.max(power.wifi_ma),
            ),
        });
        Self { parts, duty }
    }

    /// All together in the mean, mA.
    #[must_use]
    pub fn mean_ma(&self) -> f64 {
        self.parts.iter().map(|p| p.mean_ma).sum()
    }

    /// The worst instant: everything busy, and the radio's burst on top.
    #[must_use]
    pub fn demand(&self, board: &Board) -> Demand {
        let burst_ma = self.peak_ma();
        let radio = self.parts.iter().find(|p| p.name == "radio");
        let listening = radio.map_or(0.0, |p| p.peak_ma - board.power.wifi_ma);
        Demand {
            logic_ma: burst_ma - listening,
            burst_ma,
            burst_s: BURST_S,
        }
    }

    /// All together at the worst instant, mA.
    #[must_use]
    pub fn peak_ma(&self) -> f64 {
        self.parts.iter().map(|p| p.peak_ma).sum()
    }
}
