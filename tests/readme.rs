//! Every command line of the README is run.
//!
//! Blocks marked `sh` are run line by line in one temporary folder, with the
//! program on the path, as a reader would type them. A line that serves runs
//! until it has named its address and answered there. The two commands at the
//! top (blocks marked `sh setup`) run in the repository: the first as it
//! stands; the second is the one that runs this test, so it is held against
//! `.ci/run` instead.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

fn readme() -> String {
    std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("README.md")).unwrap()
}

/// The lines of the fenced blocks whose info string is `info`; a line that
/// ends in a backslash goes on.
fn lines(info: &str) -> Vec<String> {
    let mut found = Vec::new();
    let (mut inside, mut unfinished) = (false, String::new());
    for line in readme().lines() {
        if let Some(fence) = line.strip_prefix("```") {
            inside = !inside && fence.trim() == info;
        } else if inside {
            let code = line.split(" #").next().unwrap().trim();
            if let Some(start) = code.strip_suffix('\\') {
                unfinished.push_str(start);
            } else if !code.is_empty() {
                found.push(std::mem::take(&mut unfinished) + code);
            }
        }
    }
    found
}

fn path_with_program() -> std::ffi::OsString {
    let program = PathBuf::from(env!("CARGO_BIN_EXE_thumbreel"));
    let mut paths = vec![program.parent().unwrap().to_owned()];
    paths.extend(std::env::split_paths(&std::env::var_os("PATH").unwrap()));
    std::env::join_paths(paths).unwrap()
}

fn shell(line: &str, folder: &Path) -> Command {
    let mut command = Command::new("bash");
    command
        .args(["-euo", "pipefail", "-c", line])
        .current_dir(folder)
        .env("PATH", path_with_program())
        .stdin(Stdio::null());
    command
}

fn run(line: &str, folder: &Path) {
    check(line, &shell(line, folder).output().unwrap());
}

fn check(line: &str, done: &std::process::Output) {
    assert!(
        done.status.success(),
        "README: `{line}` ended with {}\n{}{}",
        done.status,
        String::from_utf8_lossy(&done.stdout),
        String::from_utf8_lossy(&done.stderr)
    );
}

/// Starts a server, waits for its address, fetches the list, ends it.
fn run_server(line: &str, folder: &Path) {
    let mut server = shell(&format!("exec {line}"), folder)
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let output = BufReader::new(server.stdout.take().unwrap());
    let address = output.lines().map_while(Result::ok).find_map(|text| {
        let start = text.find("http://")?;
        let address = text[start..].split_whitespace().next()?;
        Some(address.trim_end_matches('/').to_owned())
    });
    let fetched = address.map(|address| {
        Command::new("curl")
            .args(["-sSf", &address])
            .output()
            .unwrap()
    });
    server.kill().unwrap();
    server.wait().unwrap();
    let fetched = fetched.unwrap_or_else(|| panic!("`{line}` names no address"));
    assert!(
        fetched.status.success(),
        "`{line}`: {}",
        String::from_utf8_lossy(&fetched.stderr)
    );
    assert!(!fetched.stdout.is_empty());
}

#[test]
fn every_line_runs() {
    let folder = tempfile::tempdir().unwrap();
    let lines = lines("sh");
    assert!(lines.len() >= 10, "{lines:?}");
    for line in &lines {
        if line.starts_with("thumbreel serve") {
            run_server(line, folder.path());
        } else {
            run(line, folder.path());
        }
    }
}

/// CI runs it after the others.
#[test]
#[ignore = "builds the program once more, optimised"]
fn the_first_command_sets_up_and_runs_the_demo() {
    let setup = lines("sh setup");
    assert_eq!(setup.len(), 2, "{setup:?}");
    let folder = tempfile::tempdir().unwrap();
    let exhibits = folder.path().join("exhibits");
    let line = setup[0].replace("exhibits", exhibits.to_str().unwrap());
    assert_ne!(line, setup[0], "the demo's folder is named in the README");
    // The line as it stands; the compiler optimises less, which halves its work.
    let done = shell(&line, Path::new(env!("CARGO_MANIFEST_DIR")))
        .env("CARGO_PROFILE_RELEASE_OPT_LEVEL", "1")
        .output()
        .unwrap();
    check(&line, &done);
    let made: Vec<_> = std::fs::read_dir(&exhibits)
        .unwrap()
        .map(|e| e.unwrap().path())
        .collect();
    let reel = made
        .iter()
        .find(|p| p.extension().is_some_and(|e| e == "tbr"))
        .unwrap_or_else(|| panic!("no reel among {made:?}"));
    run(
        &format!("thumbreel verify {}", reel.display()),
        folder.path(),
    );
}

#[test]
fn the_second_command_is_what_ci_runs() {
    let setup = lines("sh setup");
    let ci = include_str!("../.ci/run");
    for part in setup[1].split("&&") {
        let part = part.trim();
        assert!(
            ci.lines().any(|line| line.trim_start().starts_with(part)),
            "`{part}` stands in the README but not in .ci/run"
        );
    }
}
