//! The independent side of a check: numpy, scipy and PyAV in the test
//! environment's Python.

use std::path::PathBuf;
use std::process::{Command, Stdio};

/// The test environment's Python.
pub fn python() -> PathBuf {
    let home = std::env::var("HOME").expect("HOME is set");
    let python = PathBuf::from(home).join(".cache/thumbreel/venv/bin/python");
    assert!(
        python.exists(),
        "{} is missing: run .ci/install test",
        python.display()
    );
    python
}

/// Runs `script` with arguments and raw bytes on its standard input; what it
/// prints comes back as numbers.
pub fn numbers(script: &str, args: &[String], input: &[u8]) -> Vec<f64> {
    use std::io::Write;
    let mut child = Command::new(python())
        .arg("-c")
        .arg(script)
        .args(args)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("Python starts");
    let mut stdin = child.stdin.take().expect("a pipe");
    let input = input.to_vec();
    let feeder = std::thread::spawn(move || stdin.write_all(&input));
    let output = child.wait_with_output().expect("Python ends");
    feeder
        .join()
        .expect("the feeder ends")
        .expect("Python reads its input");
    assert!(output.status.success(), "the reference script failed");
    let text = String::from_utf8(output.stdout).expect("text");
    text.split_whitespace()
        .map(|word| word.parse().expect("a number"))
        .collect()
}

/// Samples as little-endian bytes.
pub fn bytes(samples: &[f32]) -> Vec<u8> {
    samples.iter().flat_map(|s| s.to_le_bytes()).collect()
}
