//! The commands for the speaker: `gain`, `enclosure`, and `convert --preview`.

#[path = "common/mod.rs"]
mod common;

use std::path::Path;
use std::process::Output;

use assert_cmd::Command;
use serde_json::Value;

use common::media::packaged as clip;

fn thumbreel(args: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_thumbreel"));
    command.args(args).output().expect("the program runs")
}

fn text(output: &Output) -> String {
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    String::from_utf8(output.stdout.clone()).expect("text")
}

fn json(args: &[&str]) -> Value {
    serde_json::from_str(&text(&thumbreel(args))).expect("one JSON object")
}

/// A board whose sound chain has round figures.
fn board(folder: &Path) -> String {
    let path = folder.join("fog-signal.toml");
    let profile = r#"
name = "fog-signal"
[panel]
width = 80
height = 60
[card]
[sound]
sample_rate = 24_000
[sound.amplifier]
output_ohm = 0.0
max_w = 50.0
[sound.speaker]
impedance_ohm = 8.0
rated_w = 1.0
diameter_mm = 40.0
resonance_hz = 350.0
sensitivity_db = 82.0
box_litres = 0.1
[power]
usb_ohm = 0.0
diode_drop_v = 0.0
"#;
    std::fs::write(&path, profile).unwrap();
    path.display().to_string()
}

#[test]
fn gain_tells_volts_watts_and_where_it_clips() {
    let folder = tempfile::tempdir().unwrap();
    let board = board(folder.path());
    let found = json(&["gain", "--board", &board, "--volume", "0,-24", "--json"]);
    let staging = &found["staging"];
    let nine = staging["pairings"]
        .as_array()
        .unwrap()
        .iter()
        .find(|p| p["gain_db"] == 9.0 && p["volume_db"] == 0.0)
        .unwrap();
    let near = |value: &Value, wanted: f64, tolerance: f64| {
        let found = value.as_f64().unwrap();
        assert!(
            (found - wanted).abs() < tolerance,
            "{found} instead of {wanted}"
        );
    };
    // dBV = 2.1 + 9: 3.589 V, V² / R = 1.610 W; 5 V clips a bridge at 3.536 V.
    near(&nine["volts"], 3.589, 0.001);
    near(&nine["watts"], 1.610, 0.001);
    near(&nine["clip_dbfs"]["usb"], -0.13, 0.01);
    // 1 W of rating against 1.610 W: -2.07 dB.
    near(&nine["rating_db"], -2.07, 0.01);
    let soft = staging["pairings"]
        .as_array()
        .unwrap()
        .iter()
        .find(|p| p["volume_db"] == -24.0);
    near(&soft.unwrap()["bits_lost"], 3.99, 0.01);
    assert!(
        staging["answer"]
            .as_str()
            .unwrap()
            .starts_with("Recommended: strap")
    );
    // 82 dB at 1 W and 1 m; half a metre is 6.02 dB more.
    let own = &staging["own"];
    let dbv = 2.1 + own["gain_db"].as_f64().unwrap() + own["volume_db"].as_f64().unwrap() - 1.0;
    let watts = 10f64.powf(dbv / 10.0) / 8.0;
    near(
        &staging["peak_db_spl"],
        82.0 + 10.0 * watts.log10() + 6.02,
        0.05,
    );
}

#[test]
fn gain_says_what_could_hurt() {
    let folder = tempfile::tempdir().unwrap();
    let board = board(folder.path());
    let near_ear = text(&thumbreel(&[
        "gain",
        "--board",
        &board,
        "--distance",
        "0.05",
    ]));
    for word in ["H.870", "child", "Lithium", "hot", "datasheets", "licensed"] {
        assert!(near_ear.contains(word), "{word} is missing:\n{near_ear}");
    }
}

