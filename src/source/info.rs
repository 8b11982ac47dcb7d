//! What is known of a clip before it is decoded.

use super::types::{ColourTags, Interlace, QuarterTurns};
use crate::units::{Nanos, Ratio};

/// What the file states of itself.
#[derive(Clone, Debug)]
pub struct ClipInfo {
    /// Format as the media library names it, for example `mov,mp4,m4a,3gp,3g2,mj2`.
    pub format: String,
    /// The picture track.
    pub picture: PictureInfo,
    /// The chosen sound track; `None` if there is none or none was wanted.
    pub sound: Option<SoundInfo>,
    /// All sound tracks of the file.
    pub sound_tracks: Vec<SoundInfo>,
    /// All subtitle tracks of the file.
    pub subtitles: Vec<SubtitleInfo>,
    /// Length of the whole clip, where the file states it.
    pub duration: Option<Nanos>,
    /// Start of the wanted part on the file's own clock: add it to an item's
    /// time to get the time stamp in the file.
    pub origin: Nanos,
    /// The title tag, if it is set.
    pub title: Option<String>,
}

impl ClipInfo {
    /// Whether it is the file of one picture: the media library names those so.
    #[must_use]
    pub fn is_still(&self) -> bool {
        self.format.ends_with("_pipe")
    }
}

/// What the file states of its pictures. Each picture may differ.
#[derive(Clone, Debug)]
pub struct PictureInfo {
    /// Stored width in pixels, before any turn.
    pub width: u32,
    /// Stored height in pixels, before any turn.
    pub height: u32,
    /// Width of one pixel over its height.
    pub sample_aspect: Ratio,
    /// Clockwise turns that bring the picture upright.
    pub rotation: QuarterTurns,
    /// Whether left and right are to be swapped after turning upright.
    pub mirrored: bool,
    /// Frames per second: the constant rate, or for a variable one the rate
    /// that loses no picture if it is at most 60, or else the mean.
    pub rate: Ratio,
    /// Whether pictures come at uneven times.
    pub variable_rate: bool,
    /// Colour tags as the container states them; pictures carry their own.
    pub colour: ColourTags,
    /// Bits of a component, 8 or more.
    pub bits: u8,
    /// Scanning as the first packet of the stream states it.
    pub interlaced: Interlace,
    /// Codec by the name of its standard.
    pub codec: String,
}

/// What the file states of a sound track.
#[derive(Clone, Debug)]
pub struct SoundInfo {
    /// Number among the sound tracks, from 1.
    pub number: usize,
    /// Samples per second.
    pub rate: u32,
    /// Channels.
    pub channels: usize,
    /// Loudspeaker positions: bits of a WAVE channel mask, 0 where not stated.
    pub mask: u64,
    /// Language tag, usually three letters (ISO 639-2).
    pub language: Option<String>,
    /// Codec by the name of its standard.
    pub codec: String,
    /// Stream number in the file.
    pub(super) stream: usize,
}

/// What the file states of a subtitle track.
#[derive(Clone, Debug)]
pub struct SubtitleInfo {
    /// Number among the subtitle tracks, from 1.
    pub number: usize,
    /// Language tag.
    pub language: Option<String>,
    /// Codec by the name of its standard.
    pub codec: String,
    /// Whether it is text; bitmap subtitles cannot be rendered again.
    pub text: bool,
}
