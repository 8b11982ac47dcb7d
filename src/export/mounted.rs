//! How the panel is mounted, taken back for the viewer.

use image::{RgbImage, imageops};

use crate::source::QuarterTurns;

/// What was done to upright pictures for the panel's memory.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Mounted {
    /// Quarter turns clockwise.
    pub turns: QuarterTurns,
    /// Left and right exchanged after them.
    pub mirror: bool,
}

impl Mounted {
    /// What a reel's note says of it; nothing without one.
    pub(super) fn told(note: Option<&str>) -> Self {
        let note: Option<serde_json::Value> = note.and_then(|note| serde_json::from_str(note).ok());
        let stage = note.as_ref().and_then(|note| note.get("stage"));
        let told = |name: &str| stage.and_then(|stage| stage.get(name));
        let turns = told("turns").and_then(serde_json::Value::as_i64);
        let mirror = told("mirror").and_then(serde_json::Value::as_bool);
        Self {
            turns: QuarterTurns::clockwise(turns.map_or(0, |turns| turns.rem_euclid(4) as i32)),
            mirror: mirror.unwrap_or(false),
        }
    }

    pub(super) fn undone(self, image: RgbImage) -> RgbImage {
        let image = match self.mirror {
            true => imageops::flip_horizontal(&image),
            false => image,
        };
        match self.turns.count() {
            0 => image,
            1 => imageops::rotate270(&image),
            2 => imageops::rotate180(&image),
            _ => imageops::rotate90(&image),
        }
    }
}
