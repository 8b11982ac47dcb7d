//! Charts as SVG that draw what they are given: whole length, nothing clamped, axes
//! with units and minor marks. Their coordinates are the figures themselves, their
//! text keeps its size at any width, and their colours are of one palette, which the
//! pages share, in both themes.

mod axis;

use std::fmt::Write as _;

pub use axis::{Axis, number};

/// The palette as a style sheet.
pub const PALETTE: &str = include_str!("palette.css");
/// The look of a chart, by the palette.
pub const LOOK: &str = include_str!("chart.css");

/// Width of a chart by itself, in pixels.
const WIDTH: u32 = 760;
/// Height of the plotted field.
const FIELD: f64 = 150.0;
/// Height of a row of text.
const ROW: f64 = 18.0;
/// More points than this cannot be seen apart.
const POINTS: usize = 700;

/// One quantity over another; where a value is not finite, the curve is interrupted.
#[derive(Clone, Debug, Default)]
pub struct Curve {
    /// Its name.
    pub name: String,
    /// Places and values, in order of the places.
    pub points: Vec<(f64, f64)>,
}

impl Curve {
    /// Its stretches as they are drawn: without what is not finite, thinned.
    #[must_use]
    pub fn drawn(&self) -> Vec<Vec<(f64, f64)>> {
        pieces(&self.points)
    }

    /// The value that is drawn at a place: that of the last point before it. None in a gap.
    #[must_use]
    pub fn at(&self, place: f64) -> Option<f64> {
        let place = place + 1e-9;
        let drawn = self.drawn();
        let n = drawn.iter().rposition(|part| part[0].0 <= place)?;
        let past = drawn[n].iter().rfind(|p| p.0 <= place)?;
        let over = drawn[n].last().is_some_and(|last| last.0 < place - 2e-9);
        (n + 1 == drawn.len() || !over).then_some(past.1)
    }
}

/// A level that a quantity is held against.
#[derive(Clone, Debug)]
pub struct Level {
    /// Its name.
    pub name: String,
    /// Its value.
    pub value: f64,
}

/// A place with a word on what happens there.
#[derive(Clone, Debug)]
pub struct Mark {
    /// The place.
    pub at: f64,
    /// What happens.
    pub text: String,
}

/// A picture of curves.
#[derive(Clone, Debug)]
pub struct Plot {
    /// What it shows, in a few words.
    pub title: String,
    /// The axis from left to right.
    pub across: Axis,
    /// The axis from the bottom up.
    pub up: Axis,
    /// The curves.
    pub curves: Vec<Curve>,
    /// Single points.
    pub dots: Vec<Curve>,
    /// The levels.
    pub levels: Vec<Level>,
    /// Marked places.
    pub marks: Vec<Mark>,
    /// Draw the numbers of the axis from left to right.
    pub numbered: bool,
}

impl Plot {
    /// A plot over seconds of a quantity in `unit`, empty.
    #[must_use]
    pub fn over_time(title: &str, unit: &str) -> Self {
        Self {
            title: title.into(),
            across: Axis::new("seconds"),
            up: Axis::new(unit),
            curves: Vec::new(),
            dots: Vec::new(),
            levels: Vec::new(),
            marks: Vec::new(),
            numbered: true,
        }
    }

    /// The same with one more curve.
    #[must_use]
    pub fn with(mut self, name: &str, points: Vec<(f64, f64)>) -> Self {
        self.curves.push(Curve {
            name: name.into(),
            points,
        });
        self
    }

    /// Both axes, ends filled in from what is to be seen.
    fn axes(&self) -> (Axis, Axis) {
        let points = || {
            let all = self.curves.iter().chain(&self.dots);
            all.flat_map(|c| &c.points).filter(|p| p.1.is_finite())
        };
        let levels = self.levels.iter().map(|l| l.value);
        (
            self.across.around(points().map(|p| p.0), false),
            self.up.around(points().map(|p| p.1).chain(levels), true),
        )
    }

