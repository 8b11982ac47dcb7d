//! One board, one reel, one truth: every command gives the same run time, mean
//! and peak current, from its own output.

use std::collections::BTreeSet;
use std::path::Path;

use assert_cmd::Command;
use serde_json::Value;
use thumbreel::board::{AmplifierSupply, Board, PowerSource, RegulatorKind};
use thumbreel::budget::power::lasting;
use thumbreel::files::{Destination, Kind};
use thumbreel::reel::{Picture, ReelWriter, Settings, Slice, SoundCoding};

use crate::Luck;
use crate::support::Running;

/// Boards with a reel each.
const CASES: u64 = 50;

fn run(args: &[&str]) -> String {
    let mut command = Command::new(env!("CARGO_BIN_EXE_thumbreel"));
    let run = command.args(args).output().unwrap();
    // Tight or not fitting is an answer, too.
    let answered = matches!(run.status.code(), Some(0 | 3 | 4));
    assert!(
        answered,
        "{args:?}: {}",
        String::from_utf8_lossy(&run.stderr)
    );
    String::from_utf8(run.stdout).unwrap()
}

pub fn json(args: &[&str]) -> Value {
    serde_json::from_str(&run(args)).unwrap()
}

/// To two decimals, so that a board can be worked through by hand.
fn round(value: f64) -> f64 {
    (value * 100.0).round() / 100.0
}

/// The board and the reel of a case, as files in `folder`.
pub fn seeded(case: u64, folder: &Path) -> (String, String) {
    let mut luck = Luck::new(case + 77);
    (
        seeded_board(&mut luck, folder),
        seeded_reel(&mut luck, folder),
    )
}

fn seeded_board(luck: &mut Luck, folder: &Path) -> String {
    let built_in = Board::built_in();
    let names: Vec<usize> = (0..built_in.len()).collect();
    let mut board = built_in[luck.pick(&names)].clone();
    let power = &mut board.power;
    power.source = luck.pick(&[PowerSource::Cell, PowerSource::Usb]);
    power.cell_mah = luck.between(200.0, 2500.0).round();
    power.cell_ohm = round(luck.between(0.05, 0.5));
    power.diode_drop_v = luck.pick(&[0.0, 0.2, 0.35]);
    power.base_ma = luck.between(20.0, 90.0).round();
    power.ambient_c = luck.between(0.0, 40.0).round();
    power.regulator.kind = luck.pick(&[RegulatorKind::Linear, RegulatorKind::Switching]);
    power.regulator.dropout_v = round(luck.between(0.05, 0.3));
    let amplifier = &mut board.sound.amplifier;
    amplifier.gain_db = luck.pick(&[3.0, 6.0, 9.0, 12.0, 15.0]);
    amplifier.supply = luck.pick(&[AmplifierSupply::Source, AmplifierSupply::Regulator]);
    board.sound.speaker.impedance_ohm = luck.pick(&[4.0, 8.0, 16.0]);
    board.memory.internal_bytes = 400_000;
    let path = folder.join("board.toml");
    std::fs::write(&path, board.to_toml()).unwrap();
    path.display().to_string()
}

/// A second and a half of sound over raw pictures of 32x24: pulsing tones, or in
/// a third of the cases a square wave, whose power is the same at any instant.
fn seeded_reel(luck: &mut Luck, folder: &Path) -> String {
    let path = folder.join("reel.tbr");
    let settings = Settings {
        width: 32,
        height: 24,
        clock_rate: 16_000,
        sound: SoundCoding::PcmS16,
        ..Settings::default()
    };
    let mut writer = ReelWriter::new(
        Destination::new(&path, Kind::Reel).begin().unwrap(),
        &settings,
        None,
    )
    .unwrap();
    let (hz, loud) = (luck.between(50.0, 2000.0), luck.between(500.0, 32_000.0));
    let square = luck.pick(&[true, false, false]);
    for n in 0..6u64 {
        let tone = |i: u64| {
            let t = (n * 4000 + i) as f64 / 16_000.0;
            if square {
                return if (hz * t).fract() < 0.5 {
                    loud as i16
                } else {
                    -(loud as i16)
                };
            }
            let swell = 0.5 + 0.5 * (t * 7.0).sin();
            (loud * swell * (std::f64::consts::TAU * hz * t).sin()) as i16
        };
        let sound: Vec<u8> = (0..4000).flat_map(|i| tone(i).to_le_bytes()).collect();
        let picture = Picture {
            key: true,
            bytes: [
                &[1, 0, 0, 0, 0, 0, 0, 0, 32, 0, 24, 0][..],
                &[n as u8; 32 * 24 * 2],
            ]
            .concat(),
            ..Picture::default()
        };
        writer
            .slice(&Slice::new(n * 4000, 4000, sound, vec![picture]))
            .unwrap();
    }
    let (draft, _) = writer.finish().unwrap();
    draft.publish().unwrap();
    path.display().to_string()
}

/// Mean, peak and hours of a model's figures in JSON.
fn figures(power: &Value) -> (f64, f64, Option<f64>) {
    (
        power["mean_ma"].as_f64().unwrap(),
        power["peak_ma"].as_f64().unwrap(),
        power["run_time"]["hours"].as_f64(),
    )
}

