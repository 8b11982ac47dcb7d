//! The panel itself: what it shows of its pixels.

use super::canvas::Canvas;
use super::plan::Shape;
use crate::units::{Rect, mask};

/// Blackens what the panel does not show.
pub fn hide(canvas: &mut Canvas, shape: Shape) {
    if shape == Shape::Rectangle {
        return;
    }
    let (width, height) = (canvas.width, canvas.height);
    let rows = canvas.pixels.chunks_exact_mut(usize::from(width));
    for (y, row) in (0..height).zip(rows) {
        let (start, end) = mask::row_span(width, height, y).unwrap_or((0, 0));
        row[..usize::from(start)].fill([0; 3]);
        row[usize::from(end)..].fill([0; 3]);
    }
}

/// The part of a panel that is shown whole: all of a rectangle, and of an
/// ellipse the inscribed rectangle of the panel's own aspect.
#[must_use]
pub fn safe_area(width: u16, height: u16, shape: Shape) -> Rect {
    if shape == Shape::Rectangle {
        return Rect {
            x: 0,
            y: 0,
            w: width,
            h: height,
        };
    }
    let margin = |side: u16| {
        let free = f64::from(side) * (1.0 - std::f64::consts::FRAC_1_SQRT_2) / 2.0;
        (free.ceil() as u16).min((side - 1) / 2)
    };
    let (x, y) = (margin(width), margin(height));
    Rect {
        x,
        y,
        w: width - 2 * x,
        h: height - 2 * y,
    }
}

/// A picture with hidden pixels shown at a quarter of their light and the
/// safe area outlined, three bytes per pixel.
#[must_use]
pub fn safe_area_view(rgb: &[u8], width: u16, height: u16, shape: Shape) -> Vec<u8> {
    let mut out = rgb.to_vec();
    let safe = safe_area(width, height, shape);
    let outline = |x: u16, y: u16| {
        let (right, bottom) = (safe.x + safe.w - 1, safe.y + safe.h - 1);
        let across = (safe.x..=right).contains(&x) && (y == safe.y || y == bottom);
        across || (safe.y..=bottom).contains(&y) && (x == safe.x || x == right)
    };
    for y in 0..height {
        let (start, end) = match shape {
            Shape::Rectangle => (0, width),
            Shape::Ellipse => mask::row_span(width, height, y).unwrap_or((0, 0)),
        };
        for x in 0..width {
            let at = (usize::from(y) * usize::from(width) + usize::from(x)) * 3;
            let pixel = &mut out[at..at + 3];
            if outline(x, y) {
                pixel.copy_from_slice(&[255, 196, 0]);
            } else if !(start..end).contains(&x) {
                pixel.iter_mut().for_each(|v| *v /= 4);
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_safe_area_lies_inside_the_ellipse() {
        for (w, h) in [(240, 240), (160, 80), (33, 57)] {
            let safe = safe_area(w, h, Shape::Ellipse);
            for y in safe.y..safe.y + safe.h {
                let (start, end) = mask::row_span(w, h, y).unwrap();
                assert!(start <= safe.x && safe.x + safe.w <= end, "{w}x{h}");
            }
            let share = safe.area() as f64 / (f64::from(w) * f64::from(h));
            assert!(share > 0.44, "half of the box, less a pixel: {share}");
        }
    }

    #[test]
    fn hidden_pixels_are_black() {
        let mut canvas = Canvas::from_rgb8(9, 9, &[255; 243]);
        hide(&mut canvas, Shape::Ellipse);
        assert_eq!(canvas.pixels[0], [0; 3]);
        assert_eq!(canvas.pixels[40], [super::super::canvas::WHITE; 3]);
    }
}
