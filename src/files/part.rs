//! Files under way: hidden, beside their final name, locked as long as someone
//! writes to them. One that nobody holds locked was left by a run that was
//! killed, and goes.

use std::collections::HashSet;
use std::ffi::{OsStr, OsString};
use std::fs::{File, OpenOptions};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Mutex, MutexGuard, PoisonError};

use super::system;

/// Stands in the name of each, so that no other program's file is taken for one.
const MARK: &str = ".thumbreel-";
const ENDING: &str = "part";
/// Ending of the folder that belongs to a part.
const FOLDER_ENDING: &str = "parts";
/// Bytes of the final name that are kept; names are limited to 255.
const LONGEST: usize = 180;
/// Names that are tried before it is given up.
const TRIES: u32 = 1000;

/// All parts of this process; what is done to one is done under this lock, so
/// that [`abandon`] misses none.
static UNDER_WAY: Mutex<Vec<PathBuf>> = Mutex::new(Vec::new());
static NEXT: AtomicU32 = AtomicU32::new(0);

fn under_way() -> MutexGuard<'static, Vec<PathBuf>> {
    UNDER_WAY.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Removes every file under way, and lets no other begin or get its name: the
/// program is about to end.
pub fn abandon() {
    let parts = under_way();
    parts.iter().for_each(|part| remove(part));
    std::mem::forget(parts);
}

fn remove(part: &Path) {
    // The folder first: what has no part beside it is never cleared.
    let _ = std::fs::remove_dir_all(part.with_extension(FOLDER_ENDING));
    let _ = std::fs::remove_file(part);
}

/// A file under way. Dropped before it is renamed, it leaves nothing behind.
pub(super) struct Part {
    file: File,
    path: PathBuf,
}

impl Part {
    /// A file in `folder` that is to be called `name`.
    pub(super) fn file(folder: &Path, name: &OsStr) -> io::Result<Self> {
        clear_stale_once(folder);
        for _ in 0..TRIES {
            let path = folder.join(part_name(name));
            let mut parts = under_way();
            let opened = OpenOptions::new()
                .read(true)
                .write(true)
                .create_new(true)
                .open(&path);
            let file = match opened {
                Err(error) if error.kind() == io::ErrorKind::AlreadyExists => continue,
                opened => opened?,
            };
            // Another run may have taken it for stale before it was locked.
            if system::hold(&file) && system::is_named(&file, &path) {
                parts.push(path.clone());
                return Ok(Self { file, path });
            }
        }
        Err(io::ErrorKind::AlreadyExists.into())
    }

    /// A folder, with a file beside it that holds it.
    pub(super) fn folder(folder: &Path, name: &OsStr) -> io::Result<Self> {
        let part = Self::file(folder, name)?;
        std::fs::create_dir(part.folder_path())?;
        Ok(part)
    }

    pub(super) const fn handle(&self) -> &File {
        &self.file
    }

    pub(super) fn path(&self) -> &Path {
        &self.path
    }

    pub(super) fn folder_path(&self) -> PathBuf {
        self.path.with_extension(FOLDER_ENDING)
    }

    /// Gives the file its name.
    pub(super) fn rename(self, to: &Path, replace: bool) -> io::Result<()> {
        rename(&self.path, to, replace)
    }

    /// Gives the folder its name, which must be free.
    pub(super) fn rename_folder(self, to: &Path) -> io::Result<()> {
        let parts = under_way();
        if to.symlink_metadata().is_ok() {
            return Err(io::ErrorKind::AlreadyExists.into());
        }
        std::fs::rename(self.folder_path(), to)?;
        system::sync_folder(to);
        drop(parts);
        Ok(())
    }
}

/// Gives a finished file its name; a name that is taken only with `replace`.
pub(super) fn rename(from: &Path, to: &Path, replace: bool) -> io::Result<()> {
    let mut parts = under_way();
    match replace {
        true => std::fs::rename(from, to)?,
        false => system::rename_to_free(from, to)?,
    }
    parts.retain(|part| part != from);
    system::sync_folder(to);
    Ok(())
}

