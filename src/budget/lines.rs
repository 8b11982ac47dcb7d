//! The lines of a budget, part by part.

mod power;

use crate::board::{Board, Provenance};

use super::cost::{Costs, card_rate, card_wire_ns};
use super::current::Currents;
use super::facts::{PictureFacts, ReelFacts};
use super::line::{Line, Origin, Part, Verdict};
use super::memory::{MemoryPlan, Place, draws_ahead};
use super::{Link, Terms, air};

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
    /// Bytes a second in the worst window, and when it begins.
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
) -> (Vec<Line>, Currents) {
    let window = (terms.window * f64::from(reel.clock_rate)).ceil().max(1.0) as u64;
    let (link_need, at) = reel.worst_byte_rate(window);
    let link_rate = link_rate(board, link);
    let case = Case {
        reel,
        board,
        link,
        terms,
        costs: Costs::new(board, reel.coding, memory.picture_place == Place::External),
        memory,
        link_need,
        link_at: at as f64 / f64::from(reel.clock_rate),
        link_rate,
        window,
    };
    let mut lines = vec![case.link_line(), case.bus_line()];
    lines.extend(case.core_lines());
    lines.extend(case.turns_line());
    lines.push(case.picture_line());
    lines.extend(case.memory_lines());
    lines.extend(case.sound_line());
    lines.extend(case.panel_line());
    lines.push(case.space_line());
    let (power, currents) = case.power_lines(&lines);
    lines.extend(power);
    for line in &mut lines {
        line.look_ahead(reel);
    }
    (lines, currents)
}

