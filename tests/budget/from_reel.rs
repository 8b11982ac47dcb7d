//! A reel's facts are those of the file.

use std::io::Cursor;
use thumbreel::budget::{PictureCoding, ReelFacts, SoundCoding};
use thumbreel::reel::{self, Picture, ReelFile, ReelWriter, Slice};

/// A raw picture of white rectangles, as the format text has its payload.
fn picture(tick_offset: u32, rects: &[[u16; 4]], key: bool) -> Picture {
    let mut bytes = vec![rects.len() as u8, 0, 0, 0];
    for rect in rects {
        bytes.extend(rect.iter().flat_map(|n| n.to_le_bytes()));
        let pixels = usize::from(rect[2]) * usize::from(rect[3]);
        bytes.extend(vec![0xFF; 2 * pixels]);
    }
    Picture {
        tick_offset,
        key,
        unchanged: false,
        bytes,
    }
}

#[test]
fn sizes_times_and_costs_are_read_back() {
    let settings = reel::Settings {
        width: 64,
        height: 48,
        sound: reel::SoundCoding::PcmU8,
        clock_rate: 8000,
        ..reel::Settings::default()
    };
    let mut writer = ReelWriter::new(Cursor::new(Vec::new()), &settings, None).unwrap();
    writer
        .slice(&Slice::new(
            0,
            1000,
            vec![128; 1000],
            vec![
                picture(0, &[[0, 0, 64, 48]], true),
                picture(500, &[[8, 8, 16, 8], [0, 40, 4, 2]], false),
            ],
        ))
        .unwrap();
    writer
        .slice(&Slice::new(
            1000,
            600,
            vec![128; 600],
            vec![
                picture(10, &[[1, 1, 2, 2]], false),
                Picture {
                    tick_offset: 20,
                    unchanged: true,
                    ..Picture::default()
                },
            ],
        ))
        .unwrap();
    let (bytes, _) = writer.finish().unwrap();
    let length = bytes.get_ref().len() as u64;
    let facts = ReelFacts::of(ReelFile::new(Cursor::new(bytes.into_inner())).unwrap()).unwrap();
    assert_eq!((facts.width, facts.height), (64, 48));
    assert_eq!(
        (facts.coding, facts.sound),
        (PictureCoding::Raw, SoundCoding::Pcm8)
    );
    assert_eq!(facts.slices.len(), 2);
    // 48 header, 1000 + 4 sound, 8 + 4 directory (two entries of 3 bytes), pictures of
    // 4 + 8 + 6144 and 4 + 8 + 256 + 8 + 16, each with 4 bytes of checksum.
    assert_eq!(
        facts.slices[0].bytes,
        (48 + 1004 + 12 + 6160 + 296_u32).next_multiple_of(16)
    );
    assert_eq!((facts.slices[1].tick, facts.slices[1].ticks), (1000, 600));
    let ticks: Vec<u64> = facts.pictures.iter().map(|p| p.tick).collect();
    assert_eq!(ticks, [0, 500, 1010, 1020]);
    let sent: Vec<_> = facts
        .pictures
        .iter()
        .map(|p| (p.windows, p.pixels))
        .collect();
    assert_eq!(sent, [(1, 64 * 48), (2, 16 * 8 + 4 * 2), (1, 4), (0, 0)]);
    assert!(facts.total_bytes <= length && facts.total_bytes > 7000);
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

/// A raw picture may be larger than patch allows (the format's limit is 1024 on a side).
#[test]
fn a_raw_picture_on_a_large_panel_is_weighed_too() {
    let settings = reel::Settings {
        width: 600,
        height: 20,
        clock_rate: 8000,
        ..reel::Settings::default()
    };
    let mut writer = ReelWriter::new(Cursor::new(Vec::new()), &settings, None).unwrap();
    let whole = picture(0, &[[0, 0, 600, 20]], true);
    writer
        .slice(&Slice::new(0, 1000, Vec::new(), vec![whole]))
        .unwrap();
    let (bytes, _) = writer.finish().unwrap();
    let facts = ReelFacts::of(ReelFile::new(Cursor::new(bytes.into_inner())).unwrap()).unwrap();
    assert_eq!(
        (facts.pictures[0].windows, facts.pictures[0].pixels),
        (1, 600 * 20)
    );
}
