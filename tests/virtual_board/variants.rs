//! One reel on panels that makers set up in other ways: the panel's own
//! inversion, address mode and pixel format instead of the reel's.

use std::path::Path;

use thumbreel::board::{Board, ByteOrder};
use thumbreel::sound::SoundCoding;

use crate::boards::{Link, words};
use crate::build::{Build, program, run};
use crate::clip::{Figures, Pictures, clip, compared, convert, figures, judge};
use crate::common::media::folder;
use crate::source::assert_log;

/// Words of the glass and of the maker's start-up, and decibels that the way
/// of sending may cost.
const VARIANTS: [(&str, f64); 7] = [
    ("complement=1 invert_mode=1", 0.1),
    ("blue_first=1 address_mode=8", 0.1),
    // Seen in a mirror; columns from the right.
    ("mirror=1 address_mode=64 columns=240", 0.1),
    // On its side; columns for pages, and from the right.
    ("turns=1 address_mode=96 columns=240 pages=240", 0.1),
    // Upside down; both from the far end, and scanned from below.
    ("turns=2 address_mode=208 columns=240 pages=240", 0.1),
    // Five bits as six leave 2 levels of error in the middle.
    ("bits=18 bus_clock=80000000", 0.6),
    // The reel from many small reads, on one core.
    ("cores=1 short_reads=7 piece=1024", 0.1),
];

fn played(folder: &Path, words: &[String], build: Build) -> (Figures, String) {
    let file = |name: &str| folder.join(name).display().to_string();
    let mut all = words.to_vec();
    for key in ["eye", "ear", "log"] {
        all.push(format!("{key}={}", file(key)));
    }
    run(&program("play", build), &all);
    let log = figures(&std::fs::read_to_string(folder.join("log")).unwrap(), ' ');
    let job = format!(
        "eye={} ear={} width=240 height=240 rate={} heard_from={}",
        file("eye"),
        file("ear"),
        log["rate"],
        log["heard_from"]
    );
    (log, job)
}

fn assert_shows(name: &str, log: &Figures, found: &Figures, least: f64) {
    assert_log(name, log);
    let tell = || format!("{name}: {found:?}, at least {least:.2} dB");
    assert!(found["psnr_real"] > least, "pictures: {}", tell());
    assert!(found["upright"] > 4.0, "not upright: {}", tell());
    assert!(found["patch_error"] < 4.0, "colours: {}", tell());
}

/// A plain 240x240 panel, neither inverted nor swapped.
fn plain() -> Board {
    let mut board = Board::find("lantern-room").unwrap();
    board.panel.inverted = false;
    board
}

#[test]
fn panels_that_are_set_up_otherwise_show_the_clip() {
    let folder = folder();
    let clip = clip(folder.path());
    let reel = folder.path().join("plain.tbr");
    let board = plain();
    let coded = (Pictures::Full, SoundCoding::Adpcm);
    convert(&clip, &reel, &board, coded, None);
    let compared = compared(&reel, &clip);
    let base = words(&board, Link::Card, &reel, false);
    let mut plays = Vec::new();
    for (i, (more, _)) in VARIANTS.iter().enumerate() {
        let at = folder.path().join(i.to_string());
        std::fs::create_dir(&at).unwrap();
        // The first word of a key counts.
        let mut all: Vec<String> = more.split(' ').map(str::to_owned).collect();
        all.extend(base.iter().cloned());
        let all: Vec<String> = all
            .iter()
            .enumerate()
            .filter(|(n, word)| {
                let key = |w: &str| w.split('=').next().unwrap().to_owned();
                !all[..*n].iter().any(|w| key(w) == key(word))
            })
            .map(|(_, word)| word.clone())
            .collect();
        // One of them under the sanitizers.
        let build = if i == 0 {
            Build::Sanitized
        } else {
            Build::Plain
        };
        plays.push(played(&at, &all, build));
    }
    let jobs: Vec<String> = plays.iter().map(|(_, job)| job.clone()).collect();
    let judged = judge(folder.path(), &clip, &jobs);
    for (((more, costs), (log, _)), found) in VARIANTS.iter().zip(&plays).zip(&judged) {
        println!("{more}: compare={compared:.2} {found:.2?}");
        assert_shows(more, log, found, compared - costs);
    }
}

#[test]
fn a_bus_that_takes_the_low_byte_first_shows_the_clip() {
    let folder = folder();
    let clip = clip(folder.path());
    let mut board = plain();
    board.panel.pixel_order = ByteOrder::LowFirst;
    let mut plays = Vec::new();
    for pictures in [Pictures::Raw, Pictures::Jpeg, Pictures::Light] {
        let at = folder.path().join(format!("{pictures:?}"));
        std::fs::create_dir(&at).unwrap();
        let reel = at.join("low.tbr");
        convert(&clip, &reel, &board, (pictures, SoundCoding::Pcm8), None);
        let words = words(&board, Link::Card, &reel, pictures == Pictures::Raw);
        let (log, job) = played(&at, &words, Build::Plain);
        plays.push((pictures, log, job, compared(&reel, &clip)));
    }
    let jobs: Vec<String> = plays.iter().map(|(_, _, job, _)| job.clone()).collect();
    for ((pictures, log, _, compared), found) in
        plays.iter().zip(judge(folder.path(), &clip, &jobs))
    {
        let name = format!("{pictures:?}, low byte first");
        let colours = crate::source::patch_error(*pictures);
        assert!(found["patch_error"] < colours, "{name}: {found:?}");
        assert_log(&name, log);
        assert!(
            found["psnr_real"] > compared - 0.1,
            "{name}: {found:?}, compare {compared:.2}"
        );
        assert!(found["upright"] > 4.0, "{name}: {found:?}");
    }
}
