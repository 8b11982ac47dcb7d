//! The visible pixels of a round panel, in whole numbers.

/// The visible pixels of row `y` on an elliptic panel of `width` x `height`
/// (1..=4096 each) as a half-open range, or `None` if no pixel of the row
/// shows (also for a `y` outside the panel).
///
/// A pixel is visible if its centre is inside the ellipse that touches the four
/// sides: with u = 2x + 1 - width and v = 2y + 1 - height,
/// (u x height)^2 + (v x width)^2 <= (width x height)^2.
#[must_use]
pub fn row_span(width: u16, height: u16, y: u16) -> Option<(u16, u16)> {
    if y >= height {
        return None;
    }
    let (w, h) = (i64::from(width), i64::from(height));
    let v = 2 * i64::from(y) + 1 - h;
    let room = w * w * (h * h - v * v);
    let inside = |x: i64| {
        let u = 2 * x + 1 - w;
        u * u * h * h <= room
    };
    // The span is symmetric: find the first inside pixel of the left half.
    let (mut low, mut high) = (0, w / 2);
    while low < high {
        let middle = (low + high) >> 1;
        if inside(middle) {
            high = middle;
        } else {
            low = middle + 1;
        }
    }
    inside(low).then_some((low as u16, (w - low) as u16))
}

/// Pixels that show on an elliptic panel of `width` x `height` (1..=4096 each).
#[must_use]
pub fn visible_pixels(width: u16, height: u16) -> u32 {
    let spans = (0..height).filter_map(|y| row_span(width, height, y));
    spans.map(|(start, end)| u32::from(end - start)).sum()
}

#[cfg(test)]
mod tests {
    use super::{row_span, visible_pixels};

    /// The definition in floating point, pixel by pixel.
    fn shows(w: u16, h: u16, x: u16, y: u16) -> bool {
        let u = (2.0 * f64::from(x) + 1.0 - f64::from(w)) / f64::from(w);
        let v = (2.0 * f64::from(y) + 1.0 - f64::from(h)) / f64::from(h);
        u * u + v * v <= 1.0 + 1e-12
    }

    #[test]
    fn spans_hold_exactly_the_pixels_inside_the_ellipse() {
        for (w, h) in [(240, 240), (160, 80), (7, 5), (1, 9), (2, 2), (241, 3)] {
            for y in 0..h {
                let (a, b) = row_span(w, h, y).unwrap_or((0, 0));
                for x in 0..w {
                    assert_eq!((a..b).contains(&x), shows(w, h, x, y), "{w}x{h} at {x},{y}");
                }
            }
        }
    }

    #[test]
    fn a_round_panel_shows_pi_quarters_of_its_square() {
        let share = f64::from(visible_pixels(240, 240)) / f64::from(240 * 240);
        assert!(
            (share - core::f64::consts::FRAC_PI_4).abs() < 0.002,
            "{share}"
        );
    }
}
