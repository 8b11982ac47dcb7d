//! Properties of a macroblock that those to its right and below use.

/// Properties of the macroblock above or to the left.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Neighbour {
    /// It is skipped.
    pub skip: bool,
    /// It is predicted from its own picture.
    pub intra: bool,
    /// Its Co block is coded.
    pub orange: bool,
    /// Its Cg block is coded.
    pub green: bool,
    /// Luma blocks at the shared edge are coded.
    pub luma: [bool; 2],
    /// Vectors at the shared edge.
    pub vectors: [[i16; 2]; 2],
}

/// Longest vector component, in its own unit.
pub const MOST_VECTOR: i32 = 2047;

/// The vector predictor of block `i`: the median of those to the left, above, and
/// above right; in the first line of macroblocks that to the left.
/// `above` starts with the macroblock above; `vectors` holds the blocks before.
#[must_use]
pub fn predictor(
    left: &Neighbour,
    above: &[Neighbour],
    line: usize,
    split: bool,
    i: usize,
    vectors: &[[i16; 2]; 4],
) -> [i16; 2] {
    let up = &above[0].vectors;
    let beyond = above[1].vectors[0];
    let (a, b, c) = match i {
        0 => (left.vectors[0], up[0], if split { up[1] } else { beyond }),
        1 => (vectors[0], up[1], beyond),
        2 => (left.vectors[1], vectors[0], vectors[1]),
        _ => (vectors[2], vectors[1], vectors[0]),
    };
    if line == 0 && i < 2 {
        return a;
    }
    core::array::from_fn(|k| a[k].max(b[k]).min(a[k].min(b[k]).max(c[k])))
}
