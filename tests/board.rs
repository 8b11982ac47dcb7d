//! Board profiles: every key documented, every mistake named with its remedy.

use thumbreel::board::{Board, ByteOrder, Provenance, Shape, sections};
use toml::{Table, Value};

const LEAST: &str = "name = \"gull-post\"\n[panel]\nwidth = 160\nheight = 128\n[card]\n";

fn error_of(text: &str) -> String {
    Board::parse(text, "gull-post.toml")
        .unwrap_err()
        .to_string()
}

#[test]
fn built_in_boards_differ_in_shape_and_need_no_advice() {
    let boards = Board::built_in();
    assert!(boards.len() >= 4);
    assert!(boards.iter().any(|b| b.panel.shape == Shape::Ellipse));
    assert!(boards.iter().any(|b| b.panel.upright_size() == (160, 80)));
    assert!(boards.iter().any(|b| b.panel.upright_size() == (240, 320)));
    for board in &boards {
        // A fast panel clock is theirs; no other remark, and none on the supply.
        let mut all = board.advice();
        all.retain(|a| a.key != "panel.clock_hz" || board.panel.clock_hz <= 40_000_000);
        all.extend(thumbreel::budget::remarks(board));
        assert_eq!(all, [], "{}", board.name);
        assert_eq!(Board::find(&board.name).unwrap(), *board);
    }
}

#[test]
fn a_short_profile_takes_defaults_for_all_else() {
    let board = Board::parse(LEAST, "gull-post.toml").unwrap();
    assert_eq!(board.panel.window_bytes, 11);
    assert_eq!(board.panel.pixel_order, ByteOrder::HighFirst);
    assert_eq!(board.panel.tone.gamma, 1.0);
    assert!(board.wifi.is_none());
}

#[test]
fn a_profile_survives_its_own_commented_text() {
    for board in Board::built_in() {
        let text = board.to_toml();
        assert_eq!(Board::parse(&text, "again.toml").unwrap(), board, "{text}");
    }
}

/// Every key that a full board serialises stands in the key table, and the
/// table names no key that the structs lack.
#[test]
fn the_key_table_is_the_structs() {
    let mut board = Board::find("keepers-door").unwrap();
    let speaker = &mut board.sound.speaker;
    speaker.cone_cm2 = Some(1.0);
    speaker.excursion_mm = Some(1.0);
    let power = &mut board.power;
    power.cell_charge_limit_v = Some(4.2);
    power.cell_discharge_limit_v = Some(3.0);
    power.logic_min_v = Some(3.0);
    let table = Table::try_from(&board).unwrap();
    for (section, keys) in sections() {
        let values = section
            .split('.')
            .fold(&table, |t, part| t[part].as_table().unwrap());
        let plain: Vec<&str> = values
            .iter()
            .filter(|(_, v)| !matches!(v, Value::Table(_)))
            .map(|(k, _)| k.as_str())
            .collect();
        for key in keys {
            assert!(plain.contains(&key.name), "{section}.{}", key.name);
            assert!(!key.what.trim().is_empty() && !key.unit.is_empty() && !key.source.is_empty());
        }
        assert_eq!(plain.len(), keys.len(), "{section}");
    }
}

/// `boards keys` and `boards show` tell unit, default, range and origin.
#[test]
fn every_key_is_explained_with_its_default() {
    let output = assert_cmd::Command::cargo_bin("thumbreel")
        .unwrap()
        .args(["boards", "keys"])
        .output()
        .unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    let shown = Board::find("porthole").unwrap().to_toml();
    for (section, keys) in sections() {
        assert!(text.contains(&format!("[{section}]\n")), "{section}");
        for key in keys {
            let line = text
                .lines()
                .find(|l| l.contains(&format!("{}:{}", key.name, key.what)));
            let line = line.unwrap_or_else(|| panic!("{section}.{}", key.name));
            let told = line.contains("; default ") || line.contains("; must be given");
            assert!(told && line.contains(&format!("[{}", key.unit)), "{line}");
            assert!(text.contains(&format!("      {}\n", key.source)), "{line}");
        }
    }
    for line in [
        "[Hz; default 40_000_000; 100000 to 160000000]",
        "[milliseconds; default 100.0; 0 to 60000]",
        "[pixels; must be given; 16 to 1024]",
        "[ratio; default unset; 0.1 to 10]",
    ] {
        assert!(text.contains(line) && shown.contains(line), "{line}");
    }
}

#[test]
fn an_amplifier_that_gets_the_wrong_voltage_is_told() {
    let mut board = Board::find("lantern-room").unwrap();
    let advice = |board: &Board| {
        let found = board.advice();
        let found = found
            .into_iter()
            .find(|a| a.key == "sound.amplifier.supply");
        found.map(|a| a.text).unwrap_or_default()
    };
    assert_eq!(advice(&board), "");
    board.sound.amplifier.supply_min_v = 4.9;
    assert!(advice(&board).contains("needs 4.9 V"), "{}", advice(&board));
}

