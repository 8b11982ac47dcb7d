//! The lines of a budget, part by part.

mod cores;
mod keys;
mod memory;
mod over_time;
mod power;

use crate::board::{Board, Provenance};

use super::cost::{Costs, card_rate, card_wire_ns};
use super::facts::{PictureFacts, ReelFacts};
use super::line::{Line, Origin, Part, Verdict};
use super::memory::MemoryPlan;
use super::{Link, Terms, air};
use crate::budget::power::Power;
pub use over_time::OverTime;

use keys::{BUS_KEYS, CARD_KEYS, link_keys};

/// The largest file on a FAT32 card, in whole sectors.
pub const FAT32_FILE: f64 = 4_294_966_784.0;

/// Share of a memory to keep free where a larger margin is asked: buffers are
/// counted to the byte, so that a little room is enough.
pub const MEMORY_MARGIN: f64 = 0.05;

/// Everything that the lines are made from.
struct Case<'a> {
    reel: &'a ReelFacts,
    board: &'a Board,
    link: Link,
    terms: Terms,
    costs: Costs,
    memory: &'a MemoryPlan,
    /// Bytes per second in the worst window, and when it begins.
    link_need: f64,
    link_at: f64,
    link_rate: f64,
    /// Window in ticks.
    window: u64,
}

pub(super) fn all(
    reel: &ReelFacts,
    board: &Board,
    link: Link,
    terms: Terms,
    memory: &MemoryPlan,
) -> (Vec<Line>, Power) {
    let case = Case::new(reel, board, link, terms, memory);
    let mut lines = vec![case.link_line(), case.bus_line()];
    lines.extend(case.core_lines());
    lines.extend(case.turns_line());
    lines.push(case.picture_line());
    lines.extend(case.memory_lines());
    lines.extend(case.sound_line());
    lines.extend(case.panel_line());
    lines.extend(case.space_line());
    let (electric, power) = case.power_lines();
    lines.extend(electric);
    for line in &mut lines {
        line.look_ahead(reel);
        // Typical pictures have no worst moment.
        line.at_seconds = line.at_seconds.filter(|_| !reel.assumed);
    }
    (lines, power)
}

/// Sustained bytes per second of a link; 0 where there is none.
#[must_use]
pub fn link_rate(board: &Board, link: Link) -> f64 {
    match link {
        Link::Card => board
            .card
            .as_ref()
            .map_or(0.0, |c| card_rate(c, board.player.read_bytes)),
        Link::Wifi => board
            .wifi
            .as_ref()
            .map_or(0.0, |w| air::rate_bps(w).0 / 8.0),
    }
}

impl<'a> Case<'a> {
    fn new(
        reel: &'a ReelFacts,
        board: &'a Board,
        link: Link,
        terms: Terms,
        memory: &'a MemoryPlan,
    ) -> Self {
        let window = (terms.window * f64::from(reel.clock_rate)).ceil().max(1.0) as u64;
        let (link_need, at) = reel.worst_byte_rate(window);
        Self {
            reel,
            board,
            link,
            terms,
            costs: Costs::new(board, reel.coding, memory),
            memory,
            link_need,
            link_at: at as f64 / f64::from(reel.clock_rate),
            link_rate: link_rate(board, link),
            window,
        }
    }

    fn line(&self, part: Part, need: f64, capacity: f64, unit: &'static str) -> Line {
        let ratio = if capacity > 0.0 {
            need / capacity
        } else {
            f64::INFINITY
        };
        Line {
            part,
            need,
            capacity,
            unit,
            fixed: 0.0,
            by_rate: true,
            by_area: true,
            at_seconds: None,
            need_origin: self.pictures_origin(),
            capacity_origin: Origin::plain(Provenance::Computed, "profile"),
            verdict: Verdict::of(ratio, self.terms.margin),
            margin: self.terms.margin,
            highest_rate: None,
            largest: None,
            note: None,
        }
    }

    fn origin(&self, keys: &[&str]) -> Origin {
        Origin::keys(self.board, keys)
    }

    /// Where sizes and costs of the pictures come from.
    fn pictures_origin(&self) -> Origin {
        Origin::of_pictures(self.reel)
    }

    /// A need that follows from keys and the pictures.
    fn need_from(&self, keys: &[&str]) -> Origin {
        self.origin(keys).and(self.pictures_origin())
    }

    fn seconds(&self, tick: u64) -> f64 {
        tick as f64 / f64::from(self.reel.clock_rate)
    }

    /// Bytes per second that do not depend on the pictures: sound and framing.
    fn fixed_rate(&self) -> f64 {
        let pictures: u64 = self.reel.pictures.iter().map(|p| u64::from(p.bytes)).sum();
        self.reel.slice_bytes().saturating_sub(pictures) as f64 / self.reel.seconds()
    }

    fn link_line(&self) -> Line {
        let part = match self.link {
            Link::Card => Part::Card,
            Link::Wifi => Part::Wifi,
        };
        let mut line = self.line(part, self.link_need, self.link_rate, "bytes/s");
        line.fixed = self.fixed_rate().min(line.need);
        line.at_seconds = Some(self.link_at);
        line.capacity_origin = self.origin(link_keys(self.board, self.link));
        line.note = self.air_limit().map(|limit| limit.words().into());
        line
    }

    /// What binds the air, where the link is the air.
    fn air_limit(&self) -> Option<air::AirLimit> {
        let wifi = self.board.wifi.as_ref();
        let wifi = wifi.filter(|_| self.link == Link::Wifi)?;
        Some(air::rate_bps(wifi).1)
    }

