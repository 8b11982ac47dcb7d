//! The answer at a glance: whether it plays, what limits it and what to change,
//! a bar a part. The report, the command line and the calculator's page say it
//! in the same words.

mod bars;
mod calculator;
mod latency;
mod lines;

use crate::board::Board;
use crate::budget::{Budget, Change, Part, Verdict, clock};

pub use bars::{axis_end, bars, class, picture};
pub use calculator::{Answer, Depth, LinkAnswer, Request, answer, answer_json};
pub use latency::latency_picture;
pub use lines::{budget_line, convert_line};

/// What limits it: the part nearest to its limit.
#[must_use]
pub fn limit(budget: &Budget) -> String {
    let worst = budget.bottleneck();
    let at = worst
        .at_seconds
        .map_or_else(String::new, |s| format!(", worst at {}", clock(s)));
    format!(
        "{} at {:.0} % of its capacity{at}",
        worst.part.name(),
        worst.ratio() * 100.0
    )
}

/// What to change: the change of the board that helps most, else of the reel; nothing
/// where all of it fits.
#[must_use]
pub fn change(budget: &Budget, verdict: Verdict, best: Option<&Change>) -> String {
    match best {
        Some(c) => format!(
            "{}: {} ({:.0} % -> {:.0} %)",
            match verdict {
                Verdict::Fits => "Nothing has to change; most room would come from this",
                _ => "Most effective change",
            },
            c.what,
            c.before * 100.0,
            c.after * 100.0
        ),
        None if verdict == Verdict::Fits => "Nothing has to change".into(),
        None => format!(
            "No single change of the board helps much; instead use {}",
            match budget.bottleneck().part {
                Part::Panel => "a reel that is converted for this board",
                Part::Internal | Part::External => "a smaller picture",
                Part::I2s => "a sample rate that it supports",
                _ => "fewer frames per second or a lower quality",
            }
        ),
    }
}

/// The highest rate and the largest picture that keep every margin, a sentence each.
#[must_use]
pub fn highest(budget: &Budget, board: &Board) -> Vec<String> {
    let mut all = Vec::new();
    let (rate, scale) = (budget.highest_rate(), budget.highest_scale());
    let refresh = board.panel.refresh_hz;
    let beyond = if rate > refresh {
        format!("; the panel shows at most {refresh:.0}")
    } else {
        String::new()
    };
    match budget.hindrance() {
        Some(line) => all.push(format!(
            "No frame rate keeps the margin: {} does not fit at any",
            line.part.name()
        )),
        None if rate.is_finite() => all.push(format!(
            "Highest frame rate that keeps the margin: {rate:.1} frames per second{beyond}"
        )),
        None => (),
    }
    if scale.is_finite() {
        let side = |v: u16| (f64::from(v) * scale) as u32;
        all.push(format!(
            "Largest picture with this aspect ratio that keeps the margin: {}x{}",
            side(budget.size.0),
            side(budget.size.1)
        ));
    }
    all
}
