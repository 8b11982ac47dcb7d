//! What lies in a slice: the sound block, the directory, the pictures. Each is
//! a part with checksums of its own.

use super::chunk::{ChunkHeader, PictureHeader};
use super::error::{ErrorKind, PartName};
use super::header::Header;
use super::layout::{check_part, limit, part_length, require};
use core::ops::Range;

/// A part of a slice, as a range of its parts' bytes.
#[derive(Debug)]
pub(crate) enum Part {
    Sound(Range<usize>),
    /// Its place in the slice, its entry, its payload.
    Picture(u16, PictureHeader, Range<usize>),
    /// A part that is not in order.
    Lost(PartName, ErrorKind, Option<PictureHeader>),
}

/// How far a slice has been taken apart.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Cursor {
    stage: Stage,
    /// Where the next picture's part begins, and its place in the slice.
    at: usize,
    picture: u16,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
enum Stage {
    #[default]
    Sound,
    Directory,
    Pictures,
    Padding,
    Done,
}

/// Checks a chunk's header against what the reel's header promises.
pub(crate) fn check_limits(header: &Header, h: &ChunkHeader) -> Result<(), ErrorKind> {
    if h.is_slice() {
        limit("length", h.length.into(), header.largest_chunk.into())?;
        limit("pictures", h.pictures.into(), header.most_pictures.into())?;
        limit("ticks", h.ticks.into(), header.most_ticks.into())?;
        limit("bytes", h.bytes.into(), header.largest_sound.into())?;
    }
    if let Some(end) = header.end_tick() {
        limit("time", h.end(), end)?;
    }
    let fits = !h.is_slice() || header.sound.fits(h.ticks, h.bytes);
    require(fits, "bytes")
}

/// Where the directory lies in the parts of slice `h`.
fn directory(h: &ChunkHeader) -> Range<usize> {
    let start = part_length(h.bytes as usize);
    start..start + h.directory_bytes()
}

fn entry(h: &ChunkHeader, parts: &[u8], i: u16) -> Result<PictureHeader, ErrorKind> {
    PictureHeader::parse(
        &parts[directory(h)][usize::from(i) * h.entry_bytes()..],
        h,
        i,
    )
}

/// Checks the directory: its checksum, every entry, and that the pictures it
/// names fill the slice.
fn check_directory(header: &Header, h: &ChunkHeader, parts: &[u8]) -> Result<(), ErrorKind> {
    let place = directory(h);
    let mut at = place.start + part_length(place.len());
    check_part(&parts[place.start..at], place.len())?;
    let mut earliest = 0;
    for i in 0..h.pictures {
        let picture = entry(h, parts, i)?;
        check_picture(header, h, &picture)?;
        require(picture.tick_offset >= earliest, "tick_offset")?;
        require(i > 0 || picture.is_key() == h.is_key(), "flags")?;
        at += part_length(picture.length as usize);
        earliest = picture.tick_offset + 1;
    }
    // A newer writer may put more behind the last part.
    require(
        at == parts.len() || header.is_newer() && at < parts.len(),
        "used",
    )
}

fn check_picture(header: &Header, h: &ChunkHeader, p: &PictureHeader) -> Result<(), ErrorKind> {
    require(p.tick_offset < h.ticks, "tick_offset")?;
    limit("picture", p.length.into(), header.largest_picture.into())
}

/// The next part of a slice whose header is in order, checked, and where to go
/// on. `chunk` is the whole chunk.
pub(crate) fn next_part(
    header: &Header,
    h: &ChunkHeader,
    chunk: &[u8],
    mut cursor: Cursor,
) -> Option<(Part, Cursor)> {
    let parts = &chunk[h.parts()];
    loop {
        let part = match cursor.stage {
            Stage::Sound => {
                cursor.stage = Stage::Directory;
                sound(header, h, parts)
            }
            Stage::Directory => {
                let (part, stage) = open_directory(header, h, parts);
                cursor.stage = stage;
                let place = directory(h);
                cursor.at = place.start + part_length(place.len());
                part
            }
            Stage::Pictures if cursor.picture < h.pictures => Some(picture(h, parts, &mut cursor)),
            Stage::Pictures => {
                cursor.stage = Stage::Padding;
                None
            }
            Stage::Padding => {
                cursor.stage = Stage::Done;
                let padding = super::chunk::check_padding(h, chunk).err();
                padding
                    .filter(|_| !header.is_newer())
                    .map(|kind| Part::Lost(PartName::Padding, kind, None))
            }
            Stage::Done => return None,
        };
        if let Some(part) = part {
            return Some((part, cursor));
        }
    }
}

fn sound(header: &Header, h: &ChunkHeader, parts: &[u8]) -> Option<Part> {
    let n = h.bytes as usize;
    if header.sound == super::header::SoundCoding::None {
        return None;
    }
    Some(match check_part(&parts[..part_length(n)], n) {
        Ok(()) => Part::Sound(0..n),
        Err(kind) => Part::Lost(PartName::Sound, kind, None),
    })
}

fn open_directory(header: &Header, h: &ChunkHeader, parts: &[u8]) -> (Option<Part>, Stage) {
    match check_directory(header, h, parts) {
        Ok(()) => (None, Stage::Pictures),
        Err(kind) => (
            Some(Part::Lost(PartName::Directory, kind, None)),
            Stage::Padding,
        ),
    }
}

fn picture(h: &ChunkHeader, parts: &[u8], cursor: &mut Cursor) -> Part {
    let place = cursor.picture;
    cursor.picture += 1;
    let entry = match entry(h, parts, place) {
        Ok(entry) => entry,
        Err(kind) => return Part::Lost(PartName::Picture(place), kind, None),
    };
    let (start, n) = (cursor.at, entry.length as usize);
    cursor.at += part_length(n);
    let part = parts.get(start..cursor.at).unwrap_or(&[]);
    match check_part(part, n) {
        Ok(()) => Part::Picture(place, entry, start..start + n),
        Err(kind) => Part::Lost(PartName::Picture(place), kind, Some(entry)),
    }
}
