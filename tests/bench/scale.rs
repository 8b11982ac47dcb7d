//! Length, size, number: what whole conversions cost, by the program itself.
//! `cargo bench --bench scale [-- lengths|sizes|batch]`.
//!
//! Each conversion is a process of its own; its peak memory is `VmHWM` of
//! proc(5), read every 5 ms, its time that from start to end. Lengths: a small
//! film with sound, looped without coding it anew, to a small raw picture, so
//! that eight hours end in minutes. Sizes: four seconds of one film in three
//! sizes, the largest in 10 bits with PQ tags. Batch: fifty short clips one
//! after the other and two at a time, and what the cores allow: a process
//! already uses several threads, so two at a time gain what one leaves idle.
//! What would mislead: files lie in the page cache, and a busy machine
//! stretches all times; ratios within a table are what to read.

use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

#[path = "../common/mod.rs"]
mod common;

use common::media::{ffmpeg, folder, packaged};

fn main() {
    let wanted = std::env::args().skip(1).find(|a| !a.starts_with("--"));
    let parts = [
        ("lengths", lengths as fn(&Path)),
        ("sizes", sizes),
        ("batch", batch),
    ];
    for (name, part) in parts {
        if wanted.as_deref().is_none_or(|w| w == name) {
            part(folder().path());
        }
    }
}

struct Cost {
    wall: f64,
    cpu: f64,
    peak_mb: f64,
}

fn thumbreel(folder: &Path, arguments: &[&str]) -> Cost {
    let before = children_cpu();
    let start = Instant::now();
    let mut child = Command::new(env!("CARGO_BIN_EXE_thumbreel"))
        .current_dir(folder)
        .args([
            "convert",
            "--board",
            "lantern-room",
            "--overwrite",
            "--quiet",
        ])
        .args(arguments)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("the program");
    let status = format!("/proc/{}/status", child.id());
    let mut peak = 0.0;
    let done = loop {
        peak = f64::max(peak, peak_mb(&status));
        if let Some(done) = child.try_wait().expect("a child") {
            break done;
        }
        std::thread::sleep(Duration::from_millis(5));
    };
    assert!(done.success(), "{arguments:?} failed");
    Cost {
        wall: start.elapsed().as_secs_f64(),
        cpu: children_cpu() - before,
        peak_mb: peak,
    }
}

/// Peak of resident memory so far, in megabytes.
fn peak_mb(status: &str) -> f64 {
    let text = std::fs::read_to_string(status).unwrap_or_default();
    let line = text.lines().find(|l| l.starts_with("VmHWM:"));
    let kib = line.and_then(|l| l.split_whitespace().nth(1)?.parse::<f64>().ok());
    kib.unwrap_or(0.0) * 1024.0 / 1e6
}

/// User and system time of children that have ended: fields 16 and 17 of proc(5).
fn children_cpu() -> f64 {
    let text = std::fs::read_to_string("/proc/self/stat").expect("/proc");
    let after = text.rsplit(')').next().unwrap_or_default();
    let fields: Vec<f64> = after
        .split_whitespace()
        .map(|f| f.parse().unwrap_or(0.0))
        .collect();
    fields.get(13..15).map_or(0.0, |t| t[0] + t[1]) / 100.0
}

fn lengths(folder: &Path) {
    ffmpeg(
        folder,
        "-f lavfi -i testsrc2=s=320x240:r=5:d=60 -f lavfi -i sine=330:r=16000:d=60 -c:v libx264 -preset fast -g 50 -c:a aac -ac 1 minute.mp4",
    );
    println!("\na 320x240 film of 5 frames per second with sound, to raw 64x48");
    println!(
        "{:>10} {:>9} {:>9} {:>14} {:>9}",
        "source", "wall s", "CPU s", "ms of CPU/min", "peak MB"
    );
    for (name, minutes) in [("20 min", 20), ("2 h", 120), ("8 h", 480)] {
        let loops = minutes - 1;
        ffmpeg(
            folder,
            &format!("-stream_loop {loops} -i minute.mp4 -c copy long.mp4"),
        );
        let cost = thumbreel(
            folder,
            &[
                "long.mp4", "--size", "64x48", "--coding", "raw", "-o", "long.tbr",
            ],
        );
        println!(
            "{name:>10} {:9.1} {:9.1} {:14.0} {:9.0}",
            cost.wall,
            cost.cpu,
            1e3 * cost.cpu / f64::from(minutes),
            cost.peak_mb
        );
    }
}

fn sizes(folder: &Path) {
    let film = packaged("bigbuckbunny.mp4");
    let film = film.display();
    let hdr = "-pix_fmt yuv420p10le -c:v libx265 -preset ultrafast -x265-params log-level=error:colorprim=bt2020:transfer=smpte2084:colormatrix=bt2020nc";
    let sizes = [
        (
            "854x480, 8 bits",
            "854:480",
            "-pix_fmt yuv420p -c:v libx265 -preset ultrafast -x265-params log-level=error",
        ),
        (
            "1920x1080, 8 bits",
            "1920:1080",
            "-pix_fmt yuv420p -c:v libx265 -preset ultrafast -x265-params log-level=error",
        ),
        ("3840x2160, 10 bits, PQ", "3840:2160", hdr),
    ];
    println!("\nfour seconds of a film, 24 frames per second with sound, to raw 240x240");
    println!(
        "{:>24} {:>9} {:>9} {:>17} {:>9}",
        "source (H.265)", "wall s", "CPU s", "ns of CPU/pixel", "peak MB"
    );
    for (name, size, coder) in sizes {
        ffmpeg(
            folder,
            &format!(
                "-stream_loop 1 -i '{film}' -t 4 -vf scale={size},fps=24 {coder} -c:a aac source.mp4"
            ),
        );
        let cost = thumbreel(folder, &["source.mp4", "--coding", "raw", "-o", "a.tbr"]);
        let pixels: f64 = size
            .split(':')
            .filter_map(|n| n.parse::<f64>().ok())
            .product();
        println!(
            "{name:>24} {:9.2} {:9.2} {:17.2} {:9.0}",
            cost.wall,
            cost.cpu,
            1e9 * cost.cpu / (pixels * 96.0),
            cost.peak_mb
        );
    }
}

fn batch(folder: &Path) {
    let film = packaged("bigbuckbunny.mp4");
    let film = film.display();
    let names: Vec<String> = (0..50).map(|i| format!("clip{i:02}.mp4")).collect();
    for (i, name) in names.iter().enumerate() {
        let from = i as f64 * 0.05;
        ffmpeg(
            folder,
            &format!(
                "-ss {from} -i '{film}' -t 2 -vf scale=640:360 -c:v libx264 -preset veryfast -c:a aac {name}"
            ),
        );
    }
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    println!("\nfifty clips of two seconds, 640x360, to patch 240x240, {cores} cores");
    println!(
        "{:>12} {:>9} {:>9} {:>12}",
        "at a time", "wall s", "CPU s", "cores in use"
    );
    let mut walls = Vec::new();
    for jobs in ["1", "2"] {
        let mut arguments: Vec<&str> = names.iter().map(String::as_str).collect();
        arguments.extend(["--jobs", jobs]);
        let cost = thumbreel(folder, &arguments);
        println!(
            "{jobs:>12} {:9.1} {:9.1} {:12.2}",
            cost.wall,
            cost.cpu,
            cost.cpu / cost.wall
        );
        walls.push(cost.wall);
    }
    println!("two at a time are {:.2}x as fast", walls[0] / walls[1]);
}
