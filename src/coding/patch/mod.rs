//! The coding `patch`: 16x16 macroblocks that are kept, moved from the
//! previous picture or predicted from their neighbours, with an integer
//! transform for what is left, on planes of Y, Co and Cg (4:2:0).
//!
//! One syntax, two levels. *light* moves by whole pixels and reads plain
//! Exp-Golomb bits; *full* moves by quarter pixels, has a 4x4 transform and
//! reads adaptive range-coded flags. The text of record is `spec/coding.md`.
//!
//! The decoder works in place: one set of planes (1.5 bytes per pixel) and the
//! last 64 rows of the previous picture (96 bytes a column), both given by
//! the caller.

mod bits;
mod decoder;
mod elements;
#[cfg(feature = "files")]
mod encoder;
mod entropy;
mod neighbour;
mod plane;
mod predict;
mod range;
mod show;
mod syntax;
mod tables;
#[cfg(all(test, feature = "files"))]
mod tests;
mod transform;
mod work;

pub use decoder::{Decoder, STATE_BYTES, memory_bytes};
#[cfg(feature = "files")]
pub use encoder::{PatchEncoder, PatchSettings, QUANTISERS_A_QUALITY, SHOWN_PIXEL};

/// How much of the syntax a stream uses.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Level {
    /// Least work.
    Light = 1,
    /// Fewest bytes.
    #[default]
    Full = 2,
}

impl Level {
    /// The level with the container's number `n`.
    #[must_use]
    pub const fn from_number(n: u8) -> Option<Self> {
        match n {
            1 => Some(Self::Light),
            2 => Some(Self::Full),
            _ => None,
        }
    }
}

/// Bytes before the entropy-coded part of a payload.
pub const HEAD: usize = 2;
/// First byte: level in bits 0..=1.
const HEAD_LEVEL: u8 = 3;
/// First byte: key picture.
const HEAD_KEY: u8 = 4;
/// First byte: ordered dither at output.
const HEAD_DITHER: u8 = 8;
