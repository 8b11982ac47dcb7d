//! Scaling of single planes through `fast_image_resize`.

use std::borrow::Cow;

use fast_image_resize::images::{CroppedImage, Image, ImageRef, TypedImage};
use fast_image_resize::pixels::{F32, F32x3};
use fast_image_resize::{FilterType, PixelType, ResizeAlg, ResizeOptions, Resizer};

use super::geometry::Window;
use super::halve::{self, Part, halve};
use super::plan::{Filter, PictureError};

/// Samples of one plane, borrowed.
#[derive(Clone, Copy)]
pub struct Plane<'a> {
    /// Rows of `stride` samples; the last may be shorter.
    pub data: &'a [u8],
    /// Samples from row to row.
    pub stride: u32,
    /// Samples before a row's first; a field's rows start in mid-stride.
    pub left: u32,
    /// Samples per row.
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
    /// Reach of the kernel in output pixels when shrinking.
    support: f64,
    /// Memory of halved planes that are not in use.
    spare: Vec<Vec<u8>>,
}

impl Scaler {
    /// A scaler with one kernel.
    #[must_use]
    pub fn new(filter: Filter) -> Self {
        let (kernel, support) = match filter {
            Filter::Box => (FilterType::Box, 0.5),
            Filter::Bilinear => (FilterType::Bilinear, 1.0),
            Filter::Hamming => (FilterType::Hamming, 1.0),
            Filter::CatmullRom => (FilterType::CatmullRom, 2.0),
            Filter::Mitchell => (FilterType::Mitchell, 2.0),
            Filter::Lanczos3 => (FilterType::Lanczos3, 3.0),
        };
        Self {
            resizer: Resizer::new(),
            options: ResizeOptions::new().resize_alg(ResizeAlg::Convolution(kernel)),
            support,
            spare: Vec::new(),
        }
    }

