//! What each link and part can do against what the reel needs: plots, tables,
//! rehearsals.

use std::fmt::Write as _;

use super::pieces::{curve, draw, section};
use super::text::{amount, escape};
use super::{Curve, Findings, Level, LinkFindings, OverTime, Plot, ReportError};
use crate::budget::power::sentences;
use crate::budget::{Budget, Line, Link, Part};
use crate::rehearsal::{Outlook, Trace};

/// So many times the need, a capacity is shown on a logarithmic scale.
const FAR: f64 = 4.0;

/// Need against capacity over time: link, bus, core.
pub(super) fn needs(findings: &Findings<'_>, over_time: &OverTime) -> Result<String, ReportError> {
    let mut link = Plot::new("kB/s");
    link.curves.push(curve("need", &over_time.link, 1e-3));
    let capacity = |link: &LinkFindings| {
        let part = if link.link == Link::Card {
            Part::Card
        } else {
            Part::Wifi
        };
        let line = link
            .judgement
            .budget
            .lines
            .iter()
            .find(|line| line.part == part)?;
        let name = format!("{} {:.0} kB/s", link.link.name(), line.capacity / 1e3);
        Some(Level {
            name,
            value: line.capacity / 1e3,
        })
    };
    link.levels = findings.links.iter().filter_map(capacity).collect();
    let needs = || over_time.link.iter().map(|p| p.1 / 1e3);
    let (least, most) = (
        needs().fold(f64::MAX, f64::min),
        needs().fold(0.0, f64::max),
    );
    let highest = link.levels.iter().map(|l| l.value).fold(most, f64::max);
    // A capacity far above the need would flatten it.
    link.logarithmic = highest > FAR * most && least > 0.0;
    let scale = if link.logarithmic {
        link.range = Some((least / 2.0, highest * 1.6));
        " The scale is logarithmic."
    } else {
        ""
    };
    let caption = format!(
        "Bytes in each second of the reel, and the capacity of each link (computed from the sources below).{scale}"
    );
    let mut busy = Plot::new("% of the time");
    busy.curves.push(curve("panel bus", &over_time.bus, 1.0));
    busy.curves
        .push(curve("display core", &over_time.core, 1.0));
    busy.levels.push(Level {
        name: "all of it".into(),
        value: 100.0,
    });
    let top = busy
        .curves
        .iter()
        .flat_map(|c| c.points.iter().map(|p| p.1))
        .fold(0.0, f64::max);
    busy.range = Some((0.0, (top * 1.1).max(110.0)));
    let content = [
        draw(&link, &caption)?,
        draw(
            &busy,
            "Load of the panel's bus and of the display core in each second (computed).",
        )?,
    ];
    Ok(section("Load and capacity over time", &content.concat()))
}

/// Budget and rehearsals of each link.
pub(super) fn links(findings: &Findings<'_>) -> Result<String, ReportError> {
    let mut all = String::new();
    for link in &findings.links {
        let heading = match link.link {
            Link::Card => "From the card",
            Link::Wifi => "Over Wi-Fi",
        };
        let mut content = table(&link.judgement.budget);
        content += &supply(link);
        let _ = writeln!(
            content,
            "<p class=\"quiet\">Budget and rehearsals are {}.</p>",
            escape(&link.origin.to_string())
        );
        match (&link.judgement.outlook, &link.trace) {
            (Ok(outlook), Some(trace)) => {
                let caption = rehearsed(outlook, trace);
                content += &draw(&level_plot(trace), &caption)?;
            }
            (Err(why), _) => {
                let _ = writeln!(
                    content,
                    "<p class=\"bad\">No rehearsal: {}</p>",
                    escape(why)
                );
            }
            (Ok(_), None) => {}
        }
        all += &section(heading, &content);
    }
    Ok(all)
}

/// The supply over one link, in words and as figures.
fn supply(link: &LinkFindings) -> String {
    let power = &link.judgement.budget.power;
    let items: String = sentences(power, &link.changes)
        .iter()
        .map(|text| format!("<li>{}</li>\n", escape(text)))
        .collect();
    let run = power.run_time.as_ref();
    let hours = run.map_or_else(String::new, |run| format!(" data-hours=\"{}\"", run.hours));
    format!(
        "<ul class=\"supply\" data-link=\"{}\" data-mean-ma=\"{}\" data-peak-ma=\"{}\"{hours}>\n{items}</ul>\n",
        power.link.name(),
        power.mean_ma,
        power.peak_ma,
    )
}

