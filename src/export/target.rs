//! An export appears whole or not at all: written beside its final name, then
//! renamed.

use std::fs::File;
use std::io;
use std::path::{Path, PathBuf};

use tempfile::{NamedTempFile, TempDir};

use super::ExportError;

/// A file or folder on its way to its name. Dropped before `publish`, it leaves
/// nothing behind.
pub struct Target {
    path: PathBuf,
    overwrite: bool,
    place: Place,
}

enum Place {
    File(NamedTempFile),
    Folder(TempDir),
}

impl Target {
    /// A file to be named `path`.
    ///
    /// # Errors
    /// When it exists and may not be overwritten, or cannot be made.
    pub fn file(path: &Path, overwrite: bool) -> Result<Self, ExportError> {
        let parent = refuse(path, overwrite)?;
        // Some libraries judge a file by its extension.
        let extension = path.extension().unwrap_or_default().to_string_lossy();
        let file = builder()
            .suffix(&format!(".{extension}"))
            .permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666))
            .tempfile_in(parent)
            .map_err(ExportError::write(path))?;
        Ok(Self::new(path, overwrite, Place::File(file)))
    }

    /// A folder to be named `path`; an existing one is never replaced.
    ///
    /// # Errors
    /// When it exists or cannot be made.
    pub fn folder(path: &Path) -> Result<Self, ExportError> {
        let parent = refuse(path, false)?;
        let folder = builder()
            .permissions(std::os::unix::fs::PermissionsExt::from_mode(0o777))
            .tempdir_in(parent)
            .map_err(ExportError::write(path))?;
        Ok(Self::new(path, false, Place::Folder(folder)))
    }

    fn new(path: &Path, overwrite: bool, place: Place) -> Self {
        Self {
            path: path.to_owned(),
            overwrite,
            place,
        }
    }

    /// Where to write.
    #[must_use]
    pub fn path(&self) -> &Path {
        match &self.place {
            Place::File(file) => file.path(),
            Place::Folder(folder) => folder.path(),
        }
    }

    /// Syncs what was written and gives it its name.
    ///
    /// # Errors
    /// When the disk or the name refuses.
    pub fn publish(self) -> Result<(), ExportError> {
        let failed = ExportError::write(&self.path);
        match self.place {
            Place::File(file) => {
                // A library may have written through a handle of its own.
                File::open(file.path())
                    .and_then(|f| f.sync_all())
                    .map_err(&failed)?;
                let named = if self.overwrite {
                    file.persist(&self.path)
                } else {
                    file.persist_noclobber(&self.path)
                };
                named.map_err(|error| failed(error.error))?;
            }
            Place::Folder(folder) => {
                std::fs::rename(folder.path(), &self.path).map_err(&failed)?;
                // Renamed away: there is nothing left to remove.
                let _ = folder.keep();
            }
        }
        Ok(())
    }
}

fn builder() -> tempfile::Builder<'static, 'static> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(".export-");
    builder
}

/// The folder that `path` is in, unless its name is taken.
fn refuse(path: &Path, overwrite: bool) -> Result<&Path, ExportError> {
    if path.is_dir() || (!overwrite && path.symlink_metadata().is_ok()) {
        return Err(ExportError::Exists(path.to_owned()));
    }
    match path.parent() {
        _ if path.file_name().is_none() => {
            let reason = io::Error::new(io::ErrorKind::InvalidInput, "the name is missing");
            Err(ExportError::Write(path.to_owned(), reason))
        }
        Some(parent) if !parent.as_os_str().is_empty() => Ok(parent),
        _ => Ok(Path::new(".")),
    }
}
