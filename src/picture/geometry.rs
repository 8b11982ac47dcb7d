//! Which part of the source goes where on the panel.

use super::plan::{Anchor, Framing, PictureError, PicturePlan, SourceCrop};
use crate::source::QuarterTurns;
use crate::units::{Ratio, Rect};

/// A rectangle of source samples with fractions; edges, not centres, so the
/// whole picture is 0, 0, width, height.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Window {
    /// Left edge.
    pub x: f64,
    /// Upper edge.
    pub y: f64,
    /// Width.
    pub w: f64,
    /// Height.
    pub h: f64,
}

/// The stored picture as the decoder hands it over.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stored {
    /// Samples per row.
    pub width: u32,
    /// Rows.
    pub height: u32,
    /// Width to height of one sample.
    pub sample_aspect: Ratio,
    /// Turns that bring it upright.
    pub rotation: QuarterTurns,
    /// Whether left and right change places after that.
    pub mirrored: bool,
}

/// Where a picture lands. The viewed canvas is upright; the mounting turns
/// come after it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Layout {
    /// The part of the stored picture that is shown.
    pub window: Window,
    /// Its position on the viewed canvas, in pixels.
    pub place: Rect,
    /// Turns from stored to upright.
    pub rotation: QuarterTurns,
    /// Whether left and right change places after that.
    pub mirrored: bool,
}

impl Layout {
    /// Size to scale the stored picture to, before it is brought upright.
    #[must_use]
    pub fn scaled_size(&self) -> (u32, u32) {
        let (w, h) = (u32::from(self.place.w), u32::from(self.place.h));
        if self.rotation.swaps() {
            (h, w)
        } else {
            (w, h)
        }
    }
}

/// Works out the layout.
///
/// # Errors
/// [`PictureError::Empty`] if no samples remain.
pub fn layout(plan: &PicturePlan, stored: Stored) -> Result<Layout, PictureError> {
    let kept = kept(plan.crop, stored)?;
    let (view_w, view_h) = plan.viewed_size();
    let shape = upright_size(kept, stored);
    let (unit, place) = match plan.framing {
        Framing::Stretch => (WHOLE, full(view_w, view_h)),
        Framing::Letterbox => (WHOLE, whole(view_w, view_h, shape, plan.anchor)),
        Framing::Crop => (
            filled(f64::from(view_w), f64::from(view_h), shape, plan.anchor),
            full(view_w, view_h),
        ),
    };
    let unit = unturned(unmirrored(unit, stored.mirrored), stored.rotation);
    let window = Window {
        x: kept.x + unit.x * kept.w,
        y: kept.y + unit.y * kept.h,
        w: unit.w * kept.w,
        h: unit.h * kept.h,
    };
    Ok(Layout {
        window,
        place,
        rotation: stored.rotation,
        mirrored: stored.mirrored,
    })
}

const WHOLE: Window = Window {
    x: 0.0,
    y: 0.0,
    w: 1.0,
    h: 1.0,
};

fn full(w: u16, h: u16) -> Rect {
    Rect { x: 0, y: 0, w, h }
}

fn kept(crop: Option<SourceCrop>, stored: Stored) -> Result<Window, PictureError> {
    let crop = crop.unwrap_or(SourceCrop {
        left: 0,
        top: 0,
        right: 0,
        bottom: 0,
    });
    let w = i64::from(stored.width) - i64::from(crop.left) - i64::from(crop.right);
    let h = i64::from(stored.height) - i64::from(crop.top) - i64::from(crop.bottom);
    if w <= 0 || h <= 0 {
        return Err(PictureError::Empty {
            width: stored.width,
            height: stored.height,
        });
    }
    Ok(Window {
        x: crop.left.into(),
        y: crop.top.into(),
        w: w as f64,
        h: h as f64,
    })
}

/// Width and height of the upright picture in square units.
fn upright_size(kept: Window, stored: Stored) -> (f64, f64) {
    let aspect = f64::from(stored.sample_aspect.num) / f64::from(stored.sample_aspect.den);
    let (w, h) = (kept.w * aspect, kept.h);
    if stored.rotation.swaps() {
        (h, w)
    } else {
        (w, h)
    }
}

