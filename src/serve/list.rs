//! The folder as a list: plain text for small clients, JSON for the page, M3U
//! for players.

use std::fmt::Write as _;
use std::time::SystemTime;

use serde::Serialize;

use crate::reel::{Header, Shape, SoundCoding};

use super::folder::{Folder, OpenReel, encode};
use super::table::read_header;

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
    /// What its header says.
    #[serde(flatten)]
    pub facts: Option<Facts>,
    /// Why its header cannot be read.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub error: Option<String>,
}

/// What a reel's header says that a list should tell.
#[derive(Clone, Debug, Serialize)]
pub struct Facts {
    /// Its title, perhaps empty.
    pub title: String,
    /// How long it plays; `None` if it does not say.
    pub seconds: Option<f64>,
    /// Length in bytes that it says it has; more than the file's if that was cut short.
    pub stated_bytes: u64,
    /// Panel width in pixels.
    pub width: u16,
    /// Panel height in pixels.
    pub height: u16,
    /// `rectangle` or `ellipse`.
    pub shape: &'static str,
    /// Frames per second.
    pub rate: f64,
    /// Picture coding.
    pub coding: &'static str,
    /// Sound coding.
    pub sound: &'static str,
    /// Ticks per second.
    pub clock_rate: u32,
    /// Mean bytes per second.
    pub mean_rate: u32,
    /// Bytes in the worst second.
    pub worst_rate: u32,
    /// Bytes to have before play starts.
    pub prebuffer: u32,
    /// Its number among the parts, and how many there are.
    pub part: (u16, u16),
    /// Where its poster's chunk is; `None` if it has none.
    pub poster: Option<Poster>,
}

/// A picture for menus.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Poster {
    /// Offset of its chunk in bytes.
    pub offset: u32,
    /// Length of its chunk in bytes.
    pub length: u32,
    /// Clockwise rotation from what the viewer sees, degrees.
    pub rotation: u16,
    /// Whether left and right were exchanged after them.
    pub mirror: bool,
}

impl Facts {
    fn of(header: &Header) -> Self {
        let rate = f64::from(header.rate.num) / f64::from(header.rate.den);
        let known = |ticks: u64| ticks as f64 / f64::from(header.clock_rate);
        Self {
            title: header.title().to_owned(),
            seconds: (!header.is_live()).then(|| known(header.duration)),
            stated_bytes: header.file_length,
            width: header.width,
            height: header.height,
            shape: match header.shape {
                Shape::Rectangle => "rectangle",
                Shape::Ellipse => "ellipse",
            },
            rate,
            coding: crate::coding::Coding::from_number(header.coding)
                .map_or("unknown", |c| c.name()),
            sound: match header.sound {
                SoundCoding::None => "none",
                SoundCoding::PcmS16 => "16-bit PCM",
                SoundCoding::PcmU8 => "8-bit PCM",
                SoundCoding::ImaAdpcm => "IMA ADPCM",
            },
            clock_rate: header.clock_rate,
            mean_rate: header.mean_rate,
            worst_rate: header.worst_rate,
            prebuffer: header.prebuffer,
            part: (header.part, header.parts),
            poster: (header.poster_length > 0).then_some(Poster {
                offset: header.poster_offset,
                length: header.poster_length,
                rotation: 90 * u16::from(header.mounting.turns),
                mirror: header.mounting.mirror,
            }),
        }
    }
}

impl Entry {
    fn new(name: String, reel: &OpenReel) -> Self {
        let encoded = encode(&name);
        let modified = reel.modified.duration_since(SystemTime::UNIX_EPOCH);
        let header = read_header(&reel.file);
        Self {
            error: header.as_ref().err().map(ToString::to_string),
            facts: header.ok().map(|header| Facts::of(&header)),
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

/// One line a reel: address, bytes, seconds (`-` if not known), title, with
/// tabs between.
#[must_use]
pub fn text(entries: &[Entry]) -> String {
    let mut out = String::new();
    for entry in entries {
        let facts = entry.facts.as_ref();
        let seconds = facts
            .and_then(|f| f.seconds)
            .map_or("-".into(), |s| format!("{s:.3}"));
        let title = facts.map_or("", |facts| &facts.title);
        // Writing to a string cannot fail.
        let _ = writeln!(out, "{}\t{}\t{seconds}\t{title}", entry.path, entry.bytes);
    }
    out
}

/// An M3U playlist; addresses are absolute if `host` is known.
#[must_use]
pub fn m3u(entries: &[Entry], host: Option<&str>) -> String {
    let base = host.map_or_else(String::new, |host| format!("http://{host}"));
    let mut out = String::from("#EXTM3U\n");
    for entry in entries {
        let facts = entry.facts.as_ref();
        let title = facts.map(|f| &f.title).filter(|title| !title.is_empty());
        let title = title.unwrap_or(&entry.name).replace(['\r', '\n'], " ");
        // -1 means an unknown length.
        let seconds = facts.and_then(|f| f.seconds).map_or(-1.0, f64::ceil);
        let _ = writeln!(out, "#EXTINF:{seconds},{title}\n{base}{}", entry.path);
    }
    out
}