#[test]
fn gain_measures_a_clip_and_the_reel_made_of_it() {
    let folder = tempfile::tempdir().unwrap();
    let board = board(folder.path());
    let reel = folder.path().join("cup.tbr");
    let (film, reel_name) = (clip("cup.mp4"), reel.display().to_string());
    let film = film.display().to_string();
    text(&thumbreel(&[
        "convert",
        &film,
        "--board",
        &board,
        "-o",
        &reel_name,
        "--coding",
        "raw",
        "--duration",
        "4",
        "--loudness",
        "-18",
        "--sound-coding",
        "adpcm",
        "--preview",
        "--quiet",
    ]));
    let of_reel = json(&["gain", "--board", &board, &reel_name, "--json"]);
    let loudness = of_reel["staging"]["sound"]["loudness_lufs"]
        .as_f64()
        .unwrap();
    assert!((loudness + 18.0).abs() < 0.5, "{loudness} LUFS");
    assert_eq!(of_reel["staging"]["sound"]["origin"], "measured");
    let mean = |key: &str| of_reel["supply"][key]["mean_ma"].as_f64().unwrap();
    assert!(
        mean("high_passed") < mean("as_it_is"),
        "the high-pass saves current"
    );
    let peak = of_reel["supply"]["as_it_is"]["peak_ma"].as_f64().unwrap();
    assert!(peak > mean("as_it_is"));
    let of_clip = json(&["gain", "--board", &board, &film, "--json"]);
    let own = of_clip["staging"]["sound"]["loudness_lufs"]
        .as_f64()
        .unwrap();
    assert!(own < loudness - 10.0, "the clip is soft: {own} LUFS");
    listening_copies(folder.path());
}

/// Both copies are WAV of the reel's length; the speaker's has less bass.
fn listening_copies(folder: &Path) {
    let read = |name: &str| -> Vec<f64> {
        let bytes = std::fs::read(folder.join(name)).unwrap();
        assert_eq!(
            (&bytes[..4], &bytes[8..16]),
            (&b"RIFF"[..], &b"WAVEfmt "[..])
        );
        assert_eq!(
            u32::from_le_bytes(bytes[24..28].try_into().unwrap()),
            24_000
        );
        let length = u32::from_le_bytes(bytes[40..44].try_into().unwrap()) as usize;
        assert_eq!(length, bytes.len() - 44, "{name}");
        let pairs = bytes[44..].chunks_exact(2);
        pairs
            .map(|b| f64::from(i16::from_le_bytes([b[0], b[1]])))
            .collect()
    };
    let (plain, speaker) = (read("cup.wav"), read("cup-speaker.wav"));
    assert_eq!(plain.len(), speaker.len());
    assert!((plain.len() as f64 / 24_000.0 - 4.0).abs() < 0.1);
    // Mean over 2 ms is a crude low-pass: below it the speaker gives little.
    let bass = |samples: &[f64]| -> f64 {
        samples
            .chunks(48)
            .map(|c| (c.iter().sum::<f64>() / c.len() as f64).powi(2))
            .sum()
    };
    assert!(
        bass(&speaker) * 4.0 < 0.7 * bass(&plain),
        "6 dB lower and less bass besides"
    );
}

#[test]
fn a_silent_reel_and_typing_errors_are_said_plainly() {
    let folder = tempfile::tempdir().unwrap();
    let board = board(folder.path());
    let reel = folder.path().join("silent.tbr").display().to_string();
    let film = clip("cup.mp4").display().to_string();
    text(&thumbreel(&[
        "convert",
        &film,
        "--board",
        &board,
        "-o",
        &reel,
        "--coding",
        "raw",
        "--duration",
        "1",
        "--no-sound",
        "--quiet",
    ]));
    assert!(!folder.path().join("silent.wav").exists());
    let failed = thumbreel(&["gain", "--board", &board, &reel]);
    assert_eq!(failed.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&failed.stderr).contains("silent"));
    for args in [
        &["gain", "--board", &board, "--volume", "3"][..],
        &["gain", "--board", "no-such-board"],
        &["enclosure", "--board", &board, "--millilitres=-5"],
        &["enclosure", "--board", &board, "--distance", "0"],
    ] {
        assert_eq!(thumbreel(args).status.code(), Some(2), "{args:?}");
    }
}

