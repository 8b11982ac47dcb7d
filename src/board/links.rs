//! Where a reel is read from: the card or Wi-Fi.

use serde::{Deserialize, Serialize};

use super::keys::section;

/// How the card is wired.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CardBus {
    /// SPI mode, one data line each way.
    Spi,
    /// SD mode, one data line.
    #[serde(rename = "sd-1-bit")]
    Sd1,
    /// SD mode, four data lines.
    #[serde(rename = "sd-4-bit")]
    Sd4,
}

section! {
    /// The memory card.
    Card {
        /// How the card is wired.
        bus: CardBus = CardBus::Spi, "spi | sd-1-bit | sd-4-bit", "wiring";
        /// Clock of the card's bus.
        clock_hz: u32 = 20_000_000, "Hz", "firmware: the card driver; 25 MHz is the default-speed limit, 50 MHz high speed", 100_000 ..= 208_000_000;
        /// The card shares the panel's bus, so reading and sending alternate.
        shares_panel_bus: bool = false, "true | false", "wiring: the same clock pin for card and panel";
        /// Median time from a read command to the first byte.
        access_us: f64 = 300.0, "microseconds", "probe: `thumbreel boards measure`; assume 200 to 1000", 0 ..= 1_000_000;
        /// Extra time per 512-byte block of a read.
        block_us: f64 = 8.0, "microseconds", "probe; SD specification: NAC of at least one byte time", 0 ..= 10000;
        /// Extra time per new cluster of the file system.
        cluster_us: f64 = 100.0, "microseconds", "probe; near 0 with a cached file allocation table", 0 ..= 1_000_000;
        /// Cluster size of the file system.
        cluster_bytes: u32 = 32_768, "bytes", "set when the card is formatted: a power of two; FAT32 usually at most 32 KiB", 512 ..= 2_097_152;
        /// Capacity of the card.
        capacity_bytes: u64 = 32_000_000_000, "bytes", "printed on the card", 1_000_000 ..= 2e12;
        /// Instructions per byte read: driver, checksum, copying.
        instructions_per_byte: f64 = 1.5, "instructions", "probe; else assume 1 with DMA, 4 without", 0 ..= 100;
        /// Measured times of reads of `quantile_bytes`, as rising pairs of share (0 to 1) and microseconds; empty for none. They replace access, block and transfer times.
        quantiles: Vec<(f64, f64)> = Vec::new(), "[share, microseconds] pairs", "probe: `thumbreel boards measure`";
        /// Size of the reads in `quantiles`.
        quantile_bytes: u32 = 0, "bytes", "probe: `thumbreel boards measure`", 0 ..= 1_048_576;
    }
    nested {
        /// Stalls of the card.
        stalls: Stalls;
    }
}

section! {
    /// Occasional long waits: a card's internal work, or radio interference.
    Stalls {
        /// Mean number of stalls per minute of playback.
        per_minute: f64 = 0.5, "per minute", "probe; else assume 0.5 for a card, 2 for Wi-Fi", 0 ..= 6000;
        /// Mean number of stalls per megabyte read, beside those per minute: a card's own housekeeping.
        per_megabyte: f64 = 0.0, "per megabyte", "probe: `thumbreel boards measure`", 0 ..= 1000;
        /// Median length of a stall.
        typical_ms: f64 = 30.0, "milliseconds", "probe", 0 ..= 60000;
        /// Longest stall that playback must survive.
        worst_ms: f64 = 100.0, "milliseconds", "probe; a card's read time-out is 100 ms (SD specification 4.6.2); for Wi-Fi assume 250", 0 ..= 60000;
    }
}

