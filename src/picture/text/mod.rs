//! Text on the picture: subtitles, parsed, laid out for the panel and burnt
//! in.

mod cue;
mod layout;
mod paint;

pub use cue::{Cue, decode, parse};
pub use paint::Subtitles;

/// Smallest size at which text is called readable, in pixels from line to
/// line: letters are then five pixels high without ascenders, the least that
/// tells a from e (common practice for pixel fonts, no source).
pub const READABLE_PIXELS: u16 = 11;
