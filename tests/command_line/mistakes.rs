//! Mistakes on the command line, and the answer to each, held against a reviewed list:
//! exit code and one sentence that names the file, the cause and the way out.
//! `THUMBREEL_WRITE=1 cargo test --test command_line mistakes` renews the list
//! for a review.

use std::path::Path;

use thumbreel::reel::{Header, crc32};

use crate::common::media::ffmpeg;
use crate::names;
use crate::thumbreel;
use crate::writing::inputs;

const LIST: &str = concat!(
    env!("CARGO_MANIFEST_DIR"),
    "/tests/command_line/mistakes.txt"
);

/// What no user has a use for.
const PROGRAMMERS_WORDS: [&str; 24] = [
    "os error",
    "invalid digit",
    "invalid float",
    "expected u",
    "expected f64",
    "UTF-8",
    "panicked",
    "Some(",
    "None",
    "Err(",
    "unwrap",
    ".part",
    "/tmp/",
    "libav",
    "ffmpeg",
    "TOML parse",
    "NaN",
    "u32",
    "usize",
    "nul ",
    "stack",
    "backtrace",
    "Invalid data found",
    "No such file or directory",
];

fn wrong_files(path: &Path) {
    ffmpeg(path, "-f lavfi -i sine=440:d=1 tone.wav");
    ffmpeg(
        path,
        "-f lavfi -i mandelbrot=s=96x64:r=10 -t 2 -c:v mpeg4 other.mp4",
    );
    ffmpeg(
        path,
        "-f lavfi -i testsrc2=s=96x64:r=10:d=1 -c:v mpeg4 silent.mp4",
    );
    ffmpeg(path, "-f lavfi -i testsrc2=s=96x64 -frames:v 1 still.png");
    let write = |name: &str, bytes: &[u8]| std::fs::write(path.join(name), bytes).unwrap();
    let clip = std::fs::read(path.join("clip.mp4")).unwrap();
    write("half.mp4", &clip[..clip.len() / 2]);
    write("letters.mp4", "a letter\n".repeat(99).as_bytes());
    write("empty.mp4", b"");
    write(
        "letter.txt",
        "To the keeper of the light.\n".repeat(99).as_bytes(),
    );
    write("page.html", b"<!doctype html>\n<title>Harbour</title>\n");
    write(
        "drawing.svg",
        b"<svg xmlns=\"http://www.w3.org/2000/svg\"/>\n",
    );
    let noise: Vec<u8> = (0..9999u32)
        .flat_map(|i| i.wrapping_mul(0x9E37_79B1).to_be_bytes())
        .collect();
    write("noise.bin", &noise);
    write("taken.tbr", b"here");
    write("taken.html", b"here");
    write("wrong.toml", b"name = lantern\n");
    let board = std::fs::read_to_string(path.join("board.toml")).unwrap();
    let width = board.lines().find(|l| l.starts_with("width = ")).unwrap();
    write(
        "mistyped.toml",
        board.replacen(width, "width = \"wide\"", 1).as_bytes(),
    );
    std::fs::create_dir(path.join("folder")).unwrap();
    thumbreel(path)
        .args("convert silent.mp4 --board lantern-room --output silent.tbr".split(' '))
        .assert()
        .success();
    let reel = std::fs::read(path.join("reel.tbr")).unwrap();
    write("newer.tbr", &newer(&reel));
    write("cut.tbr", &reel[..reel.len() / 2]);
    write("stub.tbr", &reel[..100]);
}

/// A reel of the next format.
fn newer(reel: &[u8]) -> Vec<u8> {
    let mut bytes = reel.to_vec();
    let sector: &[u8; 512] = bytes[..512].try_into().unwrap();
    let version = Header::parse(sector).unwrap().version_major;
    // Spec, header: two bytes after the magic, the checksum in the last four.
    assert_eq!(u16::from_le_bytes([bytes[8], bytes[9]]), version);
    // Sector 1 holds a copy.
    for sector in bytes.chunks_mut(512).take(2) {
        sector[8] += 1;
        let sum = crc32(&sector[..508]);
        sector[508..].copy_from_slice(&sum.to_le_bytes());
    }
    bytes
}

/// What is said before the usage line, in one line.
fn sentence(said: &str) -> String {
    let said = said.split("\n\nUsage:").next().unwrap_or_default();
    let said = said.split("\n\nFor more").next().unwrap_or_default();
    let lines: Vec<&str> = said.split('\n').map(str::trim).collect();
    let line = lines.join(" ").replace("  ", " ");
    let line = line.trim().trim_start_matches("thumbreel: ");
    line.trim_start_matches("error: ").to_owned()
}

#[test]
fn every_mistake_is_answered_as_reviewed() {
    let folder = inputs();
    let path = folder.path();
    wrong_files(path);
    let before = names(path);
    let reviewed = std::fs::read_to_string(LIST).unwrap();
    let (mut answers, mut wrong) = (String::new(), Vec::new());
    for line in reviewed.lines() {
        let typed = line.split('\t').nth(1).unwrap_or(line);
        let words = typed.split(' ').filter(|w| !w.is_empty());
        let done = thumbreel(path)
            .args(words)
            .write_stdin("")
            .output()
            .unwrap();
        // `verify` tells its verdict on standard output.
        let said = match done.stderr.is_empty() {
            true => done.stdout,
            false => done.stderr,
        };
        let said = String::from_utf8(said).unwrap();
        let sentence = sentence(&said);
        let code = done.status.code().unwrap_or(-1);
        answers.push_str(&format!("{code}\t{typed}\t{sentence}\n"));
        let told = PROGRAMMERS_WORDS.iter().filter(|w| said.contains(**w));
        wrong.extend(told.map(|word| format!("{typed}: {word:?} in {said}")));
        if names(path) != before {
            wrong.push(format!("{typed} left something"));
            break;
        }
    }
    if std::env::var_os("THUMBREEL_WRITE").is_some() {
        std::fs::write(LIST, &answers).unwrap();
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    assert!(reviewed.lines().count() >= 120);
    for (now, then) in answers.lines().zip(reviewed.lines()) {
        assert_eq!(now, then);
        assert!(["1", "2"].contains(&&now[..1]), "{now}");
    }
}
