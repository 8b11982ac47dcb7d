//! Panel pixels as images, sharp when enlarged, and PNG files of them.

use std::path::Path;

use image::{Rgb, RgbImage, imageops};

use super::{Damages, ExportError, Span, Step, Target, Walk, upright};
use crate::coding::mask::row_span;
use crate::coding::{Shape, expand_565};
use crate::picture::panel::safe_area_view;
use crate::reel::{Mounting, Wire};

/// How panel pixels become an image.
#[derive(Clone, Copy, Debug)]
pub struct Look {
    /// Panel width in pixels.
    pub width: u16,
    /// Panel height in pixels.
    pub height: u16,
    /// What of it is visible; the rest is black.
    pub shape: Shape,
    /// Image pixels a panel pixel, along each side.
    pub enlarge: u16,
    /// What was done to the pixels for the wire, to be turned back.
    pub wire: Wire,
    /// Outline the part that is shown whole.
    pub safe_area: bool,
    /// How the picture was turned for the way the panel is mounted, to be
    /// undone: the image is upright as the viewer sees it.
    pub mounting: Mounting,
}

impl Look {
    /// The look of the panel that `walk`'s reel was made for.
    #[must_use]
    pub fn of(walk: &Walk, enlarge: u16) -> Self {
        let header = walk.header();
        Self {
            width: header.width,
            height: header.height,
            shape: header.shape,
            enlarge: enlarge.max(1),
            wire: header.wire,
            safe_area: false,
            mounting: header.mounting,
        }
    }

    /// Size of the image in pixels.
    #[must_use]
    pub fn size(&self) -> (u32, u32) {
        let by = u32::from(self.enlarge);
        let (width, height) = (u32::from(self.width) * by, u32::from(self.height) * by);
        match self.mounting.swaps() {
            true => (height, width),
            false => (width, height),
        }
    }

    /// The 8-bit colour that a panel pixel shows.
    #[must_use]
    pub const fn colour(&self, pixel: u16) -> [u8; 3] {
        expand_565(self.wire.turn(pixel))
    }

    /// An image of the whole panel, upright.
    #[must_use]
    pub fn image(&self, pixels: &[u16]) -> RgbImage {
        let mut image = RgbImage::new(self.width.into(), self.height.into());
        for (y, row) in (0..self.height).zip(pixels.chunks_exact(self.width.into())) {
            let (start, end) = self.visible(y);
            for x in start..end {
                let colour = Rgb(self.colour(row[usize::from(x)]));
                image.put_pixel(x.into(), y.into(), colour);
            }
        }
        if self.safe_area {
            self.outline(&mut image);
        }
        let image = upright(self.mounting, image);
        let (width, height) = self.size();
        match self.enlarge {
            0 | 1 => image,
            _ => imageops::resize(&image, width, height, imageops::FilterType::Nearest),
        }
    }

    fn outline(&self, image: &mut RgbImage) {
        let view = safe_area_view(image.as_raw(), self.width, self.height, self.shape);
        image.copy_from_slice(&view);
    }

    fn visible(&self, y: u16) -> (u16, u16) {
        match self.shape {
            Shape::Rectangle => (0, self.width),
            Shape::Ellipse => row_span(self.width, self.height, y).unwrap_or((0, 0)),
        }
    }
}

/// Writes the picture shown at `tick` as one PNG.
///
/// # Errors
/// When there is no picture, or reading or writing fails.
pub fn single(walk: &mut Walk, tick: u64, look: Look, target: Target) -> Result<(), ExportError> {
    let mut found = None;
    let span = Span {
        from: tick,
        to: tick + 1,
    };
    walk.run(span, |step| {
        if let Step::Picture(shown) = step {
            found = Some(look.image(shown.pixels));
        }
        Ok(())
    })?;
    let nothing = || ExportError::Nothing(walk.path().to_owned(), "no picture stands at that time");
    save(&found.ok_or_else(nothing)?, target.path())?;
    target.publish()
}

/// Writes every picture of `span` as a numbered PNG into the target folder.
///
/// # Errors
/// When reading or writing fails.
pub fn pictures(
    walk: &mut Walk,
    span: Span,
    look: Look,
    target: Target,
) -> Result<Damages, ExportError> {
    let damages = walk.run(span, |step| match step {
        Step::Picture(shown) => {
            let name = format!("picture-{:06}.png", shown.number);
            save(&look.image(shown.pixels), &target.path().join(name))
        }
        _ => Ok(()),
    })?;
    target.publish()?;
    Ok(damages)
}

pub(super) fn save(image: &RgbImage, path: &Path) -> Result<(), ExportError> {
    let format = image::ImageFormat::Png;
    image
        .save_with_format(path, format)
        .map_err(ExportError::image(path))
}
