//! Scaled samples to canvas pixels.

use fast_image_resize::images::{Image, TypedImageRef};
use fast_image_resize::pixels::{F32, InnerPixel, U8x4, U16, U16x4};

use super::canvas::WHITE;
use super::colour::ToRgb;
use super::format::{Model, Packing, Reading};

/// A component's code.
trait Code: Copy {
    fn code(self) -> f32;
}

impl Code for F32 {
    #[inline]
    fn code(self) -> f32 {
        self.0
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
pub fn pixels<O>(
    images: &[Image<'_>],
    reading: &Reading,
    map: &ToRgb,
    white: f64,
    finish: impl Fn([f32; 3]) -> O,
    out: &mut [O],
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
    if let Some(planes) = typed::<U16>(images, order) {
        planar(planes.each_ref().map(|p| p.pixels()), map, finish, out);
    } else if let Some(planes) = typed::<F32>(images, order) {
        planar(planes.each_ref().map(|p| p.pixels()), map, finish, out);
    }
}

/// Three planes in the given order, if they hold pixels of type `P`.
fn typed<'a, P: InnerPixel>(
    images: &'a [Image<'_>],
    order: [usize; 3],
) -> Option<[TypedImageRef<'a, P>; 3]> {
    let [a, b, c] = order.map(|i| images[i].typed_image::<P>());
    Some([a?, b?, c?])
}

/// Rounds components to the canvas's scale.
#[inline]
pub fn to_canvas(rgb: [f32; 3]) -> [u16; 3] {
    rgb.map(|v| (v + 0.5).clamp(0.0, WHITE.into()) as i32 as u16)
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

fn planar<O, T: Code>(
    [a, b, c]: [&[T]; 3],
    map: Map,
    finish: impl Fn([f32; 3]) -> O,
    out: &mut [O],
) {
    for (((a, b), c), out) in a.iter().zip(b).zip(c).zip(out) {
        *out = finish(apply(&map, [a.code(), b.code(), c.code()]));
    }
}

/// Interleaved red, green, blue, alpha; alpha lets black through.
fn packed<O>(
    image: &Image<'_>,
    map: Map,
    alpha: bool,
    finish: impl Fn([f32; 3]) -> O,
    out: &mut [O],
) {
    let pixel = |p: [f32; 4], full: f32, out: &mut O| {
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
