//! Scaled samples to canvas pixels.

use fast_image_resize::images::Image;
use fast_image_resize::pixels::{U8x4, U16, U16x4};

use super::canvas::WHITE;
use super::colour::ToRgb;
use super::format::{Model, Packing, Reading};

/// A component's code.
trait Code: Copy {
    fn code(self) -> f32;
}

impl Code for u8 {
    #[inline]
    fn code(self) -> f32 {
        self.into()
    }
}

impl Code for U16 {
    #[inline]
    fn code(self) -> f32 {
        self.0.into()
    }
}

/// Reads scaled images as `reading` says, maps the codes by `map` to red,
/// green and blue with white at `white`, and hands each pixel to `finish`.
pub fn pixels(
    images: &[Image<'_>],
    reading: &Reading,
    map: &ToRgb,
    white: f64,
    finish: impl Fn([f32; 3]) -> [u16; 3],
    out: &mut [[u16; 3]],
) {
    let map = match reading.model {
        Model::Grey => grey(map).scaled(white),
        _ => map.scaled(white),
    };
    if reading.packing == Packing::Rgba {
        return packed(&images[0], map, reading.alpha, finish, out);
    }
    let order = match reading.model {
        Model::Grey => [0, 0, 0],
        Model::Yuv => [0, 1, 2],
        // Green, blue, red.
        Model::Rgb => [2, 0, 1],
    };
    if reading.is_wide() {
        let plane = |i: usize| words(&images[i]);
        planar(order.map(plane), map, finish, out);
    } else {
        planar(order.map(|i: usize| images[i].buffer()), map, finish, out);
    }
}

/// Rounds components to the canvas's scale.
#[inline]
pub fn to_canvas(rgb: [f32; 3]) -> [u16; 3] {
    rgb.map(|v| (v + 0.5).clamp(0.0, WHITE.into()) as i32 as u16)
}

fn words<'a>(image: &'a Image<'_>) -> Vec<U16> {
    let bytes: &'a [u8] = image.buffer();
    let word = |b: &[u8]| U16::new(u16::from_ne_bytes([b[0], b[1]]));
    bytes.chunks_exact(2).map(word).collect()
}

/// The map for luma alone, as if both colour differences were zero.
fn grey(map: &ToRgb) -> ToRgb {
    let black = -(0..3).map(|i| map.offset[i]).sum::<f64>() / 3.0;
    let mut out = *map;
    for i in 0..3 {
        out.m[i] = [map.m[i][0], 0.0, 0.0];
        out.offset[i] = -black;
    }
    out
}

type Map = ([[f32; 3]; 3], [f32; 3]);

#[inline]
fn apply((m, offset): &Map, c: [f32; 3]) -> [f32; 3] {
    std::array::from_fn(|i| m[i][0] * c[0] + m[i][1] * c[1] + m[i][2] * c[2] + offset[i])
}

fn planar<T: Code, P: AsRef<[T]>>(
    planes: [P; 3],
    map: Map,
    finish: impl Fn([f32; 3]) -> [u16; 3],
    out: &mut [[u16; 3]],
) {
    let [a, b, c] = planes.each_ref().map(AsRef::as_ref);
    for (((a, b), c), out) in a.iter().zip(b).zip(c).zip(out) {
        *out = finish(apply(&map, [a.code(), b.code(), c.code()]));
    }
}

/// Interleaved red, green, blue, alpha; alpha lets black through.
fn packed(
    image: &Image<'_>,
    map: Map,
    alpha: bool,
    finish: impl Fn([f32; 3]) -> [u16; 3],
    out: &mut [[u16; 3]],
) {
    let pixel = |p: [f32; 4], full: f32, out: &mut [u16; 3]| {
        let cover = if alpha { p[3] / full } else { 1.0 };
        *out = finish(apply(&map, [p[0], p[1], p[2]]).map(|v| v * cover));
    };
    if let Some(typed) = image.typed_image::<U8x4>() {
        let pixels = typed.pixels().iter().map(|p| p.0.map(f32::from));
        pixels.zip(out).for_each(|(p, out)| pixel(p, 255.0, out));
    } else if let Some(typed) = image.typed_image::<U16x4>() {
        let pixels = typed.pixels().iter().map(|p| p.0.map(f32::from));
        pixels.zip(out).for_each(|(p, out)| pixel(p, 65535.0, out));
    }
}
