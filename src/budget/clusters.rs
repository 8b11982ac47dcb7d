//! What the card's file system costs: clusters, and a file in pieces.

use serde::Serialize;

use super::cost::{BLOCK, card_rate, card_read_ns, card_wire_ns};
use super::{Link, ReelFacts};
use crate::board::Board;

/// Entries of FAT32 in one block: 4 bytes for each cluster.
const ENTRIES: u64 = BLOCK / 4;

/// So many things, in words.
fn count(number: u64, thing: &str) -> String {
    format!("{number} {thing}{}", if number == 1 { "" } else { "s" })
}

/// A reel's file on its card; computed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Clusters {
    /// Clusters that the file takes.
    pub clusters: u64,
    /// Bytes in each.
    pub cluster_bytes: u32,
    /// Bytes per second where the file lies in one piece.
    pub whole_rate: f64,
    /// Bytes per second where every cluster lies elsewhere, so that each costs
    /// a read of the allocation table.
    pub scattered_rate: f64,
    /// Bytes per second that the reel needs in its worst second.
    pub need: f64,
}

impl Clusters {
    /// The reel on the board's card, if it has one.
    #[must_use]
    pub fn new(reel: &ReelFacts, board: &Board, need: f64, link: Link) -> Option<Self> {
        let card = board.card.as_ref().filter(|_| link == Link::Card)?;
        let read = u64::from(board.player.read_bytes);
        let lookup_ns = (card.access_us + card.block_us) * 1e3 + card_wire_ns(card, BLOCK);
        let crossings = read as f64 / f64::from(card.cluster_bytes);
        let scattered_ns = card_read_ns(card, read) + crossings * lookup_ns;
        Some(Self {
            clusters: reel.total_bytes.div_ceil(u64::from(card.cluster_bytes)),
            cluster_bytes: card.cluster_bytes,
            whole_rate: card_rate(card, board.player.read_bytes),
            scattered_rate: read as f64 * 1e9 / scattered_ns,
            need,
        })
    }

    /// In a sentence.
    #[must_use]
    pub fn sentence(&self) -> String {
        let verdict = if self.need > self.scattered_rate {
            "too slow for this reel: copy it onto a freshly formatted card"
        } else {
            "still enough"
        };
        format!(
            "the file takes {} of {} bytes and {} of the allocation table; in one piece the card gives {:.0} kB/s, wholly scattered {:.0} kB/s, {verdict} (computed)",
            count(self.clusters, "cluster"),
            self.cluster_bytes,
            count(self.clusters.div_ceil(ENTRIES), "block"),
            self.whole_rate / 1e3,
            self.scattered_rate / 1e3
        )
    }
}
