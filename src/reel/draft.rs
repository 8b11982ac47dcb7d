//! A file that appears whole or not at all: written beside its final name,
//! synced, then renamed.

use std::fs::{File, Permissions};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

/// A file under way to its name. Dropped before [`publish`](Self::publish), it
/// leaves nothing behind.
pub struct Draft {
    file: tempfile::NamedTempFile,
    path: PathBuf,
    overwrite: bool,
}

impl Draft {
    /// Opens a file beside `path`. A file already there is only ever replaced
    /// with `overwrite`, and then by the whole new one.
    ///
    /// # Errors
    /// `path` is a folder or is taken, or its folder cannot be written.
    pub fn create(path: &Path, overwrite: bool) -> io::Result<Self> {
        if path.is_dir() {
            return Err(io::ErrorKind::IsADirectory.into());
        }
        if !overwrite && path.symlink_metadata().is_ok() {
            return Err(io::ErrorKind::AlreadyExists.into());
        }
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        let file = tempfile::Builder::new()
            .prefix(&format!(".{name}."))
            .suffix(".part")
            .permissions(usual_permissions())
            .tempfile_in(folder(path))?;
        Ok(Self {
            file,
            path: path.into(),
            overwrite,
        })
    }

    /// The name it will have.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Syncs the file and gives it its name.
    ///
    /// # Errors
    /// The disk fails, or the name was taken in the meantime.
    pub fn publish(self) -> io::Result<()> {
        self.file.as_file().sync_all()?;
        if self.overwrite {
            self.file.persist(&self.path)?;
        } else {
            self.file.persist_noclobber(&self.path)?;
        }
        // The name itself must reach the disk too.
        File::open(folder(&self.path))?.sync_all()
    }
}

impl Write for Draft {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.file.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

impl Read for Draft {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        self.file.read(buffer)
    }
}

impl Seek for Draft {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.file.seek(to)
    }
}

fn folder(path: &Path) -> &Path {
    match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    }
}

/// Temporary files are private by default; a reel is as any new file is.
fn usual_permissions() -> Permissions {
    use std::os::unix::fs::PermissionsExt;
    // The umask takes its share when the file is made.
    Permissions::from_mode(0o666)
}
