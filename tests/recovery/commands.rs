//! verify and repair as they are typed.

use crate::common::reels::{bytes, slice_ends, tiny_reel, tiny_settings, tiny_slices, write_reel};
use assert_cmd::Command;
use predicates::str::contains;
use std::path::{Path, PathBuf};
use thumbreel::reel::{Picture, Settings, Slice, SoundCoding};

fn thumbreel(args: &[&str], paths: &[&Path]) -> assert_cmd::assert::Assert {
    let mut command = Command::cargo_bin("thumbreel").unwrap();
    command.args(args).args(paths).assert()
}

fn kept(folder: &Path, name: &str, reel: &[u8]) -> PathBuf {
    let path = folder.join(name);
    std::fs::write(&path, reel).unwrap();
    path
}

fn archive(name: &str) -> PathBuf {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    root.join("tests/data/archive/v1").join(name)
}

#[test]
fn verify_tells_whole_reels_from_damaged_ones() {
    let folder = tempfile::tempdir().unwrap();
    let mut damaged = std::fs::read(archive("raw-pcm16.tbr")).unwrap();
    let (at, _) = slice_ends(&damaged)[2];
    damaged[at as usize + 5000] ^= 4;
    let damaged = kept(folder.path(), "damaged.tbr", &damaged);
    let whole = archive("raw-pcm16.tbr");
    thumbreel(&["verify"], &[&whole])
        .code(0)
        .stdout(contains("whole, 6 slices, 0:02.000"));
    let place = thumbreel::reel::ReelFile::open(&whole).unwrap();
    assert_eq!(place.header().slice_count, 6);
    let both = thumbreel(&["verify"], &[&whole, &damaged]).code(1);
    let text = String::from_utf8(both.get_output().stdout.clone()).unwrap();
    let grouped = format!("byte {},{:03}", at / 1000, at % 1000);
    assert!(text.contains(&grouped), "{text}");
    assert!(text.contains("0:00.666 to 0:01.000 is lost"), "{text}");
    assert!(text.contains("thumbreel repair"), "{text}");
}

#[test]
fn verify_decodes_what_the_container_carries() {
    // A whole container around a picture that is none.
    let settings = Settings {
        coding: 0,
        level: 0,
        sound: SoundCoding::None,
        ..tiny_settings()
    };
    let picture = Picture {
        key: true,
        bytes: bytes(4, 40),
        ..Picture::default()
    };
    let slice = Slice::new(0, 800, Vec::new(), vec![picture]);
    let folder = tempfile::tempdir().unwrap();
    let path = kept(
        folder.path(),
        "odd.tbr",
        &write_reel(&settings, None, &[slice]).0,
    );
    thumbreel(&["verify"], &[&path])
        .code(1)
        .stdout(contains("(chunk 2)"));
    thumbreel(&["verify", "--no-decode"], &[&path]).code(0);
}

#[test]
fn verify_names_what_it_cannot_read() {
    let folder = tempfile::tempdir().unwrap();
    thumbreel(&["verify"], &[&folder.path().join("none.tbr")])
        .code(1)
        .stderr(contains("none.tbr"));
    let text = kept(
        folder.path(),
        "text.tbr",
        b"Dear museum, the lamp is out again.",
    );
    thumbreel(&["verify"], &[&text])
        .code(1)
        .stderr(contains("not a reel"));
    thumbreel(&["inspect"], &[&text])
        .code(1)
        .stderr(contains("not a reel"));
}

#[test]
fn repair_tells_what_is_lost_and_spares_what_is_there() {
    let folder = tempfile::tempdir().unwrap();
    let mut reel = tiny_reel(9);
    let (at, _) = slice_ends(&reel)[4];
    reel[at as usize + 20] ^= 1;
    reel.truncate(slice_ends(&tiny_reel(9))[7].1 as usize + 100);
    let cut = kept(folder.path(), "cut.tbr", &reel);
    let new = folder.path().join("new.tbr");
    let out = new.to_str().unwrap();
    thumbreel(&["repair", "-o", out], &[&cut])
        .code(0)
        .stdout(contains("lost from 0:00.100 to 0:00.125"))
        .stdout(contains("lost from 0:00.200 to 0:00.225"))
        .stdout(contains("7 slices saved, 0:00.050 lost"));
    thumbreel(&["verify", "--no-decode"], &[&new])
        .code(0)
        .stdout(contains("1 gap where a repair found nothing"));
    let before = std::fs::read(&new).unwrap();
    thumbreel(&["repair", "-o", out], &[&cut])
        .code(1)
        .stderr(contains("--overwrite"));
    assert!(std::fs::read(&new).unwrap() == before);
    thumbreel(&["repair", "--overwrite", "-o", out], &[&cut]).code(0);
    assert_eq!(std::fs::read(&cut).unwrap(), reel);
}

#[test]
fn repair_splits_for_small_cards() {
    let folder = tempfile::tempdir().unwrap();
    let whole = write_reel(&tiny_settings(), None, &tiny_slices(40)).0;
    let long = kept(folder.path(), "long.tbr", &whole);
    let out = folder.path().join("card.tbr");
    let out = out.to_str().unwrap();
    thumbreel(&["repair", "-o", out, "--part-size", "6Ki"], &[&long])
        .code(0)
        .stdout(contains("card.1of"));
    let parts = std::fs::read_dir(folder.path()).unwrap();
    let parts: Vec<PathBuf> = parts
        .map(|e| e.unwrap().path())
        .filter(|p| {
            p.file_name()
                .unwrap()
                .to_string_lossy()
                .starts_with("card.")
        })
        .collect();
    assert!(parts.len() > 2);
    for part in &parts {
        assert!(part.metadata().unwrap().len() <= 6 << 10);
        thumbreel(&["verify", "--no-decode"], &[part]).code(0);
    }
    thumbreel(&["repair", "-o", out, "--part-size", "1000"], &[&long])
        .code(1)
        .stderr(contains("allow"));
    thumbreel(&["repair", "-o", out, "--part-size", "much"], &[&long]).code(2);
}
