//! Deinterlacing at panel size.
//!
//! Both fields and the whole frame are scaled to the panel. Where nothing
//! moves, the whole frame is shown with all its rows; where something moves,
//! the first field alone, so that no comb is seen. A panel has seldom more
//! rows than a field, so little is lost there.

use super::canvas::{Canvas, LEVEL};

/// Differences up to this are noise, in canvas units.
const STILL: i32 = 4 * LEVEL as i32;
/// Differences from this on are motion.
const MOVING: i32 = 12 * LEVEL as i32;

/// Remembers the fields of the picture before.
#[derive(Default)]
pub struct Deinterlacer {
    before: Option<[Canvas; 2]>,
}

impl Deinterlacer {
    /// Joins a picture's fields, first in time first, with the scaled frame
    /// `weave`.
    pub fn join(&mut self, fields: [Canvas; 2], weave: &Canvas) -> Canvas {
        let size = |c: &Canvas| (c.width, c.height);
        let motion = match &self.before {
            Some([first, second]) if size(first) == size(&fields[0]) => {
                let mut motion = differences(first, &fields[0]);
                let later = differences(second, &fields[1]);
                motion
                    .iter_mut()
                    .zip(later)
                    .for_each(|(a, b)| *a = b.max(*a));
                motion
            }
            // Without a past, rows that differ are taken as moving.
            _ => differences(&fields[0], &fields[1]),
        };
        let motion = widened(&motion, usize::from(weave.width));
        let mut out = fields[0].clone();
        for ((out, still), motion) in out.pixels.iter_mut().zip(&weave.pixels).zip(motion) {
            let share = (motion - STILL).clamp(0, MOVING - STILL);
            for (out, &still) in out.iter_mut().zip(still) {
                let (moving, still) = (i32::from(*out), i32::from(still));
                *out = (still + (moving - still) / 64 * share / ((MOVING - STILL) / 64)) as u16;
            }
        }
        self.before = Some(fields);
        out
    }
}

/// The largest component difference of every pixel.
fn differences(a: &Canvas, b: &Canvas) -> Vec<i32> {
    let largest = |(a, b): (&[u16; 3], &[u16; 3])| {
        (0..3)
            .map(|c| i32::from(a[c].abs_diff(b[c])))
            .max()
            .unwrap_or(0)
    };
    a.pixels.iter().zip(&b.pixels).map(largest).collect()
}

/// The maximum over each pixel and its eight neighbours.
fn widened(values: &[i32], width: usize) -> Vec<i32> {
    let row_wise: Vec<i32> = values.chunks_exact(width).flat_map(widened_row).collect();
    let height = values.len() / width;
    let mut out = row_wise.clone();
    for y in 0..height {
        for near in [y.saturating_sub(1), (y + 1).min(height - 1)] {
            for x in 0..width {
                let value = row_wise[near * width + x];
                out[y * width + x] = out[y * width + x].max(value);
            }
        }
    }
    out
}

fn widened_row(row: &[i32]) -> impl Iterator<Item = i32> {
    let last = row.len() - 1;
    (0..row.len()).map(move |x| {
        row[x]
            .max(row[x.saturating_sub(1)])
            .max(row[(x + 1).min(last)])
    })
}
