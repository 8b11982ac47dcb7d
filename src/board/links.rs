//! Where a reel comes from: the card and the air.

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
        /// The card hangs on the panel's bus, so that reading and drawing take turns.
        shares_panel_bus: bool = false, "true | false", "wiring: the same clock pin for card and panel";
        /// Time from a read command to its first byte, in the middle of the road.
        access_us: f64 = 300.0, "microseconds", "probe: `thumbreel boards measure`; assume 200 to 1000", 0 ..= 1_000_000;
        /// Access time that recurs with every 512-byte block of a read.
        block_us: f64 = 8.0, "microseconds", "probe; SD specification: NAC of at least one byte time", 0 ..= 10000;
        /// Extra time whenever a read enters a new cluster of the file system.
        cluster_us: f64 = 100.0, "microseconds", "probe; a cached file allocation table costs almost nothing", 0 ..= 1_000_000;
        /// Bytes in a cluster of the file system.
        cluster_bytes: u32 = 32_768, "bytes", "the way the card was formatted: a power of two sectors, FAT32 at most 32 KiB as a rule", 512 ..= 2_097_152;
        /// Bytes that the card holds.
        capacity_bytes: u64 = 32_000_000_000, "bytes", "printed on the card", 1_000_000 ..= 2e12;
        /// Instructions of a core for each byte read: driver, checksum, copying.
        instructions_per_byte: f64 = 1.5, "instructions", "probe, or assume 1 with DMA and 4 without", 0 ..= 100;
        /// Measured read times of `quantile_bytes`, as pairs of share (0 to 1) and microseconds, rising; empty for none. If given they stand for access, block and transfer times together.
        quantiles: Vec<(f64, f64)> = Vec::new(), "[share, microseconds] pairs", "probe: `thumbreel boards measure`";
        /// Bytes of the reads whose times `quantiles` gives.
        quantile_bytes: u32 = 0, "bytes", "probe: `thumbreel boards measure`", 0 ..= 1_048_576;
    }
    nested {
        /// Times when the card makes everyone wait.
        stalls: Stalls;
    }
}

section! {
    /// Waits that strike now and then: a card's own housekeeping, radio trouble.
    Stalls {
        /// How often a stall strikes while a reel is read.
        per_minute: f64 = 0.5, "a minute of play", "probe, or assume 0.5 for a card and 2 for Wi-Fi", 0 ..= 6000;
        /// How often a stall strikes beside those, for each megabyte that is read: a card's own housekeeping.
        per_megabyte: f64 = 0.0, "a megabyte read", "probe: `thumbreel boards measure`", 0 ..= 1000;
        /// The middle stall's length: half are shorter.
        typical_ms: f64 = 30.0, "milliseconds", "probe", 0 ..= 60000;
        /// The longest stall that must be ridden out.
        worst_ms: f64 = 100.0, "milliseconds", "probe; SD specification 4.6.2: a host waits at least 100 ms for a read", 0 ..= 60000;
    }
}

section! {
    /// The wireless link.
    Wifi {
        /// Modulation and coding index, IEEE 802.11n, one stream, 20 MHz.
        mcs: u8 = 4, "0 to 7", "firmware: the rate reported for the access point where the board will stand", 0 ..= 7;
        /// The 400 ns guard interval is in use.
        short_guard: bool = false, "true | false", "firmware or access point";
        /// Link rate, if it is known by another way; 0 takes it from `mcs`.
        link_bps: u64 = 0, "bit/s", "firmware or access point", 0 ..= 1e10;
        /// Share of the link rate that payload can use, others in the air included.
        usable_share: f64 = 0.4, "share", "plan with 0.3 to 0.5; `thumbreel boards measure` finds it", 0.01 ..= 0.95;
        /// TCP receive window.
        window_bytes: u32 = 5760, "bytes", "firmware: the network stack's set-up", 536 ..= 4_194_304;
        /// Payload of one TCP segment.
        segment_bytes: u32 = 1440, "bytes", "firmware: maximum segment size; 1460 at an MTU of 1500", 128 ..= 1460;
        /// Time from a segment to its acknowledgement, board to server and back.
        round_trip_ms: f64 = 5.0, "milliseconds", "ping the board from the server", 0.1 ..= 5000;
        /// Share of segments lost after the radio's own repeats.
        loss: f64 = 0.0005, "share", "network stack counters; 0.0001 near, 0.01 far", 0 ..= 0.3;
        /// Wait before a lost segment is sent again when too few follow it to tell.
        retransmit_ms: f64 = 200.0, "milliseconds", "the server's least retransmission time-out; 200 ms is usual, 1 s by RFC 6298", 10 ..= 10000;
        /// Longest wait of a segment for a radio that sleeps between beacons; 0 with power saving off.
        power_save_ms: f64 = 0.0, "milliseconds", "firmware: 0 with power saving off, else the beacon interval (102.4 ms as a rule) times the beacons that are slept through", 0 ..= 10000;
        /// How often the connection is lost and made again.
        reconnects_per_hour: f64 = 0.0, "an hour of play", "firmware's log over a day where the board will stand", 0 ..= 3600;
        /// Time from a lost connection until bytes come in again.
        reconnect_ms: f64 = 3000.0, "milliseconds", "firmware's log; some seconds with a new address, less with a fixed one", 10 ..= 600_000;
        /// Time that the server takes to answer a request.
        server_ms: f64 = 10.0, "milliseconds", "time of a first byte on the server's own machine", 0 ..= 60000;
        /// Rate at which the server lets the reel go; 0 for as fast as can be.
        server_bps: u64 = 0, "bit/s", "the paced endpoint of `thumbreel serve`; 0 for whole files", 0 ..= 1e10;
        /// Bytes that a pacing server sends at once before it paces.
        server_burst_bytes: u32 = 65_536, "bytes", "the paced endpoint of `thumbreel serve`", 0 ..= 67_108_864;
        /// Instructions of a core for each byte received: driver, network stack, copying.
        instructions_per_byte: f64 = 6.0, "instructions", "probe, or assume 4 to 10", 0 ..= 200;
    }
    nested {
        /// Times when nothing comes through.
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
