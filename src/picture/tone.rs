//! Tone for small panels: sharpening, saturation, gamma, black lift. Each is
//! neutral by default.

use super::canvas::{Canvas, WHITE};
use super::plan::Tone;

/// Applies `tone` to a scaled picture, without its bars.
pub fn apply(canvas: &mut Canvas, tone: &Tone) {
    if tone.sharpen > 0.0 {
        sharpen(canvas, tone.sharpen);
    }
    if tone.saturation != 1.0 {
        saturate(canvas, tone.saturation);
    }
    if tone.gamma != 1.0 || tone.black_lift > 0.0 {
        bend(canvas, tone);
    }
}

/// Luma of canvas values by BT.709's weights.
fn luma(p: [u16; 3]) -> f32 {
    0.2126 * f32::from(p[0]) + 0.7152 * f32::from(p[1]) + 0.0722 * f32::from(p[2])
}

fn clamped(v: f32) -> u16 {
    (v + 0.5).clamp(0.0, WHITE.into()) as u16
}

/// Adds `amount` times the difference of luma from its 1-2-1 blur, so that
/// colours keep their hue.
fn sharpen(canvas: &mut Canvas, amount: f32) {
    let (width, height) = (usize::from(canvas.width), usize::from(canvas.height));
    let lumas: Vec<f32> = canvas.pixels.iter().map(|&p| luma(p)).collect();
    let at = |x: usize, y: usize| lumas[y * width + x];
    for y in 0..height {
        let (up, down) = (y.saturating_sub(1), (y + 1).min(height - 1));
        for x in 0..width {
            let (left, right) = (x.saturating_sub(1), (x + 1).min(width - 1));
            let column = |x: usize| at(x, up) + 2.0 * at(x, y) + at(x, down);
            let blur = (column(left) + 2.0 * column(x) + column(right)) / 16.0;
            let gain = amount * (at(x, y) - blur);
            let pixel = &mut canvas.pixels[y * width + x];
            *pixel = pixel.map(|v| clamped(f32::from(v) + gain));
        }
    }
}

fn saturate(canvas: &mut Canvas, saturation: f32) {
    for pixel in &mut canvas.pixels {
        let grey = luma(*pixel);
        *pixel = pixel.map(|v| clamped(grey + saturation * (f32::from(v) - grey)));
    }
}

fn bend(canvas: &mut Canvas, tone: &Tone) {
    let value = |v: usize| {
        let code = (v as f32 / f32::from(WHITE)).min(1.0).powf(tone.gamma);
        clamped(f32::from(WHITE) * (tone.black_lift + (1.0 - tone.black_lift) * code))
    };
    let table: Vec<u16> = (0..=usize::from(u16::MAX)).map(value).collect();
    for pixel in &mut canvas.pixels {
        *pixel = pixel.map(|v| table[usize::from(v)]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ramp() -> Canvas {
        let rgb: Vec<u8> = (0..=255).flat_map(|v: u8| [v, v / 2, 255 - v]).collect();
        Canvas::from_rgb8(16, 16, &rgb)
    }

    fn toned(tone: Tone) -> Canvas {
        let mut canvas = ramp();
        apply(&mut canvas, &tone);
        canvas
    }

    #[test]
    fn the_default_changes_nothing() {
        assert_eq!(toned(Tone::default()), ramp());
    }

    #[test]
    fn gamma_keeps_black_and_white_and_moves_the_middle() {
        let lighter = toned(Tone {
            gamma: 0.8,
            ..Tone::default()
        })
        .to_rgb8();
        assert_eq!((lighter[0], lighter[3 * 255]), (0, 255));
        // 255 (128/255)^0.8 = 146.9
        assert_eq!(lighter[3 * 128], 147);
    }

    #[test]
    fn black_lift_raises_black_alone() {
        let lifted = toned(Tone {
            black_lift: 0.1,
            ..Tone::default()
        })
        .to_rgb8();
        assert_eq!((lifted[0], lifted[3 * 255]), (26, 255));
    }

    #[test]
    fn no_saturation_is_grey_of_equal_luma() {
        let grey = toned(Tone {
            saturation: 0.0,
            ..Tone::default()
        });
        for (found, was) in grey.pixels.iter().zip(ramp().pixels) {
            assert!(
                found
                    .iter()
                    .all(|&v| (f32::from(v) - luma(was)).abs() <= 1.0)
            );
        }
    }

    #[test]
    fn sharpening_widens_an_edge_and_leaves_flat_parts() {
        let step = |x: u8| if x < 8 { 100 } else { 150 };
        let rgb: Vec<u8> = (0..16 * 4).flat_map(|i: u8| [step(i % 16); 3]).collect();
        let mut canvas = Canvas::from_rgb8(16, 4, &rgb);
        apply(
            &mut canvas,
            &Tone {
                sharpen: 1.0,
                ..Tone::default()
            },
        );
        let row: Vec<u8> = canvas
            .to_rgb8()
            .iter()
            .step_by(3)
            .take(16)
            .copied()
            .collect();
        assert_eq!((row[0], row[7], row[8], row[15]), (100, 88, 163, 150));
    }
}
