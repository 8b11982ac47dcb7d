//! A file or folder on its way to its name.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use super::destination::Destination;
use super::error::OutputError;
use super::part::{Part, rename};
use super::system;

/// A file under way to its name. Dropped before [`publish`](Self::publish), it
/// leaves nothing behind.
pub struct Draft {
    part: Part,
    to: Destination,
}

impl Draft {
    pub(super) const fn new(part: Part, to: Destination) -> Self {
        Self { part, to }
    }

    /// The name it will have; the one to tell a user.
    #[must_use]
    pub fn path(&self) -> &Path {
        self.to.path()
    }

    /// Where it is meanwhile, for libraries that open files themselves.
    #[must_use]
    pub fn place(&self) -> &Path {
        self.part.path()
    }

    /// One more handle to the file.
    ///
    /// # Errors
    /// The system has none left.
    pub fn handle(&self) -> Result<File, OutputError> {
        let cloned = self.part.handle().try_clone();
        cloned.map_err(self.to.failed())
    }

    /// Cuts the file to `length` bytes.
    ///
    /// # Errors
    /// The disk fails.
    pub fn truncate(&self, length: u64) -> io::Result<()> {
        self.part.handle().set_len(length)
    }

    /// An error of the system while writing.
    pub fn failed(&self) -> impl Fn(io::Error) -> OutputError + use<> {
        self.to.failed()
    }

    /// Syncs the file and gives it its name, or sends it to standard output.
    ///
    /// # Errors
    /// The disk fails, or the name was taken in the meantime.
    pub fn publish(self) -> Result<(), OutputError> {
        publish_all(vec![self])
    }
}

/// Publishes all drafts, or none as far as names can be taken back: a file that
/// replaced another stays.
///
/// # Errors
/// As [`Draft::publish`].
pub fn publish_all(drafts: Vec<Draft>) -> Result<(), OutputError> {
    for draft in &drafts {
        if !draft.to.is_stream() {
            // A library may have written through a handle of its own; the sync is the file's.
            draft.part.handle().sync_all().map_err(draft.to.failed())?;
        }
    }
    let mut named: Vec<PathBuf> = Vec::new();
    for draft in drafts {
        let to = draft.to;
        let stood = to.path().symlink_metadata().is_ok();
        let done = match to.is_stream() {
            true => send(draft.part.path()),
            false => draft.part.rename(to.path(), to.replaces()),
        };
        if let Err(error) = done {
            for path in named {
                let _ = std::fs::remove_file(path);
            }
            return Err(unnamed(&to, error));
        }
        if !stood {
            named.push(to.path().to_owned());
        }
    }
    Ok(())
}

/// Why a finished file did not get its name.
fn unnamed(to: &Destination, error: io::Error) -> OutputError {
    match error.kind() {
        io::ErrorKind::AlreadyExists => OutputError::Exists(to.path().into(), to.kind()),
        _ => to.failed()(error),
    }
}

/// Copies a file to standard output. A reader that has gone has what it wanted.
fn send(path: &Path) -> io::Result<()> {
    let mut out = io::stdout().lock();
    match io::copy(&mut File::open(path)?, &mut out).and_then(|_| out.flush()) {
        Err(error) if super::error::reader_has_gone(&error) => Ok(()),
        done => done,
    }
}

impl Write for Draft {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.part.handle().write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.part.handle().flush()
    }
}

impl Read for Draft {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        self.part.handle().read(buffer)
    }
}

impl Seek for Draft {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.part.handle().seek(to)
    }
}

/// A folder for work under way, beside the name of what it is done for. Dropped,
/// it leaves nothing behind.
pub struct Workshop {
    part: Part,
    folder: PathBuf,
    to: Destination,
}

impl Workshop {
    pub(super) fn new(part: Part, to: Destination) -> Self {
        Self {
            folder: part.folder_path(),
            part,
            to,
        }
    }

    /// The folder.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.folder
    }

    /// The name that the folder, or a file made in it, will have.
    #[must_use]
    pub fn target(&self) -> &Path {
        self.to.path()
    }

    /// An error of the system while writing.
    pub fn failed(&self) -> impl Fn(io::Error) -> OutputError + use<> {
        self.to.failed()
    }

    /// Gives a file made here the name that the work was done for.
    ///
    /// # Errors
    /// As [`Draft::publish`].
    pub fn publish_file(&self, made: &Path) -> Result<(), OutputError> {
        if self.to.is_stream() {
            return send(made).map_err(self.to.failed());
        }
        system::sync(made).map_err(self.to.failed())?;
        rename(made, self.to.path(), self.to.replaces()).map_err(|e| unnamed(&self.to, e))
    }

    /// Syncs the files in the folder and gives it its name.
    ///
    /// # Errors
    /// As [`Draft::publish`].
    pub fn publish(self) -> Result<(), OutputError> {
        let failed = self.to.failed();
        for entry in std::fs::read_dir(&self.folder).map_err(&failed)? {
            let synced = entry.and_then(|entry| system::sync(&entry.path()));
            synced.map_err(&failed)?;
        }
        system::sync_names(&self.folder).map_err(&failed)?;
        let named = self.part.rename_folder(self.to.path());
        named.map_err(|error| unnamed(&self.to, error))
    }
}

#[cfg(test)]
mod tests {
    use super::super::destination::Kind;
    use super::*;

    fn reel(path: &Path) -> Destination {
        Destination::new(path, Kind::Reel)
    }

    #[test]
    fn a_name_that_was_taken_meanwhile_is_not_replaced() {
        let folder = tempfile::tempdir().unwrap();
        let place = |name: &str| folder.path().join(name);
        let (draft, shop) = (reel(&place("a.tbr")), reel(&place("b.tbr")));
        let (draft, shop) = (draft.begin().unwrap(), shop.workshop().unwrap());
        std::fs::write(shop.path().join("made"), b"ours").unwrap();
        let whole = Destination::new(place("c"), Kind::Folder);
        let whole = whole.workshop().unwrap();
        for name in ["a.tbr", "b.tbr", "c"] {
            std::fs::write(place(name), b"another's").unwrap();
        }
        let made = shop.path().join("made");
        for told in [draft.publish(), shop.publish_file(&made), whole.publish()] {
            assert!(matches!(told, Err(OutputError::Exists(..))), "{told:?}");
        }
        for name in ["a.tbr", "b.tbr", "c"] {
            assert_eq!(std::fs::read(place(name)).unwrap(), b"another's");
        }
    }

    #[test]
    fn of_several_files_none_is_lost() {
        let folder = tempfile::tempdir().unwrap();
        let names = ["old.tbr", "new.tbr", "bad.tbr"].map(|name| folder.path().join(name));
        std::fs::write(&names[0], b"earlier").unwrap();
        let drafts = names.each_ref().map(|name| {
            let mut draft = reel(name).overwrite(true).begin().unwrap();
            draft.write_all(b"new").unwrap();
            draft
        });
        std::fs::create_dir(&names[2]).unwrap();
        assert!(publish_all(drafts.into()).is_err());
        assert_eq!(std::fs::read(&names[0]).unwrap(), b"new");
        assert!(!names[1].exists() && names[2].is_dir());
    }
}
