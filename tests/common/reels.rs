//! Small reels made by hand: synthetic payloads under the real container.

use super::faults::Chance;
use std::io::Cursor;
use thumbreel::reel::{
    Event, Header, Mounting, Picture, Reader, ReelFile, ReelWriter, Settings, Slice, SoundCoding,
    Summary, Survey, crc32,
};
use thumbreel::units::Ratio;

/// `n` repeatable bytes.
pub fn bytes(seed: u64, n: usize) -> Vec<u8> {
    let mut chance = Chance::new(seed);
    (0..n).map(|_| chance.below(256) as u8).collect()
}

/// Settings of a tiny reel: 16x12 pixels, 8 kHz sound, 10 frames per second.
pub fn tiny_settings() -> Settings {
    Settings {
        width: 16,
        height: 12,
        offset: (26, 1),
        mounting: Mounting {
            turns: 1,
            mirror: true,
        },
        clock_rate: 8000,
        rate: Ratio { num: 10, den: 1 },
        sound: SoundCoding::PcmU8,
        coding: 2,
        level: 1,
        working_memory: Header::least_memory(2, 16, 12),
        title: "Harbour at dusk".into(),
        note: "made by hand".into(),
        tables: vec![7; 20],
        index_step_ms: 50,
        ..Settings::default()
    }
}

pub fn tiny_poster() -> Vec<u8> {
    bytes(99, 24)
}

/// Slice `i` of a tiny reel: 25 ms, one picture in each, every third a key
/// slice, every fourth picture unchanged unless it is a key picture, every fifth
/// larger than the others.
pub fn tiny_slice(i: u64) -> Slice {
    let key = i.is_multiple_of(3);
    let unchanged = !key && i % 4 == 1;
    let length = match i {
        _ if unchanged => 0,
        _ if i % 5 == 4 => 300 + i as usize,
        _ => 5 + i as usize * 3,
    };
    let picture = Picture {
        tick_offset: (i % 3) as u32,
        key,
        unchanged,
        bytes: bytes(2 * i + 2, length),
    };
    Slice::new(
        i * TINY_TICKS,
        TINY_TICKS as u32,
        bytes(2 * i + 1, TINY_TICKS as usize),
        vec![picture],
    )
}

/// Ticks in a tiny slice.
pub const TINY_TICKS: u64 = 200;

pub fn tiny_slices(n: u64) -> Vec<Slice> {
    (0..n).map(tiny_slice).collect()
}

/// Writes `slices` under `settings` and returns the file's bytes.
pub fn write_reel(
    settings: &Settings,
    poster: Option<&[u8]>,
    slices: &[Slice],
) -> (Vec<u8>, Summary) {
    let mut writer = ReelWriter::new(Cursor::new(Vec::new()), settings, poster).unwrap();
    for slice in slices {
        writer.slice(slice).unwrap();
    }
    let (sink, summary) = writer.finish().unwrap();
    (sink.into_inner(), summary)
}

/// A tiny reel of `n` slices with everything a reel can carry.
pub fn tiny_reel(n: u64) -> Vec<u8> {
    write_reel(&tiny_settings(), Some(&tiny_poster()), &tiny_slices(n)).0
}

/// The header of a whole reel.
pub fn header_of(reel: &[u8]) -> Header {
    Header::parse(reel[..512].try_into().unwrap()).unwrap()
}

/// Every slice that can be read, damage passed over, as a player presents it.
pub fn read_slices(reel: &[u8]) -> Vec<Slice> {
    let Ok(mut file) = ReelFile::new(Cursor::new(reel)) else {
        return Vec::new();
    };
    let mut slices = Vec::new();
    while let Some(slice) = file.next_slice().unwrap() {
        slices.push(slice);
    }
    slices
}

/// The end of each slice chunk of a whole reel, as an offset.
pub fn slice_ends(reel: &[u8]) -> Vec<(u64, u64)> {
    let mut file = ReelFile::new(Cursor::new(reel)).unwrap();
    Survey::read(&mut file)
        .unwrap()
        .slices
        .iter()
        .map(|s| (s.offset, s.offset + u64::from(s.header.length)))
        .collect()
}

/// Every event as text, whatever the pieces: `pieces` says how many bytes to
/// supply next.
pub fn events(reel: &[u8], mut pieces: impl FnMut() -> usize) -> Vec<String> {
    let mut reader = Reader::new(vec![0; 1 << 16]);
    let mut at = 0;
    let mut seen = Vec::new();
    while !reader.is_finished() {
        if reader.need().length > 0 {
            if at == reel.len() {
                reader.end_of_input();
            }
            let end = reel.len().min(at + pieces().max(1));
            at += reader.supply(&reel[at..end]);
        }
        match reader.next() {
            Err(error) => {
                seen.push(format!("{error}"));
                return seen;
            }
            Ok(Some(event)) => seen.push(event_text(&event)),
            Ok(None) => {}
        }
        assert!(seen.len() < 100_000, "the reader does not come to an end");
    }
    seen
}

/// Bytes by their checksum, so that a difference can be read.
fn event_text(event: &Event<'_>) -> String {
    match event {
        Event::Chunk(h, bytes) => format!("{h:?} {:08x}", crc32(bytes)),
        Event::Sound { tick, ticks, bytes } => {
            format!("sound {tick} {ticks} {:08x}", crc32(bytes))
        }
        Event::Picture {
            tick,
            number,
            header,
            bytes,
        } => format!("picture {tick} {number} {header:?} {:08x}", crc32(bytes)),
        other => format!("{other:?}"),
    }
}
