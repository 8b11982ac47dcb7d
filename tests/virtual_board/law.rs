//! Liveness as a law: `board/law.c` says what it is.

use std::path::{Path, PathBuf};
use std::process::Command;

use thumbreel::coding::patch::Level;
use thumbreel::reel::SoundCoding;

use crate::build::{Build, program};
use crate::common::extent::extent;
use crate::common::media::folder;
use crate::films::{Film, FilmCoding};

const RATES: [u32; 14] = [1, 2, 3, 5, 8, 10, 12, 15, 20, 24, 25, 30, 50, 60];
const CODINGS: [FilmCoding; 4] = [
    FilmCoding::Raw,
    FilmCoding::Jpeg,
    FilmCoding::Patch(Level::Light),
    FilmCoding::Patch(Level::Full),
];
const SOUNDS: [SoundCoding; 4] = [
    SoundCoding::PcmS16,
    SoundCoding::PcmU8,
    SoundCoding::ImaAdpcm,
    SoundCoding::None,
];
const CLOCKS: [u32; 4] = [8000, 16_000, 24_000, 48_000];

/// Films of about five seconds: each rate with each picture coding, the sound
/// codings in turn.
fn films() -> Vec<Film> {
    let mut films = Vec::new();
    for (r, &rate) in RATES.iter().enumerate() {
        for (c, &coding) in CODINGS.iter().enumerate() {
            let pictures = [1, 2, 4, 8][(r + c / 2) % 4].min(rate.max(1));
            films.push(Film {
                rate,
                coding,
                sound: SOUNDS[(r + c) % 4],
                // A picture's ticks are whole at all these rates.
                clock_rate: CLOCKS[(r / 4 + c) % 4] / rate * rate,
                slices: u64::from((5 * rate).div_ceil(pictures)),
                pictures,
                key_every: [1, 3, 7][(r + c) % 3],
                offset: [(0, 0), (26, 1)][r % 2],
                ..Film::default()
            });
        }
    }
    films
}

/// Writes the films and the list of them.
fn list(folder: &Path) -> PathBuf {
    let mut list = String::new();
    for (i, film) in films().iter().enumerate() {
        let path = folder.join(format!("{i}-{}-{:?}.tbr", film.rate, film.coding));
        std::fs::write(&path, film.reel()).unwrap();
        list += &format!("{}\n", path.display());
    }
    let path = folder.join("list");
    std::fs::write(&path, list).unwrap();
    path
}

/// Runs seeds and returns what was said; the law must hold.
fn hold(list: &Path, build: Build, from: u32, to: u32) {
    let output = Command::new(program("law", build))
        .arg(format!("list={}", list.display()))
        .arg(format!("from={from}"))
        .arg(format!("to={to}"))
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stdout);
    let errors = String::from_utf8_lossy(&output.stderr);
    print!("{said}");
    assert!(output.status.success(), "\n{said}{errors}");
}

#[test]
fn the_loop_lives_whatever_the_board_does() {
    let folder = folder();
    let list = list(folder.path());
    let last = extent(200, 400, 6000);
    std::thread::scope(|scope| {
        scope.spawn(|| hold(&list, Build::Plain, 1, last / 2));
        scope.spawn(|| hold(&list, Build::Plain, last / 2 + 1, last));
    });
    // Other seeds, under the sanitizers.
    hold(&list, Build::Sanitized, last + 1, last + last / 10);
}
