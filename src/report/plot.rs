//! Curves over time as vector pictures that print well: black text, thin grid,
//! curves that differ in more than colour, each named at its end.

use plotters::coord::ranged1d::ValueFormatter;
use plotters::coord::types::RangedCoordf64;
use plotters::prelude::*;

const WIDTH: u32 = 760;
const HEIGHT: u32 = 240;
/// Room to the right of the plot for the curves' names.
const NAMES: i32 = 150;
/// More points than this cannot be seen apart.
const POINTS: usize = 700;
const COLOURS: [RGBColor; 3] = [
    RGBColor(31, 107, 117),
    RGBColor(168, 100, 26),
    RGBColor(110, 74, 140),
];

/// One quantity over time.
pub struct Curve {
    /// Its name.
    pub name: String,
    /// Seconds and values, in order of time.
    pub points: Vec<(f64, f64)>,
}

/// A level that a quantity is held against.
pub struct Level {
    /// Its name.
    pub name: String,
    /// Its value.
    pub value: f64,
}

/// A picture of curves over time.
pub struct Plot {
    /// Unit of the values.
    pub unit: &'static str,
    /// The curves.
    pub curves: Vec<Curve>,
    /// The levels.
    pub levels: Vec<Level>,
    /// Moments to be marked, in seconds.
    pub marks: Vec<f64>,
    /// Least and most value to be shown; `None` from zero to what fits all.
    pub range: Option<(f64, f64)>,
    /// Values stand at their logarithms; needs a range above zero.
    pub logarithmic: bool,
}

type Area<'a> = DrawingArea<SVGBackend<'a>, plotters::coord::Shift>;
type Chart<'a, 'b, Y> = ChartContext<'b, SVGBackend<'a>, Cartesian2d<RangedCoordf64, Y>>;
type Drawn<'a> = Result<(), Box<dyn std::error::Error + 'a>>;

impl Plot {
    /// A plot in `unit`, empty.
    #[must_use]
    pub const fn new(unit: &'static str) -> Self {
        Self {
            unit,
            curves: Vec::new(),
            levels: Vec::new(),
            marks: Vec::new(),
            range: None,
            logarithmic: false,
        }
    }

    /// The plot as SVG.
    ///
    /// # Errors
    /// The drawing library's own.
    pub fn svg(&self) -> Result<String, String> {
        let mut svg = String::new();
        {
            let root = SVGBackend::with_string(&mut svg, (WIDTH, HEIGHT)).into_drawing_area();
            self.draw(&root).map_err(|error| error.to_string())?;
            root.present().map_err(|error| error.to_string())?;
        }
        Ok(svg)
    }

    fn draw<'a>(&self, root: &Area<'a>) -> Drawn<'a> {
        let (low, high) = self.range.unwrap_or_else(|| (0.0, self.top()));
        let mut builder = ChartBuilder::on(root);
        let builder = builder
            .margin(8)
            .margin_right(NAMES)
            .x_label_area_size(34)
            .y_label_area_size(58);
        if self.logarithmic {
            let span = (low.max(1e-9)..high).log_scale();
            self.fill(
                root,
                &mut builder.build_cartesian_2d(0.0..self.end(), span)?,
            )
        } else {
            self.fill(
                root,
                &mut builder.build_cartesian_2d(0.0..self.end(), low..high)?,
            )
        }
    }

    fn fill<'a, Y>(&self, root: &Area<'a>, chart: &mut Chart<'a, '_, Y>) -> Drawn<'a>
    where
        Y: Ranged<ValueType = f64> + ValueFormatter<f64>,
    {
        let (low, high) = (chart.y_range().start, chart.y_range().end);
        let end = self.end();
        let value = |v: &f64| match self.logarithmic {
            true => label(*v, if *v < 1.0 { 1.0 } else { 100.0 }),
            false => label(*v, high - low),
        };
        chart
            .configure_mesh()
            .light_line_style(TRANSPARENT)
            .bold_line_style(BLACK.mix(0.15))
            .x_desc("seconds")
            .y_desc(self.unit)
            .x_label_formatter(&|at| label(*at, end))
            .y_label_formatter(&value)
            .label_style(("sans-serif", 12))
            .draw()?;
        let mut names = Vec::new();
        let place =
            |chart: &Chart<'a, '_, Y>, v: f64| chart.backend_coord(&(end, v.clamp(low, high))).1;
        for (curve, colour) in self.curves.iter().zip(COLOURS.iter().cycle()) {
            let points = thin(&curve.points);
            let inside = points.iter().map(|(at, v)| (*at, v.clamp(low, high)));
            chart.draw_series(LineSeries::new(inside, colour.stroke_width(2)))?;
            let last = points.last().map_or(low, |point| point.1);
            names.push((place(chart, last), curve.name.clone(), *colour));
        }
        for level in &self.levels {
            let line = [(0.0, level.value), (end, level.value)];
            chart.draw_series(DashedLineSeries::new(line, 6, 4, BLACK.stroke_width(1)))?;
            names.push((place(chart, level.value), level.name.clone(), BLACK));
        }
        for &at in &self.marks {
            let line = [(at, low), (at, high)];
            chart.draw_series(DashedLineSeries::new(line, 2, 3, BLACK.stroke_width(2)))?;
        }
        write_names(root, names)
    }

    fn end(&self) -> f64 {
        let ends = self.curves.iter().filter_map(|curve| curve.points.last());
        ends.map(|point| point.0).fold(0.001, f64::max)
    }

    fn top(&self) -> f64 {
        let curves = self.curves.iter().flat_map(|curve| &curve.points);
        let levels = self.levels.iter().map(|level| level.value);
        let most = curves.map(|p| p.1).chain(levels).fold(0.0, f64::max);
        (most * 1.1).max(1e-9)
    }
}