#[test]
fn enclosure_tells_resonance_guesses_and_what_follows() {
    let folder = tempfile::tempdir().unwrap();
    let board = board(folder.path());
    let svg = folder.path().join("box.svg");
    let found = json(&[
        "enclosure",
        "--board",
        &board,
        "--svg",
        &svg.display().to_string(),
        "--json",
    ]);
    let driver = &found["driver"];
    let rise = (1.0 + driver["vas_litres"].as_f64().unwrap() / 0.1).sqrt();
    assert!((found["resonance_hz"].as_f64().unwrap() - 350.0 * rise).abs() < 0.01);
    assert_eq!(driver["guessed"], serde_json::json!(["Qts", "Vas", "Xmax"]));
    let drawing = std::fs::read_to_string(&svg).unwrap();
    assert!(drawing.starts_with("<svg") && drawing.contains("closed box of 100 ml"));
    for word in [
        "dB SPL at 0.5 m",
        "Excursion of the cone, mm, one way",
        "Xmax limit",
    ] {
        assert!(drawing.contains(word), "{word} is missing in the drawing");
    }
    let smaller = json(&[
        "enclosure",
        "--board",
        &board,
        "--millilitres",
        "20",
        "--json",
    ]);
    assert!(smaller["resonance_hz"].as_f64() > found["resonance_hz"].as_f64());
    let spoken = text(&thumbreel(&["enclosure", "--board", &board]));
    assert!(spoken.contains("guessed from the size") && spoken.contains("--high-pass"));
}

/// A clip of two tones in left and right: 125 Hz in opposite phases, 1 kHz in phase.
fn tones(folder: &Path) -> String {
    let path = folder.join("tones.mp4").display().to_string();
    let made = std::process::Command::new("ffmpeg")
        .args(["-v", "error", "-y", "-f", "lavfi", "-i"])
        .arg("testsrc2=size=160x120:rate=10:duration=4")
        .args(["-f", "lavfi", "-i"])
        .arg(
            "aevalsrc=0.3*sin(2*PI*125*t)+0.2*sin(2*PI*1000*t)|-0.3*sin(2*PI*125*t)+0.2*sin(2*PI*1000*t)\
             :s=48000:d=4",
        )
        .args(["-c:v", "mpeg4", "-c:a", "aac", "-b:a", "192k", &path])
        .status()
        .expect("ffmpeg starts: run .ci/install test");
    assert!(made.success());
    path
}

/// Converts with these options; the closing lines and the JSON result.
fn converted(film: &str, board: &str, reel: &Path, options: &[&str]) -> (String, Value) {
    let reel = reel.display().to_string();
    let fixed = [
        "convert",
        film,
        "--board",
        board,
        "-o",
        &reel,
        "--coding",
        "raw",
        "--overwrite",
    ];
    let told = text(&thumbreel(&[&fixed, options].concat()));
    let found = json(&[&fixed, options, &["--json"]].concat());
    (told, found["result"].clone())
}