impl Drop for Part {
    fn drop(&mut self) {
        let mut parts = under_way();
        let held = parts.len();
        parts.retain(|part| *part != self.path);
        if parts.len() < held {
            remove(&self.path);
        }
    }
}

/// A hidden name beside `name`, of this process.
fn part_name(name: &OsStr) -> OsString {
    let name = name.to_string_lossy();
    let end = (0..=name.len().min(LONGEST))
        .rev()
        .find(|&i| name.is_char_boundary(i));
    let number = NEXT.fetch_add(1, Ordering::Relaxed);
    let kept = &name[..end.unwrap_or(0)];
    format!(".{kept}{MARK}{}-{number}.{ENDING}", std::process::id()).into()
}

fn is_part_name(name: &OsStr) -> bool {
    let name = name.to_string_lossy();
    let numbers = name
        .strip_suffix(ENDING)
        .and_then(|n| n.strip_suffix('.'))
        .and_then(|n| n.rsplit_once(MARK));
    let digits = |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
    name.starts_with('.')
        && numbers
            .and_then(|(_, numbers)| numbers.split_once('-'))
            .is_some_and(|(process, number)| digits(process) && digits(number))
}

/// Clears a folder when this process first writes there.
fn clear_stale_once(folder: &Path) {
    static CLEARED: Mutex<Option<HashSet<PathBuf>>> = Mutex::new(None);
    let mut cleared = CLEARED.lock().unwrap_or_else(PoisonError::into_inner);
    let first = cleared
        .get_or_insert_default()
        .insert(folder.canonicalize().unwrap_or_else(|_| folder.into()));
    if first {
        clear_stale(folder);
    }
}

/// Removes what killed runs left in `folder`.
fn clear_stale(folder: &Path) {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    for entry in entries.filter(|entry| is_part_name(&entry.file_name())) {
        let path = entry.path();
        if !entry.file_type().is_ok_and(|kind| kind.is_file()) {
            continue;
        }
        if let Some(_held) = system::unheld(&path) {
            remove(&path);
        }
    }
}

/// A file for passing use in the system's folder for such, gone when dropped.
pub struct Spool(Part);

impl Spool {
    /// An empty one.
    ///
    /// # Errors
    /// The folder cannot be written.
    pub fn new() -> io::Result<Self> {
        Part::file(&std::env::temp_dir(), OsStr::new("spool")).map(Self)
    }

    /// Its name.
    #[must_use]
    pub fn path(&self) -> &Path {
        self.0.path()
    }
}

impl io::Write for Spool {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.handle().write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.0.handle().flush()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_own_names_are_taken_for_parts() {
        assert!(is_part_name(&part_name(OsStr::new("harbour.tbr"))));
        assert!(is_part_name(&part_name(OsStr::new(&"é".repeat(127)))));
        for other in [
            ".harbour.tbr.part",
            "harbour.thumbreel-1-2.part",
            ".a.thumbreel-1-.part",
            ".a.thumbreel-1-2.parts",
            ".a.thumbreel-x-2.part",
        ] {
            assert!(!is_part_name(OsStr::new(other)), "{other}");
        }
    }

    #[test]
    fn what_nobody_holds_is_cleared_and_what_is_held_stays() {
        let folder = tempfile::tempdir().unwrap();
        let held = Part::file(folder.path(), OsStr::new("a.tbr")).unwrap();
        let stale = folder.path().join(".b.tbr.thumbreel-1-2.part");
        std::fs::write(&stale, b"left by a killed run").unwrap();
        std::fs::create_dir(stale.with_extension(FOLDER_ENDING)).unwrap();
        std::fs::write(folder.path().join(".b.tbr.part"), b"another's").unwrap();
        clear_stale(folder.path());
        assert!(held.path().exists() && !stale.exists());
        assert!(!stale.with_extension(FOLDER_ENDING).exists());
        assert!(folder.path().join(".b.tbr.part").exists());
        drop(held);
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
    }
}
