//! One way to code a macroblock.

use super::super::predict::Mode;
use super::write::Levels;

/// Samples of one macroblock: 16x16 luma, 8x8 Co, 8x8 Cg.
#[derive(Clone)]
pub struct Samples {
    pub luma: [u8; 256],
    pub chroma: [[u8; 64]; 2],
}

/// One way to code a macroblock.
#[derive(Clone)]
pub struct Choice {
    /// Squared error, and what else it costs in squared error.
    pub cost: f32,
    pub intra: bool,
    pub split: bool,
    pub vectors: [[i16; 2]; 4],
    pub modes: [Mode; 4],
    pub chroma_mode: Mode,
    pub quantiser: u8,
    pub blocks: [Option<Block>; 6],
    pub samples: Samples,
}

/// The levels of one block.
#[derive(Clone)]
pub struct Block {
    pub transform4x4: bool,
    pub levels: Levels,
}
