//! Output manners: several clips, standard input, plans, machine-readable
//! results, interruption, a full disk.

use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use thumbreel::reel::ReelFile;

use crate::common::media::{folder, packaged};
use crate::{clip, names, thumbreel};

const BOARD: [&str; 2] = ["--board", "lantern-room"];

#[test]
fn one_failure_does_not_stop_the_others() {
    let folder = folder();
    let path = folder.path();
    ["a.mp4", "c.mp4"]
        .iter()
        .for_each(|name| clip(path, name, 1));
    std::fs::write(path.join("b.mp4"), b"no clip").unwrap();
    let done = thumbreel(path)
        .args(["convert", "a.mp4", "b.mp4", "c.mp4", "--jobs", "2"])
        .args(BOARD)
        .output()
        .unwrap();
    assert_eq!(done.status.code(), Some(1));
    let said = String::from_utf8(done.stdout).unwrap();
    for line in [
        "2 of 3 clips done",
        "done      a.mp4",
        "failed    b.mp4",
        "done      c.mp4",
    ] {
        assert!(said.contains(line), "{line:?} is not in: {said}");
    }
    assert!(String::from_utf8_lossy(&done.stderr).contains("b.mp4"));
    assert_eq!(names(path), ["a.mp4", "a.tbr", "b.mp4", "c.mp4", "c.tbr"]);
}

#[test]
fn a_line_break_in_a_name_breaks_no_line() {
    let folder = folder();
    let path = folder.path();
    clip(path, "a.mp4", 1);
    let name = "a\n\u{1b}[31mb.mp4";
    std::fs::rename(path.join("a.mp4"), path.join(name)).unwrap();
    let shown = "a\\n\\u{1b}[31mb";
    let run = |arguments: &[&str]| {
        let done = thumbreel(path).args(arguments).output().unwrap();
        String::from_utf8([done.stdout, done.stderr].concat()).unwrap()
    };
    let made = name.replace("mp4", "tbr");
    for arguments in [
        &["convert", name, BOARD[0], BOARD[1], "--plan"][..],
        &["convert", name, BOARD[0], BOARD[1]],
        &["convert", name, BOARD[0], BOARD[1]],
        &["inspect", name],
        &["inspect", &made],
        &["verify", &made],
        &["compare", &made, name],
        &["boards", "check", name],
        &["inspect", &made, "--board", name],
        &["inspect", &made, name],
    ] {
        let said = run(arguments);
        assert!(said.contains(shown), "{arguments:?}: {said}");
        let raw = |line: &&str| {
            line.contains('\u{1b}') || line.starts_with("\u{1b}") || line.starts_with("b.")
        };
        assert_eq!(said.lines().find(raw), None, "{arguments:?}: {said}");
    }
    let json = run(&["inspect", &made, "--json"]);
    let json: serde_json::Value = serde_json::from_str(&json).unwrap();
    assert_eq!(json["reel"], *made);
}

#[test]
fn side_by_side_makes_the_same_bytes() {
    let folder = folder();
    let path = folder.path();
    let clips = ["a.mp4", "b.mp4", "c.mp4"];
    clips.iter().for_each(|name| clip(path, name, 2));
    for jobs in ["1", "3"] {
        std::fs::create_dir(path.join(jobs)).unwrap();
        let mut command = thumbreel(path);
        command.arg("convert").args(clips).args(BOARD);
        command
            .args(["-o", jobs, "--jobs", jobs])
            .assert()
            .success();
    }
    for name in ["a.tbr", "b.tbr", "c.tbr"] {
        let read = |jobs: &str| std::fs::read(path.join(jobs).join(name)).unwrap();
        assert!(read("1") == read("3"), "{name}");
    }
}

