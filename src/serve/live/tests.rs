//! What a stream carries, without a network: every join of a made reel is a
//! valid reel whose slices are those of the file, in order.

use super::*;
use crate::reel::{Picture, ReelFile, ReelWriter, Settings, Slice, SoundCoding, verify};
use std::io::{Cursor, Read, Seek, SeekFrom};

const RATE: u32 = 8000;
const SLICE_TICKS: u32 = 2000;
const NOTE: &str = "made by hand";

/// Twelve slices of a quarter second, every fourth a key.
fn made_reel() -> (File, Table) {
    let settings = Settings {
        width: 8,
        height: 8,
        clock_rate: RATE,
        sound: SoundCoding::PcmU8,
        note: NOTE.into(),
        ..Settings::default()
    };
    let mut writer = ReelWriter::new(Cursor::new(Vec::new()), &settings, Some(&[1; 4])).unwrap();
    for n in 0..12u8 {
        let key = n % 4 == 0;
        let picture = |at| Picture {
            tick_offset: at,
            key: key && at == 0,
            bytes: vec![n; 100],
            ..Picture::default()
        };
        let sound = vec![n; SLICE_TICKS as usize];
        let time = u64::from(n) * u64::from(SLICE_TICKS);
        let pictures = vec![picture(0), picture(1000)];
        writer
            .slice(&Slice::new(time, SLICE_TICKS, sound, pictures))
            .unwrap();
    }
    let (bytes, _) = writer.finish().unwrap();
    let mut file = tempfile::tempfile().unwrap();
    std::io::Write::write_all(&mut file, bytes.get_ref()).unwrap();
    let length = bytes.get_ref().len() as u64;
    let table = Table::read(&file, length).unwrap();
    (file, table)
}

/// The first `count` slices of a stream as the bytes a client gets.
fn received(file: &File, table: Table, join: Join, count: usize, ended: bool) -> Vec<u8> {
    let mut course = Course::new(Arc::new(table), join);
    let header = course.header();
    let mut bytes = vec![0; SECTOR];
    header.emit(bytes.first_chunk_mut().unwrap());
    bytes.extend_from_within(..);
    let mut tick = header.first_tick;
    let side = course.side(&header);
    let slices: Vec<Place> = std::iter::from_fn(|| course.slice()).take(count).collect();
    for place in side.iter().chain(&slices) {
        let mut chunk = vec![0; place.header.length as usize];
        let mut file = file;
        file.seek(SeekFrom::Start(place.offset)).unwrap();
        file.read_exact(&mut chunk).unwrap();
        place.header.emit(chunk.first_chunk_mut().unwrap());
        bytes.extend(chunk);
        tick = tick.max(place.header.end());
    }
    if ended {
        bytes.extend(course.end(&header, tick));
    }
    bytes
}

/// The slices that a reader finds in `bytes`, by the number in their sound.
fn slices(bytes: &[u8]) -> (Header, Vec<(u64, u8, usize)>, bool) {
    let mut reel = ReelFile::new(Cursor::new(bytes)).unwrap();
    assert_eq!(reel.note().unwrap().as_deref(), Some(NOTE));
    let header = *reel.header();
    let mut found = Vec::new();
    while let Some(slice) = reel.next_slice().unwrap() {
        found.push((slice.time, slice.sound[0], slice.pictures.len()));
    }
    assert!(reel.damage().is_empty(), "{:?}", reel.damage());
    (header, found, reel.end().is_some())
}

#[test]
fn from_a_time_it_begins_at_the_key_slice_before_and_ends_with_the_reel() {
    let (file, table) = made_reel();
    let join = Join::At(Duration::from_millis(1700));
    let (header, found, ended) = slices(&received(&file, table, join, 99, true));
    assert!(header.is_live() && ended);
    assert_eq!((header.first_tick, header.first_picture), (8000, 8));
    let numbers: Vec<u8> = found.iter().map(|&(_, n, _)| n).collect();
    assert_eq!(numbers, [4, 5, 6, 7, 8, 9, 10, 11]);
    assert!(found.iter().all(|&(_, _, pictures)| pictures == 2));
}

#[test]
fn a_running_reel_is_joined_at_the_next_key_slice_and_goes_round() {
    let (file, table) = made_reel();
    // Two whole turns of 3 s and 1.1 s: the next key slice is the ninth.
    let join = Join::Running(Duration::from_millis(7100));
    let (header, found, ended) = slices(&received(&file, table, join, 10, false));
    assert!(header.is_live() && !ended);
    assert_eq!(header.first_tick, 2 * 24_000 + 16_000);
    assert_eq!(header.first_picture, 2 * 24 + 16);
    let numbers: Vec<u8> = found.iter().map(|&(_, n, _)| n).collect();
    assert_eq!(numbers, [8, 9, 10, 11, 0, 1, 2, 3, 4, 5]);
    let times = found.iter().map(|&(time, _, _)| time);
    assert!(times.eq((0..10).map(|i| header.first_tick + i * u64::from(SLICE_TICKS))));
}

#[test]
fn after_the_last_key_slice_the_next_turn_is_joined() {
    let (file, table) = made_reel();
    let join = Join::Running(Duration::from_millis(2500));
    let (header, found, _) = slices(&received(&file, table, join, 2, false));
    assert_eq!(header.first_tick, 24_000);
    assert_eq!(found[0], (24_000, 0, 2));
}

#[test]
fn a_saved_stream_is_a_whole_reel_wherever_it_is_cut() {
    for (join, ended) in [
        (Join::At(Duration::from_millis(1700)), true),
        (Join::Running(Duration::from_millis(7100)), false),
    ] {
        let (file, table) = made_reel();
        let bytes = received(&file, table, join, 10, ended);
        for end in SECTOR..=bytes.len() {
            let verdict = verify(Cursor::new(&bytes[..end])).unwrap();
            assert!(verdict.is_whole(), "{end}: {:?}", verdict.findings);
        }
    }
}
