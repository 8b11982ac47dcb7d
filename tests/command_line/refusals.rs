//! Typical mistakes: each is named, with its way out.

use crate::common::media::{ffmpeg, folder};
use crate::{clip, names, thumbreel};

#[test]
fn mistakes_are_named_with_their_way_out() {
    let folder = folder();
    let path = folder.path();
    clip(path, "a.mp4", 1);
    clip(path, "b.mp4", 1);
    ffmpeg(path, "-f lavfi -i sine=440:d=1 tone.wav");
    std::fs::write(path.join("text.mp4"), "a letter\n".repeat(99)).unwrap();
    std::fs::write(path.join("taken.tbr"), b"here").unwrap();
    std::fs::create_dir(path.join("reels")).unwrap();
    let before = names(path);
    for (arguments, code, said) in [
        ("convert a.mp4", 2, "--board"),
        ("convert --board lantern-room", 2, "CLIP"),
        ("convert a.mp4 --board lantern-rom", 2, "lantern-room"),
        ("convert a.mp4 --board lantern-room --sise 9x9", 2, "--size"),
        ("convert missing.mp4 --board lantern-room", 1, "missing.mp4"),
        ("convert reels --board lantern-room", 2, "reels/*.mp4"),
        ("convert text.mp4 --board lantern-room", 1, "not a clip"),
        ("convert tone.wav --board lantern-room", 1, "no pictures"),
        (
            "convert a.mp4 --board lantern-room --size 900x900",
            2,
            "240x240",
        ),
        (
            "convert a.mp4 --board lantern-room --size 9",
            2,
            "WIDTHxHEIGHT",
        ),
        (
            "convert a.mp4 --board lantern-room --frame-rate 0",
            2,
            "30000/1001",
        ),
        (
            "convert a.mp4 --board lantern-room --frame-rate 9999",
            2,
            "--frame-rate",
        ),
        ("convert a.mp4 --board lantern-room --from 99", 2, "earlier"),
        (
            "convert a.mp4 --board lantern-room --from 5 --to 3",
            2,
            "--to",
        ),
        (
            "convert a.mp4 --board lantern-room --to 3 --duration 3",
            2,
            "cannot stand with --duration",
        ),
        (
            "convert a.mp4 --board lantern-room --sound-track 7",
            2,
            "it has: 1",
        ),
        (
            "convert a.mp4 --board lantern-room --sound-rate 1",
            2,
            "8000",
        ),
        (
            "convert a.mp4 --board lantern-room -o taken.tbr",
            1,
            "--overwrite",
        ),
        (
            "convert a.mp4 --board lantern-room -o reels/no/x.tbr",
            1,
            "make the folder first",
        ),
        (
            "convert a.mp4 b.mp4 --board lantern-room -o one.tbr",
            2,
            "folder",
        ),
        ("convert a.mp4 a.mp4 --board lantern-room", 2, "two clips"),
        ("convert - --board lantern-room", 2, "--output"),
        (
            "convert taken.tbr --board lantern-room",
            2,
            "has the name of a reel",
        ),
        ("convert a.mp4 --board lantern-room --jobs 0", 2, "--jobs"),
        ("demo a.mp4", 1, "a.mp4"),
        ("demo reels --board nowhere", 2, "nowhere"),
    ] {
        let done = thumbreel(path)
            .args(arguments.split(' '))
            .write_stdin("")
            .output()
            .unwrap();
        let error = String::from_utf8_lossy(&done.stderr);
        assert_eq!(done.status.code(), Some(code), "{arguments}: {error}");
        assert!(
            error.contains(said),
            "{arguments}: {said:?} is not in: {error}"
        );
        assert!(!error.contains("panicked"), "{error}");
        assert!(done.stdout.is_empty(), "{arguments}: {:?}", done.stdout);
        assert_eq!(names(path), before, "{arguments} left something");
    }
}

#[test]
fn an_unwritable_folder_is_named() {
    let folder = folder();
    clip(folder.path(), "a.mp4", 1);
    // /proc takes no files, whoever asks.
    let done = thumbreel(folder.path())
        .args([
            "convert",
            "a.mp4",
            "--board",
            "lantern-room",
            "-o",
            "/proc/a.tbr",
        ])
        .output()
        .unwrap();
    assert_eq!(done.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&done.stderr).contains("/proc/a.tbr"));
}
