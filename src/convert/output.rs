//! A file that appears whole or not at all: written beside its final name,
//! synced, then renamed.

use std::fs::File;
use std::io::{self, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use tempfile::NamedTempFile;

use super::error::ConvertError;

/// A file under way to its name. Dropped before [`Output::publish`], it leaves
/// nothing behind; a killed program leaves at most a file whose name begins
/// with a dot and ends in `.part`.
pub(super) struct Output {
    file: NamedTempFile,
    path: PathBuf,
    overwrite: bool,
}

impl Output {
    pub(super) fn create(path: &Path, overwrite: bool) -> Result<Self, ConvertError> {
        refuse_existing(path, overwrite)?;
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        let file = tempfile::Builder::new()
            .prefix(&format!(".{name}."))
            .suffix(".part")
            .permissions(usual_permissions())
            .tempfile_in(folder(path))
            .map_err(|reason| ConvertError::output(path, reason))?;
        Ok(Self {
            file,
            path: path.into(),
            overwrite,
        })
    }

    pub(super) fn file(&self) -> Handle<'_> {
        Handle(self.file.as_file())
    }

    /// Syncs the file and gives it its name.
    pub(super) fn publish(self) -> Result<(), ConvertError> {
        let failed = |reason| ConvertError::output(&self.path, reason);
        self.file.as_file().sync_all().map_err(failed)?;
        let kept = match self.overwrite {
            true => self.file.persist(&self.path),
            false => self.file.persist_noclobber(&self.path),
        };
        match kept {
            Ok(_) => {}
            Err(error) if error.error.kind() == io::ErrorKind::AlreadyExists => {
                return Err(ConvertError::Exists(self.path));
            }
            Err(error) => return Err(ConvertError::output(&self.path, error.error)),
        }
        // The name itself must reach the disk too.
        let synced = File::open(folder(&self.path)).and_then(|folder| folder.sync_all());
        synced.map_err(|reason| ConvertError::output(&self.path, reason))
    }
}

/// Refuses a name that is taken, early, before any work is done.
pub(super) fn refuse_existing(path: &Path, overwrite: bool) -> Result<(), ConvertError> {
    if path.is_dir() {
        let reason = io::Error::from(io::ErrorKind::IsADirectory);
        return Err(ConvertError::output(path, reason));
    }
    if !overwrite && path.symlink_metadata().is_ok() {
        return Err(ConvertError::Exists(path.into()));
    }
    Ok(())
}

fn folder(path: &Path) -> &Path {
    match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    }
}

/// Temporary files are private by default; a reel is as any new file is.
fn usual_permissions() -> std::fs::Permissions {
    use std::os::unix::fs::PermissionsExt;
    // The umask takes its share when the file is made.
    std::fs::Permissions::from_mode(0o666)
}

/// The open file, for writing and going back to its header.
pub(super) struct Handle<'a>(&'a File);

impl Write for Handle<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.0.flush()
    }
}

impl Seek for Handle<'_> {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.0.seek(to)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_appears_whole_or_not_at_all() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.tbr");
        let names = || std::fs::read_dir(folder.path()).unwrap().count();
        let output = Output::create(&path, false).unwrap();
        output.file().write_all(b"half").unwrap();
        assert!(!path.exists());
        drop(output);
        assert_eq!(names(), 0, "given up: nothing is left");
        let output = Output::create(&path, false).unwrap();
        output.file().write_all(b"whole").unwrap();
        output.publish().unwrap();
        assert_eq!(std::fs::read(&path).unwrap(), b"whole");
        assert!(matches!(
            Output::create(&path, false),
            Err(ConvertError::Exists(_))
        ));
        let output = Output::create(&path, true).unwrap();
        output.file().write_all(b"new").unwrap();
        output.publish().unwrap();
        assert_eq!(std::fs::read(&path).unwrap(), b"new");
        assert_eq!(names(), 1);
    }

    #[test]
    fn a_name_taken_meanwhile_is_not_overwritten() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.tbr");
        let output = Output::create(&path, false).unwrap();
        std::fs::write(&path, b"someone else's").unwrap();
        assert!(matches!(output.publish(), Err(ConvertError::Exists(_))));
        assert_eq!(std::fs::read(&path).unwrap(), b"someone else's");
    }
}
