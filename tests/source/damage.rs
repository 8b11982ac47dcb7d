//! Damaged clips: what can be shown is shown, what cannot is counted.

use std::collections::HashMap;

use thumbreel::source::OpenOptions;

use crate::common::media::{ffmpeg, folder, packaged};
use crate::{open, open_with, plane};

#[test]
fn a_clip_cut_inside_a_group_of_pictures_shows_only_whole_pictures() {
    let folder = folder();
    for codec in [
        "libx264 -g 25 -bf 2",
        "mpeg2video -g 25 -bf 2",
        "mpeg4 -g 25",
    ] {
        ffmpeg(
            folder.path(),
            &format!("-f lavfi -i testsrc2=s=160x120:r=25:d=4 -c:v {codec} whole.ts"),
        );
        let bytes = std::fs::read(folder.path().join("whole.ts")).unwrap();
        let cut = bytes.len() / 188 * 3 / 8 * 188;
        std::fs::write(folder.path().join("cut.ts"), &bytes[cut..]).unwrap();
        let whole = open(&folder.path().join("whole.ts"));
        let key = |time: i64| time / 1000;
        let by_time: HashMap<i64, _> = whole
            .pictures
            .iter()
            .map(|p| (key(p.time.0 + whole.origin), plane(p, 0)))
            .collect();
        let cut = open(&folder.path().join("cut.ts"));
        assert!(cut.pictures.len() >= 25, "{codec}: {}", cut.pictures.len());
        for picture in &cut.pictures {
            let theirs = &by_time[&key(picture.time.0 + cut.origin)];
            assert!(
                plane(picture, 0) == *theirs,
                "{codec}: a broken picture was shown"
            );
        }
    }
}

#[test]
fn damaged_packets_are_skipped_and_counted() {
    let folder = folder();
    ffmpeg(
        folder.path(),
        "-f lavfi -i testsrc2=s=160x120:r=25:d=4 -f lavfi -i sine=440:d=4 -c:v libx264 -g 10 -c:a mp3 good.mkv",
    );
    let mut bytes = std::fs::read(folder.path().join("good.mkv")).unwrap();
    let length = bytes.len();
    for place in (length / 3..length / 2).step_by(97) {
        bytes[place] ^= 0x5A;
    }
    std::fs::write(folder.path().join("bad.mkv"), bytes).unwrap();
    let whole = open(&folder.path().join("bad.mkv"));
    assert!(
        whole.damage.packets > 0 || whole.damage.pictures_concealed > 0,
        "{:?}",
        whole.damage
    );
    assert!(whole.pictures.len() > 50, "{}", whole.pictures.len());
    let end = *whole.times().last().unwrap();
    assert!((end - 3.96).abs() < 0.05, "the rest still plays: {end}");
    assert!(
        (whole.sound_end() - 4.0).abs() < 0.2,
        "{}",
        whole.sound_end()
    );
}

#[test]
fn a_file_that_breaks_off_plays_up_to_there() {
    let folder = folder();
    ffmpeg(
        folder.path(),
        "-f lavfi -i testsrc2=s=160x120:r=25:d=4 -c:v libx264 -g 10 good.mkv",
    );
    let bytes = std::fs::read(folder.path().join("good.mkv")).unwrap();
    std::fs::write(folder.path().join("half.mkv"), &bytes[..bytes.len() / 2]).unwrap();
    let whole = open(&folder.path().join("half.mkv"));
    assert!(
        (20..90).contains(&whole.pictures.len()),
        "{}",
        whole.pictures.len()
    );
}

#[test]
fn threads_do_not_change_what_is_decoded() {
    // Two of these real clips hold damaged packets.
    for name in ["bigbuckbunny.mp4", "box.mp4", "cup.mp4", "vtest.avi"] {
        let sums = [1, 2, 5].map(|threads| {
            let options = OpenOptions {
                threads,
                ..OpenOptions::default()
            };
            let whole = open_with(&packaged(name), &options);
            let mut sum = crc32fast::Hasher::new();
            for picture in &whole.pictures {
                (0..3).for_each(|i| sum.update(&plane(picture, i).2));
                sum.update(&picture.time.0.to_le_bytes());
            }
            whole.left.iter().for_each(|s| sum.update(&s.to_le_bytes()));
            (sum.finalize(), whole.damage)
        });
        assert!(sums.iter().all(|s| *s == sums[0]), "{name}: {sums:?}");
    }
}
