//! Scene cuts, found in the source pictures alone: the same pictures are cut
//! in the same places at either level and at any quality.
//!
//! Each picture is reduced to 40x40 cells. Its sixteen blocks are looked for in
//! the picture before, up to an eighth of the picture away, light and contrast
//! put aside. What is left over of a block, against its own texture, says how
//! lost it is. A picture begins a scene if even its better blocks are lost,
//! by more than is usual lately (a whip pan, water), and it does not go back
//! to what was there before a flash. Nearly flat pictures are no cuts: they
//! cost next to nothing, and most of them are fades and flashes.

use super::planes::Plane;

/// Cells on a side.
const SIDE: usize = 40;
/// Cells on a side of a block.
const BLOCK: usize = 10;
const BLOCKS: usize = (SIDE / BLOCK) * (SIDE / BLOCK);
/// Cells that a block may have moved.
const REACH: usize = 5;
const PITCH: usize = SIDE + 2 * REACH;
/// Steps of a level in a cell.
const FINE: i16 = 8;
/// Levels of mean change below which nothing is asked.
const LEAST_STEP: f32 = 3.0;
/// Mean deviation in levels below which a block is flat.
const FLAT: f32 = 2.0;
/// The same of a picture that may be the first of a fade.
const FAINT: f32 = 8.0;
/// A picture with fewer blocks that are not flat is no cut.
const LEAST_BLOCKS: usize = 4;
/// Share of the blocks that may be found again in a picture that is a cut.
const FOUND: f32 = 0.3;
/// Measure from which a picture is a cut. Real cuts of the six test clips and
/// between any two of them, 480 joins at 12 and 24 frames per second, have 0.79
/// or more, all else 0.70 or less.
const CUT: f32 = 0.74;
/// Measure up to which a picture is one from before a flash again.
const AGAIN: f32 = 0.4;
/// Pictures back that a flash may last, and one.
const BACK: usize = 3;
/// Pictures that say what is usual.
const LATELY: usize = 5;

/// A picture in cells.
#[derive(Clone)]
pub struct Grid {
    cells: [[i16; SIDE]; SIDE],
    mean: f32,
    /// Mean absolute deviation, in 1/[`FINE`] level.
    contrast: f32,
    histogram: [u16; 16],
}

impl Grid {
    /// The means of the cells of `luma`, of which `width` x `height` count.
    pub fn of(luma: &Plane, width: usize, height: usize) -> Self {
        let span = |i: usize, n: usize| i * n / SIDE..((i + 1) * n / SIDE).max(i * n / SIDE + 1);
        let mut cells = [[0; SIDE]; SIDE];
        let mut histogram = [0; 16];
        let mut sums = vec![0u32; width];
        for (j, row) in cells.iter_mut().enumerate() {
            let rows = span(j, height);
            sums.fill(0);
            for y in rows.clone() {
                let line = &luma.data[y * luma.stride..][..width];
                sums.iter_mut()
                    .zip(line)
                    .for_each(|(sum, &v)| *sum += u32::from(v));
            }
            for (i, cell) in row.iter_mut().enumerate() {
                let columns = span(i, width);
                let n = (rows.len() * columns.len()) as u32;
                let sum: u32 = sums[columns].iter().sum();
                *cell = ((FINE as u32 * sum + n / 2) / n) as i16;
                histogram[(sum / n / 16) as usize] += 1;
            }
        }
        let all = || cells.as_flattened().iter().map(|&v| f32::from(v));
        let mean = all().sum::<f32>() / (SIDE * SIDE) as f32;
        let contrast = all().map(|v| (v - mean).abs()).sum::<f32>() / (SIDE * SIDE) as f32;
        Self {
            cells,
            mean,
            contrast,
            histogram,
        }
    }

    /// Mean step of a cell in levels.
    fn step(&self, past: &Self) -> f32 {
        let pairs = self.cells.as_flattened().iter();
        let pairs = pairs.zip(past.cells.as_flattened());
        let sum: u32 = pairs.map(|(a, &b)| u32::from(a.abs_diff(b))).sum();
        sum as f32 / (SIDE * SIDE) as f32 / f32::from(FINE)
    }

    /// Share of the cells that are of another brightness.
    fn other(&self, past: &Self) -> f32 {
        let pairs = self.histogram.iter().zip(&past.histogram);
        let sum: u32 = pairs.map(|(a, &b)| u32::from(a.abs_diff(b))).sum();
        sum as f32 / (2 * SIDE * SIDE) as f32
    }