    /// For a page that has [`PALETTE`] and [`LOOK`] in its style sheet.
    #[must_use]
    pub fn svg(&self) -> String {
        let (body, height) = self.body(0.0);
        wrapped(&self.words(), &body, height, "")
    }

    /// In words, for those who cannot see it.
    fn words(&self) -> String {
        let (across, up) = self.axes();
        let names: Vec<&str> = self.curves.iter().map(|c| &*c.name).collect();
        let mut words = format!(
            "{}: {} in {}, from {} to {}, over {} from {} to {}",
            self.title,
            names.join(", "),
            up.unit,
            number(up.from, up.step()),
            number(up.to, up.step()),
            across.unit,
            number(across.from, across.step()),
            number(across.to, across.step()),
        );
        for level in &self.levels {
            let _ = write!(words, "; level {}", level.name);
        }
        for mark in &self.marks {
            let _ = write!(words, "; {}", mark.text);
        }
        words
    }

    /// What is drawn from `top` on, and where it ends.
    fn body(&self, top: f64) -> (String, f64) {
        let (across, up) = self.axes();
        let mut out = String::new();
        let mut y = top + ROW - 4.0;
        text(
            &mut out,
            "name",
            0.0,
            y,
            "start",
            &format!("{}, {}", self.title, up.words()),
        );
        for (class, name) in self.keys() {
            y += ROW;
            let _ = write!(
                out,
                "<line class=\"key {class}\" x1=\"2\" x2=\"34\" y1=\"{0}\" y2=\"{0}\"/><text x=\"42\" y=\"{y}\">",
                y - 4.0,
            );
            for (n, line) in folded(&name).iter().enumerate() {
                y += if n == 0 { 0.0 } else { ROW };
                let line = escape(line);
                let _ = match n {
                    0 => write!(out, "{line}"),
                    _ => write!(out, "<tspan x=\"42\" y=\"{y}\"> {line}</tspan>"),
                };
            }
            out += "</text>";
        }
        // Room for a number above the uppermost line, and for those of the marks.
        let numbers = if self.marks.len() > 1 { ROW - 4.0 } else { 0.0 };
        let field = y + ROW + 2.0 + numbers;
        self.field(&mut out, field, &across, &up);
        let mut end = field + FIELD + 4.0;
        if self.numbered {
            for (at, word) in across.numbers() {
                let share = across.share(at) * 100.0;
                let anchor = match share {
                    s if s < 2.0 => "start",
                    s if s > 96.0 => "end",
                    _ => "middle",
                };
                text(&mut out, "tick", share, end + 14.0, anchor, &word);
            }
            text(
                &mut out,
                "tick",
                100.0,
                end + 14.0 + ROW,
                "end",
                &across.unit,
            );
            end += 2.0 * ROW;
        }
        (out, end + 6.0)
    }

    /// The names of curves, levels and marks with the classes of their lines.
    fn keys(&self) -> Vec<(String, String)> {
        let levels = self.levels.iter().enumerate().map(|(n, level)| {
            let class = if n % 2 == 0 { "level" } else { "level-2" };
            (class.to_owned(), level.name.clone())
        });
        let curves = self.curves.iter().enumerate();
        let curves = curves.map(|(n, curve)| (series(n), curve.name.clone()));
        let dots = self.dots.iter().enumerate();
        let dots = dots.map(|(n, dots)| (format!("dots {}", series(n)), dots.name.clone()));
        let marks = self.marks.iter().enumerate();
        let marks = marks.map(|(n, mark)| ("mark".to_owned(), self.mark_name(n) + &mark.text));
        curves.chain(dots).chain(levels).chain(marks).collect()
    }

    /// Marks are told apart by a number where there are several.
    fn mark_name(&self, n: usize) -> String {
        match self.marks.len() {
            0 | 1 => String::new(),
            _ => format!("{}: ", n + 1),
        }
    }

