//! What can go wrong with a clip, each with its way out.

use std::path::PathBuf;

/// What the media library reports, by its error code.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MediaError(ffmpeg_next::Error);

#[doc(hidden)]
impl From<ffmpeg_next::Error> for MediaError {
    fn from(error: ffmpeg_next::Error) -> Self {
        Self(error)
    }
}

impl MediaError {
    /// The operating system's own error, where it was one.
    #[must_use]
    pub fn system(self) -> Option<std::io::Error> {
        match self.0 {
            ffmpeg_next::Error::Other { errno } => Some(std::io::Error::from_raw_os_error(errno)),
            _ => None,
        }
    }
}

impl std::fmt::Display for MediaError {
    fn fmt(&self, to: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        use ffmpeg_next::Error as E;
        if let Some(error) = self.system() {
            return to.write_str(&crate::files::reason(&error));
        }
        let text = match self.0 {
            E::InvalidData => "the data is damaged or of an unknown format",
            E::Eof => "the file ends too early",
            E::PatchWelcome | E::Experimental => "this variant of the format is not supported",
            E::DecoderNotFound => "there is no decoder for it",
            E::EncoderNotFound => "there is no encoder for it",
            E::DemuxerNotFound | E::MuxerNotFound | E::ProtocolNotFound => "the format is unknown",
            E::StreamNotFound => "the track is missing",
            E::InputChanged | E::OutputChanged => "the track's format changes in the middle",
            _ => "the media library failed",
        };
        to.write_str(text)
    }
}

impl std::error::Error for MediaError {}

/// Why a clip cannot be read.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SourceError {
    /// The file cannot be opened.
    #[error("cannot open {path}: {why}; check the name", path = .path.display(), why = crate::files::reason(.reason))]
    Open {
        /// The file.
        path: PathBuf,
        /// What the operating system says.
        reason: std::io::Error,
    },
    /// A folder was named where a clip is wanted.
    #[error("{path} is a folder; name a clip in it", path = .0.display())]
    Folder(PathBuf),
    /// The file is in no known clip format.
    #[error(
        "{path} is not a clip in a known format: {reason}; check that the file is complete",
        path = .path.display()
    )]
    NotAClip {
        /// The file.
        path: PathBuf,
        /// What the media library reports.
        reason: MediaError,
    },
    /// There are no pictures.
    #[error(
        "{path} has sound but no pictures; a reel needs a picture track",
        path = .0.display()
    )]
    SoundOnly(PathBuf),
    /// There is nothing to show or hear.
    #[error("{path} has no pictures; name a film clip", path = .0.display())]
    NoPictures(PathBuf),
    /// The chosen sound track does not exist.
    #[error("{path} has no sound track {wanted}; {has}", path = .path.display())]
    NoSuchTrack {
        /// The file.
        path: PathBuf,
        /// The number or language asked for.
        wanted: String,
        /// The tracks that it has, as a sentence.
        has: String,
    },
    /// The chosen subtitle track does not exist.
    #[error("{path} has no subtitle track {wanted}; {has}", path = .path.display())]
    NoSuchSubtitles {
        /// The file.
        path: PathBuf,
        /// The number or language asked for.
        wanted: String,
        /// The tracks that it has, as a sentence.
        has: String,
    },
    /// The chosen subtitle track holds pictures.
    #[error(
        "subtitle track {number} of {path} ({codec}) contains bitmaps, which are unreadable on a small \
         panel; choose a text track, or give a subtitle file",
        path = .path.display()
    )]
    PicturesOfText {
        /// The file.
        path: PathBuf,
        /// Number of the track.
        number: usize,
        /// Codec name.
        codec: String,
    },
    /// There is no decoder for the track.
    #[error(
        "{path}: cannot decode its {what} ({codec}): {reason}",
        path = .path.display()
    )]
    NoDecoder {
        /// The file.
        path: PathBuf,
        /// `pictures` or `sound`.
        what: &'static str,
        /// Codec name.
        codec: String,
        /// What the media library reports.
        reason: MediaError,
    },
    /// Not one picture could be decoded.
    #[error(
        "{path}: none of its pictures could be decoded ({packets} damaged packets)",
        path = .path.display()
    )]
    NothingDecoded {
        /// The file.
        path: PathBuf,
        /// Damaged packets.
        packets: u64,
    },
    /// The start is after the end of the clip.
    #[error(
        "{path} ends before the start, {from:.3} s; choose an earlier start",
        path = .path.display()
    )]
    StartBehindEnd {
        /// The file.
        path: PathBuf,
        /// Wanted start in seconds.
        from: f64,
    },
    /// Reading failed in the middle.
    #[error("reading {path} failed: {reason}; check that the file is complete", path = .path.display())]
    Read {
        /// The file.
        path: PathBuf,
        /// What the media library reports.
        reason: MediaError,
    },
    /// Standard input could not be kept in a temporary file.
    #[error(
        "cannot keep standard input in a temporary file: {why}; set TMPDIR to a folder with room",
        why = crate::files::reason(.0)
    )]
    Spool(std::io::Error),
}
