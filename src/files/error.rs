//! What can go wrong with a file, in plain words.

use std::io::{self, ErrorKind};
use std::path::{Path, PathBuf};

use super::destination::Kind;

/// Why a file was not written. What stood under its name stands there still.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum OutputError {
    /// The file is an input of the same call.
    #[error(
        "{path} would be written over, but this call reads it{as_name}; name another file",
        path = .path.display(),
        as_name = other_name(.path, .input)
    )]
    Input {
        /// The name to write to.
        path: PathBuf,
        /// The input's own name.
        input: PathBuf,
    },
    /// Something has the name already.
    #[error("{path} exists; {out}", path = .0.display(), out = way_out(*.1))]
    Exists(PathBuf, Kind),
    /// The name is a folder's.
    #[error("{path} is a folder; name the {kind} in it", path = .0.display(), kind = .1.name())]
    Folder(PathBuf, Kind),
    /// The name is a device's, a pipe's or a socket's.
    #[error("{path} is not an ordinary file; name another one, or write - for standard output", path = .0.display())]
    NotAFile(PathBuf),
    /// The name means something else to Windows.
    #[error(
        "{path} is no file's name on Windows; leave out < > : \" | ? *, a dot or space at the end, and names of devices such as NUL",
        path = .0.display()
    )]
    Special(PathBuf),
    /// The name does not end as the kind of file does.
    #[error(
        "{path}: the name of a {kind} ends in {endings}; write {right}",
        path = .0.display(),
        kind = .1.name(),
        endings = endings(*.1),
        right = right_name(.0, *.1).display()
    )]
    Ending(PathBuf, Kind),
    /// There is no name.
    #[error("{path} names no file; give the {kind} a name", path = .0.display(), kind = .1.name())]
    NoName(PathBuf, Kind),
    /// Bytes that no terminal can show.
    #[error("a {kind} is not for the terminal; send standard output to a file or a program, or name a file", kind = .0.name())]
    Terminal(Kind),
    /// The system refuses.
    #[error("cannot write {path}: {words}{hint}", path = .path.display(), words = self::reason(.reason), hint = self::hint(.reason))]
    Io {
        /// The name to write to.
        path: PathBuf,
        /// What the operating system says.
        reason: io::Error,
    },
}

impl OutputError {
    /// An error of the system.
    #[must_use]
    pub fn io(path: &Path, reason: io::Error) -> Self {
        match reason.downcast::<Self>() {
            Ok(own) => own,
            Err(reason) => Self::Io {
                path: path.into(),
                reason,
            },
        }
    }

    /// Whether the command line is at fault, rather than the disk.
    #[must_use]
    pub const fn is_usage(&self) -> bool {
        !matches!(self, Self::Exists(..) | Self::Io { .. })
    }
}

/// For sinks that know errors of the system alone; [`OutputError::io`] takes it
/// back.
impl From<OutputError> for io::Error {
    fn from(error: OutputError) -> Self {
        let kind = match &error {
            OutputError::Exists(..) => ErrorKind::AlreadyExists,
            OutputError::Io { reason, .. } => reason.kind(),
            _ => ErrorKind::InvalidInput,
        };
        Self::new(kind, error)
    }
}

fn other_name(path: &Path, input: &Path) -> String {
    match path == input {
        true => String::new(),
        false => format!(" as {}", input.display()),
    }
}

const fn way_out(kind: Kind) -> &'static str {
    match kind {
        Kind::Folder => "name another folder, which is made",
        _ => "name another file, or add --overwrite",
    }
}

fn endings(kind: Kind) -> String {
    let all: Vec<_> = kind.endings().iter().map(|e| format!(".{e}")).collect();
    all.join(" or ")
}

/// The same name with the right ending. An ending that looks like one is
/// replaced, any other is taken for a part of the name.
fn right_name(path: &Path, kind: Kind) -> PathBuf {
    let ending = kind.endings().first().copied().unwrap_or_default();
    let known = |e: &std::ffi::OsStr| {
        let e = e.to_string_lossy();
        (2..=5).contains(&e.len()) && e.chars().all(|c| c.is_ascii_alphanumeric())
    };
    if path.extension().is_some_and(known) {
        return path.with_extension(ending);
    }
    let mut name = path.as_os_str().to_owned();
    name.push(".");
    name.push(ending);
    name.into()
}

/// What the operating system says, in plain words and without its numbers.
#[must_use]
pub fn reason(error: &io::Error) -> String {
    let words = match error.kind() {
        ErrorKind::NotFound => "there is no such file or folder",
        ErrorKind::PermissionDenied => "you do not have the permission",
        ErrorKind::AlreadyExists => "something has that name already",
        ErrorKind::StorageFull => "the disk is full",
        ErrorKind::QuotaExceeded => "your share of the disk is used up",
        ErrorKind::FileTooLarge => "the file would be larger than is allowed there",
        ErrorKind::ReadOnlyFilesystem => "the disk can only be read",
        ErrorKind::NotADirectory => "what should be a folder on the way is a file",
        ErrorKind::IsADirectory => "it is a folder",
        ErrorKind::InvalidFilename => "the disk does not allow such a name",
        ErrorKind::BrokenPipe => "the reader has gone",
        ErrorKind::AddrInUse => "another program uses that address",
        ErrorKind::AddrNotAvailable => "this machine does not have that address",
        ErrorKind::TimedOut => "it took too long",
        ErrorKind::OutOfMemory => "there is not enough memory",
        ErrorKind::UnexpectedEof => "it ends too early",
        ErrorKind::InvalidData => "it holds what cannot be read",
        _ => return without_number(&error.to_string()),
    };
    words.into()
}

/// Whether whoever read standard output has had enough.
pub(crate) fn reader_has_gone(error: &io::Error) -> bool {
    // ERROR_PIPE_NOT_CONNECTED, of the Win32 documentation: no kind of its own.
    let parted = cfg!(windows) && error.raw_os_error() == Some(233);
    parted || error.kind() == ErrorKind::BrokenPipe
}

fn without_number(text: &str) -> String {
    let text = text.split(" (os error").next().unwrap_or(text);
    let mut chars = text.chars();
    let first = chars.next().map(|c| c.to_lowercase().collect::<String>());
    first.unwrap_or_default() + chars.as_str()
}

/// The way out of the usual troubles.
fn hint(reason: &io::Error) -> &'static str {
    match reason.kind() {
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded => {
            "; free some space, or name a file on another disk"
        }
        ErrorKind::PermissionDenied | ErrorKind::ReadOnlyFilesystem => {
            "; name a file in a folder that you may write to"
        }
        ErrorKind::NotFound => "; make the folder first",
        ErrorKind::FileTooLarge => "; allow larger files, or name a file on another disk",
        _ => "; name a file elsewhere",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_wrong_ending_names_the_right_one() {
        let told = |name: &str, kind| OutputError::Ending(name.into(), kind).to_string();
        assert_eq!(
            told("o.mp4", Kind::Reel),
            "o.mp4: the name of a reel ends in .tbr; write o.tbr"
        );
        assert!(told("harbour v1.", Kind::Reel).ends_with("write harbour v1..tbr"));
        assert!(told("r.pdf", Kind::Page).ends_with("ends in .html or .htm; write r.html"));
    }

    #[test]
    fn no_number_of_the_system_is_told() {
        for number in 1..134 {
            let told = reason(&io::Error::from_raw_os_error(number));
            assert!(!told.contains("os error") && !told.is_empty(), "{told}");
        }
    }
}
