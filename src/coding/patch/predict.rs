//! Prediction from the previous picture and from the picture itself.

use super::tables::TAPS;

/// The previous picture's plane, as far as it is still kept.
pub struct Previous<'a> {
    /// Rows before `kept`, each at its number modulo `ring`.
    pub history: &'a [u8],
    /// Rows that the history holds, a power of two.
    pub ring: usize,
    /// Rows from `kept` to the last.
    pub ahead: &'a [u8],
    /// First row that is not in the history.
    pub kept: usize,
    /// Samples in a row.
    pub stride: usize,
    /// First row still kept.
    pub first: usize,
}

impl Previous<'_> {
    fn height(&self) -> usize {
        self.kept + self.ahead.len() / self.stride
    }

    fn row(&self, y: usize) -> &[u8] {
        let from = match y.checked_sub(self.kept) {
            None => &self.history[(y & (self.ring - 1)) * self.stride..],
            Some(y) => &self.ahead[y * self.stride..],
        };
        &from[..self.stride]
    }

    /// Gives the rows of a `w` x `h` block from column `x`, each with what is
    /// right of it, or says no if the block does not lie inside what is kept.
    #[inline(always)]
    pub fn rows(&self, x: i32, y: i32, w: usize, h: usize, mut give: impl FnMut(&[u8])) -> bool {
        let (Some(right), Some(low)) = (self.stride.checked_sub(w), self.height().checked_sub(h))
        else {
            return false;
        };
        // What is negative is large here.
        let (x, mut y) = (x as usize, y as usize);
        if x > right || y < self.first || y > low {
            return false;
        }
        let end = y + h;
        while y < end {
            // The run is contiguous.
            let (from, run) = match y.checked_sub(self.kept) {
                None => {
                    let slot = y & (self.ring - 1);
                    let run = (self.ring - slot).min(self.kept - y);
                    (&self.history[slot * self.stride..], run)
                }
                Some(y) => (&self.ahead[y * self.stride..], h),
            };
            let run = run.min(end - y);
            for row in from.chunks_exact(self.stride).take(run) {
                give(&row[x..]);
            }
            y += run;
        }
        true
    }
}

/// Bytes in a row of a [`Patch`]: a macroblock and more than a filter's reach,
/// copied in one piece.
const PITCH: usize = 24;

/// A piece of the previous picture, large enough for any filter, and the same
/// filtered across.
pub struct Patch {
    raw: [[u8; PITCH]; 19],
    filtered: [[u8; 16]; 19],
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
    /// The block's rows: `N` of `N` samples. It lies in the plane.
    #[inline(always)]
    pub fn rows<const N: usize>(&mut self) -> impl Iterator<Item = &mut [u8; N]> {
        let (x, from) = (self.x, self.y * self.stride);
        self.plane[from..from + N * self.stride]
            .chunks_exact_mut(self.stride)
            .filter_map(move |row| row.get_mut(x..)?.first_chunk_mut())
    }
}

impl Patch {
    /// An empty piece.
    #[must_use]
    pub const fn new() -> Self {
        Self {
            raw: [[0; PITCH]; 19],
            filtered: [[0; 16]; 19],
        }
    }

    /// Fetches `h` rows from `x`, `y`: `N` samples, and if `wide` those that a
    /// filter needs behind them. Samples outside the kept part of the plane
    /// are those of its nearest edge.
    #[inline(always)]
    fn fetch<const N: usize>(&mut self, from: &Previous<'_>, x: i32, y: i32, h: usize, wide: bool) {
        let mut out = self.raw.iter_mut();
        let inside = match (wide, N > 8) {
            (false, _) => from.rows(x, y, N, h, |row| piece::<N>(out.next(), row)),
            (true, false) => from.rows(x, y, 12, h, |row| piece::<12>(out.next(), row)),
            (true, true) => from.rows(x, y, PITCH, h, |row| piece::<PITCH>(out.next(), row)),
        };
        if !inside {
            self.gather(from, x, y, h);
        }
    }

    #[cold]
    fn gather(&mut self, from: &Previous<'_>, x: i32, y: i32, h: usize) {
        let (first, last) = (from.first as i32, from.height() as i32 - 1);
        let (width, pitch) = (from.stride as i32, PITCH as i32);
        // Columns that lie inside.
        let begin = (-x).clamp(0, pitch) as usize;
        let end = (width - x).clamp(0, pitch) as usize;
        for (y, out) in (y..).zip(self.raw.iter_mut().take(h)) {
            let row = from.row(y.clamp(first, last) as usize);
            out[..begin].fill(row[0]);
            out[end..].fill(row[row.len() - 1]);
            if begin < end {
                let from = (x + begin as i32) as usize;
                out[begin..end].copy_from_slice(&row[from..from + end - begin]);
            }
        }
    }

