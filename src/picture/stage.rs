//! The picture stage: one decoded picture in, one panel picture out.

use fast_image_resize::PixelType;
use fast_image_resize::images::Image;
use ffmpeg_next::format::Pixel;
use ffmpeg_next::frame::Video;
use ffmpeg_next::software::scaling;

use super::canvas::{Canvas, WHITE};
use super::colour::{Colour, ToRgb, site_offset};
use super::convert;
use super::dither;
use super::format::{Packing, Reading, reading};
use super::geometry::{Layout, Stored, Window, layout};
use super::plan::{PictureError, PicturePlan};
use super::scale::{Plane, Scaler};
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
    scaler: Scaler,
    repacker: Repacker,
}

impl PictureStage {
    /// A stage for one clip.
    ///
    /// # Errors
    /// [`PictureError::Plan`] if a value is out of its range.
    pub fn new(plan: PicturePlan) -> Result<Self, PictureError> {
        plan.validate()?;
        Ok(Self {
            scaler: Scaler::new(plan.filter),
            repacker: Repacker::default(),
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
        };
        let layout = layout(&self.plan, stored)?;
        let scaled = self.scaled(picture, &layout)?;
        let (width, height) = self.plan.viewed_size();
        let fills = (layout.place.w, layout.place.h) == (width, height);
        if fills && layout.rotation.count() == 0 {
            return Ok(scaled);
        }
        let mut canvas = Canvas::black(width, height);
        canvas.place(&scaled, layout.rotation, layout.place);
        Ok(canvas)
    }

    /// Turns a canvas into the panel's memory order and dithers it. `time` is
    /// the picture's place in the clip.
    ///
    /// # Errors
    /// None yet; text on the picture may fail.
    pub fn finish(&mut self, canvas: Canvas, _time: Nanos) -> Result<PanelPicture, PictureError> {
        let canvas = canvas.mounted(self.plan.turns, self.plan.mirror);
        Ok(PanelPicture {
            width: canvas.width,
            height: canvas.height,
            rgb: canvas.to_rgb8(),
            pixels: dither::to_rgb565(&canvas, self.plan.dither),
        })
    }

    /// The shown part of the stored picture, scaled, in red, green and blue.
    fn scaled(&mut self, picture: &SourcePicture, layout: &Layout) -> Result<Canvas, PictureError> {
        let reading = reading(picture.frame.format())?;
        let frame = match reading.repack {
            Some(target) => self.repacker.repack(&picture.frame, target)?,
            None => &picture.frame,
        };
        let colour = Colour::resolve(&picture.colour, reading.model, frame.height());
        let size = layout.scaled_size();
        let images = scale_planes(
            &mut self.scaler,
            frame,
            &reading,
            &colour,
            layout.window,
            size,
        )?;
        let mut canvas = Canvas::black(size.0 as u16, size.1 as u16);
        let map = ToRgb::new(colour.matrix, colour.range, reading.bits);
        let out = &mut canvas.pixels;
        convert::pixels(
            &images,
            &reading,
            &map,
            WHITE.into(),
            convert::to_canvas,
            out,
        );
        Ok(canvas)
    }
}

fn scale_planes(
    scaler: &mut Scaler,
    frame: &Video,
    reading: &Reading,
    colour: &Colour,
    window: Window,
    (width, height): (u32, u32),
) -> Result<Vec<Image<'static>>, PictureError> {
    let mut images = Vec::with_capacity(reading.planes());
    for index in 0..reading.planes() {
        let plane = plane_of(frame, reading, index);
        let window = plane_window(window, reading, colour, index);
        let mut image = Image::new(width, height, plane.kind);
        scaler.scale(plane, window, reading.alpha, &mut image)?;
        images.push(image);
    }
    Ok(images)
}

/// Plane `index` of a frame, borrowed.
fn plane_of<'a>(frame: &'a Video, reading: &Reading, index: usize) -> Plane<'a> {
    let kind = match (reading.packing, reading.is_wide()) {
        (Packing::Planar, false) => PixelType::U8,
        (Packing::Planar, true) => PixelType::U16,
        (Packing::Rgba, false) => PixelType::U8x4,
        (Packing::Rgba, true) => PixelType::U16x4,
    };
    Plane {
        data: frame.data(index),
        stride: (frame.stride(index) / kind.size()) as u32,
        width: frame.plane_width(index),
        height: frame.plane_height(index),
        kind,
    }
}

/// The window in a plane's own samples. Chroma samples sit where the siting
/// says, so their window is moved against luma's.
fn plane_window(luma: Window, reading: &Reading, colour: &Colour, index: usize) -> Window {
    if index == 0 {
        return luma;
    }
    let (x, y) = site_offset(colour.chroma_site, reading.chroma_w, reading.chroma_h);
    let (w, h) = (
        f64::from(1_u32 << reading.chroma_w),
        f64::from(1_u32 << reading.chroma_h),
    );
    Window {
        x: (luma.x - x) / w,
        y: (luma.y - y) / h,
        w: luma.w / w,
        h: luma.h / h,
    }
}

/// Brings formats that cannot be read in place to one that can, at the same
/// size, through libswscale.
#[derive(Default)]
struct Repacker {
    context: Option<scaling::Context>,
    frame: Option<Video>,
}

impl Repacker {
    fn repack(&mut self, frame: &Video, target: Pixel) -> Result<&Video, PictureError> {
        let failed = |e: ffmpeg_next::Error| PictureError::Scale(e.to_string());
        let size = (frame.width(), frame.height());
        let fits = |context: &scaling::Context| {
            let input = context.input();
            (input.format, input.width, input.height) == (frame.format(), size.0, size.1)
        };
        if !self.context.as_ref().is_some_and(fits) {
            let flags = scaling::Flags::BILINEAR
                | scaling::Flags::ACCURATE_RND
                | scaling::Flags::BITEXACT
                | scaling::Flags::FULL_CHR_H_INP;
            let (w, h) = size;
            let context = scaling::Context::get(frame.format(), w, h, target, w, h, flags);
            self.context = Some(context.map_err(failed)?);
            self.frame = Some(Video::new(target, w, h));
        }
        let (Some(context), Some(out)) = (&mut self.context, &mut self.frame) else {
            return Err(PictureError::Format(format!("{:?}", frame.format())));
        };
        context.run(frame, out).map_err(failed)?;
        Ok(out)
    }
}
