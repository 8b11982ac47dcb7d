//! Formats that cannot be read in place, brought to one that can, at the same
//! size, through libswscale.

use ffmpeg_next::format::Pixel;
use ffmpeg_next::frame::Video;
use ffmpeg_next::software::scaling;

use super::plan::PictureError;

/// Keeps its context and frame from picture to picture.
#[derive(Default)]
pub struct Repacker {
    context: Option<scaling::Context>,
    frame: Option<Video>,
}

impl Repacker {
    /// The frame in format `target`, which must be of the same colour model.
    ///
    /// # Errors
    /// [`PictureError::Format`] if there is no conversion.
    pub fn repack(&mut self, frame: &Video, target: Pixel) -> Result<&Video, PictureError> {
        let failed = |_: ffmpeg_next::Error| PictureError::Format(format!("{:?}", frame.format()));
        if !self.fits(frame, target) {
            let flags = scaling::Flags::BILINEAR
                | scaling::Flags::ACCURATE_RND
                | scaling::Flags::BITEXACT
                | scaling::Flags::FULL_CHR_H_INP;
            let (w, h) = (frame.width(), frame.height());
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

    fn fits(&self, frame: &Video, target: Pixel) -> bool {
        let size = (frame.width(), frame.height());
        self.context.as_ref().is_some_and(|context| {
            let (input, output) = (context.input(), context.output());
            (input.format, input.width, input.height) == (frame.format(), size.0, size.1)
                && output.format == target
        })
    }
}
