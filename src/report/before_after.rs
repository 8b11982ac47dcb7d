//! Two pictures side by side.

use std::io::Cursor;

use image::{ImageFormat, RgbImage, imageops};

use super::ReportError;
use crate::picture::PanelPicture;
use crate::picture::dither::expand;

/// Columns between the two.
const GAP: u32 = 8;

/// Both pictures as the panel shows them, as a PNG.
pub(super) fn png(pair: &[PanelPicture; 2]) -> Result<Vec<u8>, ReportError> {
    let [before, after] = pair.each_ref().map(shown);
    let (width, height) = before.dimensions();
    let mut both = RgbImage::from_pixel(2 * width + GAP, height, image::Rgb([128; 3]));
    imageops::replace(&mut both, &before, 0, 0);
    imageops::replace(&mut both, &after, (width + GAP).into(), 0);
    let mut png = Cursor::new(Vec::new());
    both.write_to(&mut png, ImageFormat::Png)
        .map_err(|e| ReportError::Draw(e.to_string()))?;
    Ok(png.into_inner())
}

fn shown(picture: &PanelPicture) -> RgbImage {
    let width = usize::from(picture.width);
    RgbImage::from_fn(picture.width.into(), picture.height.into(), |x, y| {
        image::Rgb(expand(picture.pixels[y as usize * width + x as usize]))
    })
}
