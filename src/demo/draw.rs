//! A small canvas: colours between 0 and 1, shapes with soft edges, text.

use ab_glyph::{Font, FontRef, ScaleFont, point};

/// Red, green, blue from 0 to 1, as coded values.
pub(super) type Colour = [f32; 3];

/// Pixels row by row.
#[derive(Clone)]
pub(super) struct Canvas {
    pub(super) width: usize,
    pub(super) height: usize,
    pub(super) pixels: Vec<Colour>,
}

/// `a` of `to` and the rest of `from`.
pub(super) fn mix(from: Colour, to: Colour, a: f32) -> Colour {
    std::array::from_fn(|i| from[i] + (to[i] - from[i]) * a)
}

/// 0 below `low`, 1 above `high`, smooth between (Hermite).
pub(super) fn smooth(low: f32, high: f32, x: f32) -> f32 {
    let t = ((x - low) / (high - low)).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

impl Canvas {
    pub(super) fn new(width: usize, height: usize, colour: impl Fn(f32, f32) -> Colour) -> Self {
        let places = (0..height).flat_map(|y| (0..width).map(move |x| (x, y)));
        let pixels = places
            .map(|(x, y)| colour(x as f32 + 0.5, y as f32 + 0.5))
            .collect();
        Self {
            width,
            height,
            pixels,
        }
    }

    /// Paints where `cover` says how much, within a box of pixels.
    pub(super) fn paint(
        &mut self,
        (x0, y0, x1, y1): (f32, f32, f32, f32),
        cover: impl Fn(f32, f32) -> f32,
        colour: impl Fn(f32, f32) -> Colour,
    ) {
        let clip = |v: f32, most: usize| (v.max(0.0) as usize).min(most);
        let columns = clip(x0, self.width)..clip(x1 + 1.0, self.width);
        for y in clip(y0, self.height)..clip(y1 + 1.0, self.height) {
            for x in columns.clone() {
                let (px, py) = (x as f32 + 0.5, y as f32 + 0.5);
                let a = cover(px, py).clamp(0.0, 1.0);
                if a > 0.0 {
                    let pixel = &mut self.pixels[y * self.width + x];
                    *pixel = mix(*pixel, colour(px, py), a);
                }
            }
        }
    }

    /// A filled convex shape, its corners in clockwise order (y downwards).
    pub(super) fn convex(&mut self, corners: &[(f32, f32)], colour: impl Fn(f32, f32) -> Colour) {
        let bounds = corners.iter().fold(
            (f32::MAX, f32::MAX, f32::MIN, f32::MIN),
            |(x0, y0, x1, y1), &(x, y)| (x0.min(x), y0.min(y), x1.max(x), y1.max(y)),
        );
        let inside = |x: f32, y: f32| {
            let edges = corners.iter().zip(corners.iter().cycle().skip(1));
            let depth = edges.map(|(a, b)| {
                let (ex, ey) = (b.0 - a.0, b.1 - a.1);
                (ex * (y - a.1) - ey * (x - a.0)) / ex.hypot(ey).max(1e-6)
            });
            0.5 + depth.fold(f32::MAX, f32::min)
        };
        self.paint(bounds, inside, colour);
    }

    /// A disc with a soft rim.
    pub(super) fn disc(&mut self, (x, y): (f32, f32), radius: f32, colour: Colour) {
        let bounds = (
            x - radius - 1.0,
            y - radius - 1.0,
            x + radius + 1.0,
            y + radius + 1.0,
        );
        let cover = |px: f32, py: f32| radius + 0.5 - (px - x).hypot(py - y);
        self.paint(bounds, cover, |_, _| colour);
    }

    /// Light added around a place, fading with the distance.
    pub(super) fn glow(&mut self, (x, y): (f32, f32), radius: f32, light: Colour) {
        let bounds = (x - radius, y - radius, x + radius, y + radius);
        let cover = |px: f32, py: f32| {
            let d = (px - x).hypot(py - y) / radius;
            (1.0 - d).max(0.0).powi(3)
        };
        self.paint(bounds, cover, |_, _| light);
    }

    /// One line of text, its base line beginning at `(x, y)`, `size` pixels high.
    pub(super) fn text(&mut self, text: &str, (x, y): (f32, f32), size: f32, colour: Colour) {
        let Ok(font) = FontRef::try_from_slice(dejavu::sans::regular()) else {
            return;
        };
        let scaled = font.as_scaled(size);
        let mut pen = x;
        for letter in text.chars() {
            let id = scaled.glyph_id(letter);
            let glyph = id.with_scale_and_position(size, point(pen, y));
            pen += scaled.h_advance(id);
            let Some(outline) = font.outline_glyph(glyph) else {
                continue;
            };
            let corner = outline.px_bounds().min;
            outline.draw(|gx, gy, cover| {
                let (px, py) = (corner.x + gx as f32, corner.y + gy as f32);
                self.paint((px, py, px, py), |_, _| cover, |_, _| colour);
            });
        }
    }

    /// Three bytes per pixel.
    pub(super) fn to_rgb8(&self) -> Vec<u8> {
        let byte = |v: f32| (v * 255.0).round().clamp(0.0, 255.0) as u8;
        self.pixels.iter().flat_map(|p| p.map(byte)).collect()
    }
}
