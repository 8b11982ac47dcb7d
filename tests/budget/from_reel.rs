//! A reel's facts are those of the file.

use std::io::Cursor;
use thumbreel::budget::{PictureCoding, ReelFacts, SoundCoding};
use thumbreel::reel::{self, Picture, ReelFile, ReelWriter, Slice};

fn picture(tick_offset: u32, bytes: usize, key: bool) -> Picture {
    Picture {
        tick_offset,
        coding: 2,
        key,
        unchanged: bytes == 0,
        windows: 3,
        cost: 1234,
        bus_bytes: 33 + 500,
        bytes: vec![7; bytes],
    }
}

#[test]
fn sizes_times_and_costs_are_read_back() {
    let settings = reel::Settings {
        width: 64,
        height: 48,
        coding: 2,
        level: 1,
        sound: reel::SoundCoding::PcmU8,
        clock_rate: 8000,
        working_memory: 15_000,
        ..reel::Settings::default()
    };
    let mut writer = ReelWriter::new(Cursor::new(Vec::new()), &settings, None).unwrap();
    writer
        .slice(&Slice::new(
            0,
            1000,
            vec![128; 1000],
            vec![picture(0, 300, true), picture(500, 41, false)],
        ))
        .unwrap();
    writer
        .slice(&Slice::new(
            1000,
            600,
            vec![128; 600],
            vec![picture(10, 1, false)],
        ))
        .unwrap();
    let (bytes, _) = writer.finish().unwrap();
    let length = bytes.get_ref().len() as u64;
    let facts = ReelFacts::of(ReelFile::new(Cursor::new(bytes.into_inner())).unwrap()).unwrap();
    assert_eq!(
        (facts.width, facts.height, facts.working_bytes),
        (64, 48, 15_000)
    );
    assert_eq!(
        (facts.coding, facts.sound),
        (PictureCoding::PatchLight, SoundCoding::Pcm8)
    );
    assert_eq!(facts.slices.len(), 2);
    // 48 header, 1000 + 4 sound, 32 + 4 directory, 300 + 4 and 44 + 4 pictures.
    assert_eq!(facts.slices[0].bytes, 1440);
    assert_eq!((facts.slices[1].tick, facts.slices[1].ticks), (1000, 600));
    let ticks: Vec<u64> = facts.pictures.iter().map(|p| p.tick).collect();
    assert_eq!(ticks, [0, 500, 1010]);
    assert!(
        facts
            .pictures
            .iter()
            .all(|p| p.pixels == 250 && p.windows == 3 && p.instructions == 1280)
    );
    assert!(facts.total_bytes <= length && facts.total_bytes > 1440);
    assert_eq!(facts.ticks(), 1600);
}

#[test]
fn a_file_that_is_no_reel_is_named() {
    let file = tempfile::NamedTempFile::new().unwrap();
    std::fs::write(file.path(), b"not a reel").unwrap();
    let error = ReelFacts::read(file.path()).unwrap_err().to_string();
    assert!(
        error.contains(&file.path().display().to_string()),
        "{error}"
    );
}
