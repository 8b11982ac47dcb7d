//! The picture stage: one decoded picture in, one panel picture out.

use super::canvas::Canvas;
use super::dither;
use super::geometry::{Stored, layout};
use super::panel;
use super::plan::{PictureError, PicturePlan};
use super::scaled::ScaledSource;
use super::tone;
use crate::source::SourcePicture;
use crate::units::Nanos;

/// A picture as the panel shows it, in the panel's memory order.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PanelPicture {
    /// Pixels a row.
    pub width: u16,
    /// Rows.
    pub height: u16,
    /// Red, green, blue in 8 bits before dither, three bytes a pixel.
    pub rgb: Vec<u8>,
    /// RGB565 with red in the high bits, dithered.
    pub pixels: Vec<u16>,
}

/// Makes panel pictures. Its working memory is kept from picture to picture
/// and depends on the panel's and the source's size alone. It holds a scaling
/// context of libswscale, so make it on the thread that uses it.
pub struct PictureStage {
    plan: PicturePlan,
    scaled: ScaledSource,
}

impl PictureStage {
    /// A stage for one clip.
    ///
    /// # Errors
    /// [`PictureError::Plan`] if a value is out of its range.
    pub fn new(plan: PicturePlan) -> Result<Self, PictureError> {
        plan.validate()?;
        Ok(Self {
            scaled: ScaledSource::new(&plan),
            plan,
        })
    }

    /// The plan it works by.
    #[must_use]
    pub fn plan(&self) -> &PicturePlan {
        &self.plan
    }

    /// Scales, converts and finishes one picture.
    ///
    /// # Errors
    /// [`PictureError::Format`] or [`PictureError::Empty`] for frames that
    /// cannot be read.
    pub fn render(&mut self, picture: &SourcePicture) -> Result<PanelPicture, PictureError> {
        let canvas = self.canvas(picture)?;
        self.finish(canvas, picture.time)
    }

    /// The upright picture on its canvas, with bars: what [`Self::finish`]
    /// turns into a panel picture. Canvases of several pictures may be mixed
    /// in between.
    ///
    /// # Errors
    /// As [`Self::render`].
    pub fn canvas(&mut self, picture: &SourcePicture) -> Result<Canvas, PictureError> {
        let stored = Stored {
            width: picture.frame.width(),
            height: picture.frame.height(),
            sample_aspect: picture.sample_aspect,
            rotation: picture.rotation,
            mirrored: picture.mirrored,
        };
        let layout = layout(&self.plan, stored)?;
        let mut scaled = self.scaled.canvas(picture, &layout)?;
        tone::apply(&mut scaled, &self.plan.tone);
        let (width, height) = self.plan.viewed_size();
        let fills = (layout.place.w, layout.place.h) == (width, height);
        if fills && layout.rotation.count() == 0 && !layout.mirrored {
            return Ok(scaled);
        }
        let mut canvas = Canvas::black(width, height);
        canvas.place(&scaled, layout.rotation, layout.mirrored, layout.place);
        Ok(canvas)
    }

    /// Turns a canvas into the panel's memory order and dithers it. `time` is
    /// the picture's place in the clip.
    ///
    /// # Errors
    /// None yet; text on the picture may fail.
    pub fn finish(&mut self, canvas: Canvas, _time: Nanos) -> Result<PanelPicture, PictureError> {
        let mut canvas = canvas.mounted(self.plan.turns, self.plan.mirror);
        panel::hide(&mut canvas, self.plan.shape);
        Ok(PanelPicture {
            width: canvas.width,
            height: canvas.height,
            rgb: canvas.to_rgb8(),
            pixels: dither::to_rgb565(&canvas, self.plan.dither),
        })
    }
}
