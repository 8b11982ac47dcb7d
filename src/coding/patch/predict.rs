//! Prediction from the previous picture and from the picture itself.

use super::tables::TAPS;

/// Rows of the previous picture's plane, as far as they are still kept.
pub trait Rows {
    /// Row `y`, `first()..height` of the plane.
    fn row(&self, y: usize) -> &[u8];
    /// First row still kept.
    fn first(&self) -> usize;
    /// Rows of the plane.
    fn height(&self) -> usize;
}

/// Bytes in a row of a [`Patch`]: a macroblock and the filter's reach.
const PITCH: usize = 20;

/// A piece of the previous picture, large enough for any filter.
pub struct Patch([[u8; PITCH]; 19]);

impl Patch {
    /// An empty piece.
    #[must_use]
    pub const fn new() -> Self {
        Self([[0; PITCH]; 19])
    }

    /// Copies `N` x `h` samples from `x`, `y`, and three more columns if
    /// `wide`; samples outside the kept part of the plane are those of its
    /// nearest edge.
    #[inline]
    fn fetch<const N: usize>(&mut self, rows: &impl Rows, x: i32, y: i32, wide: bool, h: usize) {
        let (first, last) = (rows.first() as i32, rows.height() as i32 - 1);
        for (j, out) in self.0.iter_mut().take(h).enumerate() {
            let row = rows.row((y + j as i32).clamp(first, last) as usize);
            if !copy::<N>(out, row, x, wide) {
                let edge = row.len() as i32 - 1;
                for (i, o) in out.iter_mut().enumerate() {
                    *o = row[(x + i as i32).clamp(0, edge) as usize];
                }
            }
        }
    }
}

/// Copies a row that lies wholly inside.
#[inline(always)]
fn copy<const N: usize>(out: &mut [u8; PITCH], row: &[u8], x: i32, wide: bool) -> bool {
    let Some(from) = row.get(x as usize..) else {
        return false; // also for a negative x
    };
    let Some(part) = from.first_chunk::<N>() else {
        return false;
    };
    if let Some(to) = out.first_chunk_mut::<N>() {
        *to = *part;
    }
    if !wide {
        return true;
    }
    let (Some(part), Some(to)) = (
        from[N..].first_chunk::<3>(),
        out[N..].first_chunk_mut::<3>(),
    ) else {
        return false;
    };
    *to = *part;
    true
}

/// Where a predicted block goes.
pub struct Target<'a> {
    /// The plane, rows of `stride` samples.
    pub plane: &'a mut [u8],
    /// Samples in a row.
    pub stride: usize,
    /// Left column of the block.
    pub x: usize,
    /// Upper row of the block.
    pub y: usize,
}

impl Target<'_> {
    #[inline(always)]
    fn row<const N: usize>(&mut self, y: usize) -> &mut [u8; N] {
        let at = (self.y + y) * self.stride + self.x;
        self.plane[at..]
            .first_chunk_mut()
            .expect("the block lies in the plane")
    }
}

impl Patch {
    /// Fetches what `N` x `N` luma samples at `x`, `y`, moved by a vector in
    /// quarter samples, are made of, and filters it across.
    #[inline]
    pub fn luma<const N: usize>(&mut self, rows: &impl Rows, x: usize, y: usize, vector: [i16; 2]) {
        let [vx, vy] = vector.map(i32::from);
        let (fx, fy) = ((vx & 3) as usize, vy & 3);
        let (left, above) = (i32::from(fx != 0), i32::from(fy != 0));
        let h = N + 3 * above as usize;
        let (x, y) = (x as i32 + (vx >> 2) - left, y as i32 + (vy >> 2) - above);
        self.fetch::<N>(rows, x, y, fx != 0, h);
        if fx != 0 {
            for row in self.0.iter_mut().take(h) {
                across::<N>(row, &TAPS[fx]);
            }
        }
    }

    /// Filters down what [`Self::luma`] fetched, into the block.
    #[inline]
    pub fn put_luma<const N: usize>(&self, to: &mut Target<'_>, vector: [i16; 2]) {
        let fy = (vector[1] & 3) as usize;
        for j in 0..N {
            let out = to.row::<N>(j);
            if fy == 0 {
                out.copy_from_slice(&self.0[j][..N]);
            } else {
                down::<N>(out, &self.0[j..], &TAPS[fy]);
            }
        }
    }

    /// Fetches what `N` x `N` chroma samples at `x`, `y`, moved by a vector
    /// in eighths, are made of.
    #[inline]
    pub fn chroma<const N: usize>(
        &mut self,
        rows: &impl Rows,
        x: usize,
        y: usize,
        vector: [i16; 2],
    ) {
        let [vx, vy] = vector.map(i32::from);
        let (x, y) = (x as i32 + (vx >> 3), y as i32 + (vy >> 3));
        self.fetch::<N>(rows, x, y, vx & 7 != 0, N + usize::from(vy & 7 != 0));
    }

