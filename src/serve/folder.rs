//! The one folder that is served: every path a client names is opened from
//! here, component by component, and never through a symbolic link.

use std::fs::File;
use std::io;
use std::path::Path;
use std::time::{Duration, SystemTime};

use percent_encoding::{AsciiSet, CONTROLS, utf8_percent_encode};

#[cfg(unix)]
mod unix;
#[cfg(windows)]
mod windows;

#[cfg(unix)]
use unix::{Place, birth};
#[cfg(windows)]
use windows::{Place, birth};

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
    root: Place,
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
        Ok(Self {
            root: Place::open(path)?,
        })
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
        let mut place = self.root.again().map_err(Refusal::Io)?;
        for part in folders {
            place = place.step(part)?;
        }
        OpenReel::from_file(place.file(last)?)
    }

    /// The names of all reels below the folder, sorted.
    ///
    /// # Errors
    /// When the folder itself cannot be read; unreadable folders below it are
    /// left out.
    pub fn names(&self) -> io::Result<Vec<String>> {
        let mut found = Vec::new();
        let mut waiting = vec![(self.root.again()?, String::new(), 0)];
        while let Some((place, prefix, depth)) = waiting.pop() {
            for name in place.names()? {
                if name.starts_with('.') || found.len() >= MOST_LISTED {
                    continue;
                }
                if is_reel_name(&name) {
                    found.push(format!("{prefix}{name}"));
                } else if depth < DEEPEST
                    && let Ok(below) = place.step(&name)
                {
                    waiting.push((below, format!("{prefix}{name}/"), depth + 1));
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
        let modified = meta.modified()?;
        let since = modified.duration_since(SystemTime::UNIX_EPOCH);
        let since = since.unwrap_or_default();
        let etag = format!(
            "\"{:x}-{:x}-{:x}\"",
            birth(&meta),
            meta.len(),
            since.as_nanos()
        );
        Ok(Self {
            file,
            length: meta.len(),
            // HTTP dates have whole seconds; comparing finer would never match.
            modified: SystemTime::UNIX_EPOCH + Duration::from_secs(since.as_secs()),
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

#[cfg(test)]
mod tests {
    use super::{Folder, Refusal, encode};

    #[cfg(unix)]
    #[test]
    fn links_and_pipes_and_hidden_names_are_refused() {
        use std::os::unix::fs::symlink;

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
        let name = match cfg!(windows) {
            true => "fog & bell 100%#ü.tbr",
            false => "fog & bell 100%?#ü.tbr",
        };
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
