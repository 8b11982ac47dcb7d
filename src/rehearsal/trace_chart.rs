//! A rehearsal drawn out in time, as a picture.

use plotters::prelude::*;

use super::Trace;

/// The level of the ring buffer over time as SVG, the worst moment marked.
///
/// # Errors
/// The drawing library's own.
pub fn trace_chart(trace: &Trace) -> Result<String, String> {
    let mut svg = String::new();
    {
        let root = SVGBackend::with_string(&mut svg, (760, 260)).into_drawing_area();
        draw(&root, trace).map_err(|error| error.to_string())?;
        root.present().map_err(|error| error.to_string())?;
    }
    Ok(svg)
}

type Area<'a> = DrawingArea<SVGBackend<'a>, plotters::coord::Shift>;

fn draw<'a>(root: &Area<'a>, trace: &Trace) -> Result<(), Box<dyn std::error::Error + 'a>> {
    root.fill(&WHITE)?;
    let end = trace.level.last().map_or(1.0, |(t, _)| t.max(0.001));
    let most = trace
        .level
        .iter()
        .map(|(_, b)| *b)
        .max()
        .unwrap_or(1)
        .max(1) as f64
        / 1e3;
    let mut chart = ChartBuilder::on(root)
        .margin(10)
        .caption("Bytes in the ring buffer", ("sans-serif", 16))
        .x_label_area_size(34)
        .y_label_area_size(56)
        .build_cartesian_2d(0.0..end, 0.0..most * 1.08)?;
    chart
        .configure_mesh()
        .disable_x_mesh()
        .x_desc("seconds")
        .y_desc("kB")
        .draw()?;
    let colour = RGBColor(70, 110, 140);
    chart.draw_series(LineSeries::new(stairs(trace), colour.stroke_width(1)))?;
    if let Some(gap) = trace.run.worst_gap {
        let at = (trace.run.start_ns + gap.at_ns) as f64 / 1e9;
        let mark = RGBColor(150, 48, 64);
        chart.draw_series(LineSeries::new(
            [(at, 0.0), (at, most)],
            mark.stroke_width(2),
        ))?;
    }
    Ok(())
}

/// The level as steps.
fn stairs(trace: &Trace) -> impl Iterator<Item = (f64, f64)> + '_ {
    let mut before = 0.0;
    trace.level.iter().flat_map(move |(t, bytes)| {
        let now = *bytes as f64 / 1e3;
        let pair = [(*t, before), (*t, now)];
        before = now;
        pair
    })
}