/// Sustained bytes a second of a link; 0 where there is none.
fn link_rate(board: &Board, link: Link) -> f64 {
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

impl Case<'_> {
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
        if self.reel.assumed {
            Origin::plain(Provenance::Assumed, "typical pictures")
        } else {
            Origin::plain(Provenance::Computed, "the reel")
        }
    }

    /// A need that follows from keys and the pictures.
    fn need_from(&self, keys: &[&str]) -> Origin {
        self.origin(keys).and(self.pictures_origin())
    }

    fn seconds(&self, tick: u64) -> f64 {
        tick as f64 / f64::from(self.reel.clock_rate)
    }

    /// Bytes a second that do not depend on the pictures: sound and framing.
    fn fixed_rate(&self) -> f64 {
        let pictures: u64 = self.reel.pictures.iter().map(|p| u64::from(p.bytes)).sum();
        self.reel.slice_bytes().saturating_sub(pictures) as f64 / self.reel.seconds()
    }

    fn link_line(&self) -> Line {
        let (part, keys): (_, &[&str]) = match self.link {
            Link::Card => (
                Part::Card,
                &[
                    "card.clock_hz",
                    "card.access_us",
                    "card.block_us",
                    "player.read_bytes",
                ],
            ),
            Link::Wifi => (
                Part::Wifi,
                &[
                    "wifi.mcs",
                    "wifi.usable_share",
                    "wifi.window_bytes",
                    "wifi.round_trip_ms",
                ],
            ),
        };
        let mut line = self.line(part, self.link_need, self.link_rate, "bytes/s");
        line.fixed = self.fixed_rate().min(line.need);
        line.at_seconds = Some(self.link_at);
        line.capacity_origin = self.origin(keys);
        line.note = self.link_note();
        line
    }

    fn link_note(&self) -> Option<String> {
        let wifi = self
            .board
            .wifi
            .as_ref()
            .filter(|_| self.link == Link::Wifi)?;
        let (_, limit) = air::rate_bps(wifi);
        let text = match limit {
            air::AirLimit::Share => "bound by the share of the link rate that payload can use",
            air::AirLimit::Frames => "bound by frame overheads in the air",
            air::AirLimit::Window => "bound by the TCP window over the round trip",
            air::AirLimit::Loss => "bound by lost segments",
            air::AirLimit::Server => "bound by the server's pace",
        };
        Some(text.into())
    }

    /// The greatest milliseconds a second that the pictures' `cost` takes.
    fn worst_load(&self, cost: impl Fn(&PictureFacts) -> f64) -> (f64, f64) {
        let (sum, at) = self
            .reel
            .worst_pictures(self.window, |p| cost(p).ceil() as u64);
        (sum as f64 / 1e6 / self.terms.window, self.seconds(at))
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
        line.need_origin = self.need_from(&["panel.clock_hz", "panel.lines", "panel.window_us"]);
        line.capacity_origin = Origin::plain(Provenance::Computed, "a second");
        line.note =
            (shared > 0.0).then(|| format!("the card takes {shared:.0} ms/s of the same bus"));
        line
    }

    /// Load of reading and sounding, in ms/s.
    fn read_load(&self) -> f64 {
        let per_byte = match self.link {
            Link::Card => self
                .board
                .card
                .as_ref()
                .map_or(0.0, |c| c.instructions_per_byte),
            Link::Wifi => self
                .board
                .wifi
                .as_ref()
                .map_or(0.0, |w| w.instructions_per_byte),
        };
        let intake = self.costs.intake_ns(self.link_need, per_byte);
        let sound = self
            .costs
            .sound_ns(f64::from(self.reel.clock_rate), self.reel.sound);
        (intake + sound) / 1e6
    }

    fn core_lines(&self) -> Vec<Line> {
        let feeds = !self.costs.dma;
        let cost = |p: &PictureFacts| self.decode(p) + if feeds { self.send(p) } else { 0.0 };
        let (draw, at) = self.worst_load(cost);
        let read = self.read_load();
        let one = self.board.cpu.cores == 1;
        let origin = self.need_from(&["cpu.clock_hz", "cpu.instructions_per_cycle", "cpu.share"]);
        let mut drawing = self.line(
            Part::DrawCore,
            draw + if one { read } else { 0.0 },
            1000.0,
            "ms/s",
        );
        drawing.at_seconds = Some(at);
        drawing.need_origin = origin.clone();
        drawing.capacity_origin =
            Origin::plain(Provenance::Computed, "a second of the player's share");
        drawing.note = feeds.then(|| "without DMA the core feeds the bus itself".into());
        if one {
            return vec![drawing];
        }
        let mut reading = self.line(Part::ReadCore, read, 1000.0, "ms/s");
        reading.need_origin = origin;
        reading.capacity_origin = drawing.capacity_origin.clone();
        vec![drawing, reading]
    }

    /// Time until the panel has a picture that is drawn strip by strip.
    fn draw(&self, p: &PictureFacts) -> f64 {
        self.costs
            .draw_ns(self.decode(p), self.send(p), p.pixels.into())
            .0
    }

    /// Decoding and sending of a picture overlap strip by strip; pictures
    /// follow each other.
    fn turns_line(&self) -> Option<Line> {
        if draws_ahead(self.reel, self.board) || !self.costs.dma {
            return None;
        }
        let (load, at) = self.worst_load(|p| self.draw(p));
        let mut line = self.line(Part::Turns, load, 1000.0, "ms/s");
        line.at_seconds = Some(at);
        line.need_origin = self.need_from(&["panel.clock_hz", "cpu.clock_hz", "player.send_bytes"]);
        line.capacity_origin = Origin::plain(Provenance::Computed, "a second");
        Some(line)
    }

    fn picture_line(&self) -> Line {
        let cost = |p: &PictureFacts| self.draw(p);
        let worst = self
            .reel
            .pictures
            .iter()
            .max_by(|a, b| cost(a).total_cmp(&cost(b)));
        let need = worst.map_or(0.0, |p| cost(p) / 1e6);
        let period = 1e3 / self.reel.rate.max(0.01);
        let mut line = self.line(
            Part::Picture,
            need,
            period + self.board.player.tolerance_ms,
            "ms",
        );
        line.at_seconds = worst.map(|p| self.seconds(p.tick));
        line.by_rate = false;
        line.need_origin = self.need_from(&[
            "panel.clock_hz",
            "cpu.clock_hz",
            "cpu.instructions_per_cycle",
        ]);
        line.capacity_origin = self.origin(&["player.tolerance_ms"]);
        line.note = Some("one picture's time and what may pass before its lateness shows".into());
        line
    }

    fn memory_lines(&self) -> Vec<Line> {
        let memory = &self.board.memory;
        let mut lines = vec![self.memory_line(
            Part::Internal,
            Place::Internal,
            memory.internal_bytes,
            "memory.internal_bytes",
        )];
        if memory.external_bytes > 0 {
            lines.push(self.memory_line(
                Part::External,
                Place::External,
                memory.external_bytes,
                "memory.external_bytes",
            ));
            lines.push(self.external_rate_line());
        }
        let stated = u64::from(self.board.player.ring_bytes);
        if stated > 0 && stated < self.memory.least_ring {
            let note = format!(
                "player.ring_bytes is {stated}, the reel needs {}",
                self.memory.least_ring
            );
            lines[0].verdict = Verdict::Not;
            lines[0].note = Some(note);
        }
        lines
    }

    fn memory_line(&self, part: Part, place: Place, capacity: u32, key: &str) -> Line {
        let need = self.memory.need(place);
        let mut line = self.line(part, need as f64, f64::from(capacity), "bytes");
        let picture = self
            .memory
            .buffers
            .iter()
            .filter(|b| b.place == place && b.name == "picture decoder");
        let growing: u64 = picture.map(|b| b.bytes).sum();
        line.by_rate = false;
        line.fixed = need.saturating_sub(growing) as f64;
        line.capacity_origin = self.origin(&[key]);
        line.margin = self.terms.margin.min(MEMORY_MARGIN);
        line.verdict = Verdict::of(line.ratio(), line.margin);
        line
    }

    /// Ring and pictures pass through external memory: written once, read
    /// once, and a predicted picture is read once more.
    fn external_rate_line(&self) -> Line {
        let ring = if self.memory.ring_place == Place::External {
            2.0 * self.link_need
        } else {
            0.0
        };
        let outside = self.memory.picture_place == Place::External;
        let (pixels, _) = self
            .reel
            .worst_pictures(self.window, |p| u64::from(p.pixels));
        let pictures = if outside {
            pixels as f64 * 6.0 / self.terms.window
        } else {
            0.0
        };
        let capacity = self.board.memory.external_bytes_per_second;
        let mut line = self.line(Part::ExternalRate, ring + pictures, capacity, "bytes/s");
        line.capacity_origin = self.origin(&["memory.external_bytes_per_second"]);
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
        line.verdict = if offered { Verdict::Fit } else { Verdict::Not };
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

    fn space_line(&self) -> Line {
        let card = self.board.card.as_ref().filter(|_| self.link == Link::Card);
        let capacity = card.map_or(FAT32_FILE, |c| (c.capacity_bytes as f64).min(FAT32_FILE));
        let mut line = self.line(Part::Space, self.reel.total_bytes as f64, capacity, "bytes");
        line.fixed = (self.fixed_rate() * self.reel.seconds()).min(line.need);
        line.capacity_origin = self
            .origin(&["card.capacity_bytes"])
            .and(Origin::plain(Provenance::Computed, "FAT32 file limit"));
        line
    }
}
