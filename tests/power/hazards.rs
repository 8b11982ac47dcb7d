//! What could hurt a part or a person is refused wherever a profile is read.

use assert_cmd::Command;
use thumbreel::board::Board;

const LEAST: &str = "name = \"gull-post\"\n[panel]\nwidth = 160\nheight = 128\n[card]\n";

/// Hazards, a word of the refusal, and the key that states the datasheet's own
/// limit.
const HAZARDS: [(&str, &str, &str); 8] = [
    (
        "[power]\ncell_full_v = 8.4\n",
        "catch fire. Charge it to 4.2 V, or, if its datasheet allows more, state that as power.cell_charge_limit_v. The \
         profile describes one cell",
        "[power]\nsource = \"usb\"\n",
    ),
    (
        "[power]\ncell_empty_v = 1.5\n",
        "short inside",
        "[power]\ncell_empty_v = 3.0\n",
    ),
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

/// A hazard by each command that takes a board, and each other hazard by some of
/// them in turn: refused with the caution, the file and the key, and nothing
/// written.
#[test]
fn every_command_refuses_them_with_the_caution() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("gull-post.toml");
    let board = path.display().to_string();
    let reel = "tests/data/archive/v1/patch-full-adpcm.tbr";
    let out = folder.path().join("out").display().to_string();
    let page = format!("{out}.html");
    let made = format!("{out}.tbr");
    let log = folder.path().join("probe.log").display().to_string();
    std::fs::write(&log, "thumbreel-probe,1\nend,0\n").unwrap();
    let commands = [
        &["boards", "check", &board][..],
        &["boards", "show", &board],
        &["boards", "new", "--like", &board],
        &["boards", "measure", &log, "--board", &board],
        &["budget", "--board", &board],
        &["budget", reel, "--board", &board],
        &["rehearse", reel, "--board", &board],
        &["gain", "--board", &board],
        &["gain", reel, "--board", &board],
        &["enclosure", "--board", &board],
        &["report", reel, "--board", &board, "-o", &page],
        &["convert", reel, "--board", &board, "-o", &made],
        &["convert", reel, "--board", &board, "-o", &made, "--plan"],
        &["demo", &out, "--board", &board],
        &["serve", ".", "--listen", "127.0.0.1:0", "--board", &board],
    ];
    for (turn, (hazard, word, _)) in HAZARDS.into_iter().enumerate() {
        std::fs::write(&path, format!("{LEAST}{hazard}")).unwrap();
        let some = |i: &usize| turn == 0 || i % (HAZARDS.len() - 1) == turn - 1;
        for args in (0..commands.len()).filter(some).map(|i| commands[i]) {
            let mut command = Command::new(env!("CARGO_BIN_EXE_thumbreel"));
            command.timeout(std::time::Duration::from_secs(20));
            let run = command.args(args).output().unwrap();
            let told = String::from_utf8_lossy(&run.stderr).into_owned();
            assert!(
                matches!(run.status.code(), Some(1 | 2)) && told.contains(word),
                "{hazard} {args:?}: {told}"
            );
            let key = told.contains("power.") || told.contains("sound.amplifier.");
            assert!(told.contains("gull-post.toml") && key, "{args:?}: {told}");
        }
    }
    for left in [&out, &page, &made] {
        assert!(!std::path::Path::new(left).exists(), "{left} was written");
    }
}

#[test]
fn what_can_hurt_is_spoken_of() {
    const SPEAKER: [&str; 4] = ["rated power", "direct current", "pops", "data line sticks"];
    const CELL: [&str; 2] = ["4.20 V", "3.00 V"];
    const ALWAYS: [&str; 2] = ["80 dBA", "local codes"];
    let folder = tempfile::tempdir().unwrap();
    let page = folder.path().join("page.html").display().to_string();
    let reel = "tests/data/archive/v1/patch-full-adpcm.tbr";
    let report = [
        "report",
        reel,
        "--board",
        "tide-gauge",
        "-o",
        &page,
        "--rehearsals",
        "2",
    ];
    for args in [
        &["gain", "--board", "tide-gauge"][..],
        &["budget", "--board", "tide-gauge"],
        &["enclosure", "--board", "tide-gauge"],
        &report,
    ] {
        let mut command = Command::new(env!("CARGO_BIN_EXE_thumbreel"));
        let run = command.args(args).output().unwrap();
        let mut told = String::from_utf8_lossy(&run.stdout).into_owned();
        told += &std::fs::read_to_string(&page).unwrap_or_default();
        let cell: &[&str] = if args[0] == "enclosure" { &[] } else { &CELL };
        for word in SPEAKER.iter().chain(cell).chain(&ALWAYS) {
            assert!(told.contains(word), "{args:?}: {word} is missing:\n{told}");
        }
    }
    // Whoever writes the firmware is told the same.
    let contract = std::fs::read_to_string("spec/firmware/README.md").unwrap();
    for word in ["a pop", "sticks", "before the amplifier is switched on"] {
        assert!(contract.contains(word), "{word}");
    }
}

