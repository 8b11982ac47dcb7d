//! Parts: a reel cut before key slices, each part a reel of its own.

use super::chunk::side_chunk_length;
use super::emit::WriteError;
use super::end::END_PAYLOAD;
use super::error::ReelError;
use super::file::{FileError, Piece, ReelFile, WholeSlice};
use super::index;
use super::layout::FIRST_CHUNK;
use super::settings::{Settings, Start};
use super::writer::{ReelWriter, Summary};
use crate::files::{Destination, OutputError, publish_all};
use std::io::{Read, Seek, Write};
use std::path::{Path, PathBuf};

/// Why a reel could not be split.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SplitError {
    /// The reel could not be read.
    #[error(transparent)]
    Read(#[from] FileError),
    /// The reel is damaged.
    #[error("the reel is damaged ({0}); repair it first")]
    Damaged(ReelError),
    /// A part could not be written.
    #[error(transparent)]
    Write(#[from] WriteError),
    /// A part's file could not be made or named.
    #[error(transparent)]
    Output(#[from] OutputError),
    /// No part can be as small as asked.
    #[error(
        "a part of {limit} bytes cannot hold what lies between two key slices; allow {need} bytes or more"
    )]
    TooSmall {
        /// The largest part asked for.
        limit: u64,
        /// The least that would do.
        need: u64,
    },
    /// More parts than can be numbered.
    #[error("this would make more than 65,535 parts; allow larger ones")]
    TooMany,
}

/// What lies from one key slice to before the next.
#[derive(Clone, Copy)]
struct Group {
    start: u64,
    end: u64,
    bytes: u64,
}

/// Splits the reel in `reel`, just opened, into parts of at most `limit` bytes.
/// `open` is called with a part's number and the number of parts, and returns
/// its sink. The sinks come back in order, with what was written.
///
/// # Errors
/// See [`SplitError`]. The caller throws the sinks away then.
pub fn split<R: Read + Seek, W: Write + Seek>(
    reel: &mut ReelFile<R>,
    limit: u64,
    mut open: impl FnMut(u16, u16) -> std::io::Result<W>,
) -> Result<Vec<(W, Summary)>, SplitError> {
    let (settings, poster) = settings_of(reel)?;
    let groups = groups(reel)?;
    let cuts = cuts(&groups, &settings, &poster, limit)?;
    let parts = u16::try_from(cuts.len()).map_err(|_| SplitError::TooMany)?;
    reel.rewind();
    let mut done = Vec::new();
    for (i, &(_, end)) in cuts.iter().enumerate() {
        let number = i as u16 + 1;
        let sink = open(number, parts).map_err(WriteError::Io)?;
        let shape = (number, parts, end);
        done.push(write_part(reel, sink, &settings, &poster, shape)?);
    }
    Ok(done)
}

/// Splits the reel in `reel`, just opened, into files beside `out`, named by
/// [`part_path`]. Either all parts appear or none.
///
/// # Errors
/// See [`SplitError`].
pub fn split_to<R: Read + Seek>(
    reel: &mut ReelFile<R>,
    out: &Destination,
    limit: u64,
) -> Result<Vec<(PathBuf, Summary)>, SplitError> {
    let named = |part, parts| out.renamed(part_path(out.path(), part, parts));
    let open = |part, parts| Ok(named(part, parts).begin()?);
    let parts = split(reel, limit, open).map_err(own)?;
    let (drafts, summaries): (Vec<_>, Vec<_>) = parts.into_iter().unzip();
    let paths: Vec<_> = drafts.iter().map(|draft| draft.path().into()).collect();
    publish_all(drafts)?;
    Ok(paths.into_iter().zip(summaries).collect())
}

/// An error of a part's file, that came as one of its sink.
fn own(error: SplitError) -> SplitError {
    match error {
        SplitError::Write(WriteError::Io(reason)) => match reason.downcast::<OutputError>() {
            Ok(own) => own.into(),
            Err(reason) => WriteError::Io(reason).into(),
        },
        other => other,
    }
}

/// The name of a part: `harbour.tbr` becomes `harbour.1of3.tbr`.
#[must_use]
pub fn part_path(out: &Path, part: u16, parts: u16) -> PathBuf {
    let mut name = out.file_stem().unwrap_or_default().to_os_string();
    name.push(format!(".{part}of{parts}"));
    if let Some(extension) = out.extension() {
        name.push(".");
        name.push(extension);
    }
    out.with_file_name(name)
}