    /// The cells in the light and contrast of `like`, with a border of the
    /// nearest ones.
    fn like(&self, like: &Self) -> Box<[[i16; PITCH]; PITCH]> {
        let gain = (like.contrast.max(1.0) / self.contrast.max(1.0)).clamp(0.25, 4.0);
        let inside = |i: usize| i.saturating_sub(REACH).min(SIDE - 1);
        let mut out = Box::new([[0; PITCH]; PITCH]);
        for (j, row) in out.iter_mut().enumerate() {
            let from = &self.cells[inside(j)];
            for (i, cell) in row.iter_mut().enumerate() {
                let level = (f32::from(from[inside(i)]) - self.mean) * gain + like.mean;
                *cell = level.round().clamp(-8192.0, 8192.0) as i16;
            }
        }
        out
    }

    /// Whether it may be a fade's first picture out of black, or blown out.
    fn may_be_light_alone(&self, past: &Self) -> bool {
        let level = f32::from(FINE);
        let white = usize::from(self.histogram[15]);
        past.contrast < FLAT * level && self.contrast < FAINT * level || 2 * white > SIDE * SIDE
    }

    /// How lost the picture is after `past`: 0 all found, 1 all lost, and up to
    /// a half more if its brightness is other.
    fn lost(&self, past: &Self) -> f32 {
        if self.step(past) < LEAST_STEP || self.may_be_light_alone(past) {
            return 0.0;
        }
        let field = past.like(self);
        let block = |n: usize| {
            let (x, y) = (n % (SIDE / BLOCK) * BLOCK, n / (SIDE / BLOCK) * BLOCK);
            let own: [[i16; BLOCK]; BLOCK] = core::array::from_fn(|j| {
                *self.cells[y + j][x..]
                    .first_chunk()
                    .expect("a block inside")
            });
            let texture = rest(&own, &[[0; BLOCK]; BLOCK]);
            let floor = FLAT * f32::from(FINE) * (BLOCK * BLOCK) as f32;
            (texture as f32 >= floor).then(|| {
                let mut least = texture;
                for dy in 0..=2 * REACH {
                    for dx in 0..=2 * REACH {
                        let there = core::array::from_fn(|j| {
                            *field[y + dy + j][x + dx..]
                                .first_chunk()
                                .expect("in the border")
                        });
                        least = least.min(rest(&own, &there));
                    }
                }
                least as f32 / texture as f32
            })
        };
        let mut shares: Vec<f32> = (0..BLOCKS).filter_map(block).collect();
        if shares.len() < LEAST_BLOCKS {
            return 0.0;
        }
        shares.sort_by(f32::total_cmp);
        shares[(FOUND * shares.len() as f32) as usize] + self.other(past) / 2.0
    }
}

/// Absolute differences of two blocks but for their means.
#[inline(never)]
fn rest(a: &[[i16; BLOCK]; BLOCK], b: &[[i16; BLOCK]; BLOCK]) -> u32 {
    let (mut steps, mut total) = ([[0i16; BLOCK]; BLOCK], 0i32);
    for j in 0..BLOCK {
        let mut line = 0i16;
        for i in 0..BLOCK {
            steps[j][i] = a[j][i] - b[j][i];
            line += steps[j][i] / 4;
        }
        total += i32::from(line);
    }
    let mean = (4 * total / (BLOCK * BLOCK) as i32) as i16;
    let mut sum = 0;
    for row in &steps {
        sum += row
            .iter()
            .map(|&v| u32::from((v - mean).unsigned_abs()))
            .sum::<u32>();
    }
    sum
}

/// What the last pictures were like.
#[derive(Clone, Default)]
pub struct Scene {
    /// The last first.
    past: Vec<Grid>,
    usual: Vec<f32>,
}

/// How a picture looks beside the last ones.
#[derive(Clone)]
pub struct Look {
    grid: Grid,
    lost: f32,
    /// It begins another scene.
    pub cut: bool,
}

impl Scene {
    /// Judges a picture.
    pub fn look(&self, grid: Grid) -> Look {
        let lost = self.past.first().map_or(0.0, |past| grid.lost(past));
        let cut = lost - self.usually() / 2.0 > CUT
            && self.past.iter().skip(1).all(|past| grid.lost(past) > AGAIN);
        Look { grid, lost, cut }
    }

    /// Goes on from a picture, which may be a key picture for another reason.
    pub fn go_on(&mut self, look: Look) {
        if look.cut {
            self.usual.clear();
        } else {
            self.usual.insert(0, look.lost);
        }
        self.past.insert(0, look.grid);
        self.usual.truncate(LATELY);
        self.past.truncate(BACK);
    }

    /// The median of how lost pictures were lately.
    fn usually(&self) -> f32 {
        let mut usual = self.usual.clone();
        usual.sort_by(f32::total_cmp);
        usual.get(usual.len() / 2).copied().unwrap_or(0.0)
    }
}
