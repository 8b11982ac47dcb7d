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

/// Checks that a path may be the clip that a reel was made of.
///
/// # Errors
/// It is a reel, empty, or a profile.
pub(super) fn source(path: &Path) -> anyhow::Result<()> {
    match not_a_clip(path) {
        Some(_) if is_reel(path) => anyhow::bail!(
            "{} is a reel; name the clip that the reel was made of",
            path.display()
        ),
        Some(sentence) => anyhow::bail!(sentence),
        None => Ok(()),
    }
}

/// Checks that a path may be a file with sound.
///
/// # Errors
/// It cannot be read, is a folder, empty or a profile, or has no pictures or no
/// sound.
pub(super) fn sounding(path: &Path) -> anyhow::Result<()> {
    let name = path.display();
    if beginning(path)?.is_none() {
        anyhow::bail!("{name} is a folder; name a clip or a reel in it");
    }
    match not_a_clip(path) {
        Some(_) if is_reel(path) => return Ok(()),
        Some(sentence) => anyhow::bail!(sentence),
        None => {}
    }
    let open = OpenOptions {
        sound_only: true,
        ..OpenOptions::default()
    };
    match Clip::look(path, &open) {
        Err(SourceError::SoundOnly(_)) => {
            anyhow::bail!("{name} is sound without pictures; name a clip or a reel")
        }
        Err(SourceError::NoPictures(_) | SourceError::NotAClip { .. }) => {
            anyhow::bail!("{name} is not a clip in a known format; name a clip or a reel")
        }
        _ => Ok(()),
    }
}

/// Reads the log of a probe.
///
/// # Errors
/// It cannot be read, is a folder, or is no text.
pub(super) fn log(path: &Path) -> anyhow::Result<String> {
    let name = path.display();
    let Some(start) = beginning(path)? else {
        anyhow::bail!("{name} is a folder; name the probe's log in it");
    };
    if start.is_empty() {
        anyhow::bail!("{name} is empty; keep what the probe prints in it");
    }
    std::fs::read_to_string(path).map_err(|error| match error.kind() {
        std::io::ErrorKind::InvalidData => anyhow::anyhow!(
            "{name} is not a probe's log, which is text; name a file with what the probe printed"
        ),
        _ => failed(path, &error),
    })
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
    let failed = |error| failed(path, &error);
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

fn failed(path: &Path, error: &std::io::Error) -> anyhow::Error {
    let out = match error.kind() {
        std::io::ErrorKind::NotFound | std::io::ErrorKind::NotADirectory => "check the name",
        _ => "check the file",
    };
    anyhow::anyhow!("cannot read {}: {}; {out}", path.display(), reason(error))
}
