//! Errors of a conversion, each with its remedy.

use std::io;
use std::path::PathBuf;

use crate::coding::CodingError;
use crate::files::OutputError;
use crate::picture::PictureError;
use crate::reel::{SplitError, WriteError};
use crate::sound::SoundError;
use crate::source::SourceError;

/// Why a clip was not converted. No file has the reel's name then.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ConvertError {
    /// Something that was asked for is out of its range.
    #[error("{0}")]
    Choice(String),
    /// The file is known to be something else; the sentence tells what.
    #[error("{0}")]
    NotAClip(String),
    /// The clip cannot be read.
    #[error(transparent)]
    Source(#[from] SourceError),
    /// A picture cannot be shown.
    #[error(transparent)]
    Picture(#[from] PictureError),
    /// The sound cannot be made.
    #[error(transparent)]
    Sound(#[from] SoundError),
    /// A picture cannot be encoded.
    #[error("{path}: {reason}", path = .path.display())]
    Coding {
        /// The clip.
        path: PathBuf,
        /// What the encoder says.
        reason: CodingError,
    },
    /// A file of subtitles cannot be used.
    #[error("{path}: {reason}", path = .path.display())]
    Subtitles {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        reason: String,
    },
    /// The reel's file cannot be made, written or named.
    #[error(transparent)]
    Output(#[from] OutputError),
    /// The container refuses what was made of the clip.
    #[error("{path}: {reason}", path = .path.display())]
    Reel {
        /// The reel.
        path: PathBuf,
        /// The rule that would be broken.
        reason: WriteError,
    },
    /// The board cannot play the clip, whatever is traded.
    #[error(
        "nothing fits {board}: {reason}; allow a smaller --size, a lower --frame-rate or a board with more of what is short"
    )]
    NoFit {
        /// The board.
        board: String,
        /// Which part is short and by how much.
        reason: String,
    },
    /// The reel cannot be cut into parts.
    #[error("{path}: {reason}", path = .path.display())]
    Parts {
        /// The reel.
        path: PathBuf,
        /// Why.
        reason: SplitError,
    },
    /// It was stopped.
    #[error("stopped before {path} was complete; nothing was left under that name", path = .0.display())]
    Stopped(PathBuf),
    /// Another stage ended first; its own error tells why.
    #[error("a stage of the conversion ended early")]
    Broken,
}

impl ConvertError {
    pub(super) fn output(path: &std::path::Path, reason: io::Error) -> Self {
        OutputError::io(path, reason).into()
    }

    pub(super) fn reel(path: &std::path::Path, reason: WriteError) -> Self {
        match reason {
            WriteError::Io(reason) => Self::output(path, reason),
            reason => Self::Reel {
                path: path.into(),
                reason,
            },
        }
    }

    /// The same of the reel's own name, where work was done under another.
    pub(super) fn renamed(self, output: &std::path::Path) -> Self {
        let path = output.to_owned();
        match self {
            Self::Output(OutputError::Io { reason, .. }) => OutputError::Io { path, reason }.into(),
            Self::Reel { reason, .. } => Self::Reel { path, reason },
            Self::Parts { reason, .. } => Self::Parts { path, reason },
            Self::Stopped(_) => Self::Stopped(path),
            other => other,
        }
    }

    /// Whether the command line is wrong, rather than its work failed.
    #[must_use]
    pub fn is_usage(&self) -> bool {
        if let Self::Output(error)
        | Self::Parts {
            reason: SplitError::Output(error),
            ..
        } = self
        {
            return error.is_usage();
        }
        matches!(
            self,
            Self::Choice(_)
                | Self::Picture(PictureError::Plan(_))
                | Self::Source(
                    SourceError::NoSuchTrack { .. }
                        | SourceError::NoSuchSubtitles { .. }
                        | SourceError::PicturesOfText { .. }
                )
        )
    }
}
