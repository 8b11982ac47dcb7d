//! Work of the cores, and drawing, which needs core and bus by turns.

use crate::board::Provenance;

use super::super::facts::PictureFacts;
use super::super::line::{Line, Origin, Part};
use super::super::memory::Place;
use super::Case;
use super::keys::{BUS_KEYS, CORE_KEYS, intake_key};

impl Case<'_> {
    /// Load of reading, and of sounding, in ms/s.
    pub(super) fn read_and_sound(&self) -> (f64, f64) {
        let per_byte = self.link.instructions_per_byte(self.board);
        let intake = self.costs.intake_ns(self.link_need, per_byte);
        let sound = self
            .costs
            .sound_ns(f64::from(self.reel.clock_rate), self.reel.sound);
        (intake / 1e6, sound / 1e6)
    }

    /// What a picture costs the display core: without DMA it feeds the bus too.
    pub(super) fn display_work(&self, p: &PictureFacts) -> f64 {
        self.decode(p) + if self.costs.dma { 0.0 } else { self.send(p) }
    }

    pub(super) fn core_lines(&self) -> Vec<Line> {
        let feeds = !self.costs.dma;
        let (draw, at) = self.worst_load(|p| self.display_work(p));
        let (read, sound) = self.read_and_sound();
        let one = self.board.cpu.cores == 1;
        let origin = self.cores_origin();
        let intake = self.origin(&[intake_key(self.link)]);
        let mut drawing = self.line(
            Part::DisplayCore,
            draw + sound + if one { read } else { 0.0 },
            1000.0,
            "ms/s",
        );
        drawing.fixed = sound;
        drawing.at_seconds = Some(at);
        drawing.need_origin = origin.clone();
        if feeds {
            drawing.need_origin = drawing.need_origin.and(self.origin(&BUS_KEYS));
        }
        drawing.capacity_origin = Origin::plain(
            Provenance::Computed,
            "the player's share of the 1000 ms of a second",
        );
        drawing.note = feeds.then(|| "without DMA the core feeds the bus itself".into());
        if one {
            drawing.need_origin = drawing.need_origin.and(intake);
            return vec![drawing];
        }
        let mut reading = self.line(Part::IoCore, read, 1000.0, "ms/s");
        reading.need_origin = origin.and(intake);
        reading.capacity_origin = drawing.capacity_origin.clone();
        vec![drawing, reading]
    }

    /// Where the cores' times come from.
    fn cores_origin(&self) -> Origin {
        let work = Origin::of_work(self.reel, self.board);
        let origin = self.need_from(&CORE_KEYS).and(work);
        if self.memory.picture_place == Place::External {
            origin.and(self.origin(&["cpu.external_factor"]))
        } else {
            origin
        }
    }

    /// Where the time of drawing comes from.
    fn drawing_origin(&self) -> Origin {
        let panel = self.origin(&BUS_KEYS);
        self.cores_origin()
            .and(panel)
            .and(self.origin(&["player.send_bytes"]))
    }

    /// Time until the panel has a picture that is drawn strip by strip.
    fn draw(&self, p: &PictureFacts) -> f64 {
        self.costs
            .draw_ns(self.decode(p), self.send(p), p.pixels.into())
            .0
    }

    /// Decoding and sending of a picture overlap strip by strip; pictures
    /// follow each other.
    pub(super) fn turns_line(&self) -> Option<Line> {
        if !self.costs.dma {
            return None;
        }
        let (load, at) = self.worst_load(|p| self.draw(p));
        let mut line = self.line(Part::Turns, load, 1000.0, "ms/s");
        line.at_seconds = Some(at);
        line.need_origin = self.drawing_origin();
        line.capacity_origin = Origin::plain(Provenance::Computed, "the 1000 ms of a second");
        Some(line)
    }

    pub(super) fn picture_line(&self) -> Line {
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
        line.need_origin = self.drawing_origin();
        line.capacity_origin = self.origin(&["player.tolerance_ms"]);
        line.note = Some("one picture's time and what may pass before its lateness shows".into());
        line
    }
}
