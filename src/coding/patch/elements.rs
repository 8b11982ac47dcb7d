//! Elements of a macroblock that are made of several flags and numbers.

use super::entropy::Entropy;
use super::neighbour::MOST_VECTOR;
use super::syntax::{ACROSS, DOWN};
use crate::coding::DecodeError;

/// Blocks with a residual, each with its count of coded neighbours.
#[derive(Default)]
pub struct Coded {
    pub luma: [(bool, usize); 4],
    pub orange: (bool, usize),
    pub green: (bool, usize),
}

/// A vector that is not the predictor.
///
/// # Errors
/// A difference too large for a number.
pub fn read_vector<E: Entropy>(from: &mut E, predictor: [i16; 2]) -> Result<[i16; 2], DecodeError> {
    let mut parts = [0i32; 2];
    parts[0] = from.number(ACROSS, 9)? as i32;
    if parts[0] != 0 && from.bits(1) != 0 {
        parts[0] = -parts[0];
    }
    // Not both are zero, or the vector would be the same.
    let still = i32::from(parts[0] == 0);
    parts[1] = from.number(DOWN, 9)? as i32 + still;
    if parts[1] != 0 && from.bits(1) != 0 {
        parts[1] = -parts[1];
    }
    Ok(core::array::from_fn(|k| {
        (i32::from(predictor[k]) + parts[k]).clamp(-MOST_VECTOR, MOST_VECTOR) as i16
    }))
}
