//! What sections are made of: a heading, what is folded under one, a figure with its
//! caption.

use std::fmt::Write as _;

use crate::chart::{Plot, escape};

/// Places of a plot's table.
const PLACES: usize = 10;

pub(super) fn section(heading: &str, content: &str) -> String {
    format!("<section>\n<h2>{heading}</h2>\n{content}</section>\n")
}

/// A section that opens when its heading is chosen; whole on paper.
pub(super) fn folded(heading: &str, content: &str) -> String {
    format!(
        "<details class=\"more\">\n<summary><h2>{heading}</h2></summary>\n{content}</details>\n"
    )
}

pub(super) fn draw(plots: &[Plot], caption: &str) -> String {
    let pictures: String = plots.iter().map(Plot::svg).collect();
    format!(
        "<figure class=\"chart\">\n{pictures}<figcaption>{}</figcaption>\n{}</figure>\n",
        escape(caption),
        table(plots, plots.first().map_or("", |plot| &plot.title)),
    )
}

/// The drawn figures of plots over one axis at ten places, folded; `of` tells it from
/// other tables.
pub(super) fn table(plots: &[Plot], of: &str) -> String {
    let curves = || {
        let all = plots
            .iter()
            .flat_map(|p| p.curves.iter().map(move |c| (p, c)));
        all.filter(|(_, curve)| !curve.drawn().is_empty())
    };
    let Some((first, _)) = curves().next() else {
        return String::new();
    };
    let places = || curves().flat_map(|(_, curve)| curve.drawn().concat());
    let from = places().map(|p| p.0).fold(f64::MAX, f64::min).max(0.0);
    let to = places().map(|p| p.0).fold(0.0, f64::max);
    let unit = first.across.unit.split(' ').next().unwrap_or_default();
    let mut head = format!("<th scope=\"col\">{}</th>", escape(unit));
    for (plot, curve) in curves() {
        let _ = write!(
            head,
            "<th scope=\"col\">{}: {}, {}</th>",
            // What follows are figures of the plot, not its name.
            escape(plot.title.split(':').next().unwrap_or_default()),
            escape(&curve.name),
            escape(&plot.up.unit)
        );
    }
    let mut rows = String::new();
    for n in 0..PLACES {
        let share = n as f64 / (PLACES - 1) as f64;
        let place = match first.across.logarithmic && from > 0.0 {
            true => from * (to / from).powf(share),
            false => from + (to - from) * share,
        };
        // As it is written, so that the picture can be asked for the same place.
        let place = (place * 1e3).floor() / 1e3;
        let _ = write!(rows, "<tr><th scope=\"row\">{place:.3}</th>");
        for (_, curve) in curves() {
            let most = curve
                .drawn()
                .concat()
                .iter()
                .map(|p| p.1.abs())
                .fold(0.0, f64::max);
            let digits = if most < 10.0 { 3 } else { 1 };
            let value = curve.at(place);
            let value = value.map_or_else(|| "none".into(), |v| format!("{v:.digits$}"));
            let _ = write!(rows, "<td>{value}</td>");
        }
        rows += "</tr>\n";
    }
    format!(
        "<details><summary>Ten places as a table</summary>\n<div class=\"wide\" tabindex=\"0\" role=\"region\" aria-label=\"Ten places: {}\"><table>\n\
         <thead><tr>{head}</tr></thead>\n<tbody>\n{rows}</tbody></table></div>\n</details>\n",
        escape(of)
    )
}

/// A list with an item a sentence.
pub(super) fn list(class: &str, items: &[String]) -> String {
    let items = items
        .iter()
        .map(|text| format!("<li>{}</li>\n", escape(text)));
    format!(
        "<ul class=\"{class}\">\n{}</ul>\n",
        items.collect::<String>()
    )
}
