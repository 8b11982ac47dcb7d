//! On a terminal: colours only where they are wanted, lines that fit, a closed
//! pipe, names that are not UTF-8.

use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt;
use std::path::Path;
use std::process::Command;

use thumbreel::reel::ReelFile;

use crate::common::media::folder;
use crate::{clip, thumbreel};

/// What appears on a terminal of 40 columns (util-linux `script` makes one).
fn on_a_terminal(folder: &Path, before: &str, arguments: &str) -> String {
    let program = env!("CARGO_BIN_EXE_thumbreel");
    let done = Command::new("script")
        .current_dir(folder)
        .args(["-qec"])
        .arg(format!(
            "stty cols 40 rows 20; {before} '{program}' {arguments}"
        ))
        .arg("/dev/null")
        .env_remove("NO_COLOR")
        .env("TERM", "xterm-256color")
        .output()
        .expect("script, of Debian's bsdutils");
    String::from_utf8_lossy(&done.stdout).into_owned()
}

/// Whether text sets colours or weights (ECMA-48 SGR).
fn is_styled(text: &str) -> bool {
    let mut parts = text.split("\u{1b}[");
    parts.next();
    parts.any(|p| {
        p.trim_start_matches(|c: char| c.is_ascii_digit() || c == ';')
            .starts_with('m')
    })
}

/// Columns that a line takes: without control sequences.
fn columns(line: &str) -> usize {
    let mut parts = line.split("\u{1b}[");
    let first = parts.next().unwrap_or_default().chars().count();
    let rest = parts.map(|p| {
        let end = p
            .find(|c: char| c.is_ascii_alphabetic())
            .map_or(p.len(), |i| i + 1);
        p[end..].chars().count()
    });
    first + rest.sum::<usize>()
}

#[test]
fn no_color_is_heeded() {
    let folder = folder();
    let help = "convert --help";
    let styled = on_a_terminal(folder.path(), "", help);
    assert!(
        styled.contains("--size") && is_styled(&styled),
        "{styled:?}"
    );
    let plain = on_a_terminal(folder.path(), "NO_COLOR=1", help);
    assert!(plain.contains("--size") && !is_styled(&plain), "{plain:?}");
    let piped = thumbreel(folder.path())
        .args(help.split(' '))
        .output()
        .unwrap();
    assert!(!is_styled(&String::from_utf8_lossy(&piped.stdout)));
}

#[test]
fn bars_fit_a_narrow_terminal() {
    let folder = folder();
    clip(folder.path(), "the-harbour-in-the-evening.mp4", 40);
    let seen = on_a_terminal(
        folder.path(),
        "",
        "convert the-harbour-in-the-evening.mp4 --board lantern-room",
    );
    let bars: Vec<&str> = seen
        .split(['\r', '\n'])
        .take_while(|line| !line.contains(".tbr:"))
        .filter(|line| line.contains("the-harbour"))
        .collect();
    assert!(!bars.is_empty(), "{seen:?}");
    for bar in bars {
        assert!(columns(bar) <= 40, "{} columns: {bar:?}", columns(bar));
    }
}

/// Commands that may take long show that they live, on a terminal alone.
#[test]
fn long_work_shows_progress_on_a_terminal_only() {
    let folder = folder();
    let path = folder.path();
    clip(path, "a.mp4", 3);
    thumbreel(path)
        .args("convert a.mp4 --board lantern-room".split(' '))
        .assert()
        .success();
    for (line, sign) in [
        ("compare a.tbr a.mp4", "comparing"),
        (
            "report a.tbr --board lantern-room --clip a.mp4 -o a.html",
            "reporting",
        ),
        (
            "report a.tbr --board lantern-room --rehearsals 4000 -o b.html",
            "reporting",
        ),
        ("export a.tbr -o a2.mp4", "exporting"),
        (
            "rehearse a.tbr --board lantern-room --runs 20000",
            "rehearsing",
        ),
        ("verify a.tbr", "verifying"),
        ("repair a.tbr -o b.tbr", "repairing"),
    ] {
        let seen = on_a_terminal(path, "", line);
        assert!(seen.contains(sign), "{line}: {seen:?}");
        let words = line.split(' ').chain(["--overwrite"]);
        let words = words.filter(|w| *w != "--overwrite" || line.contains(" -o "));
        let done = thumbreel(path).args(words).output().unwrap();
        assert!(done.stderr.is_empty(), "{line}: {:?}", done.stderr);
    }
}

#[test]
fn a_closed_pipe_ends_quietly() {
    let folder = folder();
    let program = env!("CARGO_BIN_EXE_thumbreel");
    for arguments in [
        "boards show lantern-room",
        "help",
        "gain --board lantern-room",
    ] {
        let line = format!("'{program}' {arguments} 2>said | head -c 1; echo ${{PIPESTATUS[0]}}");
        let done = Command::new("bash")
            .current_dir(folder.path())
            .args(["-c", &line])
            .output()
            .unwrap();
        let out = String::from_utf8_lossy(&done.stdout).into_owned();
        let said = std::fs::read_to_string(folder.path().join("said")).unwrap();
        assert_eq!(said, "", "{arguments}");
        // Either all was written before the pipe closed, or it ended for it.
        assert!(
            ["0", "1", "141"].contains(&out[1..].trim()),
            "{arguments}: {out}"
        );
    }
}

#[test]
fn names_may_be_any_bytes() {
    let folder = folder();
    let path = folder.path();
    clip(path, "a.mp4", 1);
    let [quay, reel] = [&b"qu\xe4y.mp4"[..], b"qu\xe4y.tbr"].map(OsStr::from_bytes);
    std::fs::rename(path.join("a.mp4"), path.join(quay)).unwrap();
    thumbreel(path)
        .arg("convert")
        .arg(quay)
        .args(["--board", "lantern-room", "--json"])
        .assert()
        .success();
    thumbreel(path).arg("verify").arg(reel).assert().success();
    let shown = thumbreel(path).arg("inspect").arg(reel).output().unwrap();
    assert!(
        String::from_utf8(shown.stdout)
            .unwrap()
            .contains("qu\u{fffd}y")
    );
    let title = ReelFile::open(path.join(reel))
        .unwrap()
        .header()
        .title()
        .to_owned();
    assert_eq!(title, "qu\u{fffd}y");
    thumbreel(path)
        .arg("convert")
        .arg(OsStr::from_bytes(b"gon\xe9.mp4"))
        .args(["--board", "lantern-room"])
        .assert()
        .code(1);
}
