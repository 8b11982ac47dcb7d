//! Where a picture that is smaller than its panel lies on it.

use serde::{Deserialize, Serialize};

/// A panel around a picture, both as the panel's memory is addressed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Surround {
    /// Columns of the panel.
    pub width: u16,
    /// Rows of the panel.
    pub height: u16,
    /// First column of the picture.
    pub x: u16,
    /// First row of the picture.
    pub y: u16,
    /// Whether the panel is round.
    pub round: bool,
}

impl Surround {
    /// What a reel's note says of it, for a picture of `width` x `height`; none
    /// where the picture fills the panel, or the note does not say.
    #[must_use]
    pub fn of_note(note: &str, width: u16, height: u16) -> Option<Self> {
        #[derive(Deserialize)]
        struct Note {
            panel: Surround,
        }
        let Note { panel } = serde_json::from_str(note).ok()?;
        let inside = |start: u16, length: u16, whole: u16| {
            u32::from(start) + u32::from(length) <= u32::from(whole)
        };
        let holds = inside(panel.x, width, panel.width) && inside(panel.y, height, panel.height);
        let larger = (panel.width, panel.height) != (width, height);
        (holds && larger && panel.width <= 1024 && panel.height <= 1024).then_some(panel)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_panel_that_is_larger_and_holds_the_picture_counts() {
        let note = r#"{"panel":{"width":240,"height":200,"x":20,"y":10,"round":false}}"#;
        let at = |w, h| Surround::of_note(note, w, h);
        assert_eq!(at(200, 144).map(|s| (s.x, s.y)), Some((20, 10)));
        assert!(at(240, 200).is_none() && at(230, 100).is_none());
        assert!(Surround::of_note("made by hand", 8, 8).is_none());
    }
}
