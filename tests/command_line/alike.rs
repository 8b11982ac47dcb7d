//! Another clip than the reel's is noticed, and another time of a fixed camera.

use std::path::Path;

use crate::common::media::{ffmpeg, folder, packaged};
use crate::thumbreel;

fn answer(folder: &Path, line: &str) -> (Option<i32>, String) {
    let done = thumbreel(folder).args(line.split(' ')).output().unwrap();
    let said = String::from_utf8_lossy(&done.stderr).into_owned();
    (done.status.code(), said)
}

/// People walk over a yard before a camera that stands still.
#[test]
fn another_time_of_a_fixed_camera_is_noticed_and_the_right_one_named() {
    let folder = folder();
    let path = folder.path();
    let yard = packaged("vtest.avi");
    let cut = |from: &str, name: &str| {
        let form = "-vf scale=192:144 -r 10 -an -c:v mpeg4 -q:v 3";
        ffmpeg(
            path,
            &format!("-ss {from} -t 8 -i {} {form} {name}", yard.display()),
        );
    };
    cut("0", "yard.mp4");
    cut("20", "later.mp4");
    let convert = "convert yard.mp4 --board lantern-room --duration 4";
    assert_eq!(answer(path, convert).0, Some(0));
    assert_eq!(answer(path, "compare yard.tbr yard.mp4").0, Some(0));
    for (line, out) in [
        (
            "compare yard.tbr yard.mp4 --clip-from 4",
            "--clip-from 0.000",
        ),
        (
            "report yard.tbr --board lantern-room --clip yard.mp4 --clip-from 4",
            "--clip-from 0.000",
        ),
        ("compare yard.tbr later.mp4", "no part of it fits"),
    ] {
        let (code, said) = answer(path, line);
        assert_eq!(code, Some(1), "{line}: {said}");
        for words in ["what moves in them", out] {
            assert!(said.contains(words), "{line}: {said}");
        }
    }
}

#[test]
fn a_clip_that_ends_before_its_reel_is_noticed() {
    let folder = folder();
    let path = folder.path();
    crate::clip(path, "a.mp4", 2);
    crate::clip(path, "b.mp4", 1);
    let convert = "convert a.mp4 --board lantern-room";
    assert_eq!(answer(path, convert).0, Some(0));
    for (clip, told) in [("a.mp4", false), ("b.mp4", true)] {
        let line = format!("compare a.tbr {clip}");
        let done = thumbreel(path).args(line.split(' ')).output().unwrap();
        let said = String::from_utf8(done.stdout).unwrap();
        let note = "10 of the reel's pictures were not compared";
        assert_eq!(said.contains(note), told, "{line}: {said}");
    }
}