#[test]
fn convert_says_in_db_what_was_done_to_the_sound() {
    let folder = tempfile::tempdir().unwrap();
    let board = board(folder.path());
    let (film, reel) = (tones(folder.path()), folder.path().join("tones.tbr"));
    let (told, found) = converted(&film, &board, &reel, &[]);
    for word in [
        "sum (ITU-R BS.775)",
        "LUFS",
        "true peak",
        "dBTP",
        "gain +0.0 dB",
    ] {
        assert!(told.contains(word), "{word} is missing:\n{told}");
    }
    assert!(
        told.contains("near 125 Hz") && told.contains("phase-safe"),
        "{told}"
    );
    // Whoever has chosen another mix is not told again.
    let (told, _) = converted(&film, &board, &reel, &["--downmix", "phase-safe"]);
    assert!(!told.contains("cancel"), "{told}");
    let losses = found["sound"]["mono_loss"].as_array().unwrap();
    let at = |hz: f64| {
        losses.iter().find(|pair| pair[0] == hz).unwrap()[1]
            .as_f64()
            .unwrap()
    };
    assert!(at(125.0) > 20.0 && at(1000.0) < 0.5, "{losses:?}");
    let options = [
        "--loudness=-14",
        "--ceiling=-3",
        "--high-pass",
        "400",
        "--virtual-bass=-3",
        "--high-shelf=4",
        "--dynamic-range",
        "night",
        "--downmix",
        "phase-safe",
    ];
    let (told, found) = converted(&film, &board, &reel, &options);
    for word in [
        "high-pass 400 Hz, order 2, Q 0.71",
        "bass below 400 Hz replaced by harmonics at -3.0 dB",
        "high shelf +4.0 dB above 2500 Hz",
        "loudness target -14.0 LUFS",
        "night compression",
        "phase-safe sum",
        "true peak at most -3.0 dBTP",
        "of a full-scale sine (the speaker's rated power)",
    ] {
        assert!(told.contains(word), "{word} is missing:\n{told}");
    }
    let figure = |name: &str| found["sound"][name].as_f64().unwrap();
    assert!((figure("loudness_after") + 14.0).abs() < 0.5, "{found}");
    assert!(figure("true_peak") <= -3.0);
    assert!(figure("gain_db") > 1.0);
    // The reel remembers, and its report says so, with the speaker drawn.
    let (page, reel) = (folder.path().join("tones.html"), reel.display().to_string());
    let page_name = page.display().to_string();
    text(&thumbreel(&[
        "report",
        &reel,
        "--board",
        &board,
        "-o",
        &page_name,
        "--rehearsals",
        "3",
    ]));
    let page = std::fs::read_to_string(page).unwrap();
    for word in [
        "high-pass 400 Hz, order 2, Q 0.71",
        "LUFS (measured before the conversion)",
        "closed box of 100 ml",
        "with the high-pass",
        "is the warmest",
        "from the source on average",
    ] {
        assert!(page.contains(word), "{word} is missing in the report");
    }
}

/// The reported true peak and loudness are those of what a player decodes, and
/// the coding's noise is told: against the preview, which is decoded apart, by
/// another meter (EBU R 128).
#[test]
fn the_true_peak_is_that_behind_the_coding() {
    let folder = tempfile::tempdir().unwrap();
    let board = board(folder.path());
    let (film, reel) = (tones(folder.path()), folder.path().join("tones.tbr"));
    for coding in ["pcm16", "pcm8", "adpcm"] {
        let options = ["--loudness=-12", "--sound-coding", coding, "--preview"];
        let (_, found) = converted(&film, &board, &reel, &options);
        let bytes = std::fs::read(folder.path().join("tones.wav")).unwrap();
        let pairs = bytes[44..].chunks_exact(2);
        let samples: Vec<i16> = pairs.map(|b| i16::from_le_bytes([b[0], b[1]])).collect();
        let modes = ebur128::Mode::I | ebur128::Mode::TRUE_PEAK;
        let mut meter = ebur128::EbuR128::new(1, 24_000, modes).unwrap();
        meter.add_frames_i16(&samples).unwrap();
        let peak = 20.0 * meter.true_peak(0).unwrap().log10();
        let figure = |name: &str| found["sound"][name].as_f64();
        let told = figure("true_peak").unwrap();
        assert!(
            (told - peak).abs() < 0.1,
            "{coding}: {told} for {peak} dBTP"
        );
        let loudness = meter.loudness_global().unwrap();
        assert!((figure("loudness_after").unwrap() - loudness).abs() < 0.1);
        let remarks = found["remarks"].to_string();
        let over = remarks.contains("lifts the true peak to");
        assert_eq!(over, told >= -1.0 + 0.2, "{coding}: {told} dBTP, {remarks}");
        match figure("coding_noise") {
            None => assert_eq!(coding, "pcm16"),
            Some(noise) => assert!((-60.0..-25.0).contains(&noise), "{coding}: {noise} dBFS"),
        }
    }
}

