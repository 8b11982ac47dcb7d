//! Whole conversions against decoding alone. `cargo bench --bench convert`.
//!
//! The clip is 1080p at 30 frames per second, H.264 with B-pictures and AAC,
//! twenty seconds; it is made once with the ffmpeg program from a real film of
//! 720p (see `.ci/install test`). Everything runs in this process on all cores.
//! "Decode only" opens the clip as a conversion does and drops every picture
//! and block of sound; with one thread more than cores, which is libav's own
//! choice and what the ratios are to, and with as many as a conversion has, which
//! is quicker. Times are medians of five runs, the kinds in turn, so
//! that a busy machine disturbs all alike; the ratios are what to read. CPU time
//! is that of the whole process, as the kernel counts it, in steps of 10 ms.
//! What would mislead: the file lies in the page cache, and the reel is written
//! to the temporary folder's disk and synced.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::atomic::AtomicBool;
use std::time::Instant;

use thumbreel::board::Board;
use thumbreel::coding::Coding;
use thumbreel::convert::{Choices, ConvertPlan, Outcome, Quiet, run};
use thumbreel::source::{Clip, OpenOptions};
use thumbreel::units::Ratio;

const RUNS: usize = 5;
const PICTURES: f64 = 600.0;

#[derive(Clone, Copy)]
struct Cost {
    wall: f64,
    cpu: f64,
}

struct Kind {
    name: &'static str,
    /// Decoder threads of decoding alone; 0 for as many as a conversion has.
    threads: usize,
    choices: Option<Choices>,
    costs: Vec<Cost>,
    outcome: Option<Outcome>,
}

fn main() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let clip = full_hd(folder.path());
    let mut kinds = kinds();
    for _ in 0..RUNS {
        for kind in &mut kinds {
            kind.run(&clip, folder.path());
        }
    }
    let base = kinds[0].median();
    println!(
        "1080p30 H.264 to 240x240 with sound, 600 pictures, medians of {RUNS}, {} cores",
        cores()
    );
    println!(
        "{:34} {:>8} {:>8} {:>7} {:>7} {:>10}",
        "", "wall s", "CPU s", "wall", "CPU", "pictures/s"
    );
    for kind in &kinds {
        let cost = kind.median();
        println!(
            "{:34} {:8.2} {:8.2} {:6.2}x {:6.2}x {:10.0}",
            kind.name,
            cost.wall,
            cost.cpu,
            cost.wall / base.wall,
            cost.cpu / base.cpu,
            PICTURES / cost.wall
        );
    }
    println!("\nseconds in each stage of the last run (they run side by side)");
    for kind in &kinds {
        if let Some(outcome) = &kind.outcome {
            let t = &outcome.timings;
            println!(
                "{:34} decode {:.2}, picture {:.2}, sound {:.2}, encode {:.2}, write {:.2}",
                kind.name, t.decode, t.picture, t.sound, t.encode, t.write
            );
        }
    }
}

fn kinds() -> Vec<Kind> {
    let choices = |coding: Coding, rate: u32| {
        let mut choices = Choices::new(Board::find("lantern-room").expect("a built-in board"));
        choices.coding.coding = Some(coding);
        choices.rate = Ratio::new(rate, 1);
        choices.overwrite = true;
        Some(choices)
    };
    let kind = |name, choices| Kind {
        name,
        threads: 0,
        choices,
        costs: Vec::new(),
        outcome: None,
    };
    vec![
        Kind {
            threads: cores() + 1,
            ..kind("decode only", None)
        },
        kind("decode only, our threads", None),
        kind("raw, 30 frames per second", choices(Coding::Raw, 30)),
        kind("raw, 15 frames per second", choices(Coding::Raw, 15)),
        kind("raw, 10 frames per second", choices(Coding::Raw, 10)),
        kind("patch, 30 frames per second", choices(Coding::Patch, 30)),
    ]
}

impl Kind {
    fn run(&mut self, clip: &Path, folder: &Path) {
        let (start, cpu) = (Instant::now(), cpu_seconds());
        match &self.choices {
            None => decode(clip, self.threads),
            Some(choices) => {
                let reel = folder.join("a.tbr");
                let plan = ConvertPlan::resolve(choices, clip, &reel).expect("a plan");
                let made = run(&plan, &Quiet, &AtomicBool::new(false));
                self.outcome = Some(made.expect("a reel"));
            }
        }
        self.costs.push(Cost {
            wall: start.elapsed().as_secs_f64(),
            cpu: cpu_seconds() - cpu,
        });
    }

    fn median(&self) -> Cost {
        let middle = |of: fn(&Cost) -> f64| {
            let mut all: Vec<f64> = self.costs.iter().map(of).collect();
            all.sort_by(f64::total_cmp);
            all[all.len() / 2]
        };
        Cost {
            wall: middle(|c| c.wall),
            cpu: middle(|c| c.cpu),
        }
    }
}

fn decode(clip: &Path, threads: usize) {
    let options = OpenOptions {
        threads,
        ..OpenOptions::default()
    };
    let mut clip = Clip::open(clip, &options).expect("a clip");
    while clip.next_item().expect("an item").is_some() {}
}

/// User and system time of this process, from the kernel.
fn cpu_seconds() -> f64 {
    let text = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let after = text.rsplit(')').next().unwrap_or_default();
    let fields: Vec<f64> = after
        .split_whitespace()
        .map(|f| f.parse().unwrap_or(0.0))
        .collect();
    // The state is field 3 of proc(5); user and system time are fields 14 and 15.
    fields.get(11..13).map_or(0.0, |t| t[0] + t[1]) / 100.0
}

fn cores() -> usize {
    std::thread::available_parallelism().map_or(1, usize::from)
}

fn full_hd(folder: &Path) -> PathBuf {
    let tools = std::env::var_os("THUMBREEL_TOOLS").map_or_else(
        || PathBuf::from(std::env::var_os("HOME").expect("HOME")).join(".cache/thumbreel"),
        PathBuf::from,
    );
    let film = tools.join("clips/bigbuckbunny.mp4");
    assert!(
        film.exists(),
        "{} is missing: run .ci/install test",
        film.display()
    );
    let clip = folder.join("1080p.mp4");
    let made = Command::new("ffmpeg")
        .args(["-v", "error", "-y", "-stream_loop", "4", "-i"])
        .arg(&film)
        .args([
            "-t",
            "20",
            "-vf",
            "scale=1920:1080,fps=30",
            "-c:v",
            "libx264",
            "-preset",
            "fast",
        ])
        .args([
            "-crf", "20", "-pix_fmt", "yuv420p", "-c:a", "aac", "-ac", "2",
        ])
        .arg(&clip)
        .status();
    assert!(
        made.is_ok_and(|s| s.success()),
        "ffmpeg failed: run .ci/install test"
    );
    clip
}
