//! What a file is that was named as something else, and the command that fits.

use std::fs::File;
use std::io::Read;
use std::path::Path;

use super::show::typed;
use crate::files::reason;
use crate::reel::{ErrorKind, FileError, MAGIC, ReelFile};
use crate::source::{Clip, OpenOptions, SourceError};

/// Bytes that are looked at.
const BEGINNING: u64 = 512;

/// What is sure of a file by its first bytes and its name, before the media
/// library looks at it.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Nature {
    Empty,
    Reel,
    Profile,
    Log,
    Subtitles,
    Page,
    Chart,
}

impl Nature {
    fn of(path: &Path, start: &[u8]) -> Option<Self> {
        let ending = path.extension().unwrap_or_default().to_ascii_lowercase();
        let text = String::from_utf8_lossy(start).to_lowercase();
        let text = text.trim_start_matches(['\u{feff}', ' ', '\r', '\n', '\t']);
        Some(match (text, ending.to_str()) {
            ("", _) if start.is_empty() => Self::Empty,
            _ if start.starts_with(&MAGIC[..4]) => Self::Reel,
            (_, Some("toml")) => Self::Profile,
            _ if text.starts_with("thumbreel-probe") => Self::Log,
            (_, Some("srt" | "vtt" | "ass" | "ssa")) => Self::Subtitles,
            _ if text.starts_with("webvtt") => Self::Subtitles,
            _ if text.starts_with("<!doctype html") || text.starts_with("<html") => Self::Page,
            _ if text.starts_with("<svg") => Self::Chart,
            _ => return None,
        })
    }

    /// What it is and not, and the command that fits.
    fn not(self, wanted: &str, path: &Path) -> String {
        let name = typed(path);
        let (what, out) = match self {
            Self::Empty => return format!("{} is empty; copy or make it again", path.display()),
            Self::Reel => ("a reel", format!("look at it by thumbreel inspect {name}")),
            Self::Profile => ("a board profile", "give it with --board".into()),
            Self::Log => (
                "a probe's log",
                format!("enter it into a profile: thumbreel boards measure {name} --board BOARD"),
            ),
            Self::Subtitles => (
                "a subtitle file",
                format!("burn it in: thumbreel convert CLIP --board BOARD --subtitles {name}"),
            ),
            Self::Page => ("a web page", "open it in a browser".into()),
            Self::Chart => ("a drawing", "open it in a browser".into()),
        };
        format!("{} is {what}, not {wanted}; {out}", path.display())
    }
}

/// Checks that a path may be a reel that can be read.
///
/// # Errors
/// It cannot be read, or is something else.
pub(super) fn reel(path: &Path) -> anyhow::Result<()> {
    damaged_reel(path)?;
    match ReelFile::open(path) {
        Err(FileError::Reel(error)) if error.kind == ErrorKind::Truncated => anyhow::bail!(
            "{} ends within its header, so nothing of the reel can be read; copy it again",
            path.display()
        ),
        Err(FileError::Reel(error)) if error.kind == ErrorKind::NotAReel => anyhow::bail!(
            "{} does not begin as a reel; if it is one that was damaged, mend it: thumbreel repair {} -o mended.tbr",
            path.display(),
            typed(path)
        ),
        _ => Ok(()),
    }
}

/// Checks that a path may be a reel: one whose beginning is lost passes, what is
/// surely something else does not.
///
/// # Errors
/// It cannot be read, or is something else.
pub(super) fn damaged_reel(path: &Path) -> anyhow::Result<()> {
    let name = path.display();
    let Some(start) = beginning(path)? else {
        anyhow::bail!("{name} is a folder; name a reel in it");
    };
    match Nature::of(path, &start) {
        Some(Nature::Reel) => return Ok(()),
        Some(nature) => anyhow::bail!(nature.not("a reel", path)),
        None => {}
    }
    match Clip::look(path, &OpenOptions::default()) {
        Ok(clip) => anyhow::bail!(
            "{name} is a {}, not a reel; make a reel of it first: thumbreel convert {} --board BOARD",
            if clip.is_still() { "picture" } else { "clip" },
            typed(path)
        ),
        Err(SourceError::SoundOnly(_)) => {
            anyhow::bail!("{name} is sound without pictures, not a reel; name a reel")
        }
        Err(_) if is_text(&start) => anyhow::bail!("{name} is text, not a reel; name a reel"),
        Err(_) => Ok(()),
    }
}

/// Says what a file is that is surely not a clip.
pub(super) fn not_a_clip(path: &Path) -> Option<String> {
    let start = beginning(path).ok()??;
    match Nature::of(path, &start)? {
        Nature::Reel => Some(format!(
            "{} is a reel already; look at it with thumbreel inspect, or turn it back into a film with thumbreel export",
            path.display()
        )),
        nature => Some(nature.not("a clip", path)),
    }
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
    match Nature::of(path, &start) {
        None | Some(Nature::Log) => {}
        Some(nature) => anyhow::bail!(nature.not("a probe's log", path)),
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

/// Whether these first bytes are letters alone.
fn is_text(start: &[u8]) -> bool {
    let whole = match std::str::from_utf8(start) {
        Ok(text) => text,
        // Cut in the middle of a letter.
        Err(error) if error.error_len().is_none() => {
            std::str::from_utf8(&start[..error.valid_up_to()]).unwrap_or_default()
        }
        Err(_) => return false,
    };
    !whole.contains(|c: char| c.is_control() && !c.is_whitespace())
}

/// The first bytes; none of a folder.
fn beginning(path: &Path) -> anyhow::Result<Option<Vec<u8>>> {
    let failed = |error| failed(path, &error);
    let file = File::open(path).map_err(failed)?;
    if file.metadata().map_err(failed)?.is_dir() {
        return Ok(None);
    }
    let mut start = Vec::new();
    file.take(BEGINNING)
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