#[test]
fn a_clip_may_come_through_a_pipe() {
    let folder = folder();
    let path = folder.path();
    clip(path, "a.mp4", 1);
    let bytes = std::fs::read(path.join("a.mp4")).unwrap();
    let base = ["convert", "--title", "x", "-o"];
    thumbreel(path)
        .args(base)
        .args(["a.tbr", "a.mp4"])
        .args(BOARD)
        .assert()
        .success();
    let piped = thumbreel(path)
        .args(base)
        .args(["b.tbr", "-"])
        .args(BOARD)
        .write_stdin(bytes)
        .assert();
    piped.success();
    let read = |name: &str| std::fs::read(path.join(name)).unwrap();
    assert!(read("a.tbr") == read("b.tbr"));
}

#[test]
fn the_title_of_a_piped_clip_does_not_change_from_run_to_run() {
    let folder = folder();
    let path = folder.path();
    clip(path, "a.mp4", 1);
    let bytes = std::fs::read(path.join("a.mp4")).unwrap();
    std::fs::create_dir(path.join("again")).unwrap();
    let made = ["quay.tbr", "again/quay.tbr"].map(|reel| {
        let mut piped = thumbreel(path);
        piped.args(["convert", "-", "-o", reel]).args(BOARD);
        piped.write_stdin(bytes.clone()).assert().success();
        std::fs::read(path.join(reel)).unwrap()
    });
    assert!(made[0] == made[1]);
    let reel = ReelFile::open(path.join("quay.tbr")).unwrap();
    assert_eq!(reel.header().title(), "quay");
}

#[test]
fn a_plan_shows_named_values_and_passes_by_a_reel_that_exists() {
    let folder = folder();
    let path = folder.path();
    clip(path, "a.mp4", 1);
    std::fs::write(path.join("a.tbr"), b"an earlier reel").unwrap();
    let plan = |more: &[&str]| {
        let mut command = thumbreel(path);
        command.args(["convert", "a.mp4", "--plan"]).args(BOARD);
        let out = command.args(more).assert().success();
        String::from_utf8(out.get_output().stdout.clone()).unwrap()
    };
    let text = plan(&[
        "--loudness",
        "-16",
        "--anchor",
        "left",
        "--high-pass",
        "300",
    ]);
    for line in [
        "the reel exists; only --overwrite would replace it",
        "framing: letterbox",
        "dither: blue-noise",
        "loudness: -16",
        "high pass:\n      hz: 300",
        "anchor:\n      x: 0\n      y: 0.5",
        "dynamic range: full",
    ] {
        assert!(text.contains(line), "{line:?} is not in: {text}");
    }
    for json in [&[][..], &["--json"]] {
        let text = plan(json);
        let dumped = ["{ ", "Some(", "None"].iter().find(|d| text.contains(**d));
        assert_eq!(dumped, None, "{text}");
    }
    assert!(!plan(&["--overwrite"]).contains("reel exists"));
    assert_eq!(
        std::fs::read(path.join("a.tbr")).unwrap(),
        b"an earlier reel"
    );
}

#[test]
fn inspect_shows_the_note_in_short_lines() {
    let folder = folder();
    let path = folder.path();
    clip(path, "a.mp4", 1);
    let mut convert = thumbreel(path);
    convert
        .args(["convert", "a.mp4"])
        .args(BOARD)
        .assert()
        .success();
    let out = thumbreel(path).args(["inspect", "a.tbr"]).output().unwrap();
    let text = String::from_utf8(out.stdout).unwrap();
    for line in [
        "board lantern-room",
        "picture: coding ",
        "sound: ",
        "stage: anchor (x 0.5, y 0.5)",
    ] {
        assert!(text.contains(line), "{line:?} is not in: {text}");
    }
    assert!(!text.contains(['{', '"']), "{text}");
}

#[test]
fn a_plan_is_printed_and_nothing_is_made() {
    let folder = folder();
    let path = folder.path();
    clip(path, "a.mp4", 1);
    let mut command = thumbreel(path);
    command.args([
        "convert",
        "a.mp4",
        "--plan",
        "--size",
        "120x80",
        "--frame-rate",
        "5",
        "--coding",
        "raw",
    ]);
    let said = command.args(BOARD).output().unwrap();
    let text = String::from_utf8(said.stdout).unwrap();
    for line in [
        "width: 120",
        "height: 80",
        "rate: 5",
        "coding: raw",
        "96x64",
        "track: 1",
    ] {
        assert!(text.contains(line), "{line:?} is not in: {text}");
    }
    let said = command.arg("--json").output().unwrap();
    let value: serde_json::Value = serde_json::from_slice(&said.stdout).unwrap();
    assert_eq!(value["plan"]["picture"]["width"], 120);
    assert_eq!(names(path), ["a.mp4"]);
}

