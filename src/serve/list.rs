//! The folder as a list: plain text for small clients, JSON for the page, M3U
//! for players.

use std::fmt::Write as _;
use std::time::SystemTime;

use serde::Serialize;

use super::folder::{Folder, OpenReel, encode};

/// One reel of the folder.
#[derive(Clone, Debug, Serialize)]
pub struct Entry {
    /// Its name below the folder.
    pub name: String,
    /// Its address on this server.
    pub path: String,
    /// The address of its live stream.
    pub live: String,
    /// Its length in bytes.
    pub bytes: u64,
    /// Last change, in seconds since 1970.
    pub modified: u64,
    /// Its entity tag.
    pub etag: String,
}

impl Entry {
    fn new(name: String, reel: &OpenReel) -> Self {
        let encoded = encode(&name);
        let modified = reel.modified.duration_since(SystemTime::UNIX_EPOCH);
        Self {
            path: format!("/reels/{encoded}"),
            live: format!("/live/{encoded}"),
            bytes: reel.length,
            modified: modified.map_or(0, |since| since.as_secs()),
            etag: reel.etag.clone(),
            name,
        }
    }
}

/// Every reel that can be opened, sorted by name.
///
/// # Errors
/// When the folder cannot be read.
pub fn entries(folder: &Folder) -> std::io::Result<Vec<Entry>> {
    let names = folder.names()?.into_iter();
    Ok(names
        .filter_map(|name| {
            let reel = folder.open_name(&name).ok()?;
            Some(Entry::new(name, &reel))
        })
        .collect())
}

/// One line a reel: address, bytes, separated by tabs.
#[must_use]
pub fn text(entries: &[Entry]) -> String {
    let mut out = String::new();
    for entry in entries {
        // Writing to a string cannot fail.
        let _ = writeln!(out, "{}\t{}", entry.path, entry.bytes);
    }
    out
}

/// An M3U playlist; addresses are absolute if `host` is known.
#[must_use]
pub fn m3u(entries: &[Entry], host: Option<&str>) -> String {
    let base = host.map_or_else(String::new, |host| format!("http://{host}"));
    let mut out = String::from("#EXTM3U\n");
    for entry in entries {
        let title = entry.name.replace(['\r', '\n'], " ");
        let _ = writeln!(out, "#EXTINF:-1,{title}\n{base}{}", entry.path);
    }
    out
}
