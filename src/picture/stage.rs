//! The picture stage: one decoded picture in, one panel picture out.

use super::canvas::Canvas;
use super::dither;
use super::geometry::{Stored, layout};
use super::panel;
use super::plan::{PictureError, PicturePlan, Tone};
use super::scaled::ScaledSource;
use super::text::Subtitles;
use super::tone;
use crate::source::SourcePicture;
use crate::units::Nanos;

/// A picture as the panel shows it, in the panel's memory order.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PanelPicture {
    /// Pixels per row.
    pub width: u16,
    /// Rows.
    pub height: u16,
    /// Red, green, blue in 8 bits before dither, three bytes per pixel.
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
    subtitles: Option<Subtitles>,
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
            subtitles: None,
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
        Ok(self.finish(canvas, picture.time))
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

    /// The weighted mean of canvases, in light if the plan averages in light.
    /// Weights add up to one.
    #[must_use]
    pub fn mix(&self, parts: &[(&Canvas, f32)]) -> Canvas {
        match self.plan.linear_light {
            true => Canvas::mix_light(parts),
            false => Canvas::mix(parts),
        }
    }

    /// Burns these subtitles in from now on.
    pub fn set_subtitles(&mut self, subtitles: Subtitles) {
        self.subtitles = Some(subtitles);
    }

    /// True if the same text is on show at both times, so that a repeated
    /// picture may be kept.
    #[must_use]
    pub fn same_text(&self, a: Nanos, b: Nanos) -> bool {
        self.subtitles.as_ref().is_none_or(|text| text.same(a, b))
    }

    /// Burns text into a canvas, turns it into the panel's memory order and
    /// dithers it. `time` is the picture's place in the clip.
    #[must_use]
    pub fn finish(&mut self, mut canvas: Canvas, time: Nanos) -> PanelPicture {
        if let Some(text) = &mut self.subtitles {
            text.burn(&mut canvas, time);
        }
        let mut canvas = canvas.mounted(self.plan.turns, self.plan.mirror);
        panel::hide(&mut canvas, self.plan.shape);
        PanelPicture {
            width: canvas.width,
            height: canvas.height,
            rgb: canvas.to_rgb8(),
            pixels: dither::to_rgb565(&canvas, self.plan.dither),
        }
    }
}

/// A picture as it would be without the plan's tone, and with it.
///
/// # Errors
/// As [`PictureStage::render`].
pub fn before_after(
    plan: &PicturePlan,
    picture: &SourcePicture,
) -> Result<[PanelPicture; 2], PictureError> {
    let plain = PicturePlan {
        tone: Tone::default(),
        ..plan.clone()
    };
    let before = PictureStage::new(plain)?.render(picture)?;
    let after = PictureStage::new(plan.clone())?.render(picture)?;
    Ok([before, after])
}
