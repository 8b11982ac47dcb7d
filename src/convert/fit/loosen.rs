//! Work that peaks alone have held down is given back.

use super::check::bound;
use super::{Made, Search, Way, facts_of};
use crate::budget::{Budget, Part};
use crate::convert::{ConvertError, Progress};

/// A peak this near to its limit was held down by it.
const BOUND: f64 = 0.9;
/// Below this share of what the margin allows it is worth another try.
const WORTH_IT: f64 = 0.9;
/// What is aimed at: the worst second grows a little unevenly.
const AIM: f64 = 0.97;
/// No limit is raised by more.
const MOST: f64 = 1.5;

impl Search<'_> {
    /// A picture may take longer than its time now and then; what counts is
    /// the worst second. Where the limit on each picture binds and the second
    /// has room, the reel is made once more with a higher limit, and if it does
    /// not pass, with one half as much higher; else it stays as it was.
    pub(super) fn loosened(
        &self,
        way: &Way,
        made: Made,
        progress: &dyn Progress,
    ) -> Result<Made, ConvertError> {
        let Some(limit) = made.plan.coding.choice.limits.instructions else {
            return Ok(made);
        };
        let peak = made.facts.pictures.iter().map(|p| p.instructions).max();
        let share = work_share(&made.budget);
        if f64::from(peak.unwrap_or(0)) < BOUND * f64::from(limit) || share > WORTH_IT {
            return Ok(made);
        }
        let factor = (AIM / share).min(MOST);
        for factor in [factor, factor.sqrt()] {
            let raised = (f64::from(limit) * factor).min(4e9) as u32;
            if let Some(better) = self.with_work(way, &made, raised, progress)? {
                return Ok(better);
            }
        }
        Ok(made)
    }

    /// The same reel with another limit on the work of a picture, if it passes.
    fn with_work(
        &self,
        way: &Way,
        made: &Made,
        raised: u32,
        progress: &dyn Progress,
    ) -> Result<Option<Made>, ConvertError> {
        let asked = self.base.coding.choice.limits.instructions;
        let mut plan = made.plan.clone();
        plan.coding.choice.limits.instructions = Some(bound(asked, raised));
        plan.output = self.beside.join("loosened.tbr");
        let Ok(outcome) = self.run(&plan, progress)? else {
            return Ok(None);
        };
        let facts = facts_of(&plan.output)?;
        let judged = self.judge(way, &facts).ok();
        Ok(judged.map(|(budget, tally)| Made {
            plan,
            outcome,
            facts,
            budget,
            tally,
        }))
    }
}

/// The greatest share of what the margin allows among the parts that decoding
/// keeps busy.
fn work_share(budget: &Budget) -> f64 {
    let lines = budget.lines.iter().filter(|l| {
        matches!(
            l.part,
            Part::Turns | Part::Picture | Part::DisplayCore | Part::IoCore
        )
    });
    lines
        .map(|l| l.ratio() / (1.0 - l.margin))
        .fold(0.0, f64::max)
}
