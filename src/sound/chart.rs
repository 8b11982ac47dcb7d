//! Charts of a speaker in its box: level, excursion and their limits.

use plotters::prelude::*;

use super::enclosure::{Enclosure, Mounting};
use super::shape::HighPass;

/// A name, its colour, the width of its line, and a value at a frequency in Hz.
type Curve<'a> = (&'a str, RGBColor, u32, &'a dyn Fn(f64) -> f64);

type Area<'a> = DrawingArea<SVGBackend<'a>, plotters::coord::Shift>;
type Drawn<'a> = Result<(), DrawingAreaErrorKind<<SVGBackend<'a> as DrawingBackend>::ErrorType>>;

/// Colours that differ in lightness too.
const AT_RATING: RGBColor = RGBColor(40, 84, 120);
const CLEAN: RGBColor = RGBColor(196, 120, 40);
const SHAPED: RGBColor = RGBColor(90, 150, 130);
const LIMIT: RGBColor = RGBColor(150, 40, 40);

/// Lowest and highest frequency of the picture, Hz.
const SPAN: (f64, f64) = (50.0, 10_000.0);
/// Width, height, and where the level ends and the excursion begins.
const SIZE: (u32, u32) = (760, 660);
const LEVEL_ROWS: u32 = 400;

/// Over frequency as SVG: above, the level at `metres` at the rated power, at
/// the most that excursion and rating allow, and behind the suggested
/// high-pass; below, how far the cone moves then, and how far it may.
///
/// # Errors
/// The drawing library's own, in words.
pub fn enclosure_chart(
    enclosure: &Enclosure,
    high_pass: HighPass,
    metres: f64,
) -> Result<String, String> {
    let mut svg = String::new();
    {
        let root = SVGBackend::with_string(&mut svg, SIZE).into_drawing_area();
        draw(&root, enclosure, high_pass, metres).map_err(|error| error.to_string())?;
        root.present().map_err(|error| error.to_string())?;
    }
    Ok(svg)
}

fn draw<'a>(root: &Area<'a>, box_: &Enclosure, high_pass: HighPass, metres: f64) -> Drawn<'a> {
    root.fill(&WHITE)?;
    let sections = high_pass.sections(96_000.0);
    let cut = |hz: f64| -> f64 { sections.iter().map(|s| s.response_db(hz, 96_000.0)).sum() };
    let (upper, lower) = root.split_vertically(LEVEL_ROWS);
    draw_level(&upper, box_, &cut, metres)?;
    draw_excursion(&lower, box_, &cut)
}

fn draw_level<'a>(
    area: &Area<'a>,
    box_: &Enclosure,
    cut: &dyn Fn(f64) -> f64,
    metres: f64,
) -> Drawn<'a> {
    let rated = |hz: f64| box_.level_db(hz, box_.driver.rated_w, metres);
    let top = frequencies().map(rated).fold(0.0, f64::max);
    let (low, high) = (
        (top / 10.0).floor() * 10.0 - 40.0,
        (top / 10.0).ceil() * 10.0,
    );
    let curves: [Curve<'_>; 3] = [
        ("rated power", AT_RATING, 5, &rated),
        ("within excursion and rating", CLEAN, 2, &|hz| {
            box_.loudest_db(hz, metres)
        }),
        ("rated power with the high-pass", SHAPED, 2, &|hz| {
            rated(hz) + cut(hz)
        }),
    ];
    let words = format!("dB SPL at {metres} m");
    let place = SeriesLabelPosition::LowerRight;
    plot(area, (&title(box_), &words), (low, high), &curves, place)
}

fn draw_excursion<'a>(area: &Area<'a>, box_: &Enclosure, cut: &dyn Fn(f64) -> f64) -> Drawn<'a> {
    let most = box_.driver.excursion_mm;
    let moved = |hz: f64| box_.excursion_mm(hz, box_.driver.rated_w);
    let top = frequencies().map(moved).fold(most, f64::max) * 1.1;
    let curves: [Curve<'_>; 3] = [
        ("rated power", AT_RATING, 2, &moved),
        ("rated power with the high-pass", SHAPED, 2, &|hz| {
            moved(hz) * 10f64.powf(cut(hz) / 20.0)
        }),
        ("Xmax limit", LIMIT, 1, &|_| most),
    ];
    let words = ("", "excursion, mm, one way");
    let place = SeriesLabelPosition::UpperRight;
    plot(area, words, (0.0, top), &curves, place)
}

/// Curves over frequency between `low` and `high`, their names at `place`.
fn plot<'a>(
    area: &Area<'a>,
    (caption, words): (&str, &str),
    (low, high): (f64, f64),
    curves: &[Curve<'_>],
    place: SeriesLabelPosition,
) -> Drawn<'a> {
    let mut builder = ChartBuilder::on(area);
    if !caption.is_empty() {
        builder.caption(caption, ("sans-serif", 16));
    }
    let mut chart = builder
        .margin(12)
        .margin_right(24)
        .x_label_area_size(36)
        .y_label_area_size(52)
        .build_cartesian_2d((SPAN.0..SPAN.1).log_scale(), low..high)?;
    let digits = if high - low < 10.0 { 2 } else { 0 };
    chart
        .configure_mesh()
        .x_desc("Hz")
        .y_desc(words)
        .x_label_formatter(&|hz| format!("{hz:.0}"))
        .y_label_formatter(&|value| format!("{value:.digits$}"))
        .light_line_style(BLACK.mix(0.06))
        .draw()?;
    for &(name, colour, width, value) in curves {
        let points = frequencies().map(|hz| (hz, value(hz).max(low)));
        chart
            .draw_series(LineSeries::new(points, colour.stroke_width(width)))?
            .label(name)
            .legend(move |(x, y)| {
                PathElement::new(vec![(x, y), (x + 18, y)], colour.stroke_width(width))
            });
    }
    chart
        .configure_series_labels()
        .position(place)
        .background_style(WHITE.mix(0.85))
        .border_style(BLACK.mix(0.3))
        .label_font(("sans-serif", 13))
        .draw()
}

fn title(box_: &Enclosure) -> String {
    let place = match box_.mounting {
        Mounting::Closed(litres) => format!("closed box of {:.0} ml", litres * 1000.0),
        Mounting::FreeAir => "free air".into(),
    };
    format!(
        "{place}: resonance {:.0} Hz, Q {:.2}, -3 dB at {:.0} Hz",
        box_.resonance_hz,
        box_.q,
        box_.cutoff_hz()
    )
}

fn frequencies() -> impl Iterator<Item = f64> {
    const STEPS: i32 = 200;
    (0..=STEPS).map(|i| SPAN.0 * (SPAN.1 / SPAN.0).powf(f64::from(i) / f64::from(STEPS)))
}
