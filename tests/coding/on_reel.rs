//! Limits hold in the finished file, on reels of real clips with cuts. Rates:
//! made by the program with `--peak-rate`, read here byte by byte after
//! `spec/container.md`, sections 4 to 6, without the library. Bus and work of
//! each picture: by what the decoder says changed, and by the picture's header.

use crate::common::media::{ffmpeg, folder, packaged};
use std::path::Path;
use std::process::Command;
use std::sync::atomic::AtomicBool;

use thumbreel::board::Board;
use thumbreel::budget::ReelFacts;
use thumbreel::coding::patch::Level;
use thumbreel::coding::{Coding, Limits, PanelDecoder, PanelSettings};
use thumbreel::convert::{Choices, ConvertPlan, Quiet, run};
use thumbreel::reel::ReelFile;

/// A slice as it stands in the file.
struct Slice {
    start: u64,
    ticks: u64,
    chunk: u64,
    pictures: u64,
}

fn number(bytes: &[u8], at: usize, width: usize) -> u64 {
    let field = &bytes[at..at + width];
    field.iter().rev().fold(0, |n, b| n << 8 | u64::from(*b))
}

/// Ticks per second, and every slice.
fn read(path: &Path) -> (f64, Vec<Slice>) {
    let file = std::fs::read(path).unwrap();
    let mut at = number(&file, 144, 8) as usize;
    let mut slices = Vec::new();
    while at < file.len() {
        assert_eq!(file[at..at + 4], [0xE7, 0x63, 0x74, 0x3E], "sync at {at}");
        let length = number(&file, at + 12, 4) as usize;
        if file[at + 4] == 3 {
            slices.push(slice(&file[at..at + length]));
        }
        at += length;
    }
    assert_eq!(slices.len() as u64, number(&file, 72, 4), "slice_count");
    (number(&file, 88, 4) as f64, slices)
}

fn slice(chunk: &[u8]) -> Slice {
    Slice {
        start: number(chunk, 24, 8),
        ticks: number(chunk, 20, 4),
        chunk: chunk.len() as u64,
        pictures: number(chunk, 6, 2),
    }
}

/// Two real clips, one after the other and again: cuts of every kind.
fn clip(folder: &Path) {
    let fit = "scale=320:240,setsar=1,fps=24,format=yuv420p";
    let (one, two) = (packaged("bigbuckbunny.mp4"), packaged("bikes.mp4"));
    ffmpeg(
        folder,
        &format!(
            "-i '{}' -i '{}' -filter_complex '[0:v]{fit},split[a][b];[1:v]{fit},split[c][d];\
             [a]trim=0:1.6,setpts=PTS-STARTPTS[e];[c]trim=0:1.5,setpts=PTS-STARTPTS[f];\
             [b]trim=3:4.2,setpts=PTS-STARTPTS[g];[d]trim=5:6,setpts=PTS-STARTPTS[h];\
             [e][f][g][h]concat=n=4:v=1[v]' -map '[v]' -map 0:a -c:v libx264 -crf 16 -c:a aac -t 5.3 cuts.mp4",
            one.display(),
            two.display()
        ),
    );
}

fn convert(folder: &Path, arguments: &[&str]) -> (f64, Vec<Slice>) {
    let done = Command::new(env!("CARGO_BIN_EXE_thumbreel"))
        .current_dir(folder)
        .args(["convert", "cuts.mp4", "-o", "cuts.tbr", "--overwrite"])
        .args(["--board", "lantern-room"])
        .args(arguments)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&done.stderr);
    assert!(done.status.success(), "{arguments:?}: {said}");
    read(&folder.join("cuts.tbr"))
}

/// Most bytes that any run of slices has beyond `rate` times its length.
fn worst_over(slices: &[Slice], rate: f64) -> f64 {
    let mut worst = f64::NEG_INFINITY;
    for (i, first) in slices.iter().enumerate() {
        let mut bytes = 0.0;
        for last in &slices[i..] {
            bytes += last.chunk as f64;
            let ticks = last.start + last.ticks - first.start;
            worst = f64::max(worst, bytes - rate * ticks as f64);
        }
    }
    worst
}

#[test]
fn a_limited_rate_holds_in_every_window_of_the_reel() {
    let folder = folder();
    let path = folder.path();
    clip(path);
    for (coding, rate) in [("patch", 70_000), ("patch", 110_000), ("jpeg", 170_000)] {
        let limit = rate.to_string();
        let common = ["--coding", coding, "--quality", "95"];
        let (_, free) = convert(path, &common);
        let (clock, slices) = convert(path, &[&common[..], &["--peak-rate", &limit]].concat());
        let a_tick = f64::from(rate) / clock;
        let what = format!("{coding} at {rate} B/s");
        // A second's worth may wait in the link's buffer, as `convert` says.
        assert!(worst_over(&free, a_tick) > f64::from(rate), "{what}: idle");
        let worst = worst_over(&slices, a_tick);
        assert!(worst <= f64::from(rate), "{what}: {worst:.0} B over");
        // The limit is used, not hidden from.
        let sum = |s: &[Slice]| s.iter().map(|s| s.chunk).sum::<u64>() as f64;
        let last = slices.last().unwrap();
        let length = (last.start + last.ticks) as f64 / clock;
        let share = sum(&slices) / (f64::from(rate) * length);
        assert!(share > 0.6, "{what}: only {:.0} %", 100.0 * share);
        let pictures = |s: &[Slice]| s.iter().map(|s| s.pictures).sum::<u64>();
        assert_eq!(pictures(&slices), pictures(&free), "{what}");
    }
}

