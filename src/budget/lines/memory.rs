//! What lies in which memory, and the traffic of the external one.

use super::super::line::{Line, Part, Verdict};
use super::super::memory::Place;
use super::{Case, MEMORY_MARGIN};

impl Case<'_> {
    pub(super) fn memory_lines(&self) -> Vec<Line> {
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
        let stated = u64::from(self.board.player.ring_buffer_bytes);
        if stated > 0 && stated < self.memory.least_ring {
            let note = format!(
                "player.ring_buffer_bytes is {stated}, the reel needs {}",
                self.memory.least_ring
            );
            lines[0].verdict = Verdict::DoesNotFit;
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
        line.need_origin = self.need_from(match place {
            Place::Internal => &[
                "player.stack_bytes",
                "player.send_bytes",
                "player.read_bytes",
                "sound.queue_samples",
            ],
            Place::External => &["player.read_bytes"],
        });
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
}