/// A coding that lifts peaks above the ceiling is spoken of, and the ceiling that
/// is named makes room; where it does not, nothing is said.
#[test]
fn a_peak_above_the_ceiling_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let board = board(folder.path());
    let film = folder.path().join("surf.mp4").display().to_string();
    let made = std::process::Command::new("ffmpeg")
        .args(["-v", "error", "-y", "-f", "lavfi", "-i"])
        .arg("color=gray:s=32x24:r=10:d=2")
        .args(["-f", "lavfi", "-i"])
        .arg("anoisesrc=color=white:seed=5:sample_rate=48000:amplitude=0.5:d=2")
        .args(["-c:v", "mpeg4", "-c:a", "aac", "-b:a", "192k", &film])
        .status()
        .expect("ffmpeg starts: run .ci/install test");
    assert!(made.success());
    let reel = folder.path().join("surf.tbr");
    let remark = |coding: &str, ceiling: &str| {
        let options = [
            "--loudness=-6",
            "--sound-coding",
            coding,
            "--ceiling",
            ceiling,
        ];
        let (told, found) = converted(&film, &board, &reel, &options);
        let peak = found["sound"]["true_peak"].as_f64().unwrap();
        let line = told.lines().find(|l| l.contains("lifts the true peak"));
        (peak, line.map(str::to_owned))
    };
    let (peak, line) = remark("pcm16", "-1");
    assert!(peak <= -1.0 && line.is_none(), "{peak} dBTP, {line:?}");
    let (peak, line) = remark("adpcm", "-1");
    let line = line.unwrap_or_else(|| panic!("nothing is said of {peak} dBTP"));
    let words = format!("to {peak:.1} dBTP (measured), above the ceiling of -1.0 dBTP");
    assert!(peak > -0.8 && line.contains(&words), "{line}");
    let ceiling = line.split("--ceiling ").nth(1).unwrap();
    let (peak, line) = remark("adpcm", ceiling.split(' ').next().unwrap());
    assert!(peak < -0.8, "{ceiling}: {peak} dBTP, {line:?}");
}

/// What a high-pass takes of the loudness is told, with the option that has it
/// back, and that option does; where little is lost nothing is said.
#[test]
fn the_loudness_that_a_high_pass_takes_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let board = board(folder.path());
    let reel = folder.path().join("bass.tbr");
    let film = |name: &str, sound: &str| {
        let path = folder.path().join(name).display().to_string();
        let made = std::process::Command::new("ffmpeg")
            .args(["-v", "error", "-y", "-f", "lavfi", "-i"])
            .arg("color=gray:s=32x24:r=10:d=4")
            .args(["-f", "lavfi", "-i"])
            .arg(format!("aevalsrc={sound}:s=48000:d=4"))
            .args(["-c:v", "mpeg4", "-c:a", "flac", &path])
            .status()
            .expect("ffmpeg starts: run .ci/install test");
        assert!(made.success());
        path
    };
    let bass = film("bass.mkv", "0.4*sin(2*PI*150*t)+0.05*sin(2*PI*2000*t)");
    let high = film("high.mkv", "0.4*sin(2*PI*2000*t)");
    const REMARK: &str = "without the bass below 400 Hz the sound has -2";
    let (told, _) = converted(&bass, &board, &reel, &["--high-pass", "400"]);
    for word in [REMARK, "LUFS (measured); --loudness=-18 makes up for it"] {
        assert!(told.contains(word), "{word} is missing:\n{told}");
    }
    let (told, found) = converted(
        &bass,
        &board,
        &reel,
        &["--high-pass", "400", "--loudness=-18"],
    );
    assert!(!told.contains("without the bass"), "{told}");
    let after = found["sound"]["loudness_after"].as_f64().unwrap();
    assert!((after + 18.0).abs() < 0.5, "{after} LUFS");
    for (film, options) in [(&bass, &[][..]), (&high, &["--high-pass", "400"])] {
        let (told, _) = converted(film, &board, &reel, options);
        assert!(!told.contains("without the bass"), "{told}");
    }
    // `gain` says the same before anything is converted: against the loudness
    // that the conversions have.
    let args = ["gain", "--board", &board, &bass];
    let told = text(&thumbreel(&args));
    assert!(
        told.contains("with the high-pass the sound has -"),
        "{told}"
    );
    let lufs = json(&[&args[..], &["--json"]].concat())["supply"]["loudness_lufs"].clone();
    // The board's own filter, as `--high-pass` without a frequency takes it.
    for (key, options) in [("as_it_is", &[][..]), ("high_passed", &["--high-pass"])] {
        let (_, found) = converted(&bass, &board, &reel, options);
        let made = found["sound"]["loudness_after"].as_f64().unwrap();
        let said = lufs[key].as_f64().unwrap();
        assert!((made - said).abs() < 0.2, "{key}: {said} for {made} LUFS");
    }
    let told = text(&thumbreel(&["gain", "--board", &board, &high]));
    assert!(
        !told.contains("with the high-pass the sound has -"),
        "{told}"
    );
    let spoken = text(&thumbreel(&["enclosure", "--board", &board]));
    assert!(
        spoken.contains("--loudness=-18 makes up for it"),
        "{spoken}"
    );
}