    /// Fetches what `N` x `N` luma samples at `x`, `y`, moved by a vector in
    /// quarter samples, are made of, and filters it across.
    #[inline]
    pub fn luma<const N: usize>(
        &mut self,
        from: &Previous<'_>,
        x: usize,
        y: usize,
        vector: [i16; 2],
    ) {
        let [vx, vy] = vector.map(i32::from);
        let (fx, fy) = ((vx & 3) as usize, vy & 3);
        let (left, above) = (i32::from(fx != 0), i32::from(fy != 0));
        let (x, y) = (x as i32 + (vx >> 2) - left, y as i32 + (vy >> 2) - above);
        let h = N + 3 * above as usize;
        self.fetch::<N>(from, x, y, h, fx != 0);
        for (out, raw) in self.filtered.iter_mut().zip(&self.raw).take(h) {
            let Some(out) = out.first_chunk_mut::<N>() else {
                return;
            };
            match fx {
                0 => put::<N>(out, raw),
                _ => filter::<N>(out, [raw, &raw[1..], &raw[2..], &raw[3..]], &TAPS[fx]),
            }
        }
    }

    /// Filters down what [`Self::luma`] fetched, into the block.
    #[inline]
    pub fn put_luma<const N: usize>(&self, to: &mut Target<'_>, vector: [i16; 2]) {
        let fy = (vector[1] & 3) as usize;
        for (out, rows) in to.rows::<N>().zip(self.filtered.windows(4)) {
            if let [a, b, c, d] = rows {
                match fy {
                    0 => put::<N>(out, a),
                    _ => filter::<N>(out, [a, b, c, d], &TAPS[fy]),
                }
            }
        }
    }

    /// Fetches what `N` x `N` chroma samples at `x`, `y`, moved by a vector
    /// in eighths, are made of.
    #[inline]
    pub fn chroma<const N: usize>(
        &mut self,
        from: &Previous<'_>,
        x: usize,
        y: usize,
        vector: [i16; 2],
    ) {
        let [vx, vy] = vector.map(i32::from);
        let (x, y) = (x as i32 + (vx >> 3), y as i32 + (vy >> 3));
        self.fetch::<N>(from, x, y, N + usize::from(vy & 7 != 0), vx & 7 != 0);
    }

    /// Weighs what [`Self::chroma`] fetched, into the block (ITU-T H.264,
    /// clause 8.4.2.2.2).
    #[inline]
    pub fn put_chroma<const N: usize>(&self, to: &mut Target<'_>, vector: [i16; 2]) {
        let [fx, fy] = vector.map(|v| (v & 7) as u16);
        let whole = [(8 - fx) * (8 - fy), fx * (8 - fy), (8 - fx) * fy, fx * fy];
        let weights = whole.map(|w| [w; N]);
        for (out, rows) in to.rows::<N>().zip(self.raw.windows(2)) {
            if let [a, b] = rows {
                match fx | fy {
                    0 => put::<N>(out, a),
                    _ => weigh::<N>(out, [a, &a[1..], b, &b[1..]], &weights),
                }
            }
        }
    }
}

/// Copies the first `W` samples.
#[inline(always)]
fn piece<const W: usize>(out: Option<&mut [u8; PITCH]>, row: &[u8]) {
    if let Some(out) = out.and_then(|out| out.first_chunk_mut::<W>()) {
        put::<W>(out, row);
    }
}

#[inline(always)]
fn put<const N: usize>(out: &mut [u8; N], from: &[u8]) {
    if let Some(from) = from.first_chunk() {
        *out = *from;
    }
}

/// One row, filtered by four taps that sum to 64. A function of its own, with
/// rows of fixed length, so that it becomes vector code.
#[inline(never)]
fn taps<const N: usize>(
    out: &mut [u8; N],
    a: &[u8; N],
    b: &[u8; N],
    c: &[u8; N],
    d: &[u8; N],
    by: &[[i16; 16]; 4],
) {
    for i in 0..N {
        let [a, b, c, d] = [a[i], b[i], c[i], d[i]].map(i16::from);
        let sum = by[0][i] * a + by[1][i] * b + by[2][i] * c + by[3][i] * d;
        out[i] = ((sum + 32) >> 6).clamp(0, 255) as u8;
    }
}

