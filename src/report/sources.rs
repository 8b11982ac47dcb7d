//! Where figures come from: a short code in the table, one footnote for each.

use crate::chart::escape;

/// The footnotes of a page.
#[derive(Default)]
pub(super) struct Sources {
    texts: Vec<String>,
}

impl Sources {
    /// The code of a source as a link to its footnote.
    pub(super) fn code(&mut self, text: &str) -> String {
        let known = self.texts.iter().position(|known| known == text);
        let at = known.unwrap_or_else(|| {
            self.texts.push(text.to_owned());
            self.texts.len() - 1
        });
        let code = at + 1;
        format!("<a href=\"#source-{code}\">S{code}</a>")
    }

    /// The footnotes.
    pub(super) fn notes(&self) -> String {
        let note = |(at, text): (usize, &String)| {
            let code = at + 1;
            format!(
                "<dt id=\"source-{code}\">S{code}</dt><dd>{}</dd>\n",
                escape(text)
            )
        };
        let notes: String = self.texts.iter().enumerate().map(note).collect();
        format!("<dl class=\"facts sources\">\n{notes}</dl>\n")
    }
}
