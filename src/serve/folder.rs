//! The one folder that is served: every path a client names is opened from
//! here, component by component, and never through a symbolic link.

use std::fs::File;
use std::io;
use std::os::fd::{AsFd, OwnedFd};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

use percent_encoding::{AsciiSet, CONTROLS, utf8_percent_encode};
use rustix::fs::{Mode, OFlags, openat};

/// How deep below the folder reels are looked for.
const DEEPEST: usize = 6;
/// How many reels one list may hold.
const MOST_LISTED: usize = 10_000;

/// What a path segment may not carry bare (RFC 3986 section 3.3).
const SEGMENT: &AsciiSet = &CONTROLS
    .add(b' ')
    .add(b'"')
    .add(b'#')
    .add(b'%')
    .add(b'<')
    .add(b'>')
    .add(b'?')
    .add(b'[')
    .add(b'\\')
    .add(b']')
    .add(b'^')
    .add(b'`')
    .add(b'{')
    .add(b'|')
    .add(b'}');

/// Why a name was not opened.
#[derive(Debug, thiserror::Error)]
pub enum Refusal {
    /// The name can never be that of a reel in the folder.
    #[error("not a reel of this folder")]
    NoSuchName,
    /// The name's percent-encoding or UTF-8 is broken.
    #[error("the name is not valid percent-encoded UTF-8")]
    BadName,
    /// The file could not be opened or read.
    #[error("{0}")]
    Io(#[from] io::Error),
}

/// A served folder, held open, so that renaming it changes nothing.
#[derive(Debug)]
pub struct Folder {
    root: OwnedFd,
}

/// A reel opened for reading, with what HTTP validators are made of.
#[derive(Debug)]
pub struct OpenReel {
    /// The open file.
    pub file: File,
    /// Its length in bytes.
    pub length: u64,
    /// When its content last changed.
    pub modified: SystemTime,
    /// A strong entity tag, quotes included (RFC 9110 section 8.8.3).
    pub etag: String,
}

impl Folder {
    /// Opens `path`, which must be a folder.
    ///
    /// # Errors
    /// When it cannot be opened or is no folder.
    pub fn open(path: &Path) -> io::Result<Self> {
        let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC;
        let root = rustix::fs::open(path, flags, Mode::empty())?;
        Ok(Self { root })
    }

    /// Opens the reel that the encoded path `encoded` names.
    ///
    /// # Errors
    /// [`Refusal`] when the name leads elsewhere or the file cannot be read.
    pub fn open_encoded(&self, encoded: &str) -> Result<OpenReel, Refusal> {
        self.open_name(&decode(encoded)?)
    }

    /// Opens the reel `name`, components separated by `/`.
    ///
    /// # Errors
    /// [`Refusal`] when the name leads elsewhere or the file cannot be read.
    pub fn open_name(&self, name: &str) -> Result<OpenReel, Refusal> {
        let parts = components(name)?;
        let (last, folders) = parts.split_last().ok_or(Refusal::NoSuchName)?;
        let mut place = self.root.try_clone().map_err(Refusal::Io)?;
        for part in folders {
            place = step(&place, part)?;
        }
        // Non-blocking, or a pipe that carries a reel's name would hang us.
        let flags = OFlags::RDONLY | OFlags::NOFOLLOW | OFlags::NONBLOCK | OFlags::NOCTTY;
        let file = openat(&place, *last, flags | OFlags::CLOEXEC, Mode::empty()).map_err(refuse)?;
        OpenReel::from_file(File::from(file))
    }

