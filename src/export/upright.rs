//! How the panel is mounted, taken back for the viewer.

use image::{RgbImage, imageops};

use crate::reel::Mounting;

/// A picture as the viewer of a panel mounted like that sees it.
#[must_use]
pub fn upright(mounting: Mounting, image: RgbImage) -> RgbImage {
    let image = match mounting.mirror {
        true => imageops::flip_horizontal(&image),
        false => image,
    };
    match mounting.turns {
        0 => image,
        1 => imageops::rotate270(&image),
        2 => imageops::rotate180(&image),
        _ => imageops::rotate90(&image),
    }
}
