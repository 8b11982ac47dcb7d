//! Back from a reel to what others can open: what the panel shows and the
//! speaker plays, as mp4, animated GIF, PNG, WAV or a contact sheet.

mod film;
mod gif;
mod picture;
mod sheet;
pub(crate) mod unsigned;
mod upright;
mod walk;
mod wav;

use std::path::PathBuf;

use crate::files::OutputError;

pub use film::film;
pub use gif::gif;
pub use picture::{Look, pictures, save_to, single};
pub use sheet::{SheetPlan, sheet, sheet_image};
pub use upright::upright;
pub use walk::{Damages, Shown, Sound, Span, Step, Walk, Watch};
pub use wav::wav;

use crate::coding::CodingError;
use crate::reel::FileError;
use crate::source::MediaError;

/// Why an export failed.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ExportError {
    /// The reel cannot be read.
    #[error("{path}: {why}", path = .0.display(), why = .1)]
    Reel(PathBuf, FileError),
    /// The reel's pictures cannot be decoded here.
    #[error("{path}: {why}", path = .0.display(), why = .1)]
    Coding(PathBuf, CodingError),
    /// The file cannot be made, written or named.
    #[error(transparent)]
    Output(#[from] OutputError),
    /// The media library refused.
    #[error("{path}: {what}: {why}", path = .0.display(), what = .1, why = .2)]
    Media(PathBuf, &'static str, MediaError),
    /// The program was asked to end.
    #[error("{path}: stopped before the export was done; nothing was written", path = .0.display())]
    Stopped(PathBuf),
    /// What was asked for is not in the reel.
    #[error("{path}: {why}", path = .0.display(), why = .1)]
    Nothing(PathBuf, &'static str),
}
