//! Every built-in board, picture coding, sound coding and link: the panel shows
//! the clip, the speaker plays it, in step.

use std::path::Path;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use thumbreel::board::{Board, Shape};
use thumbreel::sound::SoundCoding;

use crate::boards::{Link, wifi_rate, words};
use crate::build::{Build, program, run};
use crate::clip::{Figures, PICTURES, Pictures, SOUNDS, clip, compared, convert, figures, judge};
use crate::common::media::folder;

/// Frames per second of the clip.
const RATE: f64 = 12.0;

/// A reel and the ways it is played.
struct Case {
    board: Board,
    pictures: Pictures,
    sound: SoundCoding,
    link: Link,
    /// Of the picture, if it is smaller than the panel.
    size: Option<(u16, u16)>,
}

impl Case {
    fn name(&self) -> String {
        format!(
            "{}-{:?}-{:?}-{:?}",
            self.board.name, self.pictures, self.sound, self.link
        )
    }
}

/// Raw pictures that Wi-Fi cannot carry are made half as large.
fn size_for(board: &Board, pictures: Pictures, link: Link) -> Option<(u16, u16)> {
    let (w, h) = board.panel.upright_size();
    let needs = RATE * 2.0 * f64::from(w) * f64::from(h);
    let narrow = link == Link::Wifi && needs > 0.7 * wifi_rate(board).unwrap_or(0.0);
    (narrow && pictures == Pictures::Raw).then_some((w / 2, h / 2))
}

fn cases() -> Vec<Case> {
    let mut all = Vec::new();
    for (b, board) in Board::built_in().into_iter().enumerate() {
        for (p, pictures) in PICTURES.into_iter().enumerate() {
            for (s, sound) in SOUNDS.into_iter().enumerate() {
                // In CI each pair of board and coding has one sound coding.
                if !crate::whole() && s != (b + p) % SOUNDS.len() {
                    continue;
                }
                for link in [Link::Card, Link::Wifi] {
                    if link == Link::Wifi && board.wifi.is_none() {
                        continue;
                    }
                    all.push(Case {
                        size: size_for(&board, pictures, link),
                        board: board.clone(),
                        pictures,
                        sound,
                        link,
                    });
                }
            }
        }
    }
    all
}

/// Converts, plays on the virtual board, and says how the judge finds it.
fn play(case: &Case, folder: &Path, clip: &Path, build: Build) -> (Figures, String, f64) {
    let name = case.name();
    let reel = folder.join(format!("{name}.tbr"));
    convert(
        clip,
        &reel,
        &case.board,
        (case.pictures, case.sound),
        case.size,
    );
    let mut words = words(
        &case.board,
        case.link,
        &reel,
        case.pictures == Pictures::Raw,
    );
    let file = |ending: &str| folder.join(format!("{name}.{ending}"));
    for key in ["eye", "ear", "log"] {
        words.push(format!("{key}={}", file(key).display()));
    }
    run(&program("play", build), &words);
    let log = figures(&std::fs::read_to_string(file("log")).unwrap(), ' ');
    let (w, h) = case.board.panel.upright_size();
    let (inner_w, inner_h) = case.size.unwrap_or((w, h));
    let job = format!(
        "eye={} ear={} width={w} height={h} inner_width={inner_w} inner_height={inner_h} ellipse={} rate={} heard_from={}",
        file("eye").display(),
        file("ear").display(),
        u8::from(case.board.panel.shape == Shape::Ellipse),
        log["rate"],
        log["heard_from"],
    );
    (log, job, compared(&reel, clip))
}

/// The loop ended in peace, and nothing was wrong at any interface.
pub fn assert_log(name: &str, log: &Figures) {
    assert_eq!((log["verdict"], log["said"]), (0.0, 3.0), "{name}: {log:?}");
    for key in [
        "late", "waiting", "damaged", "dry", "lost", "port_dry", "unknown", "windows", "overruns",
        "early", "cut",
    ] {
        assert_eq!(log[key], 0.0, "{name}: {key}, of {log:?}");
    }
}

