//! Load, capacity and margin of every part, on one scale.

use std::fmt::Write as _;

use crate::budget::{Budget, Line, Verdict, amount};

use super::escape;

/// The end of the scale in percent, and the distance of its marks with a number:
/// the longest bar ends before it.
#[must_use]
pub fn axis_end<'a>(budgets: impl IntoIterator<Item = &'a Budget>) -> (f64, f64) {
    let lines = budgets.into_iter().flat_map(|b| &b.lines);
    let ratios = lines.map(|l| l.ratio() * 100.0).filter(|r| r.is_finite());
    let most = ratios.fold(100.0, f64::max);
    let mut step = 25.0;
    // At most six marks with a number: 25, 50, 100, 200, 500, 1000 and so on.
    while (most / step).floor() > 5.0 {
        step = match step {
            s if s < 100.0 => s * 2.0,
            s if 10f64.powf(s.log10().round()) == s => s * 2.0,
            s if 10f64.powf((s / 2.0).log10().round()) == s / 2.0 => s * 2.5,
            s => s * 2.0,
        };
    }
    (((most / step).floor() + 1.0) * step, step)
}

/// A bar a part as a list in HTML; `axis` is of [`axis_end`].
#[must_use]
pub fn bars(budget: &Budget, axis: (f64, f64)) -> String {
    let (end, step) = axis;
    let mut out = String::new();
    // Writing to a string cannot fail.
    let _ = write!(
        out,
        "<div class=\"bars\">\n<p class=\"axis\" aria-hidden=\"true\"><span></span><span class=\"marks\">"
    );
    let mut at = 0.0;
    while at <= end {
        let _ = write!(
            out,
            "<span style=\"left:{:.2}%\">{at:.0}</span>",
            at / end * 100.0
        );
        at += step;
    }
    let _ = write!(out, "</span><span>% of capacity</span></p>\n<ul>\n");
    for line in &budget.lines {
        row(&mut out, line, end, step);
    }
    out += "</ul>\n</div>\n";
    out
}

fn row(out: &mut String, line: &Line, end: f64, step: f64) {
    let share = line.ratio() * 100.0;
    let (class, word) = (class(line.verdict), line.verdict.word());
    let told = match share.is_finite() {
        true => format!("{share:.0} %"),
        false => "no capacity".into(),
    };
    let width = if share.is_finite() { share / end } else { 1.0 };
    let _ = writeln!(
        out,
        "<li class=\"{class}\"><span class=\"part\">{}</span> <span class=\"track\" aria-hidden=\"true\" \
         style=\"--bar:{:.2}%;--full:{:.2}%;--free:{:.2}%;--minor:{:.3}%\"><i></i></span> \
         <span class=\"share\">{told} <b>{word}</b></span> <span class=\"of\">{} of {}</span></li>",
        escape(line.part.name()),
        width * 100.0,
        100.0 / end * 100.0,
        (1.0 - line.margin) * 100.0 / end * 100.0,
        step / 5.0 / end * 100.0,
        escape(&amount(line.need, line.unit)),
        escape(&amount(line.capacity, line.unit)),
    );
}

/// The verdict's name in style sheets.
#[must_use]
pub const fn class(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Fits => "fits",
        Verdict::Tight => "tight",
        Verdict::DoesNotFit => "not",
    }
}