#[test]
fn unknown_keys_suggest_the_nearest() {
    let text = LEAST.replace("[card]", "clok_hz = 1\n[card]");
    assert!(error_of(&text).contains("`panel.clok_hz`, did you mean `clock_hz`?"));
    let text = format!("{LEAST}[card.stals]\nper_minute = 1\n");
    assert!(error_of(&text).contains("did you mean `stalls`?"));
    let text = format!("{LEAST}[provenance]\n\"card.acces_us\" = \"measured\"\n");
    assert!(error_of(&text).contains("did you mean `card.access_us`?"));
}

#[test]
fn wrong_values_name_key_and_limits() {
    let text = LEAST.replace("height = 128", "height = 128\nclock_hz = 400");
    assert!(error_of(&text).contains("panel.clock_hz: 400 is outside 100000 to 160000000 Hz"));
    let text = LEAST.replace("height = 128", "");
    assert!(error_of(&text).contains("panel.height: is missing"));
    let text = LEAST.replace("[card]", "");
    assert!(error_of(&text).contains("neither [card] nor [wifi]"));
    let text = LEAST.replace("height = 128", "height = 128\nbits_per_pixel = 17");
    assert!(error_of(&text).contains("17 is none of [12, 16, 18]"));
    let text = LEAST.replace("160", "\"wide\"");
    assert!(error_of(&text).contains("gull-post.toml: "));
}

#[test]
fn names_and_paths_are_told_apart() {
    let error = Board::find("lantern-rom").unwrap_err().to_string();
    assert!(error.contains("did you mean `lantern-room`?"), "{error}");
    let error = Board::find("./nowhere.toml").unwrap_err().to_string();
    assert!(error.contains("nowhere.toml cannot be read"), "{error}");
}

#[test]
fn provenance_is_assumed_unless_stated_for_key_or_section() {
    let text = format!(
        "{LEAST}access_us = 1.0\n[provenance]\ncard = \"measured\"\n\"card.block_us\" = \"computed\"\n"
    );
    let board = Board::parse(&text, "gull-post.toml").unwrap();
    assert_eq!(board.provenance_of("card.access_us"), Provenance::Measured);
    assert_eq!(
        board.provenance_of("card.stalls.per_minute"),
        Provenance::Measured
    );
    assert_eq!(board.provenance_of("card.block_us"), Provenance::Computed);
    assert_eq!(board.provenance_of("panel.clock_hz"), Provenance::Assumed);
}

/// IEEE 802.11n-2009 section 20.6: 20 MHz, one stream (secondary text).
#[test]
fn link_rates_follow_the_standard() {
    let mut wifi = thumbreel::board::Wifi::default();
    let long = [6.5, 13.0, 19.5, 26.0, 39.0, 52.0, 58.5, 65.0];
    let short = [7.2, 14.4, 21.7, 28.9, 43.3, 57.8, 65.0, 72.2];
    for mcs in 0..8 {
        wifi.mcs = mcs;
        wifi.short_guard = false;
        assert_eq!(wifi.rate_bps() / 1e6, long[usize::from(mcs)]);
        wifi.short_guard = true;
        assert!((wifi.rate_bps() / 1e6 - short[usize::from(mcs)]).abs() < 0.05);
    }
}

/// The contract of the firmware's player asks for blocks of 10 ms or less at the
/// lowest rate; the profile is held to it.
#[test]
fn sound_blocks_are_as_short_as_the_player_counts_on() {
    let contract = std::fs::read_to_string("spec/firmware/README.md").unwrap();
    assert!(contract.contains("**10 ms or shorter**"));
    let with = |rates: &str, samples: u32| {
        format!("{LEAST}[sound]\nsample_rates = {rates}\nblock_samples = {samples}\n")
    };
    for (rates, most) in [
        ("[16_000, 24_000]", 160),
        ("[24_000]", 240),
        ("[44_100]", 441),
    ] {
        assert!(
            Board::parse(&with(rates, most), "gull-post.toml").is_ok(),
            "{rates}"
        );
        let error = error_of(&with(rates, most + 1));
        assert!(
            error.contains("sound.block_samples")
                && error.contains(&format!("Set {most} or fewer")),
            "{error}"
        );
    }
    assert!(error_of(&with("[16_000]", 256)).contains("16.0 ms at 16000 Hz"));
}

/// The line of `boards check` is made of the figures, so that it follows them.
#[test]
fn a_summary_says_what_the_figures_say() {
    let mut board = Board::find("lantern-room").unwrap();
    assert!(
        board.summary().ends_with("USB, 1000 mA"),
        "{}",
        board.summary()
    );
    board.power.source = thumbreel::board::PowerSource::Cell;
    board.description.clear();
    let told = board.summary();
    assert!(
        told.contains("240x240 panel, card and Wi-Fi, 2 cores at 240 MHz"),
        "{told}"
    );
    assert!(
        told.ends_with("one lithium-ion cell of 1000 mAh") && !told.contains("USB"),
        "{told}"
    );
}
