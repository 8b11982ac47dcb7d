//! Folders held by handle. There is no `openat` without calls of the system's own,
//! so each folder on the way is kept open and shared for reading only: meanwhile it
//! can be neither renamed, removed nor made a link, and what was checked of it holds.
//! The root is a verbatim path, in which the system reads no devices, no trailing
//! dots and no `..`.

use std::fs::{File, Metadata, OpenOptions};
use std::io;
use std::os::windows::fs::{MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::Refusal;
use crate::files::names;

// Constants of the Win32 documentation, CreateFileW and "File attribute constants".
const FILE_SHARE_READ: u32 = 1;
const FILE_SHARE_WRITE: u32 = 2;
const FILE_SHARE_DELETE: u32 = 4;
const FILE_FLAG_BACKUP_SEMANTICS: u32 = 0x0200_0000;
const FILE_FLAG_OPEN_REPARSE_POINT: u32 = 0x0020_0000;
const FILE_ATTRIBUTE_DEVICE: u32 = 0x40;
const FILE_ATTRIBUTE_REPARSE_POINT: u32 = 0x400;

/// A folder, held open with those above it.
#[derive(Clone, Debug)]
pub struct Place {
    path: PathBuf,
    held: Vec<Arc<File>>,
}

impl Place {
    /// Opens `path`, which must be a folder.
    pub fn open(path: &Path) -> io::Result<Self> {
        let path = path.canonicalize()?;
        let folder = open(&path, FILE_SHARE_READ)?;
        if !folder.metadata()?.is_dir() {
            return Err(io::ErrorKind::NotADirectory.into());
        }
        Ok(Self {
            path,
            held: vec![Arc::new(folder)],
        })
    }

    /// The same folder once more.
    #[allow(clippy::unnecessary_wraps, reason = "other systems may refuse")]
    pub fn again(&self) -> io::Result<Self> {
        Ok(self.clone())
    }

    /// The folder `part` in it.
    pub fn step(&self, part: &str) -> Result<Self, Refusal> {
        let (path, folder) = self.at(part, FILE_SHARE_READ)?;
        if !folder.metadata()?.is_dir() {
            return Err(Refusal::NoSuchName);
        }
        let mut held = self.held.clone();
        held.push(Arc::new(folder));
        Ok(Self { path, held })
    }

    /// The file `part` in it. Others may write, replace and remove it meanwhile.
    pub fn file(&self, part: &str) -> Result<File, Refusal> {
        let share = FILE_SHARE_READ | FILE_SHARE_WRITE | FILE_SHARE_DELETE;
        Ok(self.at(part, share)?.1)
    }

    fn at(&self, part: &str, share: u32) -> Result<(PathBuf, File), Refusal> {
        if names::is_special(part) {
            return Err(Refusal::NoSuchName);
        }
        let path = self.path.join(part);
        let file = open(&path, share).map_err(refuse)?;
        let attributes = file.metadata()?.file_attributes();
        if attributes & (FILE_ATTRIBUTE_REPARSE_POINT | FILE_ATTRIBUTE_DEVICE) != 0 {
            return Err(Refusal::NoSuchName);
        }
        // A short name is another way to a file, hidden ones among them, and wine
        // follows links without a word: the place must be the one that was named.
        let place = path.canonicalize().map_err(refuse)?;
        let name = place.file_name().unwrap_or_default().to_string_lossy();
        if place.parent() != Some(self.path.as_path()) || name.to_lowercase() != part.to_lowercase()
        {
            return Err(Refusal::NoSuchName);
        }
        Ok((place, file))
    }

    /// The Unicode names in it, as far as it can be read.
    pub fn names(&self) -> io::Result<impl Iterator<Item = String> + use<>> {
        let entries = self.path.read_dir()?.map_while(Result::ok);
        Ok(entries.filter_map(|entry| entry.file_name().into_string().ok()))
    }
}

/// Opens a file or folder itself, were it a link.
fn open(path: &Path, share: u32) -> io::Result<File> {
    OpenOptions::new()
        .read(true)
        .share_mode(share)
        .custom_flags(FILE_FLAG_BACKUP_SEMANTICS | FILE_FLAG_OPEN_REPARSE_POINT)
        .open(path)
}

/// What tells a file from another that took its name: when it was made.
pub fn birth(meta: &Metadata) -> u64 {
    meta.creation_time()
}

/// Names that lead nowhere are no different from outside.
fn refuse(error: io::Error) -> Refusal {
    match error.kind() {
        io::ErrorKind::NotFound | io::ErrorKind::NotADirectory | io::ErrorKind::InvalidFilename => {
            Refusal::NoSuchName
        }
        _ => Refusal::Io(error),
    }
}
