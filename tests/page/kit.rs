//! The page's reader on the malformed-file kit.

use std::path::Path;
use std::process::Command;

/// The page seeks before it plays, so it never meets the time of a note that
/// stands before the first slice.
const NOT_MET: &str = "end-note-time.tbr";

/// Every file of the kit, read forwards and after a seek: the samples, pictures
/// and panels of `tests/data/kit/LIST`. The verdict there is a verifier's.
#[test]
fn the_page_presents_the_kit_as_listed() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let kit = root.join("tests/data/kit");
    let list = std::fs::read_to_string(kit.join("LIST")).unwrap();
    let listed: Vec<(&str, &str)> = list.lines().map(|l| l.split_once(' ').unwrap()).collect();
    assert!(listed.len() >= 100);
    let output = Command::new("node")
        .arg(root.join("tests/page/kit.mjs"))
        .arg(root.join("src/page/reel.js"))
        .arg(root.join("src/page/module/viewer.wasm"))
        .args(listed.iter().map(|(name, _)| kit.join(name)))
        .output()
        .expect("node is missing: run .ci/install test");
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{said}");
    let told = String::from_utf8(output.stdout).unwrap();
    let mut told = told.lines();
    for (name, line) in listed {
        let verdict = [" whole", " damaged", " broken"];
        let shown = verdict.iter().find_map(|v| line.strip_suffix(v));
        let expected = format!("{name} {}", shown.unwrap_or(line));
        assert_eq!(told.next(), Some(&expected[..]), "read forwards");
        let sought = told.next();
        assert!(
            name == NOT_MET || sought == Some(&expected[..]),
            "{sought:?} after a seek"
        );
    }
}