#[test]
fn every_sound_option_changes_the_reel() {
    let folder = tempfile::tempdir().unwrap();
    let board = board(folder.path());
    let film = tones(folder.path());
    let sound = |options: &[&str]| -> Vec<u8> {
        let reel = folder.path().join("one.tbr");
        let name = reel.display().to_string();
        let fixed = ["convert", &film, "--board", &board, "-o", &name];
        let more = ["--coding", "raw", "--overwrite", "--preview", "--quiet"];
        text(&thumbreel(&[&fixed[..], &more, options].concat()));
        std::fs::read(folder.path().join("one.wav")).unwrap()
    };
    let plain = sound(&[]);
    for options in [
        &["--loudness=-20"][..],
        &["--ceiling=-18"],
        &["--high-pass"],
        &["--high-pass", "900"],
        &["--virtual-bass", "--downmix", "left"],
        &["--high-shelf=-6"],
        &["--dynamic-range", "noisy-room"],
        &["--downmix", "left"],
        &["--downmix", "phase-safe"],
        &["--sound-coding", "adpcm"],
        &["--sound-coding", "pcm8"],
    ] {
        assert!(sound(options) != plain, "{options:?} changes nothing");
    }
    assert!(
        sound(&["--virtual-bass", "--downmix", "left"]) != sound(&["--downmix", "left"]),
        "--virtual-bass changes nothing"
    );
}

#[test]
fn help_states_unit_and_default_of_every_sound_option() {
    let help = text(&thumbreel(&["convert", "--help"]));
    let flat = help.split_whitespace().collect::<Vec<_>>().join(" ");
    for (option, words) in [
        (
            "--loudness <LUFS>",
            ["-40 to -5 LUFS", "[default: unchanged]"],
        ),
        ("--ceiling <DB>", ["dBTP", "[default: -1]"]),
        ("--high-pass [<HZ>]", ["at HZ", "[default: off]"]),
        ("--virtual-bass [<DB>]", ["-24 to 12 dB", "[default: off]"]),
        ("--high-shelf <DB>", ["-12 to 12 dB", "[default: 0]"]),
        (
            "--dynamic-range <DYNAMIC_RANGE>",
            ["2.5:1", "[default: full]"],
        ),
        (
            "--sound-rate <HZ>",
            ["8000 to 48000 Hz", "[default: the board's]"],
        ),
    ] {
        let from = flat.find(option).unwrap_or_else(|| panic!("no {option}"));
        let entry = &flat[from + option.len()..];
        let entry = &entry[..entry.find(" --").unwrap_or(entry.len())];
        for word in words {
            assert!(entry.contains(word), "{option} lacks {word}: {entry}");
        }
    }
    assert!(flat.contains("--preview"));
}

#[test]
fn the_regulator_is_the_warmest_part() {
    // Common practice, no source: after half an hour of film sound the linear
    // regulator, not the amplifier, is the warmest part, in the forties C.
    let film = clip("cup.mp4").display().to_string();
    let found = json(&["gain", "--board", "lantern-room", &film, "--json"]);
    let part = |name: &str| found["supply"]["as_it_is"][name].as_f64().unwrap();
    let (regulator, amplifier) = (part("regulator_c"), part("amplifier_c"));
    assert!((40.0..48.0).contains(&regulator), "{regulator} C");
    assert!(amplifier < regulator - 5.0, "{amplifier} C");
}
