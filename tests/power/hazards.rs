//! What could hurt a part or a person is refused wherever a profile is read.

use assert_cmd::Command;
use thumbreel::board::Board;

const LEAST: &str = "name = \"gull-post\"\n[panel]\nwidth = 160\nheight = 128\n[card]\n";

/// Hazards, a word of the refusal, and the key that states the datasheet's own
/// limit.
const HAZARDS: [(&str, &str, &str); 6] = [
    (
        "[power]\ncell_full_v = 4.3\n",
        "catch",
        "[power]\ncell_full_v = 4.3\ncell_charge_limit_v = 4.35\n",
    ),
    (
        "[power]\ncell_empty_v = 2.6\n",
        "discharge",
        "[power]\ncell_empty_v = 2.6\ncell_discharge_limit_v = 2.5\n",
    ),
    (
        "[power]\ncell_kind = \"lithium-iron-phosphate\"\ncell_full_v = 4.2\n",
        "3.65",
        "[power]\ncell_kind = \"lithium-iron-phosphate\"\ncell_full_v = 3.6\ncell_empty_v = 2.5\n",
    ),
    (
        "[power]\nusb_v = 5.2\n[sound.amplifier]\nsupply_max_v = 4.5\n",
        "burns",
        "[power]\nusb_v = 5.2\n[sound.amplifier]\nsupply_max_v = 5.5\n",
    ),
    (
        "[power]\nusb_v = 5.2\n[power.regulator]\ninput_max_v = 5.0\n",
        "bears",
        "[power]\nusb_v = 5.2\n[power.regulator]\ninput_max_v = 6.0\n",
    ),
    (
        "[power.regulator]\noutput_v = 4.0\n",
        "destroy",
        "[power]\nlogic_max_v = 4.2\n[power.regulator]\noutput_v = 4.0\n",
    ),
];

#[test]
fn hazards_are_refused_unless_the_datasheet_allows_them() {
    for (hazard, word, allowed) in HAZARDS {
        let error = Board::parse(&format!("{LEAST}{hazard}"), "gull-post.toml").unwrap_err();
        assert!(error.to_string().contains(word), "{hazard}: {error}");
        let parsed = Board::parse(&format!("{LEAST}{allowed}"), "gull-post.toml");
        assert!(parsed.is_ok(), "{allowed}: {parsed:?}");
    }
}

#[test]
fn every_command_refuses_them_with_the_caution() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("gull-post.toml");
    let (hazard, word, _) = HAZARDS[0];
    std::fs::write(&path, format!("{LEAST}{hazard}")).unwrap();
    let board = path.display().to_string();
    let reel = "tests/data/archive/v1/patch-full-adpcm.tbr";
    let out = folder.path().join("page.html").display().to_string();
    for args in [
        &["boards", "check", &board][..],
        &["budget", "--board", &board],
        &["rehearse", "--board", &board],
        &["gain", "--board", &board],
        &["enclosure", "--board", &board],
        &["report", reel, "--board", &board, "-o", &out],
        &["convert", reel, "--board", &board, "-o", &out],
    ] {
        let mut command = Command::new(env!("CARGO_BIN_EXE_thumbreel"));
        let run = command.args(args).output().unwrap();
        let told = String::from_utf8_lossy(&run.stderr).into_owned();
        assert!(
            !run.status.success() && told.contains(word),
            "{args:?}: {told}"
        );
        assert!(
            told.contains("gull-post.toml") && told.contains("cell_full_v"),
            "{told}"
        );
    }
}

#[test]
fn what_can_hurt_is_spoken_of() {
    let mut command = Command::new(env!("CARGO_BIN_EXE_thumbreel"));
    let run = command
        .args(["gain", "--board", "tide-gauge"])
        .output()
        .unwrap();
    let told = String::from_utf8_lossy(&run.stdout).into_owned();
    for word in [
        "rated power",
        "direct current",
        "pops",
        "data line sticks",
        "4.20 V",
        "3.00 V",
    ] {
        assert!(told.contains(word), "{word} is missing:\n{told}");
    }
}