#[inline(always)]
fn filter<const N: usize>(out: &mut [u8; N], rows: [&[u8]; 4], by: &[[i16; 16]; 4]) {
    if let [Some(a), Some(b), Some(c), Some(d)] = rows.map(<[u8]>::first_chunk) {
        taps::<N>(out, a, b, c, d, by);
    }
}

/// One row of chroma from its four neighbours, by weights that sum to 64.
#[inline(never)]
fn weights<const N: usize>(
    out: &mut [u8; N],
    a: &[u8; N],
    b: &[u8; N],
    c: &[u8; N],
    d: &[u8; N],
    by: &[[u16; N]; 4],
) {
    for i in 0..N {
        let [a, b, c, d] = [a[i], b[i], c[i], d[i]].map(u16::from);
        let sum = by[0][i] * a + by[1][i] * b + by[2][i] * c + by[3][i] * d;
        out[i] = ((sum + 32) >> 6) as u8;
    }
}

#[inline(always)]
fn weigh<const N: usize>(out: &mut [u8; N], rows: [&[u8]; 4], by: &[[u16; N]; 4]) {
    if let [Some(a), Some(b), Some(c), Some(d)] = rows.map(<[u8]>::first_chunk) {
        weights::<N>(out, a, b, c, d, by);
    }
}

/// How an 8x8 block is predicted from the samples above and to its left.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mode {
    /// The mean of both edges.
    Dc = 0,
    /// Bilinear interpolation between the edges.
    Planar = 1,
    /// Left + above - corner.
    Gradient = 2,
    /// Each column as the sample above.
    Vertical = 3,
    /// Each row as the sample to the left.
    Horizontal = 4,
}

impl Mode {
    /// Every mode, by number.
    #[cfg(feature = "files")]
    pub const ALL: [Self; 5] = [
        Self::Dc,
        Self::Planar,
        Self::Gradient,
        Self::Vertical,
        Self::Horizontal,
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

    /// The block predicted by `mode`, in rows.
    #[inline]
    pub fn predict(&self, mode: Mode, out: &mut Block) {
        match mode {
            Mode::Dc => *out = [[self.mean(); 8]; 8],
            Mode::Planar => smooth(out, &self.above, &self.left),
            Mode::Gradient => slope(out, &self.above, &self.left, self.corner),
            Mode::Vertical => *out = [self.above; 8],
            Mode::Horizontal => *out = self.left.map(|l| [l; 8]),
        }
    }
}

/// Rows of samples.
pub type Block = [[u8; 8]; 8];

/// A row of lanes at a time: what stands for the rows above and below moves by
/// their difference from row to row. All sums are below 4096.
#[inline(never)]
fn smooth(out: &mut Block, above: &[u8; 8], left: &[u8; 8]) {
    const RIGHT: [u16; 8] = [1, 2, 3, 4, 5, 6, 7, 8];
    const LEFT: [u16; 8] = [7, 6, 5, 4, 3, 2, 1, 0];
    let (right, below) = (u16::from(above[7]), u16::from(left[7]));
    let (mut base, mut step) = ([0u16; 8], [0u16; 8]);
    for i in 0..8 {
        let above = u16::from(above[i]);
        base[i] = RIGHT[i] * right + 7 * above + below + 8;
        step[i] = below.wrapping_sub(above);
    }
    for (row, &left) in out.iter_mut().zip(left) {
        let left = u16::from(left);
        for i in 0..8 {
            row[i] = (base[i].wrapping_add(LEFT[i] * left) >> 4) as u8;
            base[i] = base[i].wrapping_add(step[i]);
        }
    }
}

#[inline(never)]
fn slope(out: &mut Block, above: &[u8; 8], left: &[u8; 8], corner: u8) {
    for (row, &left) in out.iter_mut().zip(left) {
        let rise = i16::from(left) - i16::from(corner);
        for i in 0..8 {
            row[i] = (i16::from(above[i]) + rise).clamp(0, 255) as u8;
        }
    }
}

/// Predicts an 8x8 block in place.
pub fn predict(to: &mut Target<'_>, mode: Mode) {
    let mut block = [[0; 8]; 8];
    Edge::of(to.plane, to.stride, to.x, to.y).predict(mode, &mut block);
    for (row, samples) in to.rows::<8>().zip(&block) {
        *row = *samples;
    }
}