    /// Scales `window` of `plane` to `size`; 8-bit planes become 32-bit float
    /// ones with the same codes, others keep their type. A window that sticks
    /// out sees the edge samples repeated.
    ///
    /// # Errors
    /// [`PictureError::Scale`] if the plane is shorter than it says.
    pub fn scale(
        &mut self,
        plane: Plane<'_>,
        window: Window,
        alpha: bool,
        size: (u32, u32),
    ) -> Result<Image<'static>, PictureError> {
        let over = overhang(plane, window);
        let (step_x, step_y) = (window.w / f64::from(size.0), window.h / f64::from(size.1));
        let mild = over.x.iter().all(|&o| o <= CLAMP * step_x)
            && over.y.iter().all(|&o| o <= CLAMP * step_y);
        if mild {
            return self.inside(
                plane,
                clamped((plane.width, plane.height), window),
                alpha,
                size,
            );
        }
        let (copy, left, top) = padded(plane, over)?;
        let view = Plane {
            data: &copy.data,
            stride: copy.width,
            left: 0,
            width: copy.width,
            height: copy.height,
            kind: plane.kind,
        };
        let moved = Window {
            x: window.x + f64::from(left),
            y: window.y + f64::from(top),
            ..window
        };
        self.inside(view, clamped((view.width, view.height), moved), alpha, size)
    }

    /// Scales `window` of a picture in linear light.
    ///
    /// # Errors
    /// [`PictureError::Scale`] if the window sticks out.
    pub fn scale_light(
        &mut self,
        light: Vec<F32x3>,
        (width, height): (u32, u32),
        window: Window,
        (out_width, out_height): (u32, u32),
    ) -> Result<Vec<F32x3>, PictureError> {
        let image = TypedImage::from_pixels(width, height, light).map_err(refused)?;
        let window = clamped((width, height), window);
        let mut out = TypedImage::new(out_width, out_height);
        let options = self.options.crop(window.x, window.y, window.w, window.h);
        self.resizer
            .resize_typed(&image, &mut out, &options)
            .map_err(refused)?;
        Ok(out.pixels().to_vec())
    }

    fn inside(
        &mut self,
        plane: Plane<'_>,
        window: Window,
        alpha: bool,
        (width, height): (u32, u32),
    ) -> Result<Image<'static>, PictureError> {
        if plane.kind == PixelType::U8 {
            return self.codes(plane, window, (width, height));
        }
        let data = complete(plane)?;
        let image =
            ImageRef::new(plane.stride, plane.height, &data, plane.kind).map_err(refused)?;
        let (left, w, h) = (plane.left, plane.width, plane.height);
        let view = CroppedImage::new(&image, left, 0, w, h).map_err(refused)?;
        let mut out = Image::new(width, height, plane.kind);
        let options = self
            .options
            .crop(window.x, window.y, window.w, window.h)
            .use_alpha(alpha);
        self.resizer
            .resize(&view, &mut out, &options)
            .map_err(refused)?;
        Ok(out)
    }

    /// Scales 8-bit samples, first by halves where there is much to shrink.
    fn codes(
        &mut self,
        plane: Plane<'_>,
        window: Window,
        size: (u32, u32),
    ) -> Result<Image<'static>, PictureError> {
        let (x, y) = (window.w / f64::from(size.0), window.h / f64::from(size.1));
        let data = complete(plane)?;
        if x.min(y) < halve::FROM {
            let image =
                ImageRef::new(plane.stride, plane.height, &data, plane.kind).map_err(refused)?;
            return self.twice(&image, plane, window, size);
        }
        // What the kernel reaches, from an even sample on.
        let reached = |start: f64, length: f64, step: f64, limit: u32| {
            let reach = self.support * step + 2.0;
            let first = (start - reach).max(0.0) as u32 & !1;
            let last = ((start + length + reach) as u32 + 1).min(limit);
            (first, last - first)
        };
        let (left, w) = reached(window.x, window.w, x, plane.width);
        let (top, h) = reached(window.y, window.h, y, plane.height);
        let part = Part {
            stride: plane.stride as usize,
            left: (plane.left + left) as usize,
            top: top as usize,
            width: w as usize,
            height: h as usize,
        };
        let mut memory = self.spare.pop().unwrap_or_default();
        halve(&data, part, &mut memory);
        let half = Plane {
            data: &memory,
            stride: w.div_ceil(2),
            left: 0,
            width: w.div_ceil(2),
            height: h.div_ceil(2),
            kind: plane.kind,
        };
        let window = Window {
            x: (window.x - f64::from(left)) / 2.0,
            y: (window.y - f64::from(top)) / 2.0,
            w: window.w / 2.0,
            h: window.h / 2.0,
        };
        let scaled = self.codes(half, window, size);
        self.spare.push(memory);
        scaled
    }

    /// Down in 8 bits, which is fast, then across in floating point, so that
    /// the rounding between the passes averages out and there is none after.
    fn twice(
        &mut self,
        image: &ImageRef<'_>,
        plane: Plane<'_>,
        window: Window,
        (width, height): (u32, u32),
    ) -> Result<Image<'static>, PictureError> {
        let reach = self.support * (window.w / f64::from(width)).max(1.0) + 1.0;
        let first = (window.x - reach).max(0.0) as u32;
        let last = ((window.x + window.w + reach) as u32 + 1).min(plane.width);
        let (left, w) = (plane.left + first, last - first);
        let view = CroppedImage::new(image, left, 0, w, plane.height).map_err(refused)?;
        let mut down = Image::new(w, height, PixelType::U8);
        let options = self.options.crop(0.0, window.y, w.into(), window.h);
        self.resizer
            .resize(&view, &mut down, &options)
            .map_err(refused)?;
        let wide = down.buffer().iter().map(|&v| F32::new(v.into())).collect();
        let wide = TypedImage::from_pixels(w, height, wide).map_err(refused)?;
        let mut out = Image::new(width, height, PixelType::F32);
        let mut typed = out
            .typed_image_mut::<F32>()
            .ok_or_else(|| refused("float image"))?;
        let across = Window {
            x: window.x - f64::from(first),
            y: 0.0,
            w: window.w,
            h: height.into(),
        };
        let across = clamped((w, height), across);
        let options = self.options.crop(across.x, across.y, across.w, across.h);
        self.resizer
            .resize_typed(&wide, &mut typed, &options)
            .map_err(refused)?;
        Ok(out)
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
    let last = (plane.left + plane.width) as usize * plane.kind.size();
    let used = (whole + last).saturating_sub(row);
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

fn clamped((width, height): (u32, u32), window: Window) -> Window {
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
    let (x, w) = clamp(window.x, window.w, width.into());
    let (y, h) = clamp(window.y, window.h, height.into());
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
        let from = from + plane.left as usize * size;
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
