//! Error diffusion with the weights of Floyd and Steinberg 1976, every other
//! row backwards.

use super::levels::{ONE, expand5, expand6, levels5, levels6, pack};
use crate::picture::canvas::{Canvas, LEVEL, WHITE};

/// Errors to carry on, in sixteenths of 1/256 level; one spare pixel at
/// either side.
type Row = Vec<[i32; 3]>;

pub fn diffuse(canvas: &Canvas) -> Vec<u16> {
    let width = usize::from(canvas.width);
    let mut out = vec![0; canvas.pixels.len()];
    let mut here: Row = vec![[0; 3]; width + 2];
    let mut below: Row = here.clone();
    let rows = canvas
        .pixels
        .chunks_exact(width)
        .zip(out.chunks_exact_mut(width));
    for (y, (row, out)) in rows.enumerate() {
        let backwards = y % 2 == 1;
        for i in 0..width {
            let x = if backwards { width - 1 - i } else { i };
            let (pixel, error) = nearest(row[x], here[x + 1]);
            out[x] = pixel;
            let (ahead, behind) = if backwards { (x, x + 2) } else { (x + 2, x) };
            spread(&mut here[ahead], error, 7);
            spread(&mut below[behind], error, 3);
            spread(&mut below[x + 1], error, 5);
            spread(&mut below[ahead], error, 1);
        }
        std::mem::swap(&mut here, &mut below);
        below.fill([0; 3]);
    }
    out
}

fn spread(to: &mut [i32; 3], error: [i32; 3], sixteenths: i32) {
    for (to, error) in to.iter_mut().zip(error) {
        *to += error * sixteenths;
    }
}

/// The nearest panel colour and what it misses, in 1/256 level.
fn nearest(pixel: [u16; 3], carried: [i32; 3]) -> (u16, [i32; 3]) {
    let wanted: [i32; 3] = std::array::from_fn(|c| i32::from(pixel[c]) + carried[c] / 16);
    let value = |c: usize| wanted[c].clamp(0, WHITE.into()) as u16;
    let half = (ONE / 2) as u16;
    let (r, g, b) = (
        levels5().step(value(0), half),
        levels6().step(value(1), half),
        levels5().step(value(2), half),
    );
    let shown = [expand5(r), expand6(g), expand5(b)];
    let error = std::array::from_fn(|c| wanted[c] - i32::from(shown[c]) * i32::from(LEVEL));
    (pack(r, g, b), error)
}
