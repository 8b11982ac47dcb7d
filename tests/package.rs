//! What a registry gets, and what a user of one feature has to build.

use std::path::Path;
use std::process::Command;

fn cargo(arguments: &[&str]) -> String {
    let output = Command::new(env!("CARGO"))
        .args(arguments)
        .args(["--offline", "--locked"])
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .expect("cargo runs");
    assert!(
        output.status.success(),
        "cargo {arguments:?}: {}",
        String::from_utf8_lossy(&output.stderr)
    );
    String::from_utf8(output.stdout).expect("names are Unicode")
}

/// Names of the packages that a library with these features builds, its own left out.
fn packages(features: &str) -> Vec<String> {
    let tree = cargo(&[
        "tree",
        "--no-default-features",
        "--features",
        features,
        "--edges",
        "normal,build",
        "--prefix",
        "none",
        "--format",
        "{p}",
    ]);
    let mut names: Vec<String> = tree
        .lines()
        .filter_map(|line| line.split(' ').next())
        .filter(|name| !name.is_empty() && *name != "thumbreel")
        .map(str::to_owned)
        .collect();
    names.sort();
    names.dedup();
    names
}

#[test]
fn only_conversions_pull_in_a_media_library() {
    let media = |features: &str| {
        packages(features)
            .iter()
            .any(|name| name.starts_with("ffmpeg") || name == "bindgen")
    };
    for features in ["", "files", "model", "serve", "files,model"] {
        assert!(!media(features), "{features}: {:?}", packages(features));
    }
    for features in ["convert", "report", "program"] {
        assert!(media(features), "{features}: the test does not see it");
    }
}

#[test]
fn the_core_needs_two_packages_and_their_own() {
    let names = packages("");
    assert_eq!(names, ["byteorder", "cfg-if", "crc32fast"]);
}

/// Names of the files in a package, which must be smaller than a megabyte.
fn packed(folder: &Path, name: &str) -> Vec<String> {
    let version = env!("CARGO_PKG_VERSION");
    let file = folder.join(format!("package/{name}-{version}.crate"));
    let size = file.metadata().expect("the package was written").len();
    assert!(size < 1_000_000, "{name}: {size} bytes");
    let listed = Command::new("tar").arg("-tzf").arg(&file).output();
    let listed = String::from_utf8(listed.expect("tar runs").stdout).unwrap();
    listed
        .lines()
        .filter_map(|line| line.split_once('/'))
        .map(|line| line.1.to_owned())
        .collect()
}

/// The sources with the format's text and the firmware, the page's modules apart, and no tests.
#[test]
fn the_packages_have_what_they_are_built_from_and_no_more() {
    let target = tempfile::tempdir().unwrap();
    let folder = target.path().to_str().expect("a Unicode name");
    cargo(&[
        "package",
        "--workspace",
        "--no-verify",
        "--allow-dirty",
        "--quiet",
        "--target-dir",
        folder,
    ]);
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let program = [
        "LICENSE",
        "README.md",
        "spec/container.md",
        "spec/firmware/thumbreel.h",
        "spec/firmware/player.c",
        "src/page/player.js",
    ];
    let page = [
        "LICENSE",
        "viewer.wasm",
        "viewer/package.toml",
        "viewer/viewer.rs",
        "calculator.wasm",
        "calculator/package.toml",
        "calculator/calculator.rs",
    ];
    for (name, at, wanted) in [
        ("thumbreel", root.to_owned(), &program[..]),
        ("thumbreel-page", root.join("src/page/module"), &page[..]),
    ] {
        let files = packed(target.path(), name);
        for wanted in wanted {
            assert!(
                files.iter().any(|file| file == wanted),
                "{name} lacks {wanted}"
            );
        }
        for file in &files {
            let own = [
                "Cargo.lock",
                "Cargo.toml",
                "Cargo.toml.orig",
                ".cargo_vcs_info.json",
            ];
            assert!(
                own.contains(&file.as_str()) || at.join(file).exists(),
                "{file}"
            );
            assert!(
                !file.starts_with("tests/"),
                "{file} is of no use in a package"
            );
        }
    }
}

/// The page's modules are built from this crate: whoever takes one takes the same version of both.
#[test]
fn both_packages_have_one_version() {
    let manifest = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/page/module/Cargo.toml");
    let line = concat!("version = \"", env!("CARGO_PKG_VERSION"), "\"");
    let text = std::fs::read_to_string(manifest).unwrap();
    assert!(text.lines().any(|l| l == line), "no line {line}");
    let own = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/Cargo.toml")).unwrap();
    let line = concat!(
        "thumbreel-page = { version = \"=",
        env!("CARGO_PKG_VERSION"),
        "\""
    );
    assert!(own.lines().any(|l| l.starts_with(line)), "no line {line}");
}
