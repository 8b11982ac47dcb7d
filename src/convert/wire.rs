//! Pixels as the panel's wire wants them.

use crate::picture::PanelPicture;
use crate::reel::Wire;

/// Swaps red and blue and complements, as the panel needs it. The picture
/// before dither goes through the same, so that an encoder sees one picture.
pub(super) fn apply(wire: Wire, picture: &mut PanelPicture) {
    if wire == Wire::default() {
        return;
    }
    for pixel in &mut picture.pixels {
        *pixel = wire.turn(*pixel);
    }
    for rgb in picture.rgb.as_chunks_mut::<3>().0 {
        if wire.bgr {
            rgb.swap(0, 2);
        }
        if wire.inverted {
            *rgb = rgb.map(|v| !v);
        }
    }
}
