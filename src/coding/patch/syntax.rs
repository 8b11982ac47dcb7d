//! Contexts of the syntax elements, numbered as in `spec/coding.md`.

/// Macroblock is skipped; + skipped neighbours (0..=2).
pub const SKIP: usize = 0;
/// Macroblock is intra; + intra neighbours (0..=2).
pub const INTRA: usize = 3;
/// Four vectors instead of one.
pub const SPLIT: usize = 6;
/// Vector equals the predictor; + 1 in a split macroblock.
pub const SAME: usize = 7;
/// Residual follows; + 0 vector equals the predictor, 1 other or split, 2 intra.
pub const CODED: usize = 9;
/// Change of quantiser, a number (last context + 5).
pub const QUANT: usize = 12;
/// Luma block is coded; + 3 if intra, + coded neighbours (0..=2).
pub const LUMA: usize = 18;
/// Co block is coded; + coded neighbours (0..=2).
pub const ORANGE: usize = 24;
/// Cg block is coded; + 3 if Co is, + coded neighbours (0..=2).
pub const GREEN: usize = 27;
/// Four 4x4 transforms; + 1 if intra.
pub const TRANSFORM_4X4: usize = 33;
/// Tree of a luma block's prediction.
pub const MODE_LUMA: usize = 35;
/// Tree of the chroma prediction.
pub const MODE_CHROMA: usize = 39;
/// Vector difference across, a number (last context + 9).
pub const ACROSS: usize = 43;
/// Vector difference down, a number (last context + 9).
pub const DOWN: usize = 53;
/// Level is above 1; + 3 x kind + near.
pub const LEVEL_ONE: usize = 63;
/// Level less 2, a number; + 8 x kind (last context + 7).
pub const LEVEL_MORE: usize = 75;
/// Pair of contexts for a place in a block: 0 more follow, 1 not zero;
/// + 2 x ((kind x 8 + band) x 3 + near).
pub const BLOCK: usize = 107;
/// All contexts.
pub const CONTEXTS: usize = BLOCK + 4 * 8 * 3 * 2;

/// Statistics of a coded block.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Luma, inter, 8x8.
    Inter = 0,
    /// Luma, intra, 8x8.
    Intra = 1,
    /// Luma, four 4x4.
    Transform4x4 = 2,
    /// Co or Cg.
    Chroma = 3,
}