#[test]
fn machines_get_one_object_a_clip_in_order() {
    let folder = folder();
    let path = folder.path();
    ["a.mp4", "c.mp4"]
        .iter()
        .for_each(|name| clip(path, name, 1));
    let done = thumbreel(path)
        .args([
            "convert", "a.mp4", "b.mp4", "c.mp4", "--json", "--jobs", "3",
        ])
        .args(BOARD)
        .output()
        .unwrap();
    assert_eq!(done.status.code(), Some(1));
    let text = String::from_utf8(done.stdout).unwrap();
    let lines: Vec<serde_json::Value> = text
        .lines()
        .map(|l| serde_json::from_str(l).unwrap())
        .collect();
    let clips: Vec<_> = lines
        .iter()
        .map(|l| (l["clip"].as_str().unwrap(), l["ok"] == true))
        .collect();
    assert_eq!(clips, [("a.mp4", true), ("b.mp4", false), ("c.mp4", true)]);
    let result = &lines[0]["result"];
    let bytes = std::fs::metadata(path.join("a.tbr")).unwrap().len();
    assert_eq!(result["bytes"], bytes);
    assert_eq!(result["pictures"], 10);
    for stage in ["decode", "picture", "sound", "encode", "write", "whole"] {
        assert!(result["timings"][stage].as_f64().unwrap() >= 0.0, "{stage}");
    }
    assert!(lines[1]["error"].as_str().unwrap().contains("b.mp4"));
}

#[test]
fn off_a_terminal_no_bars_are_drawn_and_quiet_says_nothing() {
    let folder = folder();
    let path = folder.path();
    clip(path, "a.mp4", 1);
    let mut command = thumbreel(path);
    command
        .args(["convert", "a.mp4", "--overwrite"])
        .args(BOARD);
    let done = command.output().unwrap();
    assert!(
        done.status.success() && done.stderr.is_empty(),
        "{:?}",
        done.stderr
    );
    assert!(!done.stdout.is_empty());
    let done = command.arg("--quiet").output().unwrap();
    assert!(done.status.success() && done.stderr.is_empty() && done.stdout.is_empty());
}

/// Starts a long conversion and waits until its file is under way.
fn under_way(folder: &Path) -> std::process::Child {
    let mut child = Command::new(env!("CARGO_BIN_EXE_thumbreel"))
        .current_dir(folder)
        .arg("convert")
        .arg(packaged("vtest.avi"))
        .args(["-o", "a.tbr", "--overwrite", "--coding", "raw"])
        .args(BOARD)
        .stderr(Stdio::piped())
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    let start = Instant::now();
    let written = || {
        let parts = std::fs::read_dir(folder).unwrap().flatten();
        let mut parts = parts.filter(|e| e.file_name().to_string_lossy().ends_with(".part"));
        parts.any(|e| e.metadata().is_ok_and(|m| m.len() > 1_000_000))
    };
    while !written() {
        assert!(
            child.try_wait().unwrap().is_none(),
            "it ended before it could be stopped"
        );
        assert!(start.elapsed() < Duration::from_secs(60));
        std::thread::sleep(Duration::from_millis(5));
    }
    child
}

fn signal(child: &std::process::Child, name: &str) {
    let id = child.id().to_string();
    assert!(
        Command::new("kill")
            .args([name, &id])
            .status()
            .unwrap()
            .success()
    );
}

