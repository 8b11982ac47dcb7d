//! The whole reel over one axis of time: link, bus, cores and ring buffer one above the
//! other, and the same figures at ten moments as a table.

use super::pieces::table;
use super::{Findings, LinkFindings};
use crate::budget::{Link, Part};
use crate::chart::{Axis, Curve, Level, Plot, escape, thin};

/// So many times the need, a capacity is shown on a logarithmic axis.
const FAR: f64 = 4.0;
/// Points of a curve.
const POINTS: usize = 700;

/// The figure of one link. `moves` says that it has a slider that moves the player.
pub(super) fn reel_plot(findings: &Findings<'_>, link: &LinkFindings, moves: bool) -> String {
    let plots = plots(findings, link);
    let across = &plots[0].across;
    let pictures: String = plots.iter().map(Plot::svg).collect();
    let name = match link.link {
        Link::Card => "from the card",
        Link::Wifi => "over Wi-Fi",
    };
    let cursor = match moves {
        true => format!(
            "<label class=\"moment\">Moment <output></output><input type=\"range\" min=\"0\" max=\"{}\" step=\"0.01\" value=\"0\"></label>\n",
            findings.facts.seconds()
        ),
        false => String::new(),
    };
    format!(
        "<figure class=\"chart reel-plot\" data-from=\"{}\" data-to=\"{}\">\n<div class=\"panels\">{pictures}<div class=\"cursor\" hidden></div></div>\n{cursor}\
         <figcaption>Load and capacity over the whole reel, played {name}. Link, bus and cores: the second that begins there, as in the table of parts, whose loads are the highest of these (computed); reading counts at its highest rate. Ring buffer: {}.</figcaption>\n\
         {}</figure>\n",
        across.from,
        across.to,
        escape(&drawn(link)),
        table(&plots, name),
    )
}

fn drawn(link: &LinkFindings) -> String {
    match &link.trace {
        None => "not rehearsed".into(),
        Some(trace) if trace.run.is_clean() => "one of the clean rehearsals".into(),
        Some(_) => "the worst rehearsal".into(),
    }
}

fn plots(findings: &Findings<'_>, link: &LinkFindings) -> Vec<Plot> {
    let over_time = &link.over_time;
    let scaled = |points: &[(f64, f64)], factor: f64| -> Vec<(f64, f64)> {
        let points: Vec<_> = points.iter().map(|(at, v)| (*at, v * factor)).collect();
        thin(&points, POINTS)
    };
    let percent = |name: &str, points: &[(f64, f64)]| Curve {
        name: name.into(),
        points: scaled(points, 0.1),
    };
    let mut need = Plot::over_time("Link", "kB/s").with("need", scaled(&over_time.link, 1e-3));
    for other in &findings.links {
        let line = &other.judgement.budget.lines[0];
        need.levels.push(Level {
            name: format!("{} {:.1} kB/s", other.link.name(), line.capacity / 1e3),
            value: line.capacity / 1e3,
        });
    }
    let values = || need.curves[0].points.iter().map(|p| p.1);
    let (least, most) = (
        values().fold(f64::MAX, f64::min),
        values().fold(0.0, f64::max),
    );
    let highest = need.levels.iter().map(|l| l.value).fold(most, f64::max);
    // A capacity far above the need would flatten it.
    if highest > FAR * most && least > 0.0 {
        need.up = need.up.logarithmic();
    }
    let all = || Level {
        name: "all of the time".into(),
        value: 100.0,
    };
    let mut bus = Plot::over_time("Panel bus", "% of the time");
    bus.curves.push(percent("busy", &over_time.bus));
    bus.levels.push(all());
    let mut cores = Plot::over_time("Cores", "% of the time");
    let display = percent(Part::DisplayCore.name(), &over_time.display_core);
    let io = over_time.io_core.iter();
    let io = io.map(|points| percent(Part::IoCore.name(), points));
    cores.curves = std::iter::once(display).chain(io).collect();
    cores.levels.push(all());
    let mut plots = vec![need, bus, cores];
    plots.extend(link.trace.as_ref().map(|trace| {
        let mut plot = trace.plot();
        plot.curves[0].points = thin(&plot.curves[0].points, POINTS);
        plot
    }));
    let times = || {
        let curves = plots.iter().flat_map(|p| &p.curves);
        curves.flat_map(|c| c.points.iter().map(|p| p.0))
    };
    let from = times().fold(0.0, f64::min);
    let to = times().fold(findings.facts.seconds(), f64::max);
    let across = Axis::new("seconds from the start of play").between(from, to);
    let last = plots.len() - 1;
    for (n, plot) in plots.iter_mut().enumerate() {
        plot.across = across.clone();
        plot.numbered = n == last;
    }
    plots
}
