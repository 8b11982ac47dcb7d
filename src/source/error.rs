//! What can go wrong with a clip, each with its way out.

use std::path::PathBuf;

use super::words::media_reason;

/// Why a clip cannot be read.
#[derive(Debug, thiserror::Error)]
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
    /// The media library cannot make sense of the file.
    #[error(
        "{path} is not a clip that can be read: {why}; check that the file is whole",
        path = .path.display(),
        why = media_reason(.reason)
    )]
    NotAClip {
        /// The file.
        path: PathBuf,
        /// What libavformat says.
        reason: ffmpeg_next::Error,
    },
    /// There are no pictures.
    #[error(
        "{path} has sound but no pictures; a reel needs a picture track",
        path = .0.display()
    )]
    SoundOnly(PathBuf),
    /// There is nothing to show or hear.
    #[error("{path} has no picture track", path = .0.display())]
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
        "subtitle track {number} of {path} ({codec}) holds pictures of text, which cannot be set \
         anew for a small panel; choose a text track, or give a file of text",
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
    /// This libavcodec has no decoder for the track.
    #[error(
        "{path}: its {what} ({codec}) cannot be decoded here: {why}; convert it with other tools first",
        path = .path.display(),
        why = media_reason(.reason)
    )]
    NoDecoder {
        /// The file.
        path: PathBuf,
        /// `pictures` or `sound`.
        what: &'static str,
        /// Codec name.
        codec: String,
        /// What libavcodec says.
        reason: ffmpeg_next::Error,
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
    /// The wanted start lies behind the end.
    #[error(
        "{path} ends before the wanted start, {from:.3} s; choose an earlier one",
        path = .path.display()
    )]
    StartBehindEnd {
        /// The file.
        path: PathBuf,
        /// Wanted start in seconds.
        from: f64,
    },
    /// Reading failed in the middle.
    #[error("reading {path} failed: {why}; check that the file is whole", path = .path.display(), why = media_reason(.reason))]
    Read {
        /// The file.
        path: PathBuf,
        /// What libavformat says.
        reason: ffmpeg_next::Error,
    },
    /// Standard input could not be kept in a temporary file.
    #[error(
        "cannot keep standard input in a temporary file: {why}; set TMPDIR to a folder with room",
        why = crate::files::reason(.0)
    )]
    Spool(std::io::Error),
}
