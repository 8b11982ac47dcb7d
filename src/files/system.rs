//! What systems do differently about files, in one place.

#[cfg(unix)]
use std::fs::TryLockError;
use std::fs::{File, Metadata, OpenOptions};
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
#[cfg(unix)]
pub(super) fn hold(file: &File) -> bool {
    !matches!(file.try_lock(), Err(TryLockError::WouldBlock))
}

/// A lock here would keep out the libraries that open the file themselves; that it
/// is open is enough.
#[cfg(not(unix))]
pub(super) const fn hold(_: &File) -> bool {
    true
}

/// What keeps a file from other runs while it is removed.
#[cfg(unix)]
pub(super) type Held = File;
#[cfg(not(unix))]
pub(super) type Held = ();

/// Holds a file that surely no other run holds.
#[cfg(unix)]
pub(super) fn unheld(path: &Path) -> Option<Held> {
    let file = OpenOptions::new().read(true).write(true).open(path).ok()?;
    (file.try_lock().is_ok() && is_named(&file, path)).then_some(file)
}

/// Nobody has the file open: it opens unshared.
#[cfg(not(unix))]
pub(super) fn unheld(path: &Path) -> Option<Held> {
    let mut options = OpenOptions::new();
    options.read(true).write(true);
    #[cfg(windows)]
    std::os::windows::fs::OpenOptionsExt::share_mode(&mut options, 0);
    options.open(path).ok().map(drop)
}

/// Brings what was written to a file to the disk.
pub(super) fn sync(path: &Path) -> io::Result<()> {
    // Only who may write may sync, on some systems.
    let file = OpenOptions::new()
        .read(true)
        .write(cfg!(windows))
        .open(path);
    file.and_then(|file| file.sync_all())
}

/// Reads `buffer.len()` bytes at `offset`; other readers of the file are not disturbed
/// as long as they read so too.
///
/// # Errors
/// The file ends before, or the disk fails.
#[cfg(unix)]
pub fn read_exact_at(file: &File, buffer: &mut [u8], offset: u64) -> io::Result<()> {
    std::os::unix::fs::FileExt::read_exact_at(file, buffer, offset)
}

/// The same where one read may give less than was asked for.
#[cfg(windows)]
pub fn read_exact_at(file: &File, mut buffer: &mut [u8], mut offset: u64) -> io::Result<()> {
    use std::os::windows::fs::FileExt;
    while !buffer.is_empty() {
        match file.seek_read(buffer, offset) {
            Ok(0) => return Err(io::ErrorKind::UnexpectedEof.into()),
            Ok(count) => {
                buffer = &mut buffer[count..];
                offset += count as u64;
            }
            Err(error) if error.kind() == io::ErrorKind::Interrupted => (),
            Err(error) => return Err(error),
        }
    }
    Ok(())
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
    let _ = sync_names(folder);
}

/// Brings the names in a folder to the disk. Other systems log them as they change.
#[cfg(unix)]
pub(super) fn sync_names(folder: &Path) -> io::Result<()> {
    File::open(folder)?.sync_all()
}

#[cfg(not(unix))]
#[allow(clippy::unnecessary_wraps, reason = "other systems may refuse")]
pub(super) const fn sync_names(_: &Path) -> io::Result<()> {
    Ok(())
}

pub(super) fn ends_with_separator(path: &Path) -> bool {
    let bytes = path.as_os_str().as_encoded_bytes();
    let last = bytes.last().copied().map(char::from);
    last.is_some_and(std::path::is_separator)
}
