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
use crate::common::extent::extent;
use crate::common::media::folder;

/// Frames per second of the clip.
const RATE: f64 = 12.0;

/// A reel and the links it is played over.
struct Case {
    board: Board,
    pictures: Pictures,
    sound: SoundCoding,
    /// Of the picture, if it is smaller than the panel.
    size: Option<(u16, u16)>,
    links: Vec<Link>,
}

impl Case {
    fn name(&self) -> String {
        format!(
            "{}-{:?}-{:?}-{:?}",
            self.board.name, self.pictures, self.sound, self.links
        )
        .replace(", ", "-")
    }
}

/// A reel played over one link: what the loop said, and the judge's job.
struct Play<'a> {
    case: &'a Case,
    link: Link,
    log: Figures,
    job: String,
    /// PSNR of the real part, as `compare` has it.
    compared: f64,
}

impl Play<'_> {
    fn name(&self) -> String {
        format!("{} by {:?}", self.case.name(), self.link)
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
    for board in Board::built_in() {
        for pictures in PICTURES {
            for sound in SOUNDS {
                let mut links = vec![Link::Card];
                links.extend(board.wifi.as_ref().map(|_| Link::Wifi));
                // One reel for the links that carry the same picture.
                let size = |link| size_for(&board, pictures, link);
                for same in links.chunk_by(|a, b| size(*a) == size(*b)) {
                    all.push(Case {
                        size: size(same[0]),
                        board: board.clone(),
                        pictures,
                        sound,
                        links: same.to_vec(),
                    });
                }
            }
        }
    }
    all
}

/// Converts, and plays on the virtual board over each link.
fn play<'a>(case: &'a Case, folder: &Path, clip: &Path, build: Build) -> Vec<Play<'a>> {
    let reel = folder.join(format!("{}.tbr", case.name()));
    let codings = (case.pictures, case.sound);
    convert(clip, &reel, &case.board, codings, case.size);
    let compared = compared(&reel, clip);
    let play = |link: &Link| {
        let name = format!("{}-{link:?}", case.name());
        let file = |ending: &str| folder.join(format!("{name}.{ending}"));
        let mut words = words(&case.board, *link, &reel, case.pictures == Pictures::Raw);
        for key in ["eye", "ear", "log"] {
            words.push(format!("{key}={}", file(key).display()));
        }
        run(&program("play", build), &words);
        let log = figures(&std::fs::read_to_string(file("log")).unwrap(), ' ');
        let job = job(case, &file("eye"), &file("ear"), &log);
        let link = *link;
        Play {
            case,
            link,
            log,
            job,
            compared,
        }
    };
    case.links.iter().map(play).collect()
}

/// What the judge is told of one play.
fn job(case: &Case, eye: &Path, ear: &Path, log: &Figures) -> String {
    let (w, h) = case.board.panel.upright_size();
    let (inner_w, inner_h) = case.size.unwrap_or((w, h));
    format!(
        "eye={} ear={} width={w} height={h} inner_width={inner_w} inner_height={inner_h} ellipse={} rate={} heard_from={}",
        eye.display(),
        ear.display(),
        u8::from(case.board.panel.shape == Shape::Ellipse),
        log["rate"],
        log["heard_from"],
    )
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
/// loses more by moving its noise up in frequency (25.4 at 44.1 kHz); ADPCM moves its
/// noise under the tone (27.4 at 16 kHz); the others by what was measured, less some.
pub fn least_snr(sound: SoundCoding) -> f64 {
    match sound {
        SoundCoding::Pcm16 => 50.0,
        SoundCoding::Pcm8 => 24.0,
        SoundCoding::Adpcm => 25.0,
    }
}

fn assert_judged(play: &Play<'_>, found: &Figures) {
    let (case, log, compared, name) = (play.case, &play.log, play.compared, play.name());
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
            mine.extend(play(case, folder.path(), &clip, build));
        }
        let jobs: Vec<String> = mine.iter().map(|play| play.job.clone()).collect();
        let judged = judge(folder.path(), &clip, &jobs);
        for (play, found) in mine.iter().zip(judged) {
            let (name, log, compared) = (play.name(), &play.log, play.compared);
            println!(
                "{name} compare={compared:.2} late={} torn={} {found:.2?}",
                log["late"], log["torn"]
            );
            let checked = std::panic::catch_unwind(|| {
                assert_log(&name, log);
                assert_judged(play, &found);
            });
            if checked.is_err() {
                wrong.lock().unwrap().push(name);
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
        "{} of {} reels: {wrong:?}",
        wrong.len(),
        cases.len()
    );
}

#[test]
fn every_board_shows_and_plays_the_clip() {
    // Five has no divisor in common with the numbers of links and codings: each comes up.
    let step = extent(5, 1, 1);
    let cases: Vec<Case> = cases().into_iter().step_by(step).collect();
    for board in Board::built_in() {
        assert!(
            cases.iter().any(|case| case.board == board),
            "{}",
            board.name
        );
    }
    for (pictures, sound) in PICTURES.iter().zip(SOUNDS.iter().cycle()) {
        assert!(cases.iter().any(|case| case.pictures == *pictures));
        assert!(cases.iter().any(|case| case.sound == *sound));
    }
    in_order(&cases, Build::Plain);
}
