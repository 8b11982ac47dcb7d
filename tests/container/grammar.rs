//! The grammar beside the format's text, compiled by the grammar's own
//! compiler, reads what `inspect --json` prints: an independent reading.

use crate::common::reels::tiny_reel;
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Command;

fn tools() -> PathBuf {
    let cache = std::env::var_os("THUMBREEL_TOOLS").map_or_else(
        || PathBuf::from(std::env::var_os("HOME").unwrap()).join(".cache/thumbreel"),
        PathBuf::from,
    );
    cache.join("node_modules")
}

fn by_grammar(reel: &Path) -> Value {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let out = Command::new("node")
        .arg(root.join("tests/container/grammar.js"))
        .arg(root.join("spec/thumbreel.ksy"))
        .arg(reel)
        .env("NODE_PATH", tools())
        .output()
        .expect("node is missing: run .ci/install test");
    let errors = String::from_utf8_lossy(&out.stderr).into_owned();
    assert!(
        out.status.success(),
        "(run .ci/install test if modules are missing)\n{errors}"
    );
    serde_json::from_slice(&out.stdout).unwrap()
}

fn by_inspect(reel: &Path) -> Value {
    let mut inspect = assert_cmd::Command::cargo_bin("thumbreel").unwrap();
    let out = inspect.args(["inspect", "--json", "--chunks"]).arg(reel);
    serde_json::from_slice(&out.assert().success().get_output().stdout).unwrap()
}

#[test]
fn the_grammar_reads_what_inspect_prints() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("harbour.tbr");
    std::fs::write(&path, tiny_reel(80)).unwrap();
    let (mut grammar, mut inspect) = (by_grammar(&path), by_inspect(&path));
    // JavaScript's numbers hold 53 bits; the low 32 are compared in every chunk.
    for read in [&mut grammar, &mut inspect] {
        let id = read["header"]["reel_id"].as_f64().unwrap();
        read["header"]["reel_id"] = id.into();
    }
    assert_eq!(grammar["checksums"], true);
    for part in ["header", "end", "notes"] {
        assert_eq!(grammar[part], inspect[part], "{part}");
    }
    let mut chunks = grammar["chunks"].as_array().unwrap().clone();
    // The end chunk is told apart, as `end`.
    assert_eq!(chunks.pop().unwrap()["kind"], 5);
    assert_eq!(Value::from(chunks.clone()), inspect["chunks"]);
    // The index points at key slices, by offset and number.
    let used = grammar["header"]["index_entries"].as_u64().unwrap() as usize;
    let entries = grammar["entries"].as_array().unwrap();
    assert!(used > 10 && entries.len() >= used);
    for entry in &entries[..used] {
        let slice = chunks.iter().find(|c| c["offset"] == entry[0]).unwrap();
        assert_eq!(
            (&slice["number"], slice["flags"].as_u64().map(|f| f & 1)),
            (&entry[1], Some(1))
        );
    }
}

#[test]
fn the_grammar_refuses_what_is_not_a_reel() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("harbour.tbr");
    let mut reel = tiny_reel(3);
    reel[0] = 0x67;
    std::fs::write(&path, &reel).unwrap();
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let out = Command::new("node")
        .arg(root.join("tests/container/grammar.js"))
        .arg(root.join("spec/thumbreel.ksy"))
        .arg(&path)
        .env("NODE_PATH", tools())
        .output()
        .expect("node is missing: run .ci/install test");
    assert!(!out.status.success());
}
