//! The commands: exit codes, and figures that agree with the library.

use assert_cmd::Command;

pub fn thumbreel(arguments: &[&str]) -> (i32, String, String) {
    let output = Command::cargo_bin("thumbreel")
        .unwrap()
        .args(arguments)
        .output()
        .unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    (
        output.status.code().unwrap(),
        text(output.stdout),
        text(output.stderr),
    )
}

#[test]
fn the_exit_code_tells_fit_tight_and_not() {
    let verdict = |rate: &str| {
        let call = [
            "budget",
            "--board",
            "lantern-room",
            "--link",
            "card",
            "--coding",
            "patch",
            "--frame-rate",
            rate,
        ];
        thumbreel(&call).0
    };
    assert_eq!(verdict("10"), 0);
    assert_eq!(verdict("120"), 4);
    let middle: Vec<i32> = (20..60)
        .step_by(2)
        .map(|r| verdict(&r.to_string()))
        .collect();
    assert!(middle.contains(&3), "{middle:?}");
    assert!(middle.is_sorted_by_key(|code| *code), "{middle:?}");
}

/// What no other rate can mend is said so, and no rate is promised.
#[test]
fn a_picture_that_memory_does_not_hold_has_no_highest_rate() {
    let call = ["budget", "--board", "tide-gauge", "--size", "240x240"];
    let (code, out, _) = thumbreel(&call);
    assert_eq!(code, 4);
    let no_rate =
        out.contains("No frame rate keeps the margin: internal memory does not fit at any");
    assert!(no_rate && !out.contains("Highest frame rate"), "{out}");
    assert!(
        out.contains("a reel that is converted for this board"),
        "{out}"
    );
}

/// Every line says where its need and its capacity come from.
#[test]
fn every_figure_says_where_it_comes_from() {
    let (_, out, _) = thumbreel(&["budget", "--board", "lantern-room", "--link", "card"]);
    let origins: Vec<&str> = out.lines().filter(|l| l.contains(": load ")).collect();
    assert_eq!(origins.len(), 15, "{out}");
    for line in origins {
        let (_, told) = line.split_once(": load ").unwrap();
        let (need, capacity) = told.split_once("; capacity ").unwrap();
        for figure in [need, capacity] {
            let word = figure.split(' ').next().unwrap();
            assert!(
                ["measured", "computed", "assumed"].contains(&word),
                "{line}"
            );
        }
    }
    let (_, out, _) = thumbreel(&["rehearse", "--board", "lantern-room", "--runs", "10"]);
    assert!(
        out.contains("assumed typical pictures, card.clock_hz"),
        "{out}"
    );
}

#[test]
fn mistakes_are_usage_errors() {
    let (code, _, error) = thumbreel(&["budget", "--board", "lantern-rom"]);
    assert_eq!(code, 2);
    assert!(error.contains("did you mean `lantern-room`?"), "{error}");
    assert_eq!(
        thumbreel(&["budget", "--board", "lantern-room", "--size", "9x9"]).0,
        2
    );
    assert_eq!(
        thumbreel(&[
            "rehearse",
            "--board",
            "lantern-room",
            "--stall-at",
            "2:00=10"
        ])
        .0,
        2
    );
    assert_eq!(
        thumbreel(&["budget", "--board", "bell-buoy", "--link", "wifi"]).0,
        1
    );
}

#[test]
fn json_holds_budgets_changes_stalls_and_the_comparison() {
    let call = ["budget", "--board", "porthole", "--compare", "--json"];
    let (code, out, _) = thumbreel(&call);
    let document: serde_json::Value = serde_json::from_str(&out).unwrap();
    assert_eq!(code, 0);
    assert_eq!(document["budgets"].as_array().unwrap().len(), 2);
    assert_eq!(document["budgets"][0]["lines"][0]["part"], "card");
    assert!(document["stalls"][1]["buffer_bytes"].as_u64().unwrap() > 0);
    assert!(
        document["comparison"]["crossover"]["need_bps"]
            .as_f64()
            .unwrap()
            > 1e5
    );
}

#[test]
fn charts_are_whole_files() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("need.svg");
    let path = file.to_str().unwrap();
    assert_eq!(
        thumbreel(&["budget", "--board", "porthole", "--chart", path]).0,
        0
    );
    assert!(
        std::fs::read_to_string(&file)
            .unwrap()
            .trim_end()
            .ends_with("</svg>")
    );
    // A chart never replaces a file.
    assert_eq!(
        thumbreel(&["budget", "--board", "porthole", "--chart", path]).0,
        1
    );
    std::fs::remove_file(&file).unwrap();
    assert_eq!(
        thumbreel(&[
            "rehearse", "--board", "porthole", "--runs", "5", "--chart", path
        ])
        .0,
        0
    );
    assert!(
        std::fs::read_to_string(&file)
            .unwrap()
            .contains("Ring buffer, kB")
    );
}

/// A stall longer than the ring buffer can hold breaks every rehearsal, and is named.
#[test]
fn a_stall_that_cannot_be_ridden_out_is_named() {
    let call = [
        "rehearse",
        "--board",
        "lantern-room",
        "--stall-at",
        "0:20=30000",
        "--runs",
        "10",
        "--json",
    ];
    let (code, out, _) = thumbreel(&call);
    let document: serde_json::Value = serde_json::from_str(&out).unwrap();
    assert_eq!(code, 4);
    assert_eq!(document["outlook"]["tally"]["clean"], 0);
    assert_eq!(document["worst"]["first"]["cause"], "stall");
    assert_eq!(document["worst"]["first"]["kind"], "sound-gap");
}
