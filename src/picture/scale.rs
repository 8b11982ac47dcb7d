//! Scaling of single planes through `fast_image_resize`.

use std::borrow::Cow;

use fast_image_resize::images::{CroppedImage, Image, ImageRef};
use fast_image_resize::{FilterType, PixelType, ResizeAlg, ResizeOptions, Resizer};

use super::geometry::Window;
use super::plan::{Filter, PictureError};

/// Samples of one plane, borrowed.
#[derive(Clone, Copy)]
pub struct Plane<'a> {
    /// Rows of `stride` samples; the last may be shorter.
    pub data: &'a [u8],
    /// Samples from row to row.
    pub stride: u32,
    /// Samples a row.
    pub width: u32,
    /// Rows.
    pub height: u32,
    /// Sample type.
    pub kind: PixelType,
}

/// Sticking out by less than this many output pixels is clamped, not padded.
const CLAMP: f64 = 1.0 / 16.0;

/// A scaler that keeps its working memory.
pub struct Scaler {
    resizer: Resizer,
    options: ResizeOptions,
}

impl Scaler {
    /// A scaler with one kernel.
    #[must_use]
    pub fn new(filter: Filter) -> Self {
        let kernel = match filter {
            Filter::Box => FilterType::Box,
            Filter::Bilinear => FilterType::Bilinear,
            Filter::Hamming => FilterType::Hamming,
            Filter::CatmullRom => FilterType::CatmullRom,
            Filter::Mitchell => FilterType::Mitchell,
            Filter::Lanczos3 => FilterType::Lanczos3,
        };
        Self {
            resizer: Resizer::new(),
            options: ResizeOptions::new().resize_alg(ResizeAlg::Convolution(kernel)),
        }
    }

    /// Scales `window` of `plane` to the size of `out`, of the same type. A
    /// window that sticks out sees the edge samples repeated.
    ///
    /// # Errors
    /// [`PictureError::Scale`] if the plane is shorter than it says.
    pub fn scale(
        &mut self,
        plane: Plane<'_>,
        window: Window,
        alpha: bool,
        out: &mut Image<'_>,
    ) -> Result<(), PictureError> {
        let over = overhang(plane, window);
        let (step_x, step_y) = (
            window.w / f64::from(out.width()),
            window.h / f64::from(out.height()),
        );
        let mild = over.x.iter().all(|&o| o <= CLAMP * step_x)
            && over.y.iter().all(|&o| o <= CLAMP * step_y);
        if mild {
            return self.inside(plane, clamped(plane, window), alpha, out);
        }
        let (copy, left, top) = padded(plane, over)?;
        let view = Plane {
            data: &copy.data,
            stride: copy.width,
            width: copy.width,
            height: copy.height,
            kind: plane.kind,
        };
        let moved = Window {
            x: window.x + f64::from(left),
            y: window.y + f64::from(top),
            ..window
        };
        self.inside(view, clamped(view, moved), alpha, out)
    }

    fn inside(
        &mut self,
        plane: Plane<'_>,
        window: Window,
        alpha: bool,
        out: &mut Image<'_>,
    ) -> Result<(), PictureError> {
        let data = complete(plane)?;
        let image =
            ImageRef::new(plane.stride, plane.height, &data, plane.kind).map_err(refused)?;
        let view = CroppedImage::new(&image, 0, 0, plane.width, plane.height).map_err(refused)?;
        let options = self
            .options
            .crop(window.x, window.y, window.w, window.h)
            .use_alpha(alpha);
        self.resizer.resize(&view, out, &options).map_err(refused)
    }
}

fn refused(error: impl std::fmt::Display) -> PictureError {
    PictureError::Scale(error.to_string())
}

/// The plane's bytes with its last row filled up, which the scaler's view of
/// whole rows asks for.
fn complete(plane: Plane<'_>) -> Result<Cow<'_, [u8]>, PictureError> {
    let row = plane.stride as usize * plane.kind.size();
    let whole = row * plane.height as usize;
    let used = (whole + plane.width as usize * plane.kind.size()).saturating_sub(row);
    if plane.data.len() >= whole {
        return Ok(Cow::Borrowed(&plane.data[..whole]));
    }
    if plane.data.len() < used {
        return Err(PictureError::Scale(
            "a plane is shorter than its size".into(),
        ));
    }
    let mut copy = plane.data.to_vec();
    copy.resize(whole, 0);
    Ok(Cow::Owned(copy))
}

/// By how much a window sticks out: before the start and past the end.
struct Overhang {
    x: [f64; 2],
    y: [f64; 2],
}

fn overhang(plane: Plane<'_>, window: Window) -> Overhang {
    let over = |start: f64, length: f64, limit: u32| {
        [
            (-start).max(0.0),
            (start + length - f64::from(limit)).max(0.0),
        ]
    };
    Overhang {
        x: over(window.x, window.w, plane.width),
        y: over(window.y, window.h, plane.height),
    }
}

fn clamped(plane: Plane<'_>, window: Window) -> Window {
    let clamp = |start: f64, length: f64, limit: f64| {
        let low = start.clamp(0.0, limit);
        let high = (start + length).clamp(low, limit);
        // The subtraction may round up past the limit.
        let mut length = high - low;
        while low + length > limit {
            length = length.next_down();
        }
        (low, length)
    };
    let (x, w) = clamp(window.x, window.w, plane.width.into());
    let (y, h) = clamp(window.y, window.h, plane.height.into());
    Window { x, y, w, h }
}

struct Copied {
    data: Vec<u8>,
    width: u32,
    height: u32,
}

/// A copy with its edge samples repeated as far as the window sticks out;
/// also the columns and rows added at the left and top.
fn padded(plane: Plane<'_>, over: Overhang) -> Result<(Copied, u32, u32), PictureError> {
    let margin = |o: f64| o.ceil() as u32;
    let [left, right] = over.x.map(margin);
    let [top, bottom] = over.y.map(margin);
    let size = plane.kind.size();
    let data = complete(plane)?;
    let (row, used) = (plane.stride as usize * size, plane.width as usize * size);
    let (width, height) = (plane.width + left + right, plane.height + top + bottom);
    let mut out = Vec::with_capacity(width as usize * height as usize * size);
    for y in 0..height {
        let from = y.saturating_sub(top).min(plane.height - 1) as usize * row;
        let samples = &data[from..from + used];
        (0..left).for_each(|_| out.extend_from_slice(&samples[..size]));
        out.extend_from_slice(samples);
        (0..right).for_each(|_| out.extend_from_slice(&samples[used - size..]));
    }
    let copied = Copied {
        data: out,
        width,
        height,
    };
    Ok((copied, left, top))
}