/// A number on an axis that spans `span`, with the digits that tell it apart.
fn label(value: f64, span: f64) -> String {
    match span {
        s if s > 12.0 => format!("{value:.0}"),
        s if s > 1.2 => format!("{value:.1}"),
        _ => format!("{value:.2}"),
    }
}

/// Writes names at the right, from the top down, none upon another.
fn write_names<'a>(root: &Area<'a>, mut names: Vec<(i32, String, RGBColor)>) -> Drawn<'a> {
    names.sort_by_key(|(y, ..)| *y);
    let mut free = 2;
    for (y, name, colour) in names {
        let at = (y - 6).max(free);
        free = at + 15;
        let style = ("sans-serif", 12).into_font().color(&colour);
        root.draw(&Text::new(name, (WIDTH as i32 - NAMES + 6, at), style))?;
    }
    Ok(())
}

/// At most [`POINTS`] points: of each stretch its least and its greatest.
fn thin(points: &[(f64, f64)]) -> Vec<(f64, f64)> {
    if points.len() <= POINTS {
        return points.to_vec();
    }
    let stretch = points.len().div_ceil(POINTS / 2);
    let ends = |part: &[(f64, f64)]| {
        let by_value = |a: &&(f64, f64), b: &&(f64, f64)| a.1.total_cmp(&b.1);
        let mut pair = [part.iter().min_by(by_value), part.iter().max_by(by_value)];
        pair.sort_by(|a, b| a.map_or(0.0, |p| p.0).total_cmp(&b.map_or(0.0, |p| p.0)));
        pair.into_iter().flatten().copied().collect::<Vec<_>>()
    };
    points.chunks(stretch).flat_map(ends).collect()
}

#[cfg(test)]
mod tests {
    use super::{Curve, Level, Plot, thin};

    #[test]
    fn thinning_keeps_every_extreme() {
        let spike = |i: usize| {
            if i == 12_345 {
                9.0
            } else {
                (i % 7) as f64 / 10.0
            }
        };
        let points: Vec<_> = (0..20_000).map(|i| (i as f64, spike(i))).collect();
        let thinned = thin(&points);
        assert!(thinned.len() <= 702);
        assert!(thinned.contains(&(12_345.0, 9.0)));
        assert!(thinned.is_sorted_by(|a, b| a.0 <= b.0));
    }

    #[test]
    fn names_and_values_are_in_the_picture() {
        let mut plot = Plot::new("kB/s");
        plot.curves.push(Curve {
            name: "need <&>".into(),
            points: vec![(0.0, 10.0), (1.0, 20.0)],
        });
        plot.levels.push(Level {
            name: "card".into(),
            value: 25.0,
        });
        let svg = plot.svg().unwrap();
        assert!(svg.starts_with("<svg") && svg.trim_end().ends_with("</svg>"));
        assert!(svg.contains("need &lt;&amp;&gt;") && svg.contains("card"));
    }
}
