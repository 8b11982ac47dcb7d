//! `thumbreel firmware` writes a new folder, or into an empty one, and nothing else.

use crate::common::media::folder;
use crate::{names, thumbreel};

#[test]
fn firmware_goes_to_a_new_or_an_empty_folder() {
    let folder = folder();
    let path = folder.path();
    let run = |more: &[&str]| {
        let words = ["firmware", "made", "--board", "bell-buoy"];
        let mut command = thumbreel(path);
        command.args(words).args(more).output().unwrap()
    };
    std::fs::create_dir(path.join("made")).unwrap();
    let done = run(&["--json"]);
    assert!(done.status.success() && done.stderr.is_empty(), "{done:?}");
    let told: serde_json::Value = serde_json::from_slice(&done.stdout).unwrap();
    let mut files: Vec<String> = serde_json::from_value(told["files"].clone()).unwrap();
    files.sort();
    assert_eq!(files, names(&path.join("made")));
    assert_eq!(told["program"], "one-loop");
    for program in ["one_loop", "two_tasks"] {
        assert_eq!(
            told[program][0]["reel"],
            "typical patch full, 128x160, 24 fps"
        );
    }
    let config = std::fs::read(path.join("made/config.h")).unwrap();
    // The firmware's own files, as they are.
    for name in ["thumbreel.h", "player.c", "pins.h"] {
        let spec = format!("{}/spec/firmware/{name}", env!("CARGO_MANIFEST_DIR"));
        let made = std::fs::read(path.join("made").join(name)).unwrap();
        assert!(made == std::fs::read(spec).unwrap(), "{name}");
    }
    let again = run(&[]);
    let said = String::from_utf8_lossy(&again.stderr);
    assert_eq!(again.status.code(), Some(1), "{said}");
    assert!(said.contains("made exists; name another folder"), "{said}");
    assert_eq!(std::fs::read(path.join("made/config.h")).unwrap(), config);
    assert_eq!(names(path), ["made"]);
    // The same words give the same bytes.
    std::fs::rename(path.join("made"), path.join("first")).unwrap();
    let done = run(&[]);
    let said = String::from_utf8_lossy(&done.stdout).into_owned();
    assert!(
        done.status.success() && said.contains("next: read made/README.txt"),
        "{said}"
    );
    assert_eq!(std::fs::read(path.join("made/config.h")).unwrap(), config);
}
