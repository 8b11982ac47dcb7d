//! Clip in: open, choose streams, decode, timestamps, rotation, colour tags.
//!
//! A [`Clip`] hands out pictures and sound in the order in which they were
//! stored. Every time is counted from one common origin, the earliest start of
//! the chosen streams (or the wanted start), so that picture and sound keep
//! their offset whatever number the file begins with. Pictures are decoded
//! frames, passed on without a copy; sound is interleaved 32-bit float without
//! gaps: holes become silence, overlaps are cut.
//!
//! Damage does not stop a clip: packets that cannot be decoded are skipped and
//! counted in [`Damage`].

mod av_sys;
mod clip;
mod error;
mod info;
mod needed;
mod open;
mod options;
mod rows;
mod samples;
mod seek;
mod spool;
mod subtitles;
mod timeline;
mod track;
mod types;

pub use clip::Clip;
pub use error::{MediaError, SourceError};
pub use info::{ClipInfo, PictureInfo, SoundInfo, SubtitleInfo};
pub use open::quiet_libraries;
pub use options::{OpenOptions, SoundChoice};
pub use spool::spool;
pub use subtitles::{SubtitleChoice, SubtitleText, subtitle_text};
pub use types::{
    ChromaSite, ColourTags, Damage, Frame, Interlace, Item, Matrix, Primaries, QuarterTurns, Range,
    SourcePicture, SourceSound, Transfer,
};
