//! What lies in a slice's payload: the sound block, then each picture.

use super::chunk::{ChunkHeader, PICTURE_HEADER, PictureHeader};
use super::error::ErrorKind;
use super::header::Header;
use super::layout::{align4, limit, require};
use core::ops::Range;

/// A piece of a slice, as a range of its payload.
pub(crate) enum Part {
    Sound(Range<usize>),
    /// Its place in the slice, its header, its payload.
    Picture(u16, PictureHeader, Range<usize>),
}

/// How far a slice has been taken apart.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Cursor {
    at: usize,
    /// Parts handed out: the sound block first, if any, then pictures.
    sound_done: bool,
    pictures: u16,
}

/// Checks a slice's header against what the reel's header promises.
pub(crate) fn check_limits(header: &Header, h: &ChunkHeader) -> Result<(), ErrorKind> {
    limit("length", h.length.into(), header.largest_chunk.into())?;
    limit("pictures", h.pictures.into(), header.most_pictures.into())?;
    limit("ticks", h.ticks.into(), header.most_ticks.into())?;
    limit(
        "sound_bytes",
        h.sound_bytes.into(),
        header.largest_sound.into(),
    )?;
    if let Some(end) = header.end_tick() {
        limit("time", h.end(), end)?;
    }
    require(
        u64::from(h.sound_bytes) == header.sound.block_bytes(h.ticks),
        "sound_bytes",
    )
}

/// Checks every rule inside a slice, so that taking it apart cannot fail.
pub(crate) fn check(header: &Header, h: &ChunkHeader, payload: &[u8]) -> Result<(), ErrorKind> {
    let mut at = check_sound(h, payload)?;
    let mut earliest = 0;
    for i in 0..h.pictures {
        let (picture, start) = picture_at(payload, at)?;
        check_picture(header, h, &picture)?;
        require(picture.tick_offset >= earliest, "tick_offset")?;
        require(i > 0 || picture.is_key() == h.is_key(), "flags")?;
        at = padded_end(payload, start, picture.length as usize)?;
        earliest = picture.tick_offset + 1;
    }
    require(at == payload.len(), "used")
}

fn check_sound(h: &ChunkHeader, payload: &[u8]) -> Result<usize, ErrorKind> {
    padded_end(payload, 0, h.sound_bytes as usize)
}

fn check_picture(
    header: &Header,
    h: &ChunkHeader,
    picture: &PictureHeader,
) -> Result<(), ErrorKind> {
    require(picture.tick_offset < h.ticks, "tick_offset")?;
    limit(
        "picture",
        picture.length.into(),
        header.largest_picture.into(),
    )?;
    require(
        picture.coding == 0 || picture.coding == header.coding,
        "coding",
    )
}

fn picture_at(payload: &[u8], at: usize) -> Result<(PictureHeader, usize), ErrorKind> {
    let bytes = payload
        .get(at..)
        .and_then(|b| b.first_chunk::<PICTURE_HEADER>())
        .ok_or(ErrorKind::Field { name: "used" })?;
    Ok((PictureHeader::parse(bytes)?, at + PICTURE_HEADER))
}

/// Where the next part starts after `length` bytes at `start` and zeros up to a
/// multiple of four.
fn padded_end(payload: &[u8], start: usize, length: usize) -> Result<usize, ErrorKind> {
    let short = ErrorKind::Field { name: "used" };
    let end = start.checked_add(length).ok_or(short)?;
    let next = end.checked_next_multiple_of(4).ok_or(short)?;
    let padding = payload.get(end..next).ok_or(short)?;
    if padding.iter().any(|&b| b != 0) {
        return Err(ErrorKind::Reserved);
    }
    Ok(next)
}

/// The next part of a slice that [`check`] passed, and where to go on.
pub(crate) fn next_part(h: &ChunkHeader, payload: &[u8], cursor: Cursor) -> Option<(Part, Cursor)> {
    if !cursor.sound_done && h.sound_bytes > 0 {
        let sound = 0..h.sound_bytes as usize;
        let next = Cursor {
            at: align4(sound.end),
            sound_done: true,
            pictures: 0,
        };
        return Some((Part::Sound(sound), next));
    }
    if cursor.pictures == h.pictures {
        return None;
    }
    let (picture, start) = picture_at(payload, cursor.at).ok()?;
    let range = start..start + picture.length as usize;
    let next = Cursor {
        at: align4(range.end),
        sound_done: true,
        pictures: cursor.pictures + 1,
    };
    Some((Part::Picture(cursor.pictures, picture, range), next))
}