/// What one picture costs the board.
struct Cost {
    bus: u64,
    instructions: u64,
    shown: bool,
}

/// Bus bytes (two a pixel, 11 a window) and instructions of every picture, and
/// the pixels of the panel.
fn costs(path: &Path) -> (Vec<Cost>, u64) {
    let mut reel = ReelFile::open(path).unwrap();
    let header = *reel.header();
    let mut panel = PanelDecoder::new(PanelSettings {
        width: header.width,
        height: header.height,
        level: Level::from_number(header.level).unwrap_or_default(),
        ..PanelSettings::default()
    })
    .unwrap();
    let instructions = ReelFacts::read(path).unwrap().pictures;
    let mut costs = Vec::new();
    while let Some(slice) = reel.next_slice().unwrap() {
        for picture in &slice.pictures {
            let flags = u8::from(picture.key) | u8::from(picture.unchanged) << 1;
            let sent = panel.decode(header.coding, flags, &picture.bytes).unwrap();
            let pixels: u64 = sent.iter().map(|r| u64::from(r.w) * u64::from(r.h)).sum();
            costs.push(Cost {
                bus: 2 * pixels + 11 * sent.len() as u64,
                instructions: instructions[costs.len()].instructions.into(),
                shown: !picture.unchanged,
            });
        }
    }
    // What the writer was told is what the decoder finds.
    let most = |of: fn(&Cost) -> u64| costs.iter().map(of).max().unwrap();
    assert_eq!(most(|c| c.bus), u64::from(header.worst_bus_bytes));
    assert_eq!(
        most(|c| c.instructions),
        u64::from(header.worst_instructions)
    );
    (costs, u64::from(header.width) * u64::from(header.height))
}

#[test]
fn bus_and_work_hold_in_every_picture_of_the_reel() {
    let folder = folder();
    clip(folder.path());
    let make = |level: Level, limits: Limits| {
        let mut choices = Choices::new(Board::find("lantern-room").unwrap());
        choices.size = Some((160, 120));
        choices.overwrite = true;
        choices.coding.coding = Some(Coding::Patch);
        (choices.coding.level, choices.coding.limits) = (Some(level), limits);
        let reel = folder.path().join("held.tbr");
        let plan = ConvertPlan::resolve(&choices, &folder.path().join("cuts.mp4"), &reel).unwrap();
        run(&plan, &Quiet, &AtomicBool::new(false)).unwrap();
        costs(&reel).0
    };
    for level in [Level::Light, Level::Full] {
        let free = make(level, Limits::default());
        let most = |of: fn(&Cost) -> u64| free.iter().map(of).max().unwrap() as u32;
        let limits = Limits {
            bus: Some(most(|c| c.bus) / 2),
            instructions: Some(most(|c| c.instructions) / 2),
            ..Limits::default()
        };
        let held = make(level, limits);
        assert_eq!(held.len(), free.len());
        for (n, cost) in held.iter().enumerate() {
            let (bus, work) = (limits.bus.unwrap(), limits.instructions.unwrap());
            assert!(cost.bus <= bus.into(), "{level:?} {n}: bus {}", cost.bus);
            assert!(cost.instructions <= work.into(), "{level:?} picture {n}");
        }
        // Not by showing nothing.
        let shown = held.iter().filter(|c| c.shown).count();
        assert!(10 * shown > 8 * held.len(), "{level:?}: {shown}");
    }
}

#[test]
fn the_demo_sends_less_than_half_of_the_panel() {
    let folder = folder();
    let done = Command::new(env!("CARGO_BIN_EXE_thumbreel"))
        .current_dir(folder.path())
        .args(["demo", "demo"])
        .output()
        .unwrap();
    assert!(
        done.status.success(),
        "{}",
        String::from_utf8_lossy(&done.stderr)
    );
    let (costs, pixels) = costs(&folder.path().join("demo/harbour-at-dusk.tbr"));
    let sent: u64 = costs.iter().map(|c| c.bus).sum();
    let share = sent as f64 / (2 * pixels * costs.len() as u64) as f64;
    assert!(share < 0.5, "{:.1} % of the panel a picture", 100.0 * share);
}
