//! Pixels in the panel's bus format.

use crate::picture::PanelPicture;
use crate::reel::Wire;

/// Swaps red and blue and complements, as the panel needs it. The picture
/// before dither goes through the same, so that an encoder sees one picture.
pub(super) fn apply(wire: Wire, picture: &mut PanelPicture) {
    if wire.bgr {
        let swap = Wire {
            inverted: false,
            ..wire
        };
        picture.pixels.iter_mut().for_each(|p| *p = swap.turn(*p));
        let all = picture.rgb.as_chunks_mut::<3>().0;
        all.iter_mut().for_each(|rgb| rgb.swap(0, 2));
    }
    if wire.inverted {
        picture.pixels.iter_mut().for_each(|p| *p = !*p);
        picture.rgb.iter_mut().for_each(|v| *v = !*v);
    }
}
