//! The shown part of a decoded picture, scaled, in the panel's colours.

use fast_image_resize::PixelType;
use fast_image_resize::images::Image;
use fast_image_resize::pixels::F32x3;
use ffmpeg_next::frame::Video;

use super::canvas::{Canvas, WHITE};
use super::colour::{Colour, ToRgb, site_offset};
use super::convert;
use super::format::{Packing, Reading, reading};
use super::geometry::{Layout, Window};
use super::grade::Grade;
use super::interlace::Deinterlacer;
use super::plan::{Deinterlace, PictureError, PicturePlan};
use super::repack::Repacker;
use super::scale::{Plane, Scaler};
use crate::source::{Interlace, SourcePicture};

/// Scales and converts; keeps what it needs from picture to picture.
pub struct ScaledSource {
    scaler: Scaler,
    repacker: Repacker,
    deinterlace: Deinterlace,
    deinterlacer: Deinterlacer,
    linear_light: bool,
    graded: Option<(Colour, Option<Grade>)>,
}

/// Which rows are read.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Rows {
    All,
    /// Every other row from this one on.
    Field(u32),
}

/// One decoded frame and how to read it.
struct Read<'a> {
    frame: &'a Video,
    reading: Reading,
    colour: Colour,
    map: ToRgb,
}

impl ScaledSource {
    /// For one clip.
    pub fn new(plan: &PicturePlan) -> Self {
        Self {
            scaler: Scaler::new(plan.filter),
            repacker: Repacker::default(),
            deinterlace: plan.deinterlace,
            deinterlacer: Deinterlacer::default(),
            linear_light: plan.linear_light,
            graded: None,
        }
    }

    /// The part of `picture` that `layout` shows, not yet upright.
    pub fn canvas(
        &mut self,
        picture: &SourcePicture,
        layout: &Layout,
    ) -> Result<Canvas, PictureError> {
        let reading = reading(picture.frame.format())?;
        let colour = Colour::resolve(&picture.colour, reading.model, picture.frame.height());
        self.update_grade(colour);
        let Self {
            scaler,
            repacker,
            graded,
            ..
        } = self;
        let frame = match reading.repack {
            Some(target) => repacker.repack(&picture.frame, target)?,
            None => &picture.frame,
        };
        let read = Read {
            frame,
            reading,
            colour,
            map: ToRgb::new(colour.matrix, colour.range, reading.bits),
        };
        let grade = graded.as_ref().and_then(|(_, grade)| grade.as_ref());
        let linear = grade.filter(|_| self.linear_light);
        let mut scaled = |rows: Rows| match linear {
            Some(grade) => in_light(scaler, &read, grade, layout, rows),
            None => in_codes(scaler, &read, grade, layout, rows),
        };
        let first = first_field(self.deinterlace, picture.interlaced);
        let Some(first) = first.filter(|_| has_fields(&read)) else {
            return scaled(Rows::All);
        };
        let fields = [scaled(Rows::Field(first))?, scaled(Rows::Field(1 - first))?];
        let weave = scaled(Rows::All)?;
        Ok(self.deinterlacer.join(fields, &weave))
    }

    fn update_grade(&mut self, colour: Colour) {
        if self
            .graded
            .as_ref()
            .is_none_or(|(for_colour, _)| *for_colour != colour)
        {
            self.graded = Some((colour, Grade::new(&colour, self.linear_light)));
        }
    }
}

/// The first row of the first field, if the fields are scaled separately.
fn first_field(asked: Deinterlace, interlace: Interlace) -> Option<u32> {
    match (asked, interlace) {
        (Deinterlace::Off, _) | (Deinterlace::Auto, Interlace::Progressive) => None,
        (_, Interlace::BottomFirst) => Some(1),
        _ => Some(0),
    }
}

/// True if every plane has a row for either field.
fn has_fields(read: &Read<'_>) -> bool {
    (0..read.reading.planes()).all(|plane| read.frame.plane_height(plane) >= 2)
}

/// Scales component codes, then makes colours of them.
fn in_codes(
    scaler: &mut Scaler,
    read: &Read<'_>,
    grade: Option<&Grade>,
    layout: &Layout,
    rows: Rows,
) -> Result<Canvas, PictureError> {
    let (width, height) = layout.scaled_size();
    let images = scale_planes(scaler, read, layout.window, rows, (width, height))?;
    let mut canvas = Canvas::black(width as u16, height as u16);
    let (reading, map, out) = (&read.reading, &read.map, &mut canvas.pixels);
    match grade {
        None => {
            convert::pixels(&images, reading, map, WHITE.into(), convert::to_canvas, out);
        }
        Some(grade) => {
            let finish = |rgb| grade.shown(grade.light(rgb));
            convert::pixels(&images, reading, map, 1.0, finish, out);
        }
    }
    Ok(canvas)
}

