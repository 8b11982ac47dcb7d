//! `boards new` asks what matters, asks again after a wrong answer, and leaves
//! no file when it is not answered to the end.

use std::io::{BufRead, BufReader, Read, Write};
use std::process::{Command, Stdio};

use crate::common::media::folder;
use crate::{names, thumbreel};

const NEW: [&str; 6] = [
    "boards",
    "new",
    "--like",
    "lantern-room",
    "--output",
    "pier.toml",
];

/// Each question with its answers; those before the last are wrong.
const ANSWERS: &[(&str, &[&str])] = &[
    ("Short name", &["pier"]),
    ("One line about it", &[""]),
    ("width in pixels", &["wide", "-3", "128"]),
    ("height in pixels", &["160"]),
    ("shape", &["triangle", "rectangle"]),
    ("rotation", &["45", "90"]),
    ("visible column", &["left", "26"]),
    ("visible row", &["1"]),
    ("negatives", &["yes", "true"]),
    ("red as blue", &["false"]),
    ("bus clock", &["40000000"]),
    ("data lines", &[""]),
    ("DMA", &["true"]),
    ("Card wiring", &["spi"]),
    ("Card clock", &["20000000"]),
    ("share the panel's bus", &["perhaps", "true"]),
    ("Wi-Fi MCS", &["none"]),
    ("Core clock", &[""]),
    ("Cores", &["9", "2"]),
    ("Instruction set", &["8086", "xtensa"]),
    ("Internal memory", &[""]),
    ("External memory", &[""]),
    ("sound rate", &["16000"]),
    ("impedance", &["8"]),
    ("rated power", &[""]),
    ("Power source", &["mains", "cell"]),
    ("mAh", &["much", "1200"]),
];

#[test]
fn wrong_answers_are_asked_for_again_and_all_that_matters_is_asked() {
    let folder = folder();
    let path = folder.path();
    let lines: Vec<&str> = ANSWERS
        .iter()
        .flat_map(|(_, answers)| answers.iter().copied())
        .collect();
    let typed = lines.join("\n") + "\n";
    let done = thumbreel(path)
        .args(NEW)
        .write_stdin(typed)
        .output()
        .unwrap();
    let said = String::from_utf8(done.stderr).unwrap();
    assert!(done.status.success(), "{said}");
    for (question, answers) in ANSWERS {
        let asked = said.matches(question).count();
        assert!(
            asked >= answers.len(),
            "{question:?} came {asked} times in: {said}"
        );
    }
    let shown = thumbreel(path)
        .args(["boards", "show", "pier.toml", "--json"])
        .output()
        .unwrap();
    let board: serde_json::Value = serde_json::from_slice(&shown.stdout).unwrap();
    for (key, wanted) in [
        ("/name", serde_json::json!("pier")),
        ("/description", serde_json::json!("128x160 panel")),
        ("/panel/width", 128.into()),
        ("/panel/rotation", 90.into()),
        ("/panel/x_offset", 26.into()),
        ("/panel/y_offset", 1.into()),
        ("/panel/inverted", true.into()),
        ("/panel/bgr", false.into()),
        ("/cpu/instruction_set", serde_json::json!("xtensa")),
        ("/sound/sample_rate", 16_000.into()),
        ("/card/shares_panel_bus", true.into()),
        ("/power/source", serde_json::json!("cell")),
        ("/power/cell_mah", serde_json::json!(1200.0)),
    ] {
        assert_eq!(board.pointer(key), Some(&wanted), "{key}");
    }
    assert!(board.get("wifi").is_none_or(serde_json::Value::is_null));
}

#[test]
fn answers_that_end_early_leave_no_file() {
    let folder = folder();
    let path = folder.path();
    let done = thumbreel(path)
        .args(NEW)
        .write_stdin("pier\n\nwide\n")
        .output()
        .unwrap();
    let said = String::from_utf8(done.stderr).unwrap();
    assert_eq!(done.status.code(), Some(1), "{said}");
    assert!(
        said.contains("the answers ended with a wrong one"),
        "{said}"
    );
    // Interrupted in the middle, with an earlier profile in place.
    std::fs::write(path.join("pier.toml"), b"an earlier profile").unwrap();
    let mut child = Command::new(env!("CARGO_BIN_EXE_thumbreel"))
        .current_dir(path)
        .args(NEW)
        .arg("--overwrite")
        .stdin(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut stdin = child.stdin.take().unwrap();
    stdin.write_all(b"pier\n").unwrap();
    let mut asked = BufReader::new(child.stderr.take().unwrap());
    asked.read_until(b'[', &mut Vec::new()).unwrap();
    let id = child.id().to_string();
    assert!(
        Command::new("kill")
            .args(["-INT", &id])
            .status()
            .unwrap()
            .success()
    );
    let mut rest = String::new();
    asked.read_to_string(&mut rest).unwrap();
    assert_eq!(child.wait().unwrap().code(), Some(1), "{rest}");
    assert_eq!(names(path), ["pier.toml"]);
    assert_eq!(
        std::fs::read(path.join("pier.toml")).unwrap(),
        b"an earlier profile"
    );
}