#[test]
fn an_interrupt_leaves_nothing_and_an_earlier_reel_stays() {
    for (name, earlier) in [("-INT", false), ("-TERM", true)] {
        let folder = folder();
        let path = folder.path();
        if earlier {
            std::fs::write(path.join("a.tbr"), b"an earlier reel").unwrap();
        }
        let child = under_way(path);
        signal(&child, name);
        let done = child.wait_with_output().unwrap();
        assert_eq!(done.status.code(), Some(1), "{name}");
        let said = String::from_utf8_lossy(&done.stderr);
        assert!(said.contains("stopped"), "{name}: {said}");
        match earlier {
            true => assert_eq!(
                std::fs::read(path.join("a.tbr")).unwrap(),
                b"an earlier reel"
            ),
            false => assert!(names(path).is_empty(), "{name}: {:?}", names(path)),
        }
    }
}

#[test]
fn a_killed_conversion_leaves_nothing_under_the_reels_name() {
    let folder = folder();
    let path = folder.path();
    let mut child = under_way(path);
    signal(&child, "-KILL");
    child.wait().unwrap();
    assert!(!path.join("a.tbr").exists());
    // The next run is not in the way of what was left behind.
    clip(path, "b.mp4", 1);
    let mut next = thumbreel(path);
    next.args(["convert", "b.mp4", "-o", "a.tbr"])
        .args(BOARD)
        .assert()
        .success();
    ReelFile::open(path.join("a.tbr")).unwrap();
}

/// The kernel refuses to let a file grow past a limit, as a full disk would.
#[test]
fn a_full_disk_leaves_nothing() {
    let folder = folder();
    let path = folder.path();
    clip(path, "a.mp4", 4);
    std::fs::write(path.join("b.tbr"), b"an earlier reel").unwrap();
    for (reel, left) in [("a.tbr", None), ("b.tbr", Some(b"an earlier reel"))] {
        let line = format!(
            "trap '' XFSZ; ulimit -f 600; exec {} convert a.mp4 -o {reel} --overwrite --coding raw --board lantern-room",
            env!("CARGO_BIN_EXE_thumbreel")
        );
        let done = Command::new("bash")
            .args(["-c", &line])
            .current_dir(path)
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&done.stderr);
        assert_eq!(done.status.code(), Some(1), "{said}");
        assert!(
            said.contains(reel) && said.contains("cannot write"),
            "{said}"
        );
        let found = std::fs::read(path.join(reel)).ok();
        assert_eq!(found.as_deref(), left.map(|l| &l[..]));
    }
    assert_eq!(names(path), ["a.mp4", "b.tbr"]);
}

#[test]
fn the_demo_ends_with_a_verified_reel() {
    let folder = folder();
    let path = folder.path();
    let done = thumbreel(path).arg("demo").output().unwrap();
    let said = String::from_utf8(done.stdout).unwrap();
    assert!(
        done.status.success(),
        "{}",
        String::from_utf8_lossy(&done.stderr)
    );
    assert!(
        done.stderr.is_empty(),
        "{}",
        String::from_utf8_lossy(&done.stderr)
    );
    assert!(
        said.contains("verified") && said.contains("What to try next"),
        "{said}"
    );
    for line in [
        "  cp thumbreel-demo/harbour-at-dusk.tbr CARD",
        "  thumbreel serve thumbreel-demo",
        "  thumbreel firmware FOLDER --board lantern-room --reel thumbreel-demo/harbour-at-dusk.tbr",
    ] {
        assert!(said.lines().any(|l| l == line), "{line}: {said}");
    }
    let reel = path.join("thumbreel-demo/harbour-at-dusk.tbr");
    let file = ReelFile::open(&reel).unwrap();
    let header = file.header();
    assert!((header.duration as f64 / f64::from(header.clock_rate) - 8.0).abs() < 0.1);
    assert_eq!(header.channels, 1);
    thumbreel(path).arg("verify").arg(&reel).assert().success();
    thumbreel(path).arg("demo").assert().failure();
    let before = std::fs::read(&reel).unwrap();
    thumbreel(path)
        .args(["demo", "--overwrite"])
        .assert()
        .success();
    assert!(
        std::fs::read(&reel).unwrap() == before,
        "the same every time"
    );
}