fn level_plot(trace: &Trace) -> Plot {
    let mut plot = Plot::new("kB");
    let mut points = Vec::with_capacity(2 * trace.level.len());
    let mut before = 0.0;
    for (at, bytes) in &trace.level {
        let now = *bytes as f64 / 1e3;
        points.extend([(*at, before), (*at, now)]);
        before = now;
    }
    plot.curves.push(Curve {
        name: "in the ring buffer".into(),
        points,
    });
    plot.levels.push(Level {
        name: format!("ring {:.0} kB", trace.ring_buffer_bytes as f64 / 1e3),
        value: trace.ring_buffer_bytes as f64 / 1e3,
    });
    plot.marks.extend(worst_moment(trace));
    plot
}

/// The worst fault's moment; without one, the emptiest moment before the film's
/// last bytes are in.
fn worst_moment(trace: &Trace) -> Option<f64> {
    let run = &trace.run;
    if let Some(fault) = run.worst_gap.or(run.worst_late) {
        return Some((run.start_ns + fault.at_ns) as f64 / 1e9);
    }
    let start = run.start_ns as f64 / 1e9;
    // From the last rise on the ring buffer only drains.
    let rises = |w: &&[(f64, u64)]| w[1].1 > w[0].1;
    let last_in = trace
        .level
        .windows(2)
        .filter(rises)
        .map(|w| w[1].0)
        .fold(0.0, f64::max);
    let playing = trace
        .level
        .iter()
        .filter(|(at, _)| *at >= start && *at <= last_in);
    playing.min_by_key(|(_, bytes)| *bytes).map(|(at, _)| *at)
}

fn rehearsed(outlook: &Outlook, trace: &Trace) -> String {
    let tally = &outlook.tally;
    let words = outlook.words();
    let words = words.iter().map(|words| super::html::sentence(words));
    let mut words = words.collect::<Vec<_>>().join(" ");
    let _ = write!(
        words,
        " {:.0} ms to the first sound on average.",
        tally.mean_start_ns() as f64 / 1e6
    );
    if let Some((gap, _)) = tally.worst_gap {
        let _ = write!(
            words,
            " The longest sound gap was {:.0} ms at {:.1} s: {}.",
            gap.length_ns as f64 / 1e6,
            gap.at_ns as f64 / 1e9,
            gap.cause.words()
        );
    }
    if tally.late + tally.dropped > 0 {
        let _ = write!(
            words,
            " Late frames: {}, dropped frames: {}, in all rehearsals together.",
            tally.late, tally.dropped
        );
    }
    if let Some(low) = tally.low_water_bytes {
        let _ = write!(
            words,
            " The lowest ring buffer level at the start of a slice was {:.1} kB.",
            low as f64 / 1e3
        );
    }
    let drawn = if trace.run.is_clean() {
        "one of the clean ones"
    } else {
        "the worst of them"
    };
    let _ = write!(words, " Drawn here: {drawn}, its worst moment marked.");
    words
}

fn table(budget: &Budget) -> String {
    let rows: String = budget.lines.iter().map(row).collect();
    format!(
        "<div class=\"wide\" tabindex=\"0\" role=\"region\" aria-label=\"Budget, {}\"><table>\n<thead><tr>\
         <th scope=\"col\">Part</th><th scope=\"col\">Load</th><th scope=\"col\">Capacity</th>\
         <th scope=\"col\">Used</th><th scope=\"col\">Verdict</th><th scope=\"col\">Figures</th></tr></thead>\n\
         <tbody>\n{rows}</tbody></table></div>\n",
        budget.link.name()
    )
}

fn row(line: &Line) -> String {
    let word = line.verdict.word();
    let at = line
        .at_seconds
        .map_or_else(String::new, |at| format!(" at {at:.1} s"));
    let note = line
        .note
        .as_ref()
        .map_or_else(String::new, |note| format!("; {note}"));
    format!(
        "<tr class=\"{word}\"><th scope=\"row\">{}</th><td>{} {}{at}</td><td>{} {}</td><td>{:.0} %</td><td>{word}</td><td>{}</td></tr>\n",
        line.part.name(),
        amount(line.need),
        escape(line.unit),
        amount(line.capacity),
        escape(line.unit),
        100.0 * line.ratio(),
        escape(&format!(
            "load {}; capacity {}{note}",
            line.need_origin.short(),
            line.capacity_origin.short()
        )),
    )
}
