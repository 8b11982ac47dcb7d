//! Planes of Y, Co and Cg, padded to whole macroblocks.

use super::super::predict::Previous;

/// One plane of samples.
#[derive(Clone)]
pub struct Plane {
    pub data: Vec<u8>,
    pub stride: usize,
}

impl Plane {
    fn new(w: usize, h: usize, value: u8) -> Self {
        Self {
            data: vec![value; w * h],
            stride: w,
        }
    }

    #[inline(always)]
    pub fn row<const N: usize>(&self, x: usize, y: usize) -> &[u8; N] {
        self.data[y * self.stride + x..]
            .first_chunk()
            .expect("a block inside the plane")
    }

    #[inline(always)]
    pub fn row_mut<const N: usize>(&mut self, x: usize, y: usize) -> &mut [u8; N] {
        self.data[y * self.stride + x..]
            .first_chunk_mut()
            .expect("a block inside the plane")
    }
}

/// Luma, Co and Cg.
#[derive(Clone)]
pub struct Planes(pub [Plane; 3]);

impl Planes {
    /// Black, for a panel of `width` x `height`.
    pub fn black(width: u16, height: u16) -> Self {
        let (w, h) = (padded(width), padded(height));
        Self([
            Plane::new(w, h, 0),
            Plane::new(w / 2, h / 2, 128),
            Plane::new(w / 2, h / 2, 128),
        ])
    }

    /// Squared error of a macroblock against another picture.
    pub fn error(&self, other: &Self, column: usize, line: usize) -> u32 {
        let (x, y) = (column * 16, line * 16);
        let mut sum = 0;
        for j in 0..16 {
            sum += error::<16>(self.0[0].row(x, y + j), other.0[0].row(x, y + j));
        }
        for p in 1..3 {
            for j in y / 2..y / 2 + 8 {
                sum += error::<8>(self.0[p].row(x / 2, j), other.0[p].row(x / 2, j));
            }
        }
        sum
    }

    /// From 8-bit colours; the padding repeats the edge.
    pub fn fill(&mut self, rgb: &[u8], width: u16, height: u16) {
        let (w, h) = (usize::from(width), usize::from(height));
        let [luma, orange, green] = &mut self.0;
        for cy in 0..orange.data.len() / orange.stride {
            let rows = [2 * cy, 2 * cy + 1].map(|y| &rgb[y.min(h - 1) * w * 3..][..w * 3]);
            for cx in 0..orange.stride {
                let (mut co, mut cg) = (0, 0);
                for (j, row) in rows.iter().enumerate() {
                    for i in 0..2 {
                        let at = (2 * cx + i).min(w - 1) * 3;
                        let [r, g, b] = [row[at], row[at + 1], row[at + 2]].map(i32::from);
                        luma.data[(2 * cy + j) * luma.stride + 2 * cx + i] =
                            ((r + 2 * g + b + 2) >> 2) as u8;
                        co += r - b;
                        cg += 2 * g - r - b;
                    }
                }
                orange.data[cy * orange.stride + cx] = (128 + ((co + 4) >> 3)).clamp(0, 255) as u8;
                green.data[cy * green.stride + cx] = (128 + ((cg + 8) >> 4)).clamp(0, 255) as u8;
            }
        }
    }
}

/// Squared error of two rows.
#[inline]
pub fn error<const N: usize>(a: &[u8; N], b: &[u8; N]) -> u32 {
    let mut sum = 0;
    for i in 0..N {
        let d = i32::from(a[i]) - i32::from(b[i]);
        sum += (d * d) as u32;
    }
    sum
}

fn padded(side: u16) -> usize {
    usize::from(side).next_multiple_of(16)
}

/// A plane of the previous picture as the decoder still has it in macroblock
/// line `line`: `block` rows a line, three lines back.
pub struct Past<'a> {
    pub plane: &'a Plane,
    pub first: usize,
}

impl<'a> Past<'a> {
    pub fn new(plane: &'a Plane, line: usize, block: usize) -> Self {
        Self {
            plane,
            first: (line * block).saturating_sub(3 * block),
        }
    }
}

impl Past<'_> {
    /// The same for prediction.
    pub fn previous(&self) -> Previous<'_> {
        Previous {
            history: &[],
            ring: 1,
            ahead: &self.plane.data,
            kept: 0,
            stride: self.plane.stride,
            first: self.first,
        }
    }
}
