//! Two pictures side by side.

use super::ReportError;
use crate::picture::dither::expand;
use crate::picture::{Image, PanelPicture};

/// Columns between the two.
const GAP: u32 = 8;

/// Both pictures as the panel shows them, as a PNG.
pub(super) fn png(pair: &[PanelPicture; 2]) -> Result<Vec<u8>, ReportError> {
    let [before, after] = pair.each_ref().map(shown);
    let (width, height) = before.size();
    let mut both = Image::filled(2 * width + GAP, height, [128; 3]);
    both.place(&before, 0, 0);
    both.place(&after, width + GAP, 0);
    both.png().map_err(|e| ReportError::Draw(e.to_string()))
}

fn shown(picture: &PanelPicture) -> Image {
    let width = usize::from(picture.width);
    Image::from_fn(picture.width.into(), picture.height.into(), |x, y| {
        expand(picture.pixels[y as usize * width + x as usize])
    })
}
