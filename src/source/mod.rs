//! Clip in: open, choose streams, decode, timestamps, rotation, colour tags.

mod types;

pub use types::{
    ChromaSite, ColourTags, Interlace, Matrix, Primaries, QuarterTurns, Range, SourcePicture,
    Transfer,
};