/// A port that gives less than the worst instant draws never "fits", and the
/// way out is named and works.
#[test]
fn a_port_that_may_cut_off_is_no_fit() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("gull-post.toml");
    let board = path.display().to_string();
    let judged = |limit: u32, gain_db: f64| {
        let mut profile = Board::find("lantern-room").unwrap();
        profile.power.usb_limit_ma = f64::from(limit);
        profile.sound.amplifier.gain_db = gain_db;
        std::fs::write(&path, profile.to_toml()).unwrap();
        let mut command = Command::new(env!("CARGO_BIN_EXE_thumbreel"));
        let run = command
            .args(["budget", "--board", &board, "--link", "wifi"])
            .output();
        let run = run.unwrap();
        (
            run.status.code(),
            String::from_utf8_lossy(&run.stdout).into_owned(),
        )
    };
    let (code, told) = judged(700, 15.0);
    assert_eq!(code, Some(3), "{told}");
    assert!(
        told.contains("may cut off: take a port or charger of 1000 mA and set power.usb_limit_ma"),
        "{told}"
    );
    // The gain that is named keeps below the limit, and the next one does not.
    let strap = told.split("or strap ").nth(1).expect(&told);
    let gain_db: f64 = strap.split(' ').next().unwrap().parse().unwrap();
    let (code, other) = judged(700, gain_db);
    assert_eq!(code, Some(0), "{other}");
    let (code, other) = judged(700, gain_db + 3.0);
    assert_eq!(code, Some(3), "{other}");
    let (code, told) = judged(1000, 15.0);
    assert_eq!(code, Some(0), "{told}");
    assert!(!told.contains("may cut off"), "{told}");
}

fn checked(profile: &str) -> String {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("gull-post.toml");
    std::fs::write(&path, format!("name = \"gull-post\"\n{profile}")).unwrap();
    let mut command = Command::new(env!("CARGO_BIN_EXE_thumbreel"));
    let board = path.display().to_string();
    let run = command.args(["boards", "check", &board]).output().unwrap();
    assert!(run.status.success());
    String::from_utf8(run.stdout).unwrap()
}

/// `boards check` calls no supply good that the budget does not, and counts every
/// remark.
#[test]
fn a_board_that_cannot_run_is_not_called_good() {
    const PANEL: &str = "[panel]\nwidth = 160\nheight = 80\n[card]\n";
    let good = checked(&format!(
        "{PANEL}[sound.speaker]\n[power]\nusb_limit_ma = 1000\n"
    ));
    assert!(good.contains(": good: 160x80 panel, card,"), "{good}");
    let cases: [(&str, &str, &[&str]); 6] = [
        (
            "[power]\nusb_limit_ma = 1000\n[power.regulator]\nmax_ma = 10\ndropout_v = 3.0\n",
            "valid, with 2 remarks",
            &[
                "power.regulator: typical pictures and sound from the card (computed): regulator current is loaded to",
                "take a regulator of 200 mA or more",
                "USB: out of regulation even at the mean current",
            ],
        ),
        (
            "[power]\nusb_limit_ma = 1000\nbase_ma = 250\n[power.regulator]\ntheta_ja = 300\n",
            "valid, with one remark",
            &["°C inside, where it bears 125 °C: it switches off or breaks"],
        ),
        (
            "[power]\nsource = \"cell\"\n",
            "valid, with one remark",
            &["half full cell: out of regulation even at the mean current"],
        ),
        (
            "[power]\nsource = \"cell\"\ncell_mah = 20\ncell_limit_ma = 20\ncell_ohm = 1.5\n",
            "valid, with 2 remarks",
            &[
                "above the 20 mA that the cell bears for long: it gets hot",
                "full cell: brown-out by",
            ],
        ),
        (
            "clock_hz = 80_000_000\n[power]\nusb_limit_ma = 1000\n",
            "valid, with one remark",
            &["card.clock_hz: 80.0 MHz is above the 25 MHz of its mode"],
        ),
        (
            "[power]\nusb_limit_ma = 3000\n[sound.amplifier]\ngain_db = 15\n[sound.speaker]\nimpedance_ohm = 4\nrated_w = 0.5\n",
            "valid, with one remark",
            &[
                "sound.amplifier.gain_db: at 15 dB a full-scale sine puts 2.",
                "rated 0.5 W",
            ],
        ),
    ];
    for (profile, verdict, words) in cases {
        let told = checked(&format!("{PANEL}{profile}"));
        for word in words.iter().chain([&verdict]) {
            assert!(told.contains(word), "{profile}: {word} is missing:\n{told}");
        }
    }
}

/// A cell that cannot carry the board at all, and one that lasts for minutes or
/// weeks, in words that say so.
#[test]
fn run_times_are_said_in_their_own_units() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("gull-post.toml");
    let board = path.display().to_string();
    let told = |power: &str| {
        let panel = "name = \"gull-post\"\n[panel]\nwidth = 160\nheight = 80\n[card]\n";
        std::fs::write(&path, format!("{panel}[power]\nsource = \"cell\"\n{power}")).unwrap();
        let mut command = Command::new(env!("CARGO_BIN_EXE_thumbreel"));
        let run = command
            .args(["budget", "--board", &board])
            .output()
            .unwrap();
        String::from_utf8(run.stdout).unwrap()
    };
    let none = told("cell_mah = 20\ncell_limit_ma = 20\ncell_ohm = 1.5\n");
    for word in [
        "It does not run: already on a full cell, at 4.20 V without load, the logic's supply drops out at the worst instant",
        "already the mean of",
    ] {
        assert!(none.contains(word), "{word} is missing:\n{none}");
    }
    assert!(
        !none.contains("0.0 hours") && !none.contains("100 % of the charge"),
        "{none}"
    );
    let small = told("cell_mah = 40\ncell_limit_ma = 200\ndiode_drop_v = 0\n");
    assert!(small.contains(" minutes from a full cell"), "{small}");
    let large = told("cell_mah = 100000\ncell_limit_ma = 9000\ndiode_drop_v = 0\n");
    assert!(large.contains(" days) from a full cell"), "{large}");
}
