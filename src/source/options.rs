//! How a clip is to be opened.

use crate::units::{Nanos, Ratio};

/// Which sound track to decode.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum SoundChoice {
    /// The track marked as default, or else the one the media library ranks first.
    #[default]
    Default,
    /// None.
    Silent,
    /// By number among the sound tracks, from 1.
    Number(usize),
    /// The first of a language: two or three letters (ISO 639), or the tag as
    /// its position in the file.
    Language(String),
}

/// How to open a clip.
#[derive(Clone, Debug, Default)]
pub struct OpenOptions {
    /// Which sound track.
    pub sound: SoundChoice,
    /// Decoder threads; 0 for a number that suits the cores. They do not change
    /// what is decoded.
    pub threads: usize,
    /// Start of the wanted part, from the clip's beginning.
    pub from: Nanos,
    /// Length of the wanted part; `None` for all that follows.
    pub length: Option<Nanos>,
    /// Pictures are needed at this rate only, chosen one by one as
    /// `FramePacer` chooses. Where it is a whole fraction of the clip's own
    /// rate, pictures that are not needed and that nothing is predicted from
    /// are not decoded.
    pub rate: Option<Ratio>,
    /// Pictures will be shown at half their size or less: loop filtering, which
    /// smooths the edges of blocks, is left out of those that nothing is
    /// predicted from.
    pub shrunk: bool,
    /// Leave the pictures out, for a pass over the sound alone.
    pub sound_only: bool,
}

impl OpenOptions {
    pub(super) fn threads(&self) -> usize {
        match self.threads {
            0 => usual_threads(std::thread::available_parallelism().map_or(1, usize::from)),
            n => n,
        }
    }
}

/// More than cores, as a thread often waits for rows of the picture that
/// another decodes; libav advises against more than sixteen.
const fn usual_threads(cores: usize) -> usize {
    match cores {
        0 | 1 => 1,
        2..=7 => 2 * cores + 2,
        _ => 16,
    }
}
