//! How the panel is mounted, taken back for the viewer.

use crate::picture::Image;
use crate::reel::Mounting;

/// A picture as the viewer of a panel mounted like that sees it.
#[must_use]
pub fn upright(mounting: Mounting, image: Image) -> Image {
    let image = match mounting.mirror {
        true => image.mirrored(),
        false => image,
    };
    image.turned((4 - mounting.turns % 4) % 4)
}
