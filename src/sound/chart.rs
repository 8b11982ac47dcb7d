//! A speaker in its box as a picture: how loud it gets, and what stops it.

use plotters::prelude::*;

use super::enclosure::{Enclosure, Mounting};
use super::shape::HighPass;

/// A level in dB SPL at a frequency in Hz.
type Level<'a> = &'a dyn Fn(f64) -> f64;

type Root<'a> = DrawingArea<SVGBackend<'a>, plotters::coord::Shift>;
type Drawn<'a> = Result<(), DrawingAreaErrorKind<<SVGBackend<'a> as DrawingBackend>::ErrorType>>;

/// Colours that differ in lightness too.
const AT_RATING: RGBColor = RGBColor(40, 84, 120);
const CLEAN: RGBColor = RGBColor(196, 120, 40);
const SHAPED: RGBColor = RGBColor(90, 150, 130);

/// Lowest and highest frequency of the picture, Hz.
const SPAN: (f64, f64) = (50.0, 10_000.0);

/// Level at `metres` over frequency as SVG: at the rated power, at the most
/// that excursion and rating allow, and behind the suggested high-pass.
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
        let root = SVGBackend::with_string(&mut svg, (760, 420)).into_drawing_area();
        draw(&root, enclosure, high_pass, metres).map_err(|error| error.to_string())?;
        root.present().map_err(|error| error.to_string())?;
    }
    Ok(svg)
}

fn draw<'a>(root: &Root<'a>, box_: &Enclosure, high_pass: HighPass, metres: f64) -> Drawn<'a> {
    root.fill(&WHITE)?;
    let rated = box_.driver.rated_w;
    let cut = |hz: f64| -> f64 {
        high_pass
            .sections(96_000.0)
            .iter()
            .map(|s| s.response_db(hz, 96_000.0))
            .sum()
    };
    let top = frequencies()
        .map(|hz| box_.level_db(hz, rated, metres))
        .fold(0.0, f64::max);
    let (low, high) = (
        (top / 10.0).floor() * 10.0 - 40.0,
        (top / 10.0).ceil() * 10.0,
    );
    let mut chart = ChartBuilder::on(root)
        .caption(title(box_), ("sans-serif", 16))
        .margin(12)
        .margin_right(24)
        .x_label_area_size(36)
        .y_label_area_size(52)
        .build_cartesian_2d((SPAN.0..SPAN.1).log_scale(), low..high)?;
    chart
        .configure_mesh()
        .x_desc("Hz")
        .y_desc(format!("dB SPL at {metres} m"))
        .x_label_formatter(&|hz| format!("{hz:.0}"))
        .y_label_formatter(&|db| format!("{db:.0}"))
        .light_line_style(BLACK.mix(0.06))
        .draw()?;
    let curves: [(&str, RGBColor, Level<'_>); 3] = [
        ("rated power", AT_RATING, &|hz| {
            box_.level_db(hz, rated, metres)
        }),
        ("within excursion and rating", CLEAN, &|hz| {
            box_.loudest_db(hz, metres)
        }),
        ("rated power behind the high-pass", SHAPED, &|hz| {
            box_.level_db(hz, rated, metres) + cut(hz)
        }),
    ];
    for (name, colour, level) in curves {
        let points = frequencies().map(|hz| (hz, level(hz).max(low)));
        chart
            .draw_series(LineSeries::new(points, colour.stroke_width(2)))?
            .label(name)
            .legend(move |(x, y)| {
                PathElement::new(vec![(x, y), (x + 18, y)], colour.stroke_width(2))
            });
    }
    chart
        .configure_series_labels()
        .position(SeriesLabelPosition::LowerRight)
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
