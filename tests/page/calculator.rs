//! The calculator's module says what the command says: 500 seeded settings.

use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;
use thumbreel::answer::{Depth, Request, answer};
use thumbreel::board::Board;
use thumbreel::budget::{PictureCoding, SoundCoding};

use super::extent::extent;
use super::faults::Chance;

const SETTINGS: usize = 500;

/// Seeded settings; a part of them on profiles that no built-in board has.
fn request(seed: u64) -> Request {
    let mut chance = Chance::new(seed + 1);
    let mut below = |n: u64| chance.below(n);
    let mut boards = Board::built_in();
    let mut board = boards.swap_remove(below(boards.len() as u64) as usize);
    let own = below(3) == 0;
    if own {
        board.name = "gull-post".into();
        board.panel.clock_hz = 10_000_000 * (1 + below(8) as u32);
        board.cpu.cores = 1 + below(2) as u8;
        board.memory.external_bytes = 1_000_000 * below(3) as u32;
    }
    let mut request = Request::default();
    request.on(&board);
    request.distance = (board.wifi.is_some() && below(3) == 0).then(|| (1 + below(36)) as f64);
    let (width, height) = board.panel.upright_size();
    let smaller = |side: u16, of: u64| ((u64::from(side) * of / 16) as u16).max(16);
    let of = 4 + below(13);
    request.size = (below(2) == 0).then(|| (smaller(width, of), smaller(height, of)));
    request.rate = [(24, 1), (25, 2), (30_000, 1001), (1 + below(60) as u32, 1)][below(4) as usize];
    request.coding = PictureCoding::ALL[below(4) as usize];
    request.bits_per_pixel = (below(2) == 0).then(|| (5 + below(200)) as f64 / 100.0);
    request.sound = [
        SoundCoding::None,
        SoundCoding::Pcm16,
        SoundCoding::Pcm8,
        SoundCoding::Adpcm,
    ][below(4) as usize];
    request.sound_rate = (below(2) == 0).then(|| [8000, 16_000, 22_050, 48_000][below(4) as usize]);
    request.minutes = (1 + below(20)) as f64 / 100.0;
    request.margin = [15.0, 15.0, 0.0, 30.0][below(4) as usize];
    // Rehearsals are compared where the command is typed.
    request.depth = match seed % 10 {
        0 => Depth::Changes,
        _ => Depth::Formula,
    };
    request
}

/// Figures to a part in 10^9: the browser's powers and logarithms may differ from the
/// system's in the last bit. Texts, with every figure as it is shown, to the letter.
fn alike(a: &Value, b: &Value, at: &str, apart: &mut Vec<String>) {
    match (a, b) {
        (Value::Number(x), Value::Number(y)) => {
            let (x, y) = (x.as_f64().unwrap(), y.as_f64().unwrap());
            if (x - y).abs() > 1e-9 * x.abs().max(y.abs()).max(1e-6) {
                apart.push(format!("{at}: {x} and {y}"));
            }
        }
        (Value::Array(x), Value::Array(y)) if x.len() == y.len() => {
            for (n, (x, y)) in x.iter().zip(y).enumerate() {
                alike(x, y, &format!("{at}/{n}"), apart);
            }
        }
        (Value::Object(x), Value::Object(y)) if x.len() == y.len() => {
            for (name, x) in x {
                alike(
                    x,
                    y.get(name).unwrap_or(&Value::Null),
                    &format!("{at}/{name}"),
                    apart,
                );
            }
        }
        _ if a == b => (),
        _ => apart.push(format!("{at}: {a} and {b}")),
    }
}

fn module() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("src/page/module/calculator.wasm")
}