section! {
    /// The wireless link.
    Wifi {
        /// Modulation and coding scheme index (IEEE 802.11n, one stream, 20 MHz).
        mcs: u8 = 4, "index", "firmware: the rate reported for the access point where the board will stand", 0 ..= 7;
        /// The link uses the 400 ns guard interval.
        short_guard: bool = false, "true | false", "firmware or access point";
        /// Link rate, if known; 0 computes it from `mcs`.
        link_bps: u64 = 0, "bit/s", "firmware or access point", 0 ..= 1e10;
        /// Share of the link rate left for payload, with other networks active.
        usable_share: f64 = 0.4, "share", "assume 0.3 to 0.5, or use `thumbreel boards measure`", 0.01 ..= 0.95;
        /// TCP receive window.
        window_bytes: u32 = 5760, "bytes", "firmware: the network stack's set-up", 536 ..= 4_194_304;
        /// Payload of one TCP segment.
        segment_bytes: u32 = 1440, "bytes", "firmware: maximum segment size; 1460 at an MTU of 1500", 128 ..= 1460;
        /// Time from a segment to its acknowledgement, board to server and back.
        round_trip_ms: f64 = 5.0, "milliseconds", "ping the board from the server", 0.1 ..= 5000;
        /// Share of segments lost despite the radio's retries.
        loss: f64 = 0.0005, "share", "network stack counters; 0.0001 near, 0.01 far", 0 ..= 0.3;
        /// Retransmission timeout, used when too few later segments arrive to reveal the loss.
        retransmit_ms: f64 = 200.0, "milliseconds", "the server's minimum retransmission timeout; often 200 ms, 1 s by RFC 6298", 10 ..= 10000;
        /// Longest wait of a segment for a radio that sleeps between beacons; 0 with power saving off.
        power_save_ms: f64 = 0.0, "milliseconds", "firmware: 0 with power saving off, else the beacon interval (usually 102.4 ms) times the beacons slept through", 0 ..= 10000;
        /// Mean number of lost and remade connections per hour of playback.
        reconnects_per_hour: f64 = 0.0, "per hour", "firmware's log over a day where the board will stand", 0 ..= 3600;
        /// Time from a lost connection to the next byte.
        reconnect_ms: f64 = 3000.0, "milliseconds", "firmware's log; some seconds with a new address, less with a fixed one", 10 ..= 600_000;
        /// Response time of the server.
        server_ms: f64 = 10.0, "milliseconds", "time to the first byte, measured on the server itself", 0 ..= 60000;
        /// Rate limit of the server; 0 for none.
        server_bps: u64 = 0, "bit/s", "the paced endpoint of `thumbreel serve`; 0 for whole files", 0 ..= 1e10;
        /// Bytes that a rate-limited server sends at once before the limit applies.
        server_burst_bytes: u32 = 65_536, "bytes", "the paced endpoint of `thumbreel serve`", 0 ..= 67_108_864;
        /// Instructions per byte received: driver, network stack, copying.
        instructions_per_byte: f64 = 6.0, "instructions", "probe; else assume 4 to 10", 0 ..= 200;
    }
    nested {
        /// Stalls of the link.
        stalls: Stalls;
    }
}

/// Data bits an OFDM symbol carries at MCS 0 to 7, IEEE 802.11n, one stream,
/// 20 MHz.
pub const DATA_BITS_PER_SYMBOL: [u32; 8] = [26, 52, 78, 104, 156, 208, 234, 260];

impl Wifi {
    /// Link rate in bit/s: stated, or data bits / (3.2 us + guard interval).
    #[must_use]
    pub fn rate_bps(&self) -> f64 {
        if self.link_bps > 0 {
            return self.link_bps as f64;
        }
        let bits = DATA_BITS_PER_SYMBOL[usize::from(self.mcs.min(7))];
        let symbol_us = if self.short_guard { 3.6 } else { 4.0 };
        f64::from(bits) / symbol_us * 1e6
    }
}

impl Wifi {
    /// Mean time from a segment to its acknowledgement in milliseconds, the
    /// wait for a sleeping radio included.
    #[must_use]
    pub fn turn_ms(&self) -> f64 {
        self.round_trip_ms + self.power_save_ms / 2.0
    }
}

impl Stalls {
    /// Whether there are any.
    #[must_use]
    pub fn strike(&self) -> bool {
        self.per_minute > 0.0 || self.per_megabyte > 0.0
    }

    /// How many are met in so much play.
    #[must_use]
    pub fn met(&self, seconds: f64, bytes: u64) -> f64 {
        self.per_minute * seconds / 60.0 + self.per_megabyte * bytes as f64 / 1e6
    }
}

impl CardBus {
    /// Data lines that carry a block.
    #[must_use]
    pub fn lines(self) -> u32 {
        if self == Self::Sd4 { 4 } else { 1 }
    }
}
