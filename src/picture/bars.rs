//! Black bars that are part of the stored pictures.

use super::canvas::Canvas;
use super::geometry::{Layout, Window};
use super::plan::{Deinterlace, Filter, PictureError, PicturePlan, SourceCrop};
use super::scaled::ScaledSource;
use crate::source::{QuarterTurns, SourcePicture};
use crate::units::Rect;

/// Brighter than this, in 8-bit levels, is picture.
const BLACK: u16 = 10 * super::canvas::LEVEL;
/// A row or column is looked at in this many parts, so that one bright spot
/// shows.
const PARTS: u16 = 32;
/// Bars thinner than this share of the side are left alone.
const THINNEST: u32 = 100;

/// Looks at pictures from all over a clip and finds what is black in all of
/// them, so that the crop is steady and never cuts anything that is ever
/// shown.
pub struct BarFinder {
    scaled: ScaledSource,
    size: (u32, u32),
    /// First and last column, first and last row with picture.
    seen: Option<[u32; 4]>,
}

impl Default for BarFinder {
    fn default() -> Self {
        let mut plan = PicturePlan::new(1, 1);
        plan.filter = Filter::Box;
        plan.deinterlace = Deinterlace::Off;
        Self {
            scaled: ScaledSource::new(&plan),
            size: (0, 0),
            seen: None,
        }
    }
}

impl BarFinder {
    /// Takes one picture into account. Pictures of another size than the first
    /// are passed over.
    ///
    /// # Errors
    /// [`PictureError::Format`] if it cannot be read.
    pub fn look(&mut self, picture: &SourcePicture) -> Result<(), PictureError> {
        let (w, h) = (picture.frame.width(), picture.frame.height());
        if self.size == (0, 0) {
            self.size = (w, h);
        }
        if self.size != (w, h) || w > u32::from(u16::MAX) || h > u32::from(u16::MAX) {
            return Ok(());
        }
        let across = self.squeezed(picture, (w as u16, PARTS.min(h as u16)))?;
        let down = self.squeezed(picture, (PARTS.min(w as u16), h as u16))?;
        let columns = bright(&across, |i, width| i % width);
        let rows = bright(&down, |i, width| i / width);
        if let (Some((left, right)), Some((top, bottom))) = (columns, rows) {
            let seen = self.seen.get_or_insert([left, right, top, bottom]);
            seen[0] = seen[0].min(left);
            seen[1] = seen[1].max(right);
            seen[2] = seen[2].min(top);
            seen[3] = seen[3].max(bottom);
        }
        Ok(())
    }

    /// The bars, on even rows and columns; `None` if there are none to speak
    /// of.
    #[must_use]
    pub fn crop(&self) -> Option<SourceCrop> {
        let (w, h) = self.size;
        let [left, right, top, bottom] = self.seen?;
        let bar = |length: u32, side: u32| {
            let even = length & !1;
            if even * THINNEST < side { 0 } else { even }
        };
        let crop = SourceCrop {
            left: bar(left, w),
            top: bar(top, h),
            right: bar(w - 1 - right, w),
            bottom: bar(h - 1 - bottom, h),
        };
        let any = crop.left + crop.top + crop.right + crop.bottom > 0;
        any.then_some(crop)
    }

    fn squeezed(
        &mut self,
        picture: &SourcePicture,
        (w, h): (u16, u16),
    ) -> Result<Canvas, PictureError> {
        let layout = Layout {
            window: Window {
                x: 0.0,
                y: 0.0,
                w: picture.frame.width().into(),
                h: picture.frame.height().into(),
            },
            place: Rect { x: 0, y: 0, w, h },
            rotation: QuarterTurns::default(),
            mirrored: false,
        };
        self.scaled.canvas(picture, &layout)
    }
}

/// The first and last place, computed by `place` from a pixel's number and the
/// width, where a pixel is not black.
fn bright(canvas: &Canvas, place: impl Fn(u32, u32) -> u32) -> Option<(u32, u32)> {
    let width = u32::from(canvas.width);
    let shown = (0_u32..)
        .zip(&canvas.pixels)
        .filter(|(_, p)| p.iter().any(|&v| v > BLACK));
    shown
        .map(|(i, _)| place(i, width))
        .fold(None, |found, at| match found {
            None => Some((at, at)),
            Some((low, high)) => Some((at.min(low), at.max(high))),
        })
}
