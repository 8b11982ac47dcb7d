//! What the container costs.

use crate::common::reels::{bytes, write_reel};
use std::io::Cursor;
use thumbreel::reel::{Picture, ReelFile, Settings, Slice, SoundCoding, Survey};
use thumbreel::units::Ratio;

/// Ten seconds of raw 240x240 pictures, 15 a second, with 16-bit sound: one
/// picture a slice, as a board with little memory has it.
fn raw_reel() -> Vec<u8> {
    let settings = Settings {
        clock_rate: 24_000,
        rate: Ratio { num: 15, den: 1 },
        sound: SoundCoding::PcmS16,
        ..Settings::default()
    };
    let frame = bytes(1, 12 + 240 * 240 * 2);
    let slice = |i: u64| {
        let picture = Picture {
            key: true,
            bytes: frame.clone(),
            ..Picture::default()
        };
        Slice::new(i * 1600, 1600, vec![0; 3200], vec![picture])
    };
    let poster = bytes(2, 240 * 240 * 2);
    let slices: Vec<Slice> = (0..150).map(slice).collect();
    write_reel(&settings, Some(&poster), &slices).0
}

#[test]
fn a_raw_reel_spends_under_one_percent_on_its_container() {
    let reel = raw_reel();
    let survey = Survey::read(&mut ReelFile::new(Cursor::new(&reel)).unwrap()).unwrap();
    let carried = 150 * (3200 + 12 + 240 * 240 * 2) + 240 * 240 * 2;
    let overhead = (reel.len() - carried) as f64 / reel.len() as f64;
    assert!((survey.overhead() - overhead).abs() < 1e-9);
    assert!(overhead < 0.003, "{overhead}");
}

#[test]
fn inspect_prints_the_cost() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("raw.tbr");
    std::fs::write(&path, raw_reel()).unwrap();
    let mut inspect = assert_cmd::Command::cargo_bin("thumbreel").unwrap();
    let text = inspect.arg("inspect").arg(&path).assert().success();
    let text = String::from_utf8(text.get_output().stdout.clone()).unwrap();
    let line = text
        .lines()
        .find(|l| l.trim_start().starts_with("container"));
    let share: f64 = line
        .and_then(|l| l.split_whitespace().nth(1))
        .and_then(|n| n.parse().ok())
        .unwrap();
    assert!(share > 0.0 && share < 1.0, "{share}");
    // 48 header, 3200 + 4 sound, 16 + 4 directory, 115,212 + 15 x 4 picture: 118,544
    // bytes, whole sixteens, 15 a second.
    assert!(text.contains("mean 1,778,160 bytes/s"), "{text}");
}