fn whole(view_w: u16, view_h: u16, (w, h): (f64, f64), anchor: Anchor) -> Rect {
    let scale = (f64::from(view_w) / w).min(f64::from(view_h) / h);
    let side = |length: f64, limit: u16| ((length * scale).round() as u16).clamp(1, limit);
    let (out_w, out_h) = (side(w, view_w), side(h, view_h));
    let start = |free: u16, anchor: f32| (f32::from(free) * anchor).round() as u16;
    Rect {
        x: start(view_w - out_w, anchor.x),
        y: start(view_h - out_h, anchor.y),
        w: out_w,
        h: out_h,
    }
}

/// The visible part of the upright picture in units of its sides.
fn filled(view_w: f64, view_h: f64, (w, h): (f64, f64), anchor: Anchor) -> Window {
    let scale = (view_w / w).max(view_h / h);
    let (seen_w, seen_h) = ((view_w / scale / w).min(1.0), (view_h / scale / h).min(1.0));
    Window {
        x: (1.0 - seen_w) * f64::from(anchor.x),
        y: (1.0 - seen_h) * f64::from(anchor.y),
        w: seen_w,
        h: seen_h,
    }
}

fn unmirrored(unit: Window, mirrored: bool) -> Window {
    let x = if mirrored {
        1.0 - unit.x - unit.w
    } else {
        unit.x
    };
    Window { x, ..unit }
}

/// A window of the upright picture, brought back to the stored one.
fn unturned(unit: Window, rotation: QuarterTurns) -> Window {
    let Window { x, y, w, h } = unit;
    let (right, bottom) = (1.0 - x - w, 1.0 - y - h);
    let (x, y, w, h) = match rotation.count() {
        0 => (x, y, w, h),
        1 => (y, right, h, w),
        2 => (right, bottom, w, h),
        _ => (bottom, x, h, w),
    };
    Window { x, y, w, h }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stored(width: u32, height: u32, aspect: (u32, u32), turns: i32) -> Stored {
        Stored {
            width,
            height,
            sample_aspect: Ratio::new(aspect.0, aspect.1).unwrap(),
            rotation: QuarterTurns::clockwise(turns),
            mirrored: false,
        }
    }

    #[test]
    fn whole_letterboxes_and_anchors() {
        let mut plan = PicturePlan::new(240, 240);
        plan.anchor.y = 0.0;
        let found = layout(&plan, stored(1920, 1080, (1, 1), 0)).unwrap();
        assert_eq!(
            found.place,
            Rect {
                x: 0,
                y: 0,
                w: 240,
                h: 135
            }
        );
        assert_eq!(
            found.window,
            Window {
                x: 0.0,
                y: 0.0,
                w: 1920.0,
                h: 1080.0
            }
        );
    }

    #[test]
    fn sample_aspect_widens_the_picture() {
        // 720x576 with 16:15 samples is the 4:3 picture of ITU-R BT.601.
        let found = layout(&PicturePlan::new(320, 240), stored(720, 576, (16, 15), 0)).unwrap();
        assert_eq!(
            found.place,
            Rect {
                x: 0,
                y: 0,
                w: 320,
                h: 240
            }
        );
    }

    #[test]
    fn fill_cuts_the_stored_side_that_the_viewer_sees_cut() {
        let mut plan = PicturePlan::new(100, 100);
        plan.framing = Framing::Crop;
        plan.anchor = Anchor { x: 0.0, y: 0.0 };
        // Upright 100x200, keeps its top; turned clockwise, the top is the
        // stored picture's left edge.
        let turned = layout(&plan, stored(200, 100, (1, 1), 1)).unwrap();
        assert_eq!(
            turned.window,
            Window {
                x: 0.0,
                y: 0.0,
                w: 100.0,
                h: 100.0
            }
        );
        // Anticlockwise, the top is the stored right edge.
        let turned = layout(&plan, stored(200, 100, (1, 1), 3)).unwrap();
        assert_eq!(
            turned.window,
            Window {
                x: 100.0,
                y: 0.0,
                w: 100.0,
                h: 100.0
            }
        );
    }

    #[test]
    fn a_crop_that_leaves_nothing_is_an_error() {
        let mut plan = PicturePlan::new(10, 10);
        plan.crop = Some(SourceCrop {
            left: 5,
            top: 0,
            right: 5,
            bottom: 0,
        });
        assert!(layout(&plan, stored(10, 10, (1, 1), 0)).is_err());
    }
}