/// Largest error of a patch's mean colour, in levels of 8 bits. Dither keeps
/// the mean: what is left is its noise over a patch, half a level of rounding
/// in the clip and here each, and what the coding loses of a flat patch. JPEG
/// has no dither: half a step of 5 bits more.
pub fn patch_error(pictures: Pictures) -> f64 {
    match pictures {
        Pictures::Raw => 2.5,
        Pictures::Light | Pictures::Full => 3.0,
        Pictures::Jpeg => 3.0 + 255.0 / 31.0 / 2.0,
    }
}

/// Brightest pixel beside the picture: coded edges ring a little.
fn border(pictures: Pictures) -> f64 {
    if pictures == Pictures::Raw { 0.0 } else { 25.0 }
}

/// Least SNR of the clip's tone, whose peak is a quarter of full scale. PCM of
/// 8 bits with triangular dither has 6.02 * 8 + 1.76 - 12.04 - 4.77 = 33 dB and
/// loses more by moving its noise up in frequency (25.4 at 44.1 kHz); the others by
/// what was measured, less some.
pub fn least_snr(sound: SoundCoding) -> f64 {
    match sound {
        SoundCoding::Pcm16 => 50.0,
        SoundCoding::Pcm8 => 24.0,
        SoundCoding::Adpcm => 30.0,
    }
}

fn assert_judged(case: &Case, log: &Figures, found: &Figures, compared: f64) {
    let name = case.name();
    let block = f64::from(case.board.sound.sample_rate / 100) / log["rate"];
    let samples = 2.0 / log["rate"];
    let tell = || format!("{name}: {found:?}, compare says {compared:.2}");
    assert!(found["psnr_real"] > compared - 0.1, "pictures: {}", tell());
    let patches = patch_error(case.pictures);
    assert!(found["patch_error"] < patches, "colours: {}", tell());
    assert!(found["upright"] > 4.0, "not upright: {}", tell());
    let around = border(case.pictures);
    assert!(found["border"] <= around, "around: {}", tell());
    for key in ["flash_1", "flash_2"] {
        let (early, late) = (-block, 1.0 / RATE + block);
        assert!((early..late).contains(&found[key]), "{key}: {}", tell());
    }
    assert!(
        (found["between_clicks"] - 0.5).abs() < samples,
        "{}",
        tell()
    );
    assert!(
        found["sound_snr"] > least_snr(case.sound),
        "sound: {}",
        tell()
    );
    assert!((found["sound_gain"] - 1.0).abs() < 0.02, "gain: {}", tell());
    assert!(found["sound_drift"].abs() < 1.0, "drift: {}", tell());
}

fn in_order(cases: &[Case], build: Build) {
    let folder = folder();
    let clip = clip(folder.path());
    let next = AtomicUsize::new(0);
    let wrong = Mutex::new(Vec::new());
    let worker = || {
        let mut mine = Vec::new();
        while let Some(case) = cases.get(next.fetch_add(1, Ordering::Relaxed)) {
            let (log, job, compared) = play(case, folder.path(), &clip, build);
            mine.push((case, log, job, compared));
        }
        let jobs: Vec<String> = mine.iter().map(|(_, _, job, _)| job.clone()).collect();
        let judged = judge(folder.path(), &clip, &jobs);
        for ((case, log, _, compared), found) in mine.iter().zip(judged) {
            println!(
                "{} compare={compared:.2} late={} torn={} {found:.2?}",
                case.name(),
                log["late"],
                log["torn"]
            );
            let checked = std::panic::catch_unwind(|| {
                assert_log(&case.name(), log);
                assert_judged(case, log, &found, *compared);
            });
            if checked.is_err() {
                wrong.lock().unwrap().push(case.name());
            }
        }
    };
    std::thread::scope(|scope| {
        for _ in 0..2 {
            scope.spawn(worker);
        }
    });
    let wrong = wrong.into_inner().unwrap();
    assert!(
        wrong.is_empty(),
        "{} of {}: {wrong:?}",
        wrong.len(),
        cases.len()
    );
}

#[test]
fn every_board_shows_and_plays_the_clip() {
    in_order(&cases(), Build::Plain);
}
