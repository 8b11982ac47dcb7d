//! The page in a real browser: what it shows and plays is, bit for bit, what
//! the Rust decoder says.

#[path = "../server/support.rs"]
#[allow(dead_code)]
mod support;

#[path = "../common/extent.rs"]
mod extent;

#[path = "../common/faults.rs"]
#[allow(dead_code)]
mod faults;

mod calculator;
mod expect;
mod kit;
mod make;

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use support::Running;

/// Where `.ci/install test` puts its tools.
fn tools() -> PathBuf {
    let home = || Path::new(&std::env::var("HOME").unwrap()).join(".cache/thumbreel");
    std::env::var_os("THUMBREEL_TOOLS").map_or_else(home, PathBuf::from)
}

/// Three reels that do not play through: damaged, cut short, none at all.
fn troubled(sound: &Path, folder: &Path) {
    let whole = std::fs::read(sound).unwrap();
    let half = whole.len() / 2;
    let mut damaged = whole.clone();
    damaged[half..half + 4000].fill(0);
    std::fs::write(folder.join("damaged.tbr"), damaged).unwrap();
    std::fs::write(folder.join("short.tbr"), &whole[..half]).unwrap();
    std::fs::write(folder.join("noise.tbr"), "no reel, but a line of text").unwrap();
}

fn drive(servers: &str, expected: &Path, supply: &str, pages: [&Path; 2]) {
    let node = tools().join("node_modules");
    assert!(
        node.join("playwright-core").exists()
            && node.join("axe-core").exists()
            && Path::new("/usr/bin/chromium").exists(),
        "the browser's driver is missing: run .ci/install test"
    );
    let shots = Path::new(env!("CARGO_TARGET_TMPDIR")).join("page");
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/page/drive.mjs");
    let running = ["reels", "pages"].map(|part| {
        Command::new("node")
            .args([script.as_os_str(), part.as_ref(), servers.as_ref()])
            .args([expected, &shots])
            .arg(supply)
            .args(pages)
            .env("THUMBREEL_NODE", &node)
            .stderr(Stdio::piped())
            .spawn()
            .expect("node is missing: run .ci/install test")
    });
    for driver in running.map(Child::wait_with_output) {
        let driver = driver.unwrap();
        let said = String::from_utf8_lossy(&driver.stderr);
        assert!(
            driver.status.success(),
            "\n{said}\nscreenshots in {}",
            shots.display()
        );
    }
}

#[test]
fn a_browser_shows_and_plays_what_the_decoder_says() {
    let dir = tempfile::tempdir().unwrap();
    let reels = dir.path().join("reels");
    std::fs::create_dir(&reels).unwrap();
    make::reels(&reels);
    let expected = dir.path().join("expected.json");
    std::fs::write(&expected, expect::folder(&reels).to_string()).unwrap();
    let page = dir.path().join("patch-full.html");
    let report = Command::new(env!("CARGO_BIN_EXE_thumbreel"))
        .arg("report")
        .arg(reels.join("patch-full.tbr"))
        .args(["--board", "lantern-room", "--rehearsals", "50", "-o"])
        .arg(&page)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&report.stderr);
    assert!(report.status.success(), "{said}");
    let budget = Command::new(env!("CARGO_BIN_EXE_thumbreel"))
        .arg("budget")
        .arg(reels.join("patch-full.tbr"))
        .args(["--board", "lantern-room", "--link", "wifi"])
        .output()
        .unwrap();
    let supply = String::from_utf8(budget.stdout).unwrap();
    let server = Running::start(&reels);
    let fed = [
        "--listen",
        "127.0.0.1:0",
        "--quiet",
        "--board",
        "lantern-room",
    ];
    let feeding = Running::start_with(&reels, &fed);
    let supply = serde_json::json!({
        "server": format!("http://{}", feeding.address), "path": "/reels/patch-full.tbr", "told": supply,
    });
    let calculator = dir.path().join("calculator.html");
    let made = Command::new(env!("CARGO_BIN_EXE_thumbreel"))
        .args(["budget", "--board", "lantern-room", "--frame-rate", "12"])
        .args(["--minutes", "0.1", "--page"])
        .arg(&calculator)
        .output()
        .unwrap();
    assert!(made.status.success(), "{made:?}");
    let [bad, none] = ["troubled", "none"].map(|name| dir.path().join(name));
    for folder in [&bad, &none] {
        std::fs::create_dir(folder).unwrap();
    }
    troubled(&reels.join("patch-full.tbr"), &bad);
    let (troubled, empty) = (Running::start(&bad), Running::start(&none));
    let servers: Vec<String> = [&server, &troubled, &empty]
        .map(|running| format!("http://{}", running.address))
        .to_vec();
    drive(
        &servers.join(" "),
        &expected,
        &supply.to_string(),
        [&page, &calculator],
    );
}

/// Prints what a change costs, on each kind of supply: with `--nocapture`.
#[test]
#[ignore = "measures times, which differ from run to run"]
fn how_long_a_change_takes() {
    let dir = tempfile::tempdir().unwrap();
    let page = dir.path().join("calculator.html");
    for board in ["lantern-room", "tide-gauge", "harbour-chart"] {
        let made = Command::new(env!("CARGO_BIN_EXE_thumbreel"))
            .args(["budget", "--board", board, "--overwrite", "--page"])
            .arg(&page)
            .output()
            .unwrap();
        assert!(page.exists(), "{made:?}");
        let output = Command::new("node")
            .arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/page/latency.mjs"))
            .arg(&page)
            .env("THUMBREEL_NODE", tools().join("node_modules"))
            .output()
            .expect("node is missing: run .ci/install test");
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success(), "{said}");
        println!("{board}\n{}", String::from_utf8_lossy(&output.stdout));
    }
}

/// Its standard library takes a minute to build: by hand, before a release. What it
/// computes is compared in each run.
#[test]
#[ignore = "builds the standard library for the browser"]
fn the_calculator_is_what_its_source_gives() {
    checked("calculator");
}

/// CI runs it after the others.
#[test]
#[ignore = "builds the core library for the browser"]
fn the_viewer_is_what_its_source_gives() {
    checked("viewer");
}

fn checked(package: &str) {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let target = Path::new(env!("CARGO_TARGET_TMPDIR")).join("viewer");
    let output = Command::new(root.join(".ci/viewer"))
        .args(["check", package])
        .env("CARGO_TARGET_DIR", target)
        .env_remove("RUSTFLAGS")
        .output()
        .unwrap();
    let said = [output.stdout, output.stderr].concat();
    let said = String::from_utf8_lossy(&said);
    assert!(output.status.success(), "{said}\nbuild it with .ci/viewer");
}
