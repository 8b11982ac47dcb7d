//! Clips for tests: made with the ffmpeg program, or taken from packages.

use std::path::{Path, PathBuf};
use std::process::Command;

/// The folder of what `.ci/install test` fetched.
pub fn tools() -> PathBuf {
    std::env::var_os("THUMBREEL_TOOLS").map_or_else(
        || PathBuf::from(std::env::var_os("HOME").expect("HOME is set")).join(".cache/thumbreel"),
        PathBuf::from,
    )
}

fn needed(path: PathBuf) -> PathBuf {
    assert!(
        path.exists(),
        "{} is missing: run .ci/install test",
        path.display()
    );
    path
}

/// A real clip out of a package.
pub fn packaged(name: &str) -> PathBuf {
    needed(tools().join("clips").join(name))
}

/// The Python that has numpy and PyAV.
pub fn python() -> Command {
    Command::new(needed(tools().join("venv/bin/python")))
}

/// Runs a program and returns what it wrote to standard output.
pub fn output(command: &mut Command) -> Vec<u8> {
    let done = command
        .output()
        .unwrap_or_else(|e| panic!("{command:?}: {e}: run .ci/install test"));
    let said = String::from_utf8_lossy(&done.stderr);
    assert!(done.status.success(), "{command:?}:\n{said}");
    done.stdout
}

/// Runs the ffmpeg program with arguments separated by blanks; `'...'` keeps
/// blanks together.
pub fn ffmpeg(folder: &Path, arguments: &str) -> Vec<u8> {
    let mut command = Command::new("ffmpeg");
    command.current_dir(folder);
    command.args(["-hide_banner", "-loglevel", "error", "-nostdin", "-y"]);
    for (i, part) in arguments.split('\'').enumerate() {
        match i % 2 {
            0 => command.args(part.split_whitespace()),
            _ => command.arg(part),
        };
    }
    output(&mut command)
}

/// What ffprobe says, as lines of `entries` in plain form.
pub fn probe(clip: &Path, arguments: &str) -> Vec<String> {
    let mut command = Command::new("ffprobe");
    command
        .args(["-v", "quiet", "-of", "csv=p=0"])
        .args(arguments.split_whitespace());
    let text = String::from_utf8(output(command.arg(clip))).expect("ffprobe writes text");
    let lines = text.lines().map(|l| l.trim_end_matches(',').to_owned());
    lines.filter(|l| !l.is_empty()).collect()
}

/// A folder that vanishes with the test.
pub fn folder() -> tempfile::TempDir {
    tempfile::tempdir().expect("a temporary folder")
}

/// Frequency of a tone by its upward zero crossings, Hz.
pub fn frequency(samples: &[f32], rate: f64) -> f64 {
    let mut crossings = Vec::new();
    for (i, pair) in samples.windows(2).enumerate() {
        if pair[0] < 0.0 && pair[1] >= 0.0 {
            let part = f64::from(-pair[0]) / f64::from(pair[1] - pair[0]);
            crossings.push(i as f64 + part);
        }
    }
    let (Some(first), Some(last)) = (crossings.first(), crossings.last()) else {
        return 0.0;
    };
    (crossings.len() - 1) as f64 * rate / (last - first)
}