/// The same from the page's own markup.
fn on_page(page: &str, link: &str) -> (f64, f64, Option<f64>) {
    let from = page.find(&format!("data-link=\"{link}\"")).unwrap();
    let tag = &page[from..from + page[from..].find('>').unwrap()];
    let value = |name: &str| -> Option<f64> {
        let at = tag.find(&format!("{name}=\""))? + name.len() + 2;
        tag[at..at + tag[at..].find('"')?].parse().ok()
    };
    (
        value("data-mean-ma").unwrap(),
        value("data-peak-ma").unwrap(),
        value("data-hours"),
    )
}

/// What the page of a server that feeds `board` is told of the reel, as JSON.
fn on_server(folder: &Path, board: &str) -> Value {
    let listen = ["--listen", "127.0.0.1:0", "--quiet", "--board", board];
    let server = Running::start_with(folder, &listen);
    let answer = server.get("/supply/reel.tbr", &[]);
    assert_eq!(answer.status, 200, "{answer:?}");
    serde_json::from_str(&answer.text()).unwrap()
}

/// The same figures, but for the last bit that a parser may lose.
fn same(a: (f64, f64, Option<f64>), b: (f64, f64, Option<f64>)) -> bool {
    let near = |a: f64, b: f64| (a - b).abs() <= 1e-12 * a.abs();
    let hours = match (a.2, b.2) {
        (Some(a), Some(b)) => near(a, b),
        (a, b) => a == b,
    };
    near(a.0, b.0) && near(a.1, b.1) && hours
}

/// What a case showed: answers on a cell, served pages, and each answer.
#[derive(Default)]
struct Seen {
    cells: u32,
    pages: u32,
    answers: Vec<String>,
}

/// Asserts that all commands agree on a case.
fn agree(case: u64) -> Seen {
    let folder = tempfile::tempdir().unwrap();
    let (board, reel) = seeded(case, folder.path());
    let page = folder.path().join("page.html").display().to_string();
    let budget = json(&["budget", &reel, "--board", &board, "--json"]);
    // The page shows the same sentences.
    let spoken = case
        .is_multiple_of(5)
        .then(|| run(&["budget", &reel, "--board", &board]));
    let gain = json(&["gain", &reel, "--board", &board, "--json"]);
    let report = ["report", &reel, "--board", &board, "-o", &page];
    run(&[&report[..], &["--rehearsals", "2"]].concat());
    let page = std::fs::read_to_string(page).unwrap();
    let mut seen = Seen::default();
    for (i, budget) in budget["budgets"].as_array().unwrap().iter().enumerate() {
        let wanted = figures(&budget["power"]);
        let agrees = |power: &Value, what: &str| {
            assert!(same(figures(power), wanted), "case {case}: {what}");
        };
        let link = &gain["supply"]["links"][i];
        assert_eq!(link["link"], budget["link"], "case {case}");
        agrees(&link["as_it_is"], "gain");
        let wireless = budget["link"] == "wifi";
        let (name, option) = if wireless {
            ("Wi-Fi", "wifi")
        } else {
            ("card", "card")
        };
        assert!(same(on_page(&page, name), wanted), "case {case}: page");
        let rehearsed = json(&[
            "rehearse", &reel, "--board", &board, "--link", option, "--runs", "2", "--json",
        ]);
        agrees(&rehearsed["power"], "rehearsal");
        let mut told: Vec<String> = vec![page.clone()];
        told.extend(spoken.clone());
        if wireless {
            let served = on_server(folder.path(), &board);
            agrees(&served["power"], "served page");
            told.push(served["sentences"].to_string());
            seen.pages += 1;
        }
        let mut words = vec![
            format!("{:.0} mA from the source on average", wanted.0),
            format!("{:.0} mA at the worst instant", wanted.1),
        ];
        words.extend(wanted.2.map(|h| match h {
            0.0 => "It does not run: already on a full cell".into(),
            h => format!("{} from a full cell", lasting(h)),
        }));
        for word in words {
            let said = told.iter().all(|told| told.contains(&word));
            assert!(said, "case {case}: {word}");
        }
        assert!(wanted.1 > wanted.0, "case {case}: {wanted:?}");
        seen.cells += u32::from(wanted.2.is_some());
        seen.answers.push(format!("{wanted:?}"));
    }
    seen
}

#[test]
fn every_command_gives_the_same_figures() {
    let all: Vec<Seen> = std::thread::scope(|scope| {
        let halves = [0, 1].map(|half| {
            scope.spawn(move || (half..CASES).step_by(2).map(agree).collect::<Vec<_>>())
        });
        halves
            .into_iter()
            .flat_map(|half| half.join().unwrap())
            .collect()
    });
    let cells: u32 = all.iter().map(|s| s.cells).sum();
    let pages: u32 = all.iter().map(|s| s.pages).sum();
    let answers: BTreeSet<&String> = all.iter().flat_map(|s| &s.answers).collect();
    assert!(
        cells >= 15 && pages >= 25 && answers.len() >= 45,
        "{cells} cells, {pages} pages, {} answers",
        answers.len()
    );
}
