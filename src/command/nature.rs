//! What a file is that was named as something else, and the command that fits.

use std::fs::File;
use std::io::Read;
use std::path::Path;

use crate::files::reason;
use crate::reel::MAGIC;
use crate::source::{Clip, OpenOptions, SourceError};

/// Checks that a path may be a reel: one that is damaged passes, what is surely
/// something else does not.
///
/// # Errors
/// It cannot be read, or is a folder, a clip, sound, a picture or a profile.
pub(super) fn reel(path: &Path) -> anyhow::Result<()> {
    let name = path.display();
    let start = match beginning(path)? {
        None => anyhow::bail!("{name} is a folder; name a reel in it"),
        Some(start) => start,
    };
    if start.is_empty() {
        anyhow::bail!("{name} is empty; copy or convert it again");
    }
    if start.starts_with(&MAGIC[..4]) {
        return Ok(());
    }
    if is_profile(path) {
        anyhow::bail!("{name} is a board profile, not a reel; give it with --board");
    }
    match Clip::look(path, &OpenOptions::default()) {
        Ok(_) => anyhow::bail!(
            "{name} is a clip, not a reel; make a reel of it first: thumbreel convert {name} --board BOARD"
        ),
        Err(SourceError::SoundOnly(_)) => {
            anyhow::bail!("{name} is sound without pictures, not a reel; a reel is made of a clip")
        }
        // It may be a reel whose beginning is lost.
        Err(_) => Ok(()),
    }
}

/// Says what a file is that is not a clip, if that is sure.
pub(super) fn not_a_clip(path: &Path) -> Option<String> {
    let name = path.display();
    let start = beginning(path).ok()??;
    if start.starts_with(&MAGIC) {
        return Some(format!(
            "{name} is a reel already; look at it with thumbreel inspect, or turn it back into a film with thumbreel export"
        ));
    }
    if start.is_empty() {
        return Some(format!("{name} is empty; copy it again"));
    }
    is_profile(path).then(|| format!("{name} is a board profile, not a clip; give it with --board"))
}

/// Whether a file begins as a reel does.
pub(super) fn is_reel(path: &Path) -> bool {
    matches!(beginning(path), Ok(Some(start)) if start.starts_with(&MAGIC))
}

fn is_profile(path: &Path) -> bool {
    path.extension()
        .is_some_and(|e| e.eq_ignore_ascii_case("toml"))
}

/// The first bytes; none of a folder.
fn beginning(path: &Path) -> anyhow::Result<Option<Vec<u8>>> {
    let failed = |error| {
        let why = reason(&error);
        anyhow::anyhow!("cannot read {}: {why}; check the name", path.display())
    };
    let file = File::open(path).map_err(failed)?;
    if file.metadata().map_err(failed)?.is_dir() {
        return Ok(None);
    }
    let mut start = Vec::new();
    file.take(MAGIC.len() as u64)
        .read_to_end(&mut start)
        .map_err(failed)?;
    Ok(Some(start))
}
