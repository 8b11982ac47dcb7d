//! Memory does not grow with the clip's length.

use std::path::Path;
use std::process::{Command, Stdio};

use crate::common::media::{ffmpeg, folder};

/// Largest resident memory of a whole conversion in KiB, from the kernel's own
/// count while it ran.
fn peak_kib(clip: &Path) -> u64 {
    let mut child = Command::new(env!("CARGO_BIN_EXE_thumbreel"))
        .args([
            "convert",
            "--board",
            "lantern-room",
            "--overwrite",
            "--quiet",
            "--coding",
            "raw",
        ])
        .arg(clip)
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    let status = format!("/proc/{}/status", child.id());
    let mut peak = 0;
    let exit = loop {
        let text = std::fs::read_to_string(&status).unwrap_or_default();
        let line = text.lines().find(|l| l.starts_with("VmHWM:")).unwrap_or("");
        let kib = line.split_whitespace().nth(1).and_then(|n| n.parse().ok());
        peak = peak.max(kib.unwrap_or(0));
        if let Some(exit) = child.try_wait().unwrap() {
            break exit;
        }
        std::thread::sleep(std::time::Duration::from_millis(20));
    };
    assert!(exit.success());
    peak
}

/// A 1080p clip of `seconds` seconds, made by repeating two.
fn full_hd(folder: &Path, seconds: u32) -> std::path::PathBuf {
    let part = folder.join("part.mp4");
    if !part.exists() {
        ffmpeg(
            folder,
            "-f lavfi -i testsrc2=s=1920x1080:r=30:d=2 -f lavfi -i sine=440:d=2 \
             -c:v libx264 -preset veryfast -pix_fmt yuv420p -c:a aac part.mp4",
        );
    }
    let name = format!("{seconds}.mkv");
    let turns = seconds / 2 - 1;
    ffmpeg(
        folder,
        &format!("-stream_loop {turns} -i part.mp4 -c copy {name}"),
    );
    folder.join(name)
}

fn compare(short: u32, long: u32) {
    let folder = folder();
    let short = peak_kib(&full_hd(folder.path(), short));
    let long = peak_kib(&full_hd(folder.path(), long));
    println!(
        "peak memory: {} MB short, {} MB long",
        short / 1000,
        long / 1000
    );
    assert!(long < 300_000, "{long} KiB");
    assert!(long.abs_diff(short) * 10 <= short, "{short} and {long} KiB");
}

/// The short form of the next: ten times the length.
#[test]
fn memory_is_flat_and_small() {
    compare(4, 40);
}

#[test]
#[ignore = "takes many minutes: 20 s against 20 min, as the promise is worded"]
fn memory_is_flat_over_twenty_minutes() {
    compare(20, 1200);
}
