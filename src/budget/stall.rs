//! Riding out a stall.

use serde::Serialize;

use super::{Budget, ReelFacts};

/// What it takes to ride out a stall of the link.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct StallNeed {
    /// Length of the stall in milliseconds.
    pub stall_ms: f64,
    /// Bytes that must be ahead when it begins: all slices that become due in it.
    pub buffer_bytes: u64,
    /// Longest stall in milliseconds that the planned ring buffer rides out at the
    /// worst window's rate.
    pub ring_rides_ms: f64,
    /// Seconds until the ring buffer is full again after such a stall, at the worst
    /// window's rate; `None` if the link is no faster than that.
    pub recovery_s: Option<f64>,
}

/// The buffer for a stall of `stall_ms`, counted over every span of the reel.
#[must_use]
pub fn stall_need(reel: &ReelFacts, budget: &Budget, stall_ms: f64) -> StallNeed {
    let ticks = (stall_ms / 1e3 * f64::from(reel.clock_rate)).ceil() as u64;
    // One slice more than begins inside: the one due just as the stall ends.
    let (bytes, _) = reel.worst_bytes(ticks.max(1));
    let link = &budget.lines[0];
    let rides = budget
        .memory
        .ring_buffer_bytes
        .saturating_sub(u64::from(reel.largest_chunk));
    let spare = link.capacity - link.need;
    StallNeed {
        stall_ms,
        buffer_bytes: bytes,
        ring_rides_ms: rides as f64 / link.need.max(1.0) * 1e3,
        recovery_s: (spare > 0.0).then(|| link.need * stall_ms / 1e3 / spare),
    }
}