/// What the module answers, in order.
fn asked(requests: &[Request], dir: &Path) -> Vec<Value> {
    let (to, from) = (dir.join("requests.json"), dir.join("answers.json"));
    std::fs::write(&to, serde_json::to_string(requests).unwrap()).unwrap();
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/page/calculator.mjs");
    let run = Command::new("node")
        .arg(script)
        .arg(module())
        .args([&to, &from])
        .output()
        .expect("node is missing: run .ci/install test");
    assert!(
        run.status.success(),
        "{}",
        String::from_utf8_lossy(&run.stderr)
    );
    serde_json::from_slice(&std::fs::read(from).unwrap()).unwrap()
}

#[test]
fn the_calculator_says_what_the_model_says() {
    let dir = tempfile::tempdir().unwrap();
    let requests: Vec<Request> = (0..SETTINGS as u64).map(request).collect();
    let answers = asked(&requests, dir.path());
    let mut apart = Vec::new();
    let halves = std::thread::scope(|scope| {
        let half = |odd: usize| {
            let (requests, answers) = (&requests, &answers);
            scope.spawn(move || {
                let mut apart = Vec::new();
                for n in (odd..SETTINGS).step_by(2) {
                    let want = match answer(&requests[n]) {
                        Ok(answer) => serde_json::json!({ "answer": answer }),
                        Err(error) => serde_json::json!({ "error": error }),
                    };
                    alike(&answers[n], &want, &format!("settings {n}"), &mut apart);
                }
                apart
            })
        };
        [half(0), half(1)].map(|thread| thread.join().unwrap())
    });
    apart.extend(halves.concat());
    let shown = &apart[..apart.len().min(20)];
    assert!(
        apart.is_empty(),
        "{}\nbuild it with .ci/viewer build calculator",
        shown.join("\n")
    );
    let good = answers.iter().filter(|a| a["answer"].is_object()).count();
    assert!(good > SETTINGS * 9 / 10, "{good} of {SETTINGS}");
}

/// The command line that the page offers, typed in a shell.
#[test]
fn the_command_that_it_offers_says_the_same() {
    let count = extent(6, 12, 500);
    let dir = tempfile::tempdir().unwrap();
    let requests: Vec<Request> = (0..count).map(request).collect();
    let requests = requests.iter().map(|r| Request {
        depth: Depth::Rehearsals,
        ..r.clone()
    });
    let requests: Vec<Request> = requests.collect();
    let answers = asked(&requests, dir.path());
    let program = Path::new(env!("CARGO_BIN_EXE_thumbreel")).parent().unwrap();
    let path = std::env::var("PATH").unwrap();
    let path = format!("{}:{path}", program.display());
    let mut apart = Vec::new();
    for answer in &answers {
        let answer = &answer["answer"];
        let profile = answer["profile_name"].as_str().unwrap();
        std::fs::write(
            dir.path().join(profile),
            answer["profile"].as_str().unwrap(),
        )
        .unwrap();
        let line = answer["budget_line"].as_str().unwrap();
        let run = Command::new("sh")
            .args(["-c", &format!("{line} --json")])
            .env("PATH", &path)
            .current_dir(dir.path())
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&run.stderr);
        let told: Value =
            serde_json::from_slice(&run.stdout).unwrap_or_else(|e| panic!("{line}: {e}: {said}"));
        for (link, answer) in answer["links"].as_array().unwrap().iter().enumerate() {
            let mut budget = answer["budget"].clone();
            // The command's is the worse of formula and rehearsals.
            budget["verdict"] = answer["verdict"].clone();
            let at = format!("{line}: link {link}");
            alike(&budget, &told["budgets"][link], &at, &mut apart);
            alike(&answer["sentence"], &told["lines"][link], &at, &mut apart);
            let none = match answer["verdict"].as_str() {
                Some("fits") => "Nothing has to change",
                _ => "No single change",
            };
            let change = told["changes"][link]["what"].as_str().unwrap_or(none);
            assert!(
                answer["change"].as_str().unwrap().contains(change),
                "{at}: {change}"
            );
        }
        assert_eq!(
            answer["links"].as_array().unwrap().len(),
            told["budgets"].as_array().unwrap().len()
        );
    }
    assert!(apart.is_empty(), "{}", apart.join("\n"));
}