    /// The greatest milliseconds per second that the pictures' `cost` takes.
    fn worst_load(&self, cost: impl Fn(&PictureFacts) -> f64) -> (f64, f64) {
        let higher = |a: (f64, f64), b: (f64, f64)| if b.0 > a.0 { b } else { a };
        self.loads(cost).fold((0.0, 0.0), higher)
    }

    /// The milliseconds per second that the pictures' `cost` takes in each window, and
    /// the second where it begins.
    fn loads(&self, cost: impl Fn(&PictureFacts) -> f64) -> impl Iterator<Item = (f64, f64)> {
        let sums = self
            .reel
            .picture_spans(self.window, move |p| cost(p).ceil() as u64);
        sums.map(|(sum, at)| (sum as f64 / 1e6 / self.terms.window, self.seconds(at)))
    }

    fn send(&self, p: &PictureFacts) -> f64 {
        self.costs
            .send_ns(u64::from(p.pixels), u64::from(p.windows))
    }

    fn decode(&self, p: &PictureFacts) -> f64 {
        self.costs
            .decode_ns(u64::from(p.instructions), u64::from(p.pixels))
    }

    /// Milliseconds a second that the card keeps a shared bus.
    fn shared_bus_load(&self) -> f64 {
        let card = self
            .board
            .card
            .as_ref()
            .filter(|c| c.shares_panel_bus && self.link == Link::Card);
        card.map_or(0.0, |card| {
            let read = u64::from(self.board.player.read_bytes);
            let busy = card_wire_ns(card, read) / 1e9 + card.access_us / 1e6;
            self.link_need / read as f64 * busy * 1e3
        })
    }

    fn bus_line(&self) -> Line {
        let (load, at) = self.worst_load(|p| self.send(p));
        let shared = self.shared_bus_load();
        let mut line = self.line(Part::Bus, load + shared, 1000.0, "ms/s");
        line.at_seconds = Some(at);
        line.need_origin = self.need_from(&BUS_KEYS);
        if shared > 0.0 {
            line.need_origin = line.need_origin.and(self.origin(&CARD_KEYS));
        }
        line.capacity_origin = Origin::plain(Provenance::Computed, "the 1000 ms of a second");
        line.note =
            (shared > 0.0).then(|| format!("the card takes {shared:.0} ms/s of the same bus"));
        line
    }

    fn sound_line(&self) -> Option<Line> {
        if self.reel.sound.bits() == 0 {
            return None;
        }
        let sound = &self.board.sound;
        let slots = 2.0 * f64::from(sound.slot_bits);
        let highest = f64::from(sound.sample_rates.last().copied().unwrap_or(0));
        let mut line = self.line(
            Part::I2s,
            f64::from(self.reel.clock_rate) * slots,
            highest * slots,
            "bit/s",
        );
        line.by_rate = false;
        line.by_area = false;
        line.need_origin = self.need_from(&["sound.slot_bits"]);
        line.capacity_origin = self.origin(&["sound.sample_rates"]);
        // A rate that is offered is met in full; margin means nothing here.
        let offered = sound.sample_rates.contains(&self.reel.clock_rate);
        line.verdict = if offered {
            Verdict::Fits
        } else {
            Verdict::DoesNotFit
        };
        line.note = (!offered).then(|| {
            format!(
                "{} Hz is not among sound.sample_rates {:?}",
                self.reel.clock_rate, sound.sample_rates
            )
        });
        Some(line)
    }

    /// Only where the pictures are larger than the panel, whichever way round.
    fn panel_line(&self) -> Option<Line> {
        let panel = &self.board.panel;
        let sorted = |a: u16, b: u16| (a.min(b), a.max(b));
        let picture = sorted(self.reel.width, self.reel.height);
        let room = sorted(panel.width, panel.height);
        let over = [(picture.0, room.0), (picture.1, room.1)];
        let (need, capacity) =
            over.into_iter()
                .filter(|(need, room)| need > room)
                .max_by(|a, b| {
                    let over = |s: &(u16, u16)| f64::from(s.0) / f64::from(s.1);
                    over(a).total_cmp(&over(b))
                })?;
        let mut line = self.line(Part::Panel, need.into(), capacity.into(), "pixels");
        line.by_rate = false;
        line.by_area = false;
        line.capacity_origin = self.origin(&["panel.width", "panel.height"]);
        line.note = Some(format!(
            "pictures of {}x{} do not go on a panel of {}x{}: convert the clip for this board",
            self.reel.width, self.reel.height, panel.width, panel.height
        ));
        Some(line)
    }

    /// Whether the file goes on the card, in one piece.
    fn space_line(&self) -> Option<Line> {
        let card = self.board.card.as_ref();
        let card = card.filter(|_| self.link == Link::Card)?;
        let (need, holds) = (self.reel.total_bytes as f64, card.capacity_bytes as f64);
        let mut line = self.line(Part::Space, need, holds.min(FAT32_FILE), "bytes");
        line.fixed = (self.fixed_rate() * self.reel.seconds()).min(line.need);
        line.capacity_origin = if holds < FAT32_FILE {
            self.origin(&["card.capacity_bytes"])
        } else {
            Origin::plain(Provenance::Computed, "the largest file of FAT32")
        };
        line.note = (need > FAT32_FILE && need <= holds)
            .then(|| "too large for one file of FAT32; in parts it goes on the card: convert with --part-size fat32".into());
        Some(line)
    }
}
