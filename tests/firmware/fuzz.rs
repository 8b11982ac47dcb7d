//! A short run of the header's fuzz target; `tests/fuzz/firmware/run 600` is a
//! long one.

use super::tools::{output, root};
use std::process::Command;

#[test]
fn a_short_run_finds_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let mut command = Command::new("bash");
    command
        .arg(root().join("tests/fuzz/firmware/run"))
        .arg("10")
        .arg(folder.path());
    let run = output(&mut command);
    let said = String::from_utf8_lossy(&run.stderr);
    let end: Vec<&str> = said.lines().rev().take(30).collect();
    assert!(
        run.status.success(),
        "{}\nrun .ci/install test if clang is missing",
        end.join("\n")
    );
}
