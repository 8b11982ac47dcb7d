//! Motion search: whole samples first, then halves and quarters.

use super::super::Level;
use super::super::predict::{Patch, Target};
use super::planes::{Past, Plane};

/// Sum of absolute differences of two rows.
#[inline(always)]
fn apart<const N: usize>(p: &[u8; N], q: &[u8; N]) -> u32 {
    let mut sum = 0;
    for i in 0..N {
        sum += (i32::from(p[i]) - i32::from(q[i])).unsigned_abs();
    }
    sum
}

/// Sum of absolute differences of two `N` x `N` blocks.
#[inline]
fn sad<const N: usize>(a: &Plane, ax: usize, ay: usize, b: &Plane, bx: usize, by: usize) -> u32 {
    let mut sum = 0;
    for j in 0..N {
        sum += apart(a.row::<N>(ax, ay + j), b.row::<N>(bx, by + j));
    }
    sum
}

/// One block's search.
pub struct Search<'a> {
    pub level: Level,
    pub source: &'a Plane,
    pub past: &'a Past<'a>,
    pub x: usize,
    pub y: usize,
    /// Vector that costs least to send.
    pub predictor: [i16; 2],
    /// Sum of absolute differences worth one bit.
    pub lambda: f32,
}

/// A vector in the level's unit, and its cost.
#[derive(Clone, Copy, Debug)]
pub struct Found {
    pub vector: [i16; 2],
    pub cost: f32,
}

