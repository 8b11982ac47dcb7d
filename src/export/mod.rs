//! Back from a reel to what others can open: what the panel shows and the
//! speaker plays, as mp4, animated GIF, PNG, WAV or a contact sheet.

mod film;
mod gif;
mod picture;
mod sheet;
mod target;
mod walk;
mod wav;

use std::path::{Path, PathBuf};

pub use film::film;
pub use gif::gif;
pub use picture::{Look, pictures, single};
pub use sheet::{SheetPlan, sheet, sheet_image};
pub use target::Target;
pub use walk::{Damages, Shown, Sound, Span, Step, Walk};
pub use wav::wav;

use crate::coding::CodingError;
use crate::reel::FileError;

/// Why an export failed.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The reel cannot be read.
    #[error("{}: {1}", .0.display())]
    Reel(PathBuf, FileError),
    /// The reel's pictures cannot be decoded here.
    #[error("{}: {1}", .0.display())]
    Coding(PathBuf, CodingError),
    /// The target cannot be written.
    #[error("{}: cannot write: {1}", .0.display())]
    Write(PathBuf, std::io::Error),
    /// The target is there already.
    #[error("{}: exists already; choose another name or allow it with --overwrite", .0.display())]
    Exists(PathBuf),
    /// An image library refused.
    #[error("{}: {1}", .0.display())]
    Image(PathBuf, image::ImageError),
    /// The media library refused.
    #[error("{}: {1}: {2}", .0.display())]
    Media(PathBuf, &'static str, ffmpeg_next::Error),
    /// What was asked for is not in the reel.
    #[error("{}: {1}", .0.display())]
    Nothing(PathBuf, &'static str),
}

impl ExportError {
    fn write(path: &Path) -> impl Fn(std::io::Error) -> Self {
        move |error| Self::Write(path.to_owned(), error)
    }

    fn image(path: &Path) -> impl Fn(image::ImageError) -> Self {
        move |error| Self::Image(path.to_owned(), error)
    }
}