    /// Weighs what [`Self::chroma`] fetched, into the block (ITU-T H.264,
    /// clause 8.4.2.2.2).
    #[inline]
    pub fn put_chroma<const N: usize>(&self, to: &mut Target<'_>, vector: [i16; 2]) {
        let [fx, fy] = vector.map(|v| (v & 7) as u16);
        let (wa, wb) = ((8 - fx) * (8 - fy), fx * (8 - fy));
        let (wc, wd) = ((8 - fx) * fy, fx * fy);
        for j in 0..N {
            let out = to.row::<N>(j);
            let (a, b) = (&self.0[j], &self.0[j + 1]);
            if fx | fy == 0 {
                out.copy_from_slice(&a[..N]);
                continue;
            }
            for i in 0..N {
                let sum = wa * u16::from(a[i])
                    + wb * u16::from(a[i + 1])
                    + wc * u16::from(b[i])
                    + wd * u16::from(b[i + 1]);
                out[i] = ((sum + 32) >> 6) as u8;
            }
        }
    }
}

#[inline(always)]
fn filter(s: [u8; 4], taps: &[i16; 4]) -> u8 {
    let mut sum = 32;
    for (s, t) in s.into_iter().zip(taps) {
        sum += i16::from(s) * t;
    }
    (sum >> 6).clamp(0, 255) as u8
}

#[inline(always)]
fn across<const N: usize>(row: &mut [u8; PITCH], taps: &[i16; 4]) {
    let mut out = [0; N];
    for (i, o) in out.iter_mut().enumerate() {
        *o = filter([row[i], row[i + 1], row[i + 2], row[i + 3]], taps);
    }
    row[..N].copy_from_slice(&out);
}

#[inline(always)]
fn down<const N: usize>(out: &mut [u8; N], rows: &[[u8; PITCH]], taps: &[i16; 4]) {
    if let Some([a, b, c, d]) = rows.first_chunk::<4>() {
        for (i, o) in out.iter_mut().enumerate() {
            *o = filter([a[i], b[i], c[i], d[i]], taps);
        }
    }
}

/// How an 8x8 block is predicted from the samples above and to its left.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mode {
    /// Their mean.
    Mean = 0,
    /// A smooth surface between them.
    Smooth = 1,
    /// Left + above - corner.
    Slope = 2,
    /// Each column as the sample above.
    Down = 3,
    /// Each row as the sample to the left.
    Across = 4,
}

impl Mode {
    /// Every mode, by number.
    #[cfg(feature = "host")]
    pub const ALL: [Self; 5] = [
        Self::Mean,
        Self::Smooth,
        Self::Slope,
        Self::Down,
        Self::Across,
    ];
}

/// The samples around an 8x8 block; outside the picture they are 128.
pub struct Edge {
    above: [u8; 8],
    left: [u8; 8],
    corner: u8,
    has_above: bool,
    has_left: bool,
}

impl Edge {
    /// Collects them.
    #[must_use]
    pub fn of(plane: &[u8], stride: usize, x: usize, y: usize) -> Self {
        let mut edge = Self {
            above: [128; 8],
            left: [128; 8],
            corner: 128,
            has_above: y > 0,
            has_left: x > 0,
        };
        let at = y * stride + x;
        if edge.has_above {
            edge.above
                .copy_from_slice(&plane[at - stride..at - stride + 8]);
        }
        if edge.has_left {
            for (j, l) in edge.left.iter_mut().enumerate() {
                *l = plane[at + j * stride - 1];
            }
        }
        if edge.has_above && edge.has_left {
            edge.corner = plane[at - stride - 1];
        }
        edge
    }

    fn mean(&self) -> u8 {
        let sum = |side: &[u8; 8]| side.iter().map(|&v| u16::from(v)).sum::<u16>();
        let mean = match (self.has_above, self.has_left) {
            (true, true) => (sum(&self.above) + sum(&self.left) + 8) >> 4,
            (true, false) => (sum(&self.above) + 4) >> 3,
            (false, true) => (sum(&self.left) + 4) >> 3,
            (false, false) => 128,
        };
        mean as u8
    }

    /// The block predicted by `mode`.
    #[inline]
    pub fn predict(&self, mode: Mode, mut put: impl FnMut(usize, [u8; 8])) {
        let mean = self.mean();
        let (right, below) = (i16::from(self.above[7]), i16::from(self.left[7]));
        for j in 0..8 {
            let left = i16::from(self.left[j]);
            put(
                j,
                match mode {
                    Mode::Mean => [mean; 8],
                    Mode::Down => self.above,
                    Mode::Across => [self.left[j]; 8],
                    Mode::Slope => self.above.map(|a| {
                        (i16::from(a) + left - i16::from(self.corner)).clamp(0, 255) as u8
                    }),
                    Mode::Smooth => {
                        let (u, d) = (7 - j as i16, 1 + j as i16);
                        core::array::from_fn(|i| {
                            let (l, r) = (7 - i as i16, 1 + i as i16);
                            let sum =
                                l * left + r * right + u * i16::from(self.above[i]) + d * below;
                            ((sum + 8) >> 4) as u8
                        })
                    }
                },
            );
        }
    }
}

/// Predicts an 8x8 block in place.
pub fn predict(plane: &mut [u8], stride: usize, x: usize, y: usize, mode: Mode) {
    let edge = Edge::of(plane, stride, x, y);
    edge.predict(mode, |j, row| {
        let at = (y + j) * stride + x;
        plane[at..at + 8].copy_from_slice(&row);
    });
}
