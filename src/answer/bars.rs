//! Load, capacity and margin of every part, on one scale.

use std::fmt::Write as _;

use crate::budget::{Budget, Line, Verdict, amount};

use crate::chart::{alone_as, escape};

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

/// Pixels to the left of the bars, of the bars, and of a row.
const LEFT: f64 = 200.0;
const WIDTH: f64 = 400.0;
const ROW: f64 = 28.0;

/// The bars as a picture by itself (SVG).
#[must_use]
pub fn picture(budget: &Budget) -> String {
    let (end, step) = axis_end([budget]);
    let x = |share: f64| LEFT + share / end * WIDTH;
    let title = format!(
        "{} from {}: {}",
        budget.board,
        budget.link.name(),
        budget.verdict.word()
    );
    let mut out = format!(
        "<text class=\"name\" x=\"12\" y=\"24\">{}</text>",
        escape(&title)
    );
    let bottom = 52.0 + ROW * budget.lines.len() as f64;
    let mut at = 0.0;
    while at <= end {
        let _ = write!(
            out,
            "<path class=\"grid\" d=\"M{0:.1} 46V{bottom}\"/><text class=\"tick\" text-anchor=\"middle\" x=\"{0:.1}\" y=\"{1}\">{at:.0}</text>",
            x(at),
            bottom + 20.0
        );
        for minor in 1..5 {
            let x = x(at + step / 5.0 * f64::from(minor));
            if x < LEFT + WIDTH {
                let _ = write!(out, "<path class=\"axis\" d=\"M{x:.1} {bottom}v-5\"/>");
            }
        }
        at += step;
    }
    for (row, line) in budget.lines.iter().enumerate() {
        let y = 52.0 + ROW * row as f64;
        let share = line.ratio() * 100.0;
        let free = x((1.0 - line.margin) * 100.0);
        // No capacity at all has no share: the bar fills the scale and the text says so.
        let (width, told) = match share.is_finite() {
            true => (
                x(share) - LEFT,
                format!("{share:.0} % {}", line.verdict.word()),
            ),
            false => (WIDTH, format!("no capacity, {}", line.verdict.word())),
        };
        let _ = write!(
            out,
            "<rect class=\"margin\" x=\"{free:.1}\" y=\"{y}\" width=\"{0:.1}\" height=\"20\"/>\
             <rect class=\"{1}\" x=\"{LEFT}\" y=\"{2:.1}\" width=\"{7:.1}\" height=\"12\"/>\
             <text x=\"12\" y=\"{3:.1}\">{4}</text><text x=\"{5}\" y=\"{3:.1}\">{6}</text>",
            x(100.0) - free,
            class(line.verdict),
            y + 4.0,
            y + 15.0,
            escape(line.part.name()),
            LEFT + WIDTH + 12.0,
            escape(&told),
            width.max(1.0),
        );
    }
    let _ = write!(
        out,
        "<path class=\"axis\" d=\"M{LEFT} {bottom}H{}\"/><path class=\"level\" d=\"M{1:.1} 46V{bottom}\"/>\
         <text class=\"tick\" x=\"12\" y=\"{2}\">% of capacity; grey: margin of {3:.0} %</text>",
        LEFT + WIDTH,
        x(100.0),
        bottom + 40.0,
        budget.margin * 100.0,
    );
    alone_as(&title, &out, bottom + 52.0)
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
