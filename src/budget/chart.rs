//! Need against capacity as a picture.

use plotters::prelude::*;

use crate::board::Measured;

use super::{Budget, Line, Verdict};

/// Colours that differ in lightness too, so that print and colour-blind
/// readers tell them apart.
fn colour(verdict: Verdict) -> RGBColor {
    match verdict {
        Verdict::Fits => RGBColor(88, 140, 126),
        Verdict::Tight => RGBColor(214, 160, 60),
        Verdict::DoesNotFit => RGBColor(150, 48, 64),
    }
}

const ROW: i32 = 30;
const LEFT: i32 = 210;
const WIDTH: i32 = 760;

/// The budget as SVG: one bar a line, the capacity at the mark, the margin
/// shaded.
///
/// # Errors
/// The drawing library's own.
pub fn chart(budget: &Budget) -> Result<String, String> {
    let mut svg = String::new();
    let height = ROW * (budget.lines.len() as i32 + 3);
    {
        let root =
            SVGBackend::with_string(&mut svg, (WIDTH as u32, height as u32)).into_drawing_area();
        draw(&root, budget, height).map_err(|error| error.to_string())?;
        root.present().map_err(|error| error.to_string())?;
    }
    Ok(svg)
}

type Area<'a> = DrawingArea<SVGBackend<'a>, plotters::coord::Shift>;
type Drawn<'a> = Result<(), DrawingAreaErrorKind<<SVGBackend<'a> as DrawingBackend>::ErrorType>>;

fn draw<'a>(root: &Area<'a>, budget: &Budget, height: i32) -> Drawn<'a> {
    root.fill(&WHITE)?;
    let title = format!(
        "{} from {}: {}",
        budget.board,
        budget.link.name(),
        budget.verdict.word()
    );
    root.draw(&Text::new(title, (12, 10), ("sans-serif", 16).into_font()))?;
    let full = LEFT + (WIDTH - LEFT - 110) * 2 / 3;
    let margin = full - (f64::from(full - LEFT) * budget.margin) as i32;
    let bottom = height - ROW;
    root.draw(&Rectangle::new(
        [(margin, ROW + 8), (full, bottom)],
        BLACK.mix(0.07).filled(),
    ))?;
    for (row, line) in (0..).zip(&budget.lines) {
        bar(root, line, ROW * (row + 1) + 12, full)?;
    }
    root.draw(&PathElement::new(
        vec![(full, ROW + 8), (full, bottom)],
        BLACK.stroke_width(1),
    ))?;
    root.draw(&Text::new(
        "capacity",
        (full - 24, bottom + 6),
        ("sans-serif", 12).into_font(),
    ))
}

fn bar<'a>(root: &Area<'a>, line: &Line, y: i32, full: i32) -> Drawn<'a> {
    let font = || ("sans-serif", 13).into_font();
    root.draw(&Text::new(line.part.name(), (12, y + 2), font()))?;
    let share = line.ratio().min(1.5);
    let end = LEFT + (f64::from(full - LEFT) * share) as i32;
    let shape = Rectangle::new(
        [(LEFT, y), (end.max(LEFT + 1), y + 16)],
        colour(line.verdict).filled(),
    );
    root.draw(&shape)?;
    let text = format!("{:.0} % {}", line.ratio() * 100.0, line.verdict.word());
    root.draw(&Text::new(text, (end.max(full) + 8, y + 2), font()))
}

/// Measured times of card and Wi-Fi: share of samples within a time.
///
/// # Errors
/// The drawing library's own.
pub fn latency_chart(measured: &Measured) -> Result<String, String> {
    let mut svg = String::new();
    {
        let root = SVGBackend::with_string(&mut svg, (WIDTH as u32, 320)).into_drawing_area();
        draw_latency(&root, measured).map_err(|error| error.to_string())?;
        root.present().map_err(|error| error.to_string())?;
    }
    Ok(svg)
}

fn draw_latency<'a>(
    root: &Area<'a>,
    measured: &Measured,
) -> Result<(), Box<dyn std::error::Error + 'a>> {
    root.fill(&WHITE)?;
    let logs = [
        ("card", &measured.card, RGBColor(70, 110, 140)),
        ("Wi-Fi", &measured.wifi, RGBColor(170, 110, 50)),
    ];
    let seen = || {
        logs.iter()
            .filter_map(|(name, log, colour)| Some((name, log.as_ref()?, colour)))
    };
    let times = || {
        seen().flat_map(|(_, log, _)| {
            log.quantiles
                .iter()
                .map(|q| q.1)
                .chain(log.stalls_us.iter().copied())
        })
    };
    let low = times().fold(1e9, f64::min).max(1.0) / 2.0;
    let high = times().fold(1.0, f64::max) * 2.0;
    let mut chart = ChartBuilder::on(root)
        .margin(12)
        .caption("Measured times, points are stalls", ("sans-serif", 16))
        .x_label_area_size(36)
        .y_label_area_size(52)
        .build_cartesian_2d((low..high.max(low * 10.0)).log_scale(), 0.0..105.0)?;
    chart
        .configure_mesh()
        .x_desc("microseconds")
        .y_desc("% within")
        .draw()?;
    for (name, log, colour) in seen() {
        let colour = *colour;
        let points = log.quantiles.iter().map(|(share, us)| (*us, share * 100.0));
        chart
            .draw_series(LineSeries::new(points, colour.stroke_width(2)))?
            .label(*name)
            .legend(move |(x, y)| PathElement::new([(x, y), (x + 16, y)], colour.stroke_width(2)));
        chart.draw_series(
            log.stalls_us
                .iter()
                .map(|us| Circle::new((*us, 100.0), 3, colour.filled())),
        )?;
    }
    chart
        .configure_series_labels()
        .position(SeriesLabelPosition::LowerRight)
        .border_style(BLACK.mix(0.3))
        .draw()?;
    Ok(())
}
