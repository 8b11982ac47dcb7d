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

/// The sources with the page's modules, the format's text and the firmware, and no tests.
#[test]
fn the_package_has_what_it_is_built_from_and_no_more() {
    let target = tempfile::tempdir().unwrap();
    let folder = target.path().to_str().expect("a Unicode name");
    cargo(&[
        "package",
        "--no-verify",
        "--allow-dirty",
        "--quiet",
        "--target-dir",
        folder,
    ]);
    let name = concat!("thumbreel-", env!("CARGO_PKG_VERSION"));
    let file = target.path().join(format!("package/{name}.crate"));
    let size = file.metadata().expect("the package was written").len();
    // 0.43 MB of it are the modules for the browser.
    assert!(size < 1_300_000, "{size} bytes");
    let listed = Command::new("tar").arg("-tzf").arg(&file).output();
    let listed = String::from_utf8(listed.expect("tar runs").stdout).unwrap();
    let files: Vec<&str> = listed
        .lines()
        .filter_map(|l| l.split_once('/'))
        .map(|l| l.1)
        .collect();
    for wanted in [
        "Cargo.lock",
        "LICENSE",
        "README.md",
        "spec/container.md",
        "spec/firmware/thumbreel.h",
        "spec/firmware/player.c",
        "src/page/viewer.wasm",
        "src/page/viewer/package.toml",
        "src/page/viewer/viewer.rs",
        "src/page/calculator.wasm",
        "src/page/calculator/package.toml",
        "src/page/calculator/calculator.rs",
    ] {
        assert!(files.contains(&wanted), "{wanted} is not in the package");
    }
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    for file in &files {
        let own = ["Cargo.toml.orig", ".cargo_vcs_info.json"].contains(file);
        assert!(own || root.join(file).exists(), "{file}");
        assert!(
            !file.starts_with("tests/"),
            "{file} is of no use in a package"
        );
    }
}
