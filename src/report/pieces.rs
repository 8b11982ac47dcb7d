//! What sections are made of: a heading, what is folded under one, a figure with its
//! caption.

use crate::chart::{Plot, escape};

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
        "<figure class=\"chart\">\n{pictures}<figcaption>{}</figcaption>\n</figure>\n",
        escape(caption)
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
