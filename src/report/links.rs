//! Every figure of each link: tables, supply, rehearsals.

use std::fmt::Write as _;

use super::pieces::{folded, list};
use super::reel_plot::reel_plot;
use super::sources::Sources;
use super::{Findings, LinkFindings};
use crate::answer::class;
use crate::budget::power::sentences;
use crate::budget::{Budget, Line, Link, amount};
use crate::chart::escape;
use crate::rehearsal::{Outlook, Trace};

/// Budget and rehearsals of each link.
pub(super) fn links(findings: &Findings<'_>, sources: &mut Sources) -> String {
    let mut all = String::new();
    for link in &findings.links {
        let heading = match link.link {
            Link::Card => "From the card",
            Link::Wifi => "Over Wi-Fi",
        };
        let mut content = table(&link.judgement.budget, sources);
        content += &supply(link);
        let _ = writeln!(
            content,
            "<p class=\"quiet\">Sources of the rehearsals: {}.</p>",
            sources.code(&format!("budget and rehearsals are {}", link.origin))
        );
        match (&link.judgement.outlook, &link.trace) {
            (Ok(outlook), Some(trace)) => {
                let _ = writeln!(content, "<p>{}</p>", escape(&rehearsed(outlook, trace)));
                // The best link's stands at the top.
                if findings.best().is_some_and(|best| best.link != link.link) {
                    content += &reel_plot(findings, link, false);
                }
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
        all += &folded(heading, &content);
    }
    all
}

/// The supply over one link, in words and as figures.
fn supply(link: &LinkFindings) -> String {
    let power = &link.judgement.budget.power;
    let run = power.run_time.as_ref();
    let hours = run.map_or_else(String::new, |run| format!(" data-hours=\"{}\"", run.hours));
    let items = list("supply", &sentences(power, &link.changes));
    format!(
        "<div data-link=\"{}\" data-mean-ma=\"{}\" data-peak-ma=\"{}\"{hours}>\n{items}</div>\n",
        power.link.name(),
        power.mean_ma,
        power.peak_ma,
    )
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
            " In all rehearsals, the ring buffer was never below {:.1} kB where a slice begins and the link still brings more.",
            low as f64 / 1e3
        );
    }
    if let Some((at, what)) = trace.worst() {
        let at = at - trace.start();
        let _ = write!(words, " Marked in the plot, at {at:.1} s: {what}.");
    }
    words
}

fn table(budget: &Budget, sources: &mut Sources) -> String {
    let rows: String = budget.lines.iter().map(|line| row(line, sources)).collect();
    format!(
        "<div class=\"wide\" tabindex=\"0\" role=\"region\" aria-label=\"Budget, {}\"><table>\n<thead><tr>\
         <th scope=\"col\">Part</th><th scope=\"col\">Used</th><th scope=\"col\">Verdict</th>\
         <th scope=\"col\">Load</th><th scope=\"col\">Capacity</th><th scope=\"col\">Sources</th></tr></thead>\n\
         <tbody>\n{rows}</tbody></table></div>\n",
        budget.link.name()
    )
}

fn row(line: &Line, sources: &mut Sources) -> String {
    let word = line.verdict.word();
    let at = line
        .at_seconds
        .map_or_else(String::new, |at| format!(" at {at:.1} s"));
    let note = line
        .note
        .as_ref()
        .map_or_else(String::new, |note| format!("; {}", escape(note)));
    format!(
        "<tr class=\"{}\"><th scope=\"row\">{}</th><td>{:.0} %</td><td>{word}</td><td>{}{at}</td><td>{}</td><td>load {}, capacity {}{note}</td></tr>\n",
        class(line.verdict),
        line.part.name(),
        100.0 * line.ratio(),
        escape(&amount(line.need, line.unit)),
        escape(&amount(line.capacity, line.unit)),
        sources.code(&line.need_origin.short()),
        sources.code(&line.capacity_origin.short()),
    )
}
