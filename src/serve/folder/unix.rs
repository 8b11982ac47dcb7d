//! Folders held by descriptor: `openat` without following links.

use std::fs::{File, Metadata};
use std::io;
use std::os::fd::{AsFd, OwnedFd};
use std::os::unix::fs::MetadataExt;
use std::path::Path;

use rustix::fs::{Dir, Mode, OFlags, openat};
use rustix::io::Errno;

use super::Refusal;

/// A folder, held open.
#[derive(Debug)]
pub struct Place(OwnedFd);

impl Place {
    /// Opens `path`, which must be a folder.
    pub fn open(path: &Path) -> io::Result<Self> {
        let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC;
        Ok(Self(rustix::fs::open(path, flags, Mode::empty())?))
    }

    /// The same folder once more.
    pub fn again(&self) -> io::Result<Self> {
        self.0.try_clone().map(Self)
    }

    /// The folder `part` in it.
    pub fn step(&self, part: &str) -> Result<Self, Refusal> {
        self.at(part, OFlags::DIRECTORY).map(Self)
    }

    /// The file `part` in it.
    pub fn file(&self, part: &str) -> Result<File, Refusal> {
        self.at(part, OFlags::NOCTTY).map(File::from)
    }

    fn at(&self, part: &str, more: OFlags) -> Result<OwnedFd, Refusal> {
        // Non-blocking, or a pipe that carries a reel's name would hang us.
        let flags = OFlags::RDONLY | OFlags::NOFOLLOW | OFlags::NONBLOCK | OFlags::CLOEXEC;
        openat(self.0.as_fd(), part, flags | more, Mode::empty()).map_err(refuse)
    }

    /// The Unicode names in it, as far as it can be read.
    pub fn names(&self) -> io::Result<impl Iterator<Item = String>> {
        let entries = Dir::read_from(&self.0)?.map_while(Result::ok);
        Ok(entries.filter_map(|entry| entry.file_name().to_str().ok().map(str::to_owned)))
    }
}

/// What tells a file from another that took its name: its number.
pub fn birth(meta: &Metadata) -> u64 {
    meta.ino()
}

/// Names that lead nowhere, or through a link, are no different from outside.
fn refuse(errno: Errno) -> Refusal {
    match errno {
        Errno::NOENT | Errno::LOOP | Errno::NOTDIR | Errno::NAMETOOLONG | Errno::NXIO => {
            Refusal::NoSuchName
        }
        other => Refusal::Io(other.into()),
    }
}