    /// The number of each mark above its line, none over another.
    fn mark_numbers(&self, out: &mut String, y: f64, across: &Axis) {
        // Percent of the width that a number takes, also on a phone.
        const APART: f64 = 4.0;
        let places = self.marks.iter().map(|m| across.share(m.at) * 100.0);
        let mut places: Vec<(f64, usize)> = places.zip(1..).collect();
        places.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut free = f64::NEG_INFINITY;
        for (share, n) in places {
            let at = share.max(free);
            free = at + APART;
            text(out, "tick", at, y, "middle", &n.to_string());
        }
    }

    fn field(&self, out: &mut String, top: f64, across: &Axis, up: &Axis) {
        let (left, right) = (across.place(across.from), across.place(across.to));
        let (low, high) = (up.place(up.from), up.place(up.to));
        let view = format!("{left} {} {} {}", -high, right - left, high - low);
        let fixed = "vector-effect=\"non-scaling-stroke\"";
        let _ = write!(
            out,
            "<svg x=\"0\" y=\"{top}\" width=\"100%\" height=\"{FIELD}\" viewBox=\"{view}\" preserveAspectRatio=\"none\" overflow=\"visible\">"
        );
        for (at, _) in up.numbers() {
            let y = -up.place(at);
            let _ = write!(
                out,
                "<path class=\"grid\" {fixed} d=\"M{left} {y}H{right}\"/>"
            );
        }
        let minor = (high - low) * 0.03;
        for at in across.minor() {
            let x = across.place(at);
            let _ = write!(
                out,
                "<path class=\"axis\" {fixed} d=\"M{x} {}v{}\"/>",
                -low, -minor
            );
        }
        for (at, _) in across.numbers() {
            let x = across.place(at);
            let _ = write!(
                out,
                "<path class=\"axis\" {fixed} d=\"M{x} {}v{}\"/>",
                -low,
                -2.0 * minor
            );
        }
        let short = (right - left) * 0.006;
        for at in up.minor() {
            let y = -up.place(at);
            let _ = write!(
                out,
                "<path class=\"axis\" {fixed} d=\"M{left} {y}h{short}\"/>"
            );
        }
        let _ = write!(
            out,
            "<path class=\"axis\" {fixed} d=\"M{left} {}V{}H{right}\"/>",
            -high, -low
        );
        for (n, level) in self.levels.iter().enumerate() {
            let class = if n % 2 == 0 { "level" } else { "level-2" };
            let y = -up.place(level.value);
            let _ = write!(
                out,
                "<path class=\"{class}\" {fixed} d=\"M{left} {y}H{right}\"/>"
            );
        }
        let point = |p: &(f64, f64)| (rounded(across.place(p.0)), rounded(-up.place(p.1)));
        for (n, curve) in self.curves.iter().enumerate() {
            for part in curve.drawn() {
                let points: Vec<String> = part
                    .iter()
                    .map(&point)
                    .map(|(x, y)| format!("{x},{y}"))
                    .collect();
                let _ = write!(
                    out,
                    "<polyline class=\"{}\" {fixed} points=\"{}\"/>",
                    series(n),
                    points.join(" ")
                );
            }
        }
        for (n, dots) in self.dots.iter().enumerate() {
            let places = dots.points.iter().map(point);
            let places: String = places.map(|(x, y)| format!("M{x} {y}h0")).collect();
            let _ = write!(
                out,
                "<path class=\"dots {}\" {fixed} d=\"{places}\"/>",
                series(n)
            );
        }
        for mark in &self.marks {
            let x = across.place(mark.at);
            let _ = write!(
                out,
                "<path class=\"mark\" {fixed} d=\"M{x} {}V{}\"/>",
                -high, -low
            );
        }
        *out += "</svg>";
        for (at, word) in up.numbers() {
            let y = top + (1.0 - up.share(at)) * FIELD - 3.0;
            text(out, "tick halo", 1.0, y, "start", &word);
        }
        if self.marks.len() > 1 {
            self.mark_numbers(out, top - 15.0, across);
        }
    }
}

