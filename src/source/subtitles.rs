//! Text of subtitle tracks. Packets of text codecs hold their text, so no
//! decoder is needed.

use byteorder::{BE, ByteOrder as _};

use std::path::Path;

use ffmpeg_next::{Error, Packet, codec, media};

use super::error::SourceError;
use super::info::SubtitleInfo;
use super::open;
use super::timeline::nanos;
use crate::units::Nanos;

/// Which subtitle track.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum SubtitleChoice {
    /// By number among the subtitle tracks, from 1.
    Number(usize),
    /// The first text track of a language: two or three letters (ISO 639).
    Language(String),
}

/// Marked-up text and when it is shown.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SubtitleText {
    /// First instant.
    pub start: Nanos,
    /// First instant at which it is gone.
    pub end: Nanos,
    /// As the track stores it, with its markup.
    pub text: String,
}

/// How long text without a stated end is shown.
const USUAL: i64 = 4_000_000_000;

/// Reads all text of one track of a clip. Times are counted from `origin`, an
/// instant on the file's own clock ([`super::ClipInfo::origin`]).
///
/// # Errors
/// The clip cannot be read, has no such track, or the track holds pictures of
/// text instead of text.
pub fn subtitle_text(
    path: &Path,
    tracks: &[SubtitleInfo],
    choice: &SubtitleChoice,
    origin: Nanos,
) -> Result<Vec<SubtitleText>, SourceError> {
    let track = chosen(path, tracks, choice)?;
    let mut input = open::container(path)?;
    let subtitles = input
        .streams()
        .filter(|s| s.parameters().medium() == media::Type::Subtitle);
    let found = subtitles.map(|s| (s.index(), s.parameters().id(), s.time_base()));
    let Some((stream, id, base)) = { found }.nth(track.number - 1) else {
        return Err(missing(path, tracks, track.number.to_string()));
    };
    let mut out: Vec<SubtitleText> = Vec::new();
    loop {
        let mut packet = Packet::empty();
        match packet.read(&mut input) {
            Ok(()) if packet.stream() == stream => {}
            Ok(()) => continue,
            // A damaged stretch holds no text that could be shown; any other
            // trouble stays and ends the reading.
            Err(Error::InvalidData) => continue,
            Err(_) => break,
        }
        let (Some(stamp), Some(data)) = (packet.pts().or(packet.dts()), packet.data()) else {
            continue;
        };
        let start = nanos(stamp, base) - origin.0;
        close_open_end(&mut out, start);
        let length = nanos(packet.duration().max(0), base);
        out.push(SubtitleText {
            start: Nanos(start),
            end: Nanos(if length > 0 { start + length } else { i64::MAX }),
            text: text_of(id, data),
        });
    }
    close_open_end(&mut out, i64::MAX);
    Ok(out)
}

/// Ends a text without a stated end where the next begins, or after the usual
/// time.
fn close_open_end(texts: &mut [SubtitleText], next: i64) {
    if let Some(last) = texts.last_mut().filter(|t| t.end.0 == i64::MAX) {
        last.end = Nanos(next.min(last.start.0 + USUAL));
    }
}

fn chosen<'a>(
    path: &Path,
    tracks: &'a [SubtitleInfo],
    choice: &SubtitleChoice,
) -> Result<&'a SubtitleInfo, SourceError> {
    let (wanted, found) = match choice {
        SubtitleChoice::Number(n) => (n.to_string(), tracks.iter().find(|t| t.number == *n)),
        SubtitleChoice::Language(tag) => {
            let speaks = |t: &&SubtitleInfo| {
                t.text && t.language.as_deref().is_some_and(|l| open::same(l, tag))
            };
            (format!("in {tag:?}"), tracks.iter().find(speaks))
        }
    };
    match found {
        Some(track) if track.text => Ok(track),
        Some(track) => Err(SourceError::PicturesOfText {
            path: path.into(),
            number: track.number,
            codec: track.codec.clone(),
        }),
        None => Err(missing(path, tracks, wanted)),
    }
}

fn missing(path: &Path, tracks: &[SubtitleInfo], wanted: String) -> SourceError {
    let one = |t: &SubtitleInfo| match &t.language {
        Some(language) => format!("{} ({language})", t.number),
        None => t.number.to_string(),
    };
    let all: Vec<_> = tracks.iter().map(one).collect();
    let has = match all.is_empty() {
        true => "it has none".into(),
        false => format!("it has: {}", all.join(", ")),
    };
    SourceError::NoSuchSubtitles {
        path: path.into(),
        wanted,
        has,
    }
}

/// A packet's text by its codec: MPEG-4 timed text has its length in front,
/// SubStation Alpha eight fields before the text.
fn text_of(id: codec::Id, data: &[u8]) -> String {
    let bytes = match id {
        codec::Id::MOV_TEXT => {
            let text = data.get(2..).unwrap_or_default();
            let length = data.get(..2).map_or(0, |b| usize::from(BE::read_u16(b)));
            &text[..length.min(text.len())]
        }
        _ => data,
    };
    let text = String::from_utf8_lossy(bytes);
    match id {
        codec::Id::ASS | codec::Id::SSA => text.splitn(9, ',').nth(8).unwrap_or("").to_owned(),
        _ => text.trim_end_matches('\0').to_owned(),
    }
}
