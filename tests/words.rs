//! The vocabulary: what the glossary of `DEVELOPERS.md` rules out must not
//! appear where a person reads.

use std::fs;
use std::path::Path;
use std::process::Command;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn read(path: &str) -> String {
    fs::read_to_string(root().join(path)).unwrap_or_else(|e| panic!("{path}: {e}"))
}

fn printed(arguments: &[&str]) -> String {
    let run = Command::new(env!("CARGO_BIN_EXE_thumbreel"))
        .args(arguments)
        .env("COLUMNS", "1000")
        .output()
        .unwrap();
    String::from_utf8(run.stdout).unwrap()
}

/// The words in backticks in the last column of the glossary's first table.
fn refused() -> Vec<String> {
    let guide = read("DEVELOPERS.md");
    let words = guide.split("\n## Words\n").nth(1).expect("a glossary");
    let table = words.split("\nWhere the trade has none").next().unwrap();
    let rows = table.lines().filter(|line| line.starts_with("| "));
    let last = rows.filter_map(|row| row.trim_end_matches(" |").rsplit('|').next());
    last.flat_map(|cell| {
        let quoted = cell.split('`').skip(1).step_by(2);
        quoted.map(str::to_owned).collect::<Vec<_>>()
    })
    .collect()
}

/// All that a person reads, by where it stands.
fn texts() -> Vec<(String, String)> {
    let commands = [
        "boards",
        "budget",
        "compare",
        "convert",
        "demo",
        "enclosure",
        "export",
        "firmware",
        "gain",
        "inspect",
        "manual",
        "rehearse",
        "repair",
        "report",
        "serve",
        "verify",
    ];
    let mut all = vec![("thumbreel help".to_owned(), printed(&["help"]))];
    for command in commands {
        all.push((format!("{command} --help"), printed(&[command, "--help"])));
    }
    for name in ["lantern-room", "tide-gauge"] {
        all.push((
            format!("boards show {name}"),
            printed(&["boards", "show", name]),
        ));
        for command in ["budget", "rehearse", "gain", "enclosure"] {
            // The words are those of a thousand runs.
            let few: &[&str] = if command == "rehearse" {
                &["--runs", "20"]
            } else {
                &[]
            };
            let plain = [&[command, "--board", name], few].concat();
            let run = printed(&[&plain[..], &["--json"]].concat());
            all.push((format!("{command} --board {name} --json"), run));
            let run = printed(&plain);
            all.push((format!("{command} --board {name}"), run));
        }
    }
    let files = [
        "spec/container.md",
        "spec/coding.md",
        "spec/thumbreel.ksy",
        "spec/firmware/README.md",
        "spec/firmware/thumbreel.h",
        "spec/firmware/player.c",
        "spec/firmware/player.h",
        "spec/firmware/probe.c",
        "spec/firmware/play_card.h",
        "spec/firmware/playlist.h",
        "spec/firmware/skeleton/skeleton.h",
        "spec/firmware/skeleton/main.c",
        "spec/firmware/skeleton/main_tasks.c",
        "spec/firmware/skeleton/tasks.c",
        "spec/firmware/skeleton/pins.c",
        "src/page/calculator.html",
        "src/page/calculator.js",
        "src/page/index.html",
        "src/page/player.js",
        "src/page/reel.js",
        "src/page/shelf.js",
    ];
    for path in files {
        all.push((path.to_owned(), read(path)));
    }
    let readme = read("README.md");
    let before = readme.split("\n## Licence\n").next().unwrap().to_owned();
    all.push(("README.md".to_owned(), before));
    all
}

/// Whether `word` appears by itself in `text`, which is in lower case.
fn appears(text: &str, word: &str) -> bool {
    let word = word.to_lowercase();
    let letter = |c: Option<char>| c.is_some_and(|c| c.is_alphanumeric() || c == '_');
    text.match_indices(&word).any(|(at, found)| {
        let before = text[..at].chars().next_back();
        let after = text[at + found.len()..].chars().next();
        let starts = word.starts_with(|c: char| !c.is_alphanumeric()) || !letter(before);
        let ends = word.ends_with(|c: char| !c.is_alphanumeric()) || !letter(after);
        starts && ends
    })
}

#[test]
fn old_words_are_gone() {
    let refused = refused();
    assert!(refused.len() > 40, "{refused:?}");
    let mut found = Vec::new();
    for (place, text) in texts() {
        assert!(text.len() > 100, "{place} is empty");
        let text = text.to_lowercase();
        for word in refused.iter().filter(|word| appears(&text, word)) {
            found.push(format!("{place}: {word}"));
        }
    }
    assert!(found.is_empty(), "\n{}", found.join("\n"));
}

#[test]
fn a_word_is_found_whole_and_in_any_case() {
    assert!(appears("what the watcher saw", "Watcher"));
    assert!(!appears("the watchers", "watcher"));
    assert!(appears("use `--from sd` here", "--from sd"));
    assert!(!appears("a humpback", "hump"));
}
