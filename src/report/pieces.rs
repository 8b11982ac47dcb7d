//! What sections are made of: a heading, a figure with its caption, a plot, a
//! curve in it.

use super::text::escape;
use super::{Curve, Plot, ReportError};

pub(super) fn section(heading: &str, content: &str) -> String {
    format!("<section>\n<h2>{heading}</h2>\n{content}</section>\n")
}

pub(super) fn figure(svg: &str, caption: &str) -> String {
    format!(
        "<figure class=\"chart\" tabindex=\"0\">\n{svg}\n<figcaption>{}</figcaption>\n</figure>\n",
        escape(caption)
    )
}

pub(super) fn draw(plot: &Plot, caption: &str) -> Result<String, ReportError> {
    Ok(figure(&plot.svg().map_err(ReportError::Draw)?, caption))
}

pub(super) fn curve(name: &str, points: &[(f64, f64)], factor: f64) -> Curve {
    Curve {
        name: name.to_owned(),
        points: points
            .iter()
            .map(|(at, value)| (*at, value * factor))
            .collect(),
    }
}
