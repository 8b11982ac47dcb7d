//! What systems do differently about files, in one place.

use std::fs::{File, Metadata, TryLockError};
use std::io;
use std::path::Path;

/// Whether two names lead to the same file, whatever links and spellings.
pub(super) fn same_file(a: &Path, b: &Path) -> bool {
    match (a.metadata(), b.metadata()) {
        (Ok(first), Ok(second)) => match (identity(&first), identity(&second)) {
            (Some(first), Some(second)) => first == second,
            _ => matches!((a.canonicalize(), b.canonicalize()), (Ok(a), Ok(b)) if a == b),
        },
        _ => false,
    }
}

/// Device and number of a file, where the system tells them.
#[cfg(unix)]
#[allow(clippy::unnecessary_wraps, reason = "other systems tell none")]
fn identity(metadata: &Metadata) -> Option<(u64, u64)> {
    use std::os::unix::fs::MetadataExt;
    Some((metadata.dev(), metadata.ino()))
}

#[cfg(not(unix))]
fn identity(_: &Metadata) -> Option<(u64, u64)> {
    None
}

/// Whether the open file still has that name.
pub(super) fn is_named(file: &File, path: &Path) -> bool {
    match (file.metadata(), path.symlink_metadata()) {
        (Ok(open), Ok(named)) => identity(&open) == identity(&named),
        _ => false,
    }
}

/// Locks a file that is written to; false where another run holds it. Disks
/// that know no locks are written to without.
pub(super) fn hold(file: &File) -> bool {
    !matches!(file.try_lock(), Err(TryLockError::WouldBlock))
}

/// Whether surely no run holds the file; it is held by this handle then.
pub(super) fn is_unheld(file: &File) -> bool {
    file.try_lock().is_ok()
}

/// Renames to a name that must be free.
pub(super) fn rename_to_free(from: &Path, to: &Path) -> io::Result<()> {
    let Err(refused) = tempfile::TempPath::try_from_path(from)?.persist_noclobber(to) else {
        return Ok(());
    };
    let (error, path) = (refused.error, refused.path.keep()?);
    // Disks that have no such step: looking first must do.
    if error.kind() == io::ErrorKind::AlreadyExists || to.symlink_metadata().is_ok() {
        return Err(io::ErrorKind::AlreadyExists.into());
    }
    std::fs::rename(path, to)
}

/// Brings a new name to the disk; a system that cannot do so does it later.
pub(super) fn sync_folder(of: &Path) {
    let folder = of.parent().filter(|p| !p.as_os_str().is_empty());
    let folder = folder.unwrap_or_else(|| Path::new("."));
    let _ = File::open(folder).and_then(|folder| folder.sync_all());
}

pub(super) fn ends_with_separator(path: &Path) -> bool {
    let bytes = path.as_os_str().as_encoded_bytes();
    let last = bytes.last().copied().map(char::from);
    last.is_some_and(std::path::is_separator)
}
