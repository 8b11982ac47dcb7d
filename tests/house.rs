//! The house rules: what stands at the top, who imports whom, where `unsafe`
//! may stand.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// Every `.rs` file below `src`, with the room (first folder or file) it is in.
fn sources() -> Vec<(String, PathBuf)> {
    fn walk(dir: &Path, found: &mut Vec<PathBuf>) {
        for entry in fs::read_dir(dir).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                walk(&path, found);
            } else if path.extension().is_some_and(|e| e == "rs") {
                found.push(path);
            }
        }
    }
    let src = root().join("src");
    let mut files = Vec::new();
    walk(&src, &mut files);
    files.sort();
    files
        .into_iter()
        .map(|path| {
            let inside = path.strip_prefix(&src).unwrap();
            let first = inside.components().next().unwrap().as_os_str();
            let room = first.to_string_lossy().trim_end_matches(".rs").to_owned();
            (room, path)
        })
        .collect()
}

/// Rooms named after `crate::` in the code of a file, comments left out.
fn imported_rooms(code: &str) -> Vec<String> {
    let mut rooms = Vec::new();
    for line in code.lines() {
        let line = line.split("//").next().unwrap_or("");
        for after in line.split("crate::").skip(1) {
            let name: String = after
                .chars()
                .take_while(|c| c.is_alphanumeric() || *c == '_')
                .collect();
            if !name.is_empty() {
                rooms.push(name);
            } else if let Some(list) = after.strip_prefix('{') {
                rooms.extend(
                    list.split('}')
                        .next()
                        .unwrap_or("")
                        .split(',')
                        .map(|n| n.trim().split("::").next().unwrap_or("").to_owned())
                        .filter(|n| !n.is_empty()),
                );
            }
        }
    }
    rooms
}

/// What each room may import. The order is that of the data; `command` joins
/// everything and only `main` knows it.
fn allowed() -> BTreeMap<&'static str, Vec<&'static str>> {
    let stages = [
        "units", "files", "source", "picture", "sound", "coding", "reel",
    ];
    let with = |base: &[&'static str], more: &[&'static str]| [base, more].concat();
    BTreeMap::from([
        ("units", vec![]),
        ("files", vec![]),
        ("reel", vec!["units", "coding", "files"]),
        ("play", vec!["units", "reel", "coding", "sound"]),
        ("source", vec!["units", "files"]),
        ("picture", vec!["units", "source"]),
        ("chart", vec![]),
        ("sound", vec!["units", "source", "chart"]),
        ("coding", vec!["units", "picture"]),
        ("board", vec!["units", "files"]),
        ("budget", vec!["units", "board", "reel", "coding", "sound"]),
        (
            "rehearsal",
            vec![
                "units", "board", "reel", "coding", "chart", "budget", "play",
            ],
        ),
        (
            "answer",
            vec!["units", "board", "chart", "budget", "rehearsal"],
        ),
        ("convert", with(&stages, &["board", "budget", "rehearsal"])),
        ("demo", with(&stages, &["board", "convert", "export"])),
        ("export", stages.to_vec()),
        ("page", vec![]),
        (
            "firmware",
            vec!["units", "board", "budget", "rehearsal", "reel"],
        ),
        (
            "serve",
            vec![
                "units", "files", "board", "budget", "reel", "coding", "sound", "page", "answer",
            ],
        ),
        (
            "report",
            with(
                &stages,
                &[
                    "board",
                    "chart",
                    "budget",
                    "rehearsal",
                    "answer",
                    "export",
                    "page",
                ],
            ),
        ),
    ])
}

#[test]
fn imports_flow_one_way() {
    let allowed = allowed();
    let mut wrong = Vec::new();
    for (room, path) in sources() {
        if matches!(room.as_str(), "command" | "lib" | "main") {
            continue;
        }
        let Some(may) = allowed.get(room.as_str()) else {
            wrong.push(format!("{}: a room without a rule", path.display()));
            continue;
        };
        for name in imported_rooms(&fs::read_to_string(&path).unwrap()) {
            let known = allowed.contains_key(name.as_str()) || name == "command";
            if known && name != room && !may.contains(&name.as_str()) {
                wrong.push(format!("{} imports {name}", path.display()));
            }
        }
    }
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}

#[test]
fn the_import_reader_sees_each_form() {
    let code = "use crate::reel::Header;\nuse crate::{units::Rect, board};\n// crate::serve\nlet x = crate::coding::raw();";
    assert_eq!(imported_rooms(code), ["reel", "units", "board", "coding"]);
}

#[test]
fn unsafe_stands_in_one_file() {
    let holders: Vec<_> = sources()
        .into_iter()
        .filter(|(_, path)| {
            fs::read_to_string(path).unwrap().lines().any(|line| {
                let code = line.split("//").next().unwrap_or("");
                code.contains("unsafe {")
                    || code.contains("unsafe fn")
                    || code.contains("unsafe impl")
            })
        })
        .map(|(_, path)| path.strip_prefix(root()).unwrap().to_path_buf())
        .collect();
    assert!(
        holders
            .iter()
            .all(|p| p == Path::new("src/source/av_sys.rs")),
        "{holders:?}"
    );
}

#[test]
fn the_top_level_is_the_agreed_one() {
    let listed = Command::new("git")
        .args(["ls-files", "-z"])
        .current_dir(root())
        .output()
        .expect("git lists the files");
    let agreed = [
        ".ci",
        ".gitignore",
        "Cargo.lock",
        "Cargo.toml",
        "DEVELOPERS.md",
        "LICENSE",
        "README.md",
        "spec",
        "src",
        "tests",
    ];
    for path in listed.stdout.split(|b| *b == 0).filter(|p| !p.is_empty()) {
        let path = String::from_utf8_lossy(path);
        let top = path.split('/').next().unwrap();
        assert!(agreed.contains(&top), "{path} stands at the top level");
    }
}