/// Makes light of every source pixel, then scales.
fn in_light(
    scaler: &mut Scaler,
    read: &Read<'_>,
    grade: &Grade,
    layout: &Layout,
    rows: Rows,
) -> Result<Canvas, PictureError> {
    let luma = plane_of(read, 0, rows);
    let size = (luma.width, luma.height);
    let whole = Window {
        x: 0.0,
        y: 0.0,
        w: read.frame.width().into(),
        h: f64::from(luma.height) * if rows == Rows::All { 1.0 } else { 2.0 },
    };
    // Undo the shift of a field's rows: they are wanted as they are.
    let images = scale_planes(scaler, read, field_frame(whole, rows), rows, size)?;
    let mut light = vec![F32x3::new([0.0; 3]); size.0 as usize * size.1 as usize];
    let to_light = |rgb| F32x3::new(grade.light(rgb));
    convert::pixels(&images, &read.reading, &read.map, 1.0, to_light, &mut light);
    let window = row_window(layout.window, rows);
    let out_size = layout.scaled_size();
    let scaled = scaler.scale_light(light, size, window, out_size)?;
    Ok(Canvas {
        width: out_size.0 as u16,
        height: out_size.1 as u16,
        pixels: scaled.iter().map(|p| grade.shown(p.0)).collect(),
    })
}

fn scale_planes(
    scaler: &mut Scaler,
    read: &Read<'_>,
    window: Window,
    rows: Rows,
    size: (u32, u32),
) -> Result<Vec<Image<'static>>, PictureError> {
    let mut images = Vec::with_capacity(read.reading.planes());
    for index in 0..read.reading.planes() {
        let plane = plane_of(read, index, rows);
        let window = row_window(plane_window(window, read, index), rows);
        images.push(scaler.scale(plane, window, read.reading.alpha, size)?);
    }
    Ok(images)
}

/// Plane `index` of a frame, or one field of it, borrowed.
fn plane_of<'a>(read: &Read<'a>, index: usize, rows: Rows) -> Plane<'a> {
    let kind = match (read.reading.packing, read.reading.is_wide()) {
        (Packing::Planar, false) => PixelType::U8,
        (Packing::Planar, true) => PixelType::U16,
        (Packing::Rgba, false) => PixelType::U8x4,
        (Packing::Rgba, true) => PixelType::U16x4,
    };
    let frame = read.frame;
    let stride = (frame.stride(index) / kind.size()) as u32;
    let (width, height) = (frame.plane_width(index), frame.plane_height(index));
    let (left, stride, height) = match rows {
        Rows::All => (0, stride, height),
        // A field's rows are every other one: half as many, twice as long.
        Rows::Field(first) => (first * stride, 2 * stride, height / 2),
    };
    Plane {
        data: frame.data(index),
        stride,
        left,
        width,
        height,
        kind,
    }
}

/// The window in a plane's own samples. Chroma samples sit where the siting
/// says, so their window is moved against luma's.
fn plane_window(luma: Window, read: &Read<'_>, index: usize) -> Window {
    if index == 0 {
        return luma;
    }
    let Reading {
        chroma_w, chroma_h, ..
    } = read.reading;
    let (x, y) = site_offset(read.colour.chroma_site, chroma_w, chroma_h);
    let (w, h) = (f64::from(1_u32 << chroma_w), f64::from(1_u32 << chroma_h));
    Window {
        x: (luma.x - x) / w,
        y: (luma.y - y) / h,
        w: luma.w / w,
        h: luma.h / h,
    }
}

/// A window of a whole plane in the rows of a field. Row r of the field that
/// begins at row p is row 2r + p of the plane.
fn row_window(window: Window, rows: Rows) -> Window {
    match rows {
        Rows::All => window,
        Rows::Field(first) => Window {
            y: (window.y - f64::from(first)) / 2.0 + 0.25,
            h: window.h / 2.0,
            ..window
        },
    }
}

/// The window of a whole plane that covers a field's rows exactly.
fn field_frame(window: Window, rows: Rows) -> Window {
    match rows {
        Rows::All => window,
        Rows::Field(first) => Window {
            y: f64::from(first) - 0.5,
            ..window
        },
    }
}
