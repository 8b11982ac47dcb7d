//! What a fit has traded for what, in words; and what is short where none is.

use super::{BEST_QUALITY, Search, Way, hertz};
use crate::budget::{Budget, MEMORY_MARGIN, PictureCoding, ReelFacts};
use crate::coding::Coding;
use crate::convert::allowance::Allowance;
use crate::convert::{ConvertError, ConvertPlan};
use crate::rehearsal::Tally;

impl Search<'_> {
    pub(super) fn trades(&self, way: &Way, tightest: String, tally: &Tally) -> Vec<String> {
        let margin = self.goal.margin;
        let mut trades = vec![format!(
            "fits {} from the {}: every budget keeps {:.0} % (memory, counted to the byte, {:.0} %), {} of {} rehearsals clean (computed)",
            self.board().name,
            way.link.name(),
            margin * 100.0,
            margin.min(MEMORY_MARGIN) * 100.0,
            tally.clean,
            tally.runs
        )];
        let mut told: Vec<String> = Vec::new();
        // The last refusal of a kind is that of the least demanding coding.
        for (refused, reason) in self.refused.iter().rev() {
            let what = self.given_up(refused, way);
            if !told.contains(&what) {
                trades.insert(1, format!("{what}: {reason}"));
                told.push(what);
            }
        }
        trades.push(tightest);
        trades
    }

    /// Width and height of a way's pictures.
    pub(super) fn size_of(&self, way: &Way) -> (u16, u16) {
        way.size
            .unwrap_or_else(|| self.board().panel.upright_size())
    }

    /// What a refused way had that the taken one has not.
    fn given_up(&self, refused: &Way, taken: &Way) -> String {
        let (coding, was) = (coding_name(taken.coding), coding_name(refused.coding));
        if refused.link != taken.link {
            format!("given up: from the {}, as {was}", refused.link.name())
        } else if refused.size != taken.size {
            let (w, h) = self.size_of(refused);
            format!("given up: {w}x{h}")
        } else if refused.divisor != taken.divisor {
            format!("given up: {:.2} frames per second", hertz(refused.rate))
        } else {
            format!("{coding} instead of {was}")
        }
    }

    /// The part that is used most, and whether it or the wish for quality
    /// set the end.
    pub(super) fn tightest(
        &self,
        plan: &ConvertPlan,
        facts: &ReelFacts,
        budget: &Budget,
        allowed: &Allowance,
    ) -> String {
        let line = budget.bottleneck();
        let ring = budget.lines[0].need / allowed.link.max(1.0);
        let share = line.ratio() / (1.0 - self.goal.margin);
        if allowed.by_ring && ring > share {
            return format!(
                "the tightest part is the ring buffer of {} bytes: to ride out the worst stall it allows {:.0} bytes/s, of which {:.0} % are used (computed)",
                budget.memory.ring_buffer_bytes,
                allowed.link,
                ring * 100.0
            );
        }
        let peak = |f: &dyn Fn(&crate::budget::PictureFacts) -> u32, most: u32| {
            f64::from(facts.pictures.iter().map(f).max().unwrap_or(0)) / f64::from(most.max(1))
        };
        let free = [
            share,
            ring,
            peak(&|p| p.instructions, allowed.instructions),
            if allowed.whole {
                0.0
            } else {
                peak(&|p| p.pixels * 2, allowed.bus)
            },
        ];
        let quality = plan.coding.choice.quality.unwrap_or(BEST_QUALITY);
        let end = if plan.coding.choice.coding != Some(Coding::Raw)
            && free.iter().all(|used| *used < 0.85)
        {
            format!("; quality {quality} is reached everywhere with room to spare")
        } else {
            String::new()
        };
        format!(
            "the tightest part is {}, at {:.0} % of its capacity, {:.0} % of what the margin allows (computed){end}",
            line.part.name(),
            line.ratio() * 100.0,
            share * 100.0
        )
    }

    pub(super) fn no_fit(&self) -> ConvertError {
        // The last way is the most modest one: what it lacks is what is short.
        let reason = self.refused.last().map_or_else(
            || "the board has no link".into(),
            |(way, reason)| {
                let (w, h) = self.size_of(way);
                format!(
                    "even {w}x{h} at {:.1} frames per second as {} do not fit: {reason}",
                    hertz(way.rate),
                    coding_name(way.coding)
                )
            },
        );
        ConvertError::NoFit {
            board: self.board().name.clone(),
            reason,
        }
    }
}

const fn coding_name(coding: PictureCoding) -> &'static str {
    match coding {
        PictureCoding::Raw => "raw",
        PictureCoding::Jpeg => "jpeg",
        PictureCoding::PatchLight => "patch light",
        PictureCoding::PatchFull => "patch full",
    }
}