/// Several plots one above the other as a picture by itself.
#[must_use]
pub fn alone(plots: &[Plot]) -> String {
    let (mut body, mut top, mut words) = (String::new(), 8.0, Vec::new());
    for plot in plots {
        let (more, end) = plot.body(top);
        body += &more;
        top = end + ROW;
        words.push(plot.words());
    }
    wrapped(&words.join(". "), &body, top, &style())
}

/// A drawing of our own as a picture by itself, `height` pixels high.
#[must_use]
pub fn alone_as(words: &str, body: &str, height: f64) -> String {
    wrapped(words, body, height, &style())
}

fn style() -> String {
    format!("<style>{PALETTE}{LOOK}</style><rect class=\"ground\" width=\"100%\" height=\"100%\"/>")
}

fn wrapped(words: &str, body: &str, height: f64, style: &str) -> String {
    let words = escape(words);
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"plot\" width=\"{WIDTH}\" height=\"{height}\" role=\"img\" aria-label=\"{words}\">{style}{body}</svg>\n"
    )
}

/// Writes text at `share` percent of the width.
fn text(out: &mut String, class: &str, share: f64, y: f64, anchor: &str, word: &str) {
    let _ = write!(
        out,
        "<text class=\"{class}\" x=\"{share:.2}%\" y=\"{y:.1}\" text-anchor=\"{anchor}\">{}</text>",
        escape(word)
    );
}

/// Words in lines that a phone has room for.
fn folded(words: &str) -> Vec<String> {
    const MOST: usize = 44;
    let mut lines = vec![String::new()];
    for word in words.split(' ') {
        let last = lines.len() - 1;
        if lines[last].is_empty() {
            lines[last] = word.into();
        } else if lines[last].chars().count() + 1 + word.chars().count() <= MOST {
            lines[last] += &format!(" {word}");
        } else {
            lines.push(word.into());
        }
    }
    lines
}

fn series(n: usize) -> String {
    format!("series-{}", n % 4 + 1)
}

/// To a millionth, without trailing zeros.
fn rounded(value: f64) -> f64 {
    (value * 1e6).round() / 1e6 + 0.0
}

/// `text` with the characters of HTML markup escaped.
#[must_use]
pub fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            c => out.push(c),
        }
    }
    out
}

/// The stretches of finite values, thinned.
fn pieces(points: &[(f64, f64)]) -> Vec<Vec<(f64, f64)>> {
    let parts = points.split(|p| !p.1.is_finite());
    let parts = parts.filter(|part| !part.is_empty());
    let all = points.len().max(1);
    parts
        .map(|part| thin(part, (POINTS * part.len() / all).max(2)))
        .collect()
}

/// At most `most` points or one more stretch: of each stretch its least and its greatest,
/// and both ends of all.
#[must_use]
pub fn thin(points: &[(f64, f64)], most: usize) -> Vec<(f64, f64)> {
    if points.len() <= most.max(POINTS) {
        return points.to_vec();
    }
    let stretch = points.len().div_ceil((most / 2).max(1));
    let ends = |part: &[(f64, f64)]| {
        let by_value = |a: &&(f64, f64), b: &&(f64, f64)| a.1.total_cmp(&b.1);
        let mut pair = [part.iter().min_by(by_value), part.iter().max_by(by_value)];
        pair.sort_by(|a, b| a.map_or(0.0, |p| p.0).total_cmp(&b.map_or(0.0, |p| p.0)));
        pair.into_iter().flatten().copied().collect::<Vec<_>>()
    };
    let mut all: Vec<_> = points.chunks(stretch).flat_map(ends).collect();
    let (first, last) = (points[0], points[points.len() - 1]);
    if all[0] != first {
        all.insert(0, first);
    }
    if all[all.len() - 1] != last {
        all.push(last);
    }
    all
}

#[cfg(test)]
mod tests;