/// All that a part shares with the reel it is cut from.
pub(crate) fn settings_of<R: Read + Seek>(
    reel: &mut ReelFile<R>,
) -> Result<(Settings, Vec<u8>), FileError> {
    let header = *reel.header();
    let poster = reel.poster()?.unwrap_or_default();
    let settings = Settings {
        tables: reel.tables()?.unwrap_or_default(),
        note: reel.note()?.unwrap_or_default(),
        ..Settings::of(&header)
    };
    Ok((settings, poster))
}

fn groups<R: Read + Seek>(reel: &mut ReelFile<R>) -> Result<Vec<Group>, SplitError> {
    let mut groups: Vec<Group> = Vec::new();
    while let Some(piece) = reel.next_piece()? {
        let h = undamaged(piece)?.header;
        match groups.last_mut() {
            Some(group) if !h.is_key() => {
                group.end = h.end();
                group.bytes += u64::from(h.length);
            }
            _ => groups.push(Group {
                start: h.time,
                end: h.end(),
                bytes: h.length.into(),
            }),
        }
    }
    Ok(groups)
}

fn undamaged(piece: Piece) -> Result<WholeSlice, SplitError> {
    match piece {
        Piece::Slice(whole) => match whole.damage.first() {
            None => Ok(whole),
            Some(damage) => Err(SplitError::Damaged(damage.error)),
        },
        Piece::Damage(damage) => Err(SplitError::Damaged(damage.error)),
    }
}

/// First and last tick of each part, as full as the limit allows.
fn cuts(
    groups: &[Group],
    settings: &Settings,
    poster: &[u8],
    limit: u64,
) -> Result<Vec<(u64, u64)>, SplitError> {
    let step = u64::from(settings.clock_rate) * u64::from(settings.index_step_ms) / 1000;
    let fixed = fixed_bytes(settings, poster);
    let size = |start: u64, end: u64, bytes: u64| {
        let entries = (end - start).div_ceil(step.max(1));
        fixed + bytes + index::chunk_length(u32::try_from(entries).unwrap_or(u32::MAX))
    };
    let mut cuts: Vec<(u64, u64)> = Vec::new();
    let mut bytes = 0;
    for group in groups {
        let alone = size(group.start, group.end, group.bytes);
        if alone > limit {
            return Err(SplitError::TooSmall { limit, need: alone });
        }
        match cuts.last_mut() {
            Some((start, end)) if size(*start, group.end, bytes + group.bytes) <= limit => {
                *end = group.end;
                bytes += group.bytes;
            }
            _ => {
                cuts.push((group.start, group.end));
                bytes = group.bytes;
            }
        }
    }
    Ok(cuts)
}

/// Bytes in every part besides slices and index.
fn fixed_bytes(settings: &Settings, poster: &[u8]) -> u64 {
    let sides = [poster.len(), settings.tables.len(), settings.note.len()];
    let chunks = sides.into_iter().filter(|&n| n > 0);
    FIRST_CHUNK
        + chunks.map(|n| side_chunk_length(n as u64)).sum::<u64>()
        + side_chunk_length(END_PAYLOAD as u64)
}

fn write_part<R: Read + Seek, W: Write + Seek>(
    reel: &mut ReelFile<R>,
    sink: W,
    settings: &Settings,
    poster: &[u8],
    (part, parts, end): (u16, u16, u64),
) -> Result<(W, Summary), SplitError> {
    let mut writer = None;
    let mut sink = Some(sink);
    while let Some(piece) = reel.next_piece()? {
        let whole = undamaged(piece)?;
        if writer.is_none() {
            let Some(sink) = sink.take() else { break };
            let start = Start {
                part,
                parts,
                tick: whole.header.time,
                picture: whole.header.first_picture,
                reel_duration: Some(reel.header().reel_duration),
                reel_id: Some(reel.header().reel_id),
            };
            let settings = Settings {
                start,
                ..settings.clone()
            };
            let whole = reel.header();
            let worst = (whole.worst_bus_bytes, whole.worst_instructions);
            let made = writer.insert(ReelWriter::new(sink, &settings, Some(poster))?);
            made.set_worst(worst.0, worst.1);
        }
        if let Some(writer) = &mut writer {
            writer.copy(&whole.header, &whole.slice)?;
        }
        if whole.header.end() >= end {
            break;
        }
    }
    match writer {
        Some(writer) => Ok(writer.finish()?),
        None => Err(SplitError::Damaged(ReelError::at(
            super::error::ErrorKind::Truncated,
            0,
        ))),
    }
}
