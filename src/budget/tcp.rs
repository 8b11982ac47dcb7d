//! What one TCP flow carries through a small window over a link that loses
//! segments: Padhye, Firoiu, Towsley, Kurose 1998, "Modeling TCP Throughput: A
//! Simple Model and its Empirical Validation", equation (32), with time-outs
//! and the window's limit.

use crate::board::Wifi;

/// Segments that one acknowledgement stands for (RFC 1122 section 4.2.3.2).
const PER_ACK: f64 = 2.0;

/// A flow as the formula sees it; times in seconds.
#[derive(Clone, Copy, Debug)]
pub struct Flow {
    /// Share of segments that begin a loss, over 0 and under 1.
    pub loss: f64,
    /// From a segment to its acknowledgement.
    pub round_trip: f64,
    /// First retransmission time-out.
    pub time_out: f64,
    /// Receive window in segments.
    pub window: f64,
}

impl Flow {
    /// The flow of a profile without the air's own rate.
    #[must_use]
    pub fn of(wifi: &Wifi) -> Self {
        let round_trip = wifi.turn_ms() / 1e3;
        Self {
            loss: wifi.loss,
            round_trip,
            time_out: (wifi.retransmit_ms / 1e3).max(round_trip),
            window: f64::from((wifi.window_bytes / wifi.segment_bytes).max(1)),
        }
    }

    /// Segments per second: equation (32).
    #[must_use]
    pub fn segments_per_second(&self) -> f64 {
        self.through(f64::INFINITY)
    }

    /// The same where the air takes at most `most` segments per second: what is
    /// sent between two losses takes the longer of both, and time-outs pass
    /// idle.
    #[must_use]
    pub fn through(&self, most: f64) -> f64 {
        if self.loss <= 0.0 {
            return (self.window / self.round_trip).min(most);
        }
        let p = self.loss;
        let least = (2.0 + PER_ACK) / (3.0 * PER_ACK);
        let unbounded = least + (8.0 * (1.0 - p) / (3.0 * PER_ACK * p) + least * least).sqrt();
        let (window, rounds) = if unbounded < self.window {
            (unbounded, PER_ACK / 2.0 * unbounded + 1.0)
        } else {
            let w = self.window;
            (w, PER_ACK / 8.0 * w + (1.0 - p) / (p * w) + 2.0)
        };
        let timed_out = time_out_share(p, window);
        let sent = (1.0 - p) / p + window + timed_out / (1.0 - p);
        let busy = (self.round_trip * rounds).max(sent / most);
        sent / (busy + timed_out * self.time_out * back_off(p) / (1.0 - p))
    }
}

/// Share of losses that end in a time-out: the paper's Q, equation (22).
fn time_out_share(p: f64, window: f64) -> f64 {
    let kept = 1.0 - p;
    let three = kept.powi(3);
    let share =
        (1.0 - three) * (1.0 + three * (1.0 - kept.powf(window - 3.0))) / (1.0 - kept.powf(window));
    share.min(1.0)
}

/// Mean length of a run of time-outs, each twice the one before up to 64
/// times, in first time-outs and before the division by 1 - p: the paper's f.
fn back_off(p: f64) -> f64 {
    1.0 + (0..6)
        .map(|n| f64::from(1 << n) * p.powi(n + 1))
        .sum::<f64>()
}