    /// The names of all reels below the folder, sorted.
    ///
    /// # Errors
    /// When the folder itself cannot be read; unreadable folders below it are
    /// left out.
    pub fn names(&self) -> io::Result<Vec<String>> {
        let mut found = Vec::new();
        let mut waiting = vec![(self.root.try_clone()?, PathBuf::new(), 0)];
        while let Some((place, prefix, depth)) = waiting.pop() {
            for entry in rustix::fs::Dir::read_from(&place)? {
                let Ok(entry) = entry else { break };
                let Ok(name) = entry.file_name().to_str() else {
                    continue;
                };
                if name.starts_with('.') || found.len() >= MOST_LISTED {
                    continue;
                }
                if is_reel_name(name) {
                    found.push(prefix.join(name).to_string_lossy().into_owned());
                } else if depth < DEEPEST
                    && let Ok(below) = step(&place, name)
                {
                    waiting.push((below, prefix.join(name), depth + 1));
                }
            }
        }
        found.sort();
        Ok(found)
    }
}

impl OpenReel {
    fn from_file(file: File) -> Result<Self, Refusal> {
        let meta = file.metadata()?;
        if !meta.is_file() {
            return Err(Refusal::NoSuchName);
        }
        let nanos = i128::from(meta.mtime()) * 1_000_000_000 + i128::from(meta.mtime_nsec());
        let etag = format!("\"{:x}-{:x}-{:x}\"", meta.ino(), meta.len(), nanos);
        let modified = u64::try_from(meta.mtime()).unwrap_or(0);
        Ok(Self {
            file,
            length: meta.len(),
            // HTTP dates have whole seconds; comparing finer would never match.
            modified: SystemTime::UNIX_EPOCH + Duration::from_secs(modified),
            etag,
        })
    }
}

/// `name` as a path of an address: every segment percent-encoded.
#[must_use]
pub fn encode(name: &str) -> String {
    utf8_percent_encode(name, SEGMENT).to_string()
}

fn decode(encoded: &str) -> Result<String, Refusal> {
    let bytes: Vec<u8> = percent_encoding::percent_decode_str(encoded).collect();
    if bytes.contains(&0) {
        return Err(Refusal::BadName);
    }
    String::from_utf8(bytes).map_err(|_| Refusal::BadName)
}

fn components(name: &str) -> Result<Vec<&str>, Refusal> {
    let parts: Vec<&str> = name.split('/').collect();
    let hidden = |part: &&str| part.is_empty() || part.starts_with('.');
    if parts.len() > DEEPEST + 1 || parts.iter().any(hidden) {
        return Err(Refusal::NoSuchName);
    }
    match parts.last() {
        Some(last) if is_reel_name(last) => Ok(parts),
        _ => Err(Refusal::NoSuchName),
    }
}

fn is_reel_name(name: &str) -> bool {
    Path::new(name)
        .extension()
        .is_some_and(|ext| ext.eq_ignore_ascii_case("tbr"))
}

fn step(place: &impl AsFd, part: &str) -> Result<OwnedFd, Refusal> {
    let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::NOFOLLOW | OFlags::CLOEXEC;
    openat(place, part, flags | OFlags::NONBLOCK, Mode::empty()).map_err(refuse)
}

/// Names that lead nowhere, or through a link, are no different from outside.
fn refuse(errno: rustix::io::Errno) -> Refusal {
    use rustix::io::Errno;
    match errno {
        Errno::NOENT | Errno::LOOP | Errno::NOTDIR | Errno::NAMETOOLONG | Errno::NXIO => {
            Refusal::NoSuchName
        }
        other => Refusal::Io(other.into()),
    }
}

#[cfg(test)]
mod tests {
    use super::{Folder, Refusal, encode};
    use std::os::unix::fs::symlink;

    #[test]
    fn links_and_pipes_and_hidden_names_are_refused() {
        let outside = tempfile::tempdir().unwrap();
        std::fs::write(outside.path().join("secret.tbr"), b"secret").unwrap();
        let dir = tempfile::tempdir().unwrap();
        let at = |name: &str| dir.path().join(name);
        std::fs::write(at("harbour.tbr"), b"reel").unwrap();
        std::fs::write(at(".hidden.tbr"), b"reel").unwrap();
        symlink(outside.path().join("secret.tbr"), at("link.tbr")).unwrap();
        symlink(outside.path(), at("door")).unwrap();
        rustix::fs::mkfifoat(rustix::fs::CWD, at("pipe.tbr"), 0o600.into()).unwrap();
        let folder = Folder::open(dir.path()).unwrap();
        assert_eq!(folder.open_name("harbour.tbr").unwrap().length, 4);
        for name in [
            "link.tbr",
            "door/secret.tbr",
            "pipe.tbr",
            ".hidden.tbr",
            "../x.tbr",
            "",
            "/harbour.tbr",
            "harbour.tbr/",
        ] {
            assert!(
                matches!(folder.open_name(name), Err(Refusal::NoSuchName)),
                "{name}"
            );
        }
        // Whatever the folder lists can be opened, but for links and pipes.
        assert_eq!(
            folder.names().unwrap(),
            ["harbour.tbr", "link.tbr", "pipe.tbr"]
        );
    }

    #[test]
    fn encoded_names_come_back() {
        let dir = tempfile::tempdir().unwrap();
        let name = "fog & bell 100%?#ü.tbr";
        std::fs::write(dir.path().join(name), b"x").unwrap();
        let folder = Folder::open(dir.path()).unwrap();
        assert!(folder.open_encoded(&encode(name)).is_ok());
        assert!(matches!(
            folder.open_encoded("a%00.tbr"),
            Err(Refusal::BadName)
        ));
        assert!(matches!(
            folder.open_encoded("%ff.tbr"),
            Err(Refusal::BadName)
        ));
    }
}
