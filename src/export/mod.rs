//! Back from a reel to what others can open: what the panel shows and the
//! speaker plays, as mp4, animated GIF, PNG, WAV or a contact sheet.

mod film;
mod gif;
mod picture;
mod sheet;
mod target;
pub(crate) mod unsigned;
mod upright;
mod walk;
mod wav;

use std::path::{Path, PathBuf};

pub use film::film;
pub use gif::gif;
pub use picture::{Look, pictures, single};
pub use sheet::{SheetPlan, sheet, sheet_image};
pub use target::Target;
pub use upright::upright;
pub use walk::{Damages, Shown, Sound, Span, Step, Walk};
pub use wav::wav;

use crate::coding::CodingError;
use crate::reel::FileError;
use crate::source::MediaError;

/// Why an export failed.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The reel cannot be read.
    #[error("{path}: {why}", path = .0.display(), why = .1)]
    Reel(PathBuf, FileError),
    /// The reel's pictures cannot be decoded here.
    #[error("{path}: {why}", path = .0.display(), why = .1)]
    Coding(PathBuf, CodingError),
    /// The target cannot be written.
    #[error("{path}: cannot write: {why}", path = .0.display(), why = .1)]
    Write(PathBuf, std::io::Error),
    /// The target is there already.
    #[error("{path}: exists already; choose another name or allow it with --overwrite", path = .0.display())]
    Exists(PathBuf),
    /// An image library refused.
    #[error("{path}: {why}", path = .0.display(), why = .1)]
    Image(PathBuf, image::ImageError),
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

impl ExportError {
    fn write(path: &Path) -> impl Fn(std::io::Error) -> Self + use<> {
        let path = path.to_owned();
        move |error| Self::Write(path.clone(), error)
    }

    fn image(path: &Path) -> impl Fn(image::ImageError) -> Self + use<> {
        let path = path.to_owned();
        move |error| Self::Image(path.clone(), error)
    }
}