impl Search<'_> {
    fn price(&self, v: [i16; 2]) -> f32 {
        let bits = |d: i32| 2 * d.unsigned_abs().saturating_add(1).ilog2() + 1;
        let d: [i32; 2] = core::array::from_fn(|k| i32::from(v[k]) - i32::from(self.predictor[k]));
        if d == [0, 0] {
            return 0.0;
        }
        self.lambda * (bits(d[0]) + bits(d[1]) + 2) as f32
    }

    fn whole<const N: usize>(&self, dx: i32, dy: i32, best: &mut Found, unit: i16) {
        let (x, y) = (self.x as i32 + dx, self.y as i32 + dy);
        let plane = self.past.plane;
        let bottom = (plane.data.len() / plane.stride) as i32 - N as i32;
        if x < 0 || y < self.past.first as i32 || x > plane.stride as i32 - N as i32 || y > bottom {
            return;
        }
        let vector = [dx as i16 * unit, dy as i16 * unit];
        let price = self.price(vector);
        if price >= best.cost {
            return;
        }
        let cost =
            price + sad::<N>(self.source, self.x, self.y, plane, x as usize, y as usize) as f32;
        if cost < best.cost {
            *best = Found { vector, cost };
        }
    }

    /// The cost of a vector of any kind, by predicting.
    pub fn exact<const N: usize>(&self, vector: [i16; 2], patch: &mut Patch) -> f32 {
        let mut out = [0u8; 256];
        let quarters = match self.level {
            Level::Light => vector.map(|v| v * 4),
            Level::Full => vector,
        };
        patch.luma::<N>(&self.past.previous(), self.x, self.y, quarters);
        patch.put_luma::<N>(
            &mut Target {
                plane: &mut out,
                stride: N,
                x: 0,
                y: 0,
            },
            quarters,
        );
        let mut sum = 0;
        for (j, predictor) in out.as_chunks::<N>().0.iter().enumerate().take(N) {
            sum += apart(self.source.row::<N>(self.x, self.y + j), predictor);
        }
        sum as f32 + self.price(vector)
    }

    /// Searches around `starts` (in the level's unit).
    pub fn run<const N: usize>(&self, starts: &[[i16; 2]], search: u8, patch: &mut Patch) -> Found {
        let unit: i16 = if self.level == Level::Full { 4 } else { 1 };
        let mut best = Found {
            vector: [0; 2],
            cost: f32::INFINITY,
        };
        let to_whole = |v: i16| (i32::from(v) + i32::from(unit) / 2).div_euclid(i32::from(unit));
        self.whole::<N>(0, 0, &mut best, unit);
        for s in starts {
            self.whole::<N>(to_whole(s[0]), to_whole(s[1]), &mut best, unit);
        }
        self.walk::<N>(&mut best, unit, search);
        if self.level == Level::Full {
            self.refine::<N>(&mut best, &starts[..1], patch);
        }
        best
    }

    /// Searches an 8x8 block just around `starts`: the macroblock's vector is
    /// known, and its parts seldom move far from it.
    pub fn near(&self, starts: &[[i16; 2]; 2], patch: &mut Patch) -> Found {
        let mut best = Found {
            vector: [0; 2],
            cost: f32::INFINITY,
        };
        let unit: i16 = if self.level == Level::Full { 4 } else { 1 };
        let whole = |v: i16| (i32::from(v) + i32::from(unit) / 2).div_euclid(i32::from(unit));
        self.whole::<8>(0, 0, &mut best, unit);
        for s in starts {
            self.whole::<8>(whole(s[0]), whole(s[1]), &mut best, unit);
        }
        self.around::<8>(&mut best, unit);
        if self.level == Level::Full {
            self.refine::<8>(&mut best, starts, patch);
        }
        best
    }

    /// A hexagon that moves while it gains, then the eight around.
    fn walk<const N: usize>(&self, best: &mut Found, unit: i16, search: u8) {
        const HEXAGON: [[i32; 2]; 6] = [[-2, 0], [-1, -2], [1, -2], [2, 0], [1, 2], [-1, 2]];
        let whole = |b: &Found| b.vector.map(|v| i32::from(v / unit));
        for _ in 0..6 + 4 * u32::from(search) {
            let at = whole(best);
            for [dx, dy] in HEXAGON {
                self.whole::<N>(at[0] + dx, at[1] + dy, best, unit);
            }
            if whole(best) == at {
                break;
            }
        }
        self.around::<N>(best, unit);
    }

    /// The eight whole vectors around the best one.
    fn around<const N: usize>(&self, best: &mut Found, unit: i16) {
        let at = best.vector.map(|v| i32::from(v / unit));
        for dy in -1..=1 {
            for dx in -1..=1 {
                if (dx, dy) != (0, 0) {
                    self.whole::<N>(at[0] + dx, at[1] + dy, best, unit);
                }
            }
        }
    }

    fn refine<const N: usize>(&self, best: &mut Found, starts: &[[i16; 2]], patch: &mut Patch) {
        let mut consider = |v: [i16; 2], best: &mut Found, this: &Self| {
            let cost = this.exact::<N>(v, patch);
            if cost < best.cost {
                *best = Found { vector: v, cost };
            }
            cost
        };
        for s in starts {
            if (s[0] | s[1]) & 3 != 0 && best.vector != *s {
                consider(*s, best, self);
            }
        }
        // Halves all around; quarters on the side where the halves were better.
        let mut sides = [[-1, 1]; 2];
        for size in [2, 1] {
            let at = best.vector;
            for axis in 0..2 {
                let costs = sides[axis].map(|side| {
                    let mut v = at;
                    v[axis] += side * size;
                    if side == 0 {
                        f32::INFINITY
                    } else {
                        consider(v, best, self)
                    }
                });
                sides[axis][usize::from(costs[0] < costs[1])] = 0;
            }
            let moved = best.vector;
            if moved != at {
                let (dx, dy) = (moved[0] - at[0], moved[1] - at[1]);
                let corners = if dx != 0 {
                    [[dx, size], [dx, -size]]
                } else {
                    [[size, dy], [-size, dy]]
                };
                for [dx, dy] in corners {
                    consider([at[0] + dx, at[1] + dy], best, self);
                }
            }
            // Beyond a half that is better either quarter may be.
            let last = best.vector;
            for axis in 0..2 {
                if last[axis] != at[axis] {
                    sides[axis] = [-1, 1];
                }
            }
        }
    }
}
