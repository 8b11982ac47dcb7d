//! Start-up time: from the first byte asked for to the first sound and picture.

use serde::Serialize;

use crate::board::{Board, Wifi};
use crate::reel::{CHUNK_HEADER, FIRST_CHUNK};

use super::cost::{BLOCK, Costs, card_read_ns};
use super::{Link, MemoryPlan, ReelFacts, rate_bps};

/// Bytes in the ring buffer before play begins: the player's start level, else
/// the reel's, else two of its largest slices.
#[must_use]
pub fn start_level(reel: &ReelFacts, board: &Board) -> u64 {
    match (board.player.start_bytes, reel.prebuffer) {
        (0, 0) => 2 * u64::from(reel.largest_chunk),
        (0, reel) => u64::from(reel),
        (player, _) => u64::from(player),
    }
}

/// What is read before play begins, and how long that takes without stalls.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct StartUp {
    /// Bytes read before play begins.
    pub bytes: u64,
    /// Seconds until the first sound, or until time begins in a silent reel.
    pub play_s: f64,
    /// Seconds until the panel shows the whole first picture.
    pub picture_s: f64,
}

impl StartUp {
    /// The start of a reel that is read from its first byte on, without a jump,
    /// at `rate` bytes per second: `lead` bytes before the first slice, then
    /// `level` bytes of slices.
    #[must_use]
    pub fn streamed(lead: u64, level: u64, rate: f64) -> Self {
        let bytes = lead + level;
        let seconds = bytes as f64 / rate.max(1.0);
        Self {
            bytes,
            play_s: seconds,
            picture_s: seconds,
        }
    }

    /// The start of `reel` on `board` over `link`; `None` if the board lacks
    /// the link or the reel has no slice.
    #[must_use]
    pub fn new(reel: &ReelFacts, board: &Board, link: Link) -> Option<Self> {
        let memory = MemoryPlan::new(reel, board);
        let costs = Costs::new(board, reel.coding, &memory);
        let level = start_level(reel, board);
        let reads = Reads::new(reel, board, level, memory.ring_buffer_bytes)?;
        let over = match link {
            Link::Card => reads.over_card(board)?,
            Link::Wifi => reads.over_wifi(board.wifi.as_ref()?),
        };
        let intake = costs.intake_ns(reads.bytes() as f64, link.instructions_per_byte(board));
        let play_s = (over + intake) / 1e9;
        Some(Self {
            bytes: reads.bytes(),
            play_s,
            picture_s: play_s + first_picture_s(reel, &costs),
        })
    }
}

/// Seconds from the begin of play until the first picture is on the panel.
fn first_picture_s(reel: &ReelFacts, costs: &Costs) -> f64 {
    let (Some(picture), Some(slice)) = (reel.pictures.first(), reel.slices.first()) else {
        return 0.0;
    };
    let due = (picture.tick - slice.tick) as f64 / f64::from(reel.clock_rate.max(1));
    let decode = costs.decode_ns(picture.instructions.into(), picture.pixels.into());
    let send = costs.send_ns(picture.pixels.into(), picture.windows.into());
    due + costs.draw_ns(decode, send, picture.pixels.into()).0 / 1e9
}

/// The reads before play begins, as the playback loop makes them: each from
/// where the one before ended, on to the end of a sector.
struct Reads {
    /// Bytes of each read.
    reads: Vec<u64>,
    /// Jumps, the first request included.
    jumps: u64,
    /// Bytes read since the last jump.
    run: u64,
    position: u64,
    most: u64,
}

impl Reads {
    fn new(reel: &ReelFacts, board: &Board, level: u64, ring: u64) -> Option<Self> {
        let mut reads = Self {
            reads: Vec::new(),
            jumps: 1,
            run: 0,
            position: 0,
            most: board.player.read_bytes.into(),
        };
        reads.reach(0, BLOCK);
        let lead = u64::from(reel.lead_bytes);
        if lead > FIRST_CHUNK {
            reads.reach(FIRST_CHUNK, CHUNK_HEADER as u64);
        }
        let (mut at, mut ready) = (lead, 0);
        for slice in &reel.slices {
            let bytes = u64::from(slice.bytes);
            if ready > 0 && (ready >= level || ready + bytes > ring) {
                break;
            }
            reads.reach(at, CHUNK_HEADER as u64);
            reads.reach(at, bytes);
            at += bytes;
            ready += bytes;
        }
        (ready > 0).then_some(reads)
    }

    /// Reads what is missing of the `bytes` at `at`.
    fn reach(&mut self, at: u64, bytes: u64) {
        if at > self.position {
            self.position = at;
            self.jumps += 1;
            self.run = 0;
        }
        let end = (at + bytes).next_multiple_of(BLOCK);
        while self.position < at + bytes {
            let read = self.most.min(end - self.position);
            self.reads.push(read);
            self.run += read;
            self.position += read;
        }
    }

    fn bytes(&self) -> u64 {
        self.reads.iter().sum()
    }

    /// Nanoseconds of the reads from the card.
    fn over_card(&self, board: &Board) -> Option<f64> {
        let card = board.card.as_ref()?;
        Some(self.reads.iter().map(|&n| card_read_ns(card, n)).sum())
    }

    /// Nanoseconds over the air: a request for each jump, then the bytes behind
    /// the last at the link's rate, or at the server's after its burst.
    fn over_wifi(&self, wifi: &Wifi) -> f64 {
        let request = (wifi.server_ms + wifi.round_trip_ms * 1.5) * 1e6;
        let air = Wifi {
            server_bps: 0,
            ..wifi.clone()
        };
        let flows = self.run as f64 * 8e9 / rate_bps(&air).0.max(1.0);
        let burst = u64::from(wifi.server_burst_bytes);
        let paced = match wifi.server_bps {
            0 => 0.0,
            rate => self.run.saturating_sub(burst) as f64 * 8e9 / rate as f64,
        };
        self.jumps as f64 * request + flows.max(paced)
    }
}
