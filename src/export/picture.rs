//! Panel pixels as images, sharp when enlarged, and PNG files of them.

use std::io::Write;
use std::path::Path;

use super::{Damages, ExportError, Span, Step, Walk, upright};
use crate::coding::mask::row_span;
use crate::coding::{Shape, expand_565};
use crate::files::{Draft, OutputError, Workshop};
use crate::picture::panel::safe_area_view;
use crate::picture::{Image, Surround};
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
    /// The panel around the picture, where that is smaller.
    pub surround: Option<Surround>,
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
            surround: walk.surround(),
        }
    }

    /// Size of the image in pixels.
    #[must_use]
    pub fn size(&self) -> (u32, u32) {
        let by = u32::from(self.enlarge);
        let own = (self.width, self.height);
        let (width, height) = self.surround.map_or(own, |s| (s.width, s.height));
        let (width, height) = (u32::from(width) * by, u32::from(height) * by);
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
    pub fn image(&self, pixels: &[u16]) -> Image {
        let mut image = Image::filled(self.width.into(), self.height.into(), [0; 3]);
        for (y, row) in (0..self.height).zip(pixels.chunks_exact(self.width.into())) {
            let (start, end) = self.visible(y);
            for x in start..end {
                let colour = self.colour(row[usize::from(x)]);
                image.set(x.into(), y.into(), colour);
            }
        }
        if self.safe_area {
            self.outline(&mut image);
        }
        if let Some(surround) = &self.surround {
            image = around(surround, &image);
        }
        upright(self.mounting, image).enlarged(self.enlarge)
    }

    fn outline(&self, image: &mut Image) {
        let view = safe_area_view(image.bytes(), self.width, self.height, self.shape);
        image.bytes_mut().copy_from_slice(&view);
    }

    fn visible(&self, y: u16) -> (u16, u16) {
        match self.shape {
            Shape::Rectangle => (0, self.width),
            Shape::Ellipse => row_span(self.width, self.height, y).unwrap_or((0, 0)),
        }
    }
}

/// A picture on its dark panel.
fn around(surround: &Surround, picture: &Image) -> Image {
    let (width, height) = (surround.width, surround.height);
    let mut image = Image::filled(width.into(), height.into(), [0; 3]);
    image.place(picture, surround.x.into(), surround.y.into());
    if surround.round {
        for y in 0..height {
            let (start, end) = row_span(width, height, y).unwrap_or((0, 0));
            for x in (0..start).chain(end..width) {
                image.set(x.into(), y.into(), [0; 3]);
            }
        }
    }
    image
}

/// Writes the picture shown at `tick` as one PNG.
///
/// # Errors
/// When there is no picture, or reading or writing fails.
pub fn single(walk: &mut Walk, tick: u64, look: Look, target: Draft) -> Result<(), ExportError> {
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
    save_to(&found.ok_or_else(nothing)?, &target)?;
    Ok(target.publish()?)
}

/// Writes every picture of `span` as a numbered PNG into the target folder.
///
/// # Errors
/// When reading or writing fails.
pub fn pictures(
    walk: &mut Walk,
    span: Span,
    look: Look,
    target: Workshop,
) -> Result<Damages, ExportError> {
    let damages = walk.run(span, |step| match step {
        Step::Picture(shown) => {
            let name = format!("picture-{:06}.png", shown.number);
            let path = target.path().join(name);
            let bytes = png(&look.image(shown.pixels), target.target())?;
            Ok(std::fs::write(path, bytes).map_err(target.failed())?)
        }
        _ => Ok(()),
    })?;
    target.publish()?;
    Ok(damages)
}

/// Writes an image as PNG.
///
/// # Errors
/// The disk refuses.
pub fn save_to(image: &Image, target: &Draft) -> Result<(), ExportError> {
    let bytes = png(image, target.path())?;
    let written = target.handle()?.write_all(&bytes);
    Ok(written.map_err(target.failed())?)
}

/// The bytes of a PNG; the encoder would hide what the disk says of them.
fn png(image: &Image, target: &Path) -> Result<Vec<u8>, ExportError> {
    image
        .png()
        .map_err(|reason| OutputError::io(target, reason).into())
}
