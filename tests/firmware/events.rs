//! Reader and decoders in C against those in Rust: the same reel, whole, in
//! pieces and damaged, gives the same events, pixels and errors.

use super::films::{Film, FilmCoding};
use super::rust_side::events;
use super::tools::{EVERYWHERE, Target};
use crate::common::faults::Chance;
use crate::common::reels::tiny_reel;
use std::fs;
use thumbreel::coding::patch::Level;
use thumbreel::reel::{SoundCoding, crc32, find_chunk};

/// The first line in which two texts differ, to be read by people.
fn compare(what: &str, c: &str, rust: &str) {
    if c == rust {
        return;
    }
    let mut reel = "";
    for (i, (a, b)) in c.lines().zip(rust.lines()).enumerate() {
        if a.starts_with("reel ") {
            reel = a;
        }
        assert_eq!(a, b, "{what}, {reel}, line {i}: C left, Rust right");
    }
    panic!(
        "{what}: C tells {} lines, Rust {}",
        c.lines().count(),
        rust.lines().count()
    );
}

/// Lets the C side and the Rust side read every reel, in pieces of `piece`
/// bytes (0: from memory), and compares their accounts.
fn same_account(target: Target, reels: &[Vec<u8>], piece: usize, seek: Option<u64>) {
    let folder = tempfile::tempdir().unwrap();
    let mut list = String::new();
    let mut rust = String::new();
    for (i, reel) in reels.iter().enumerate() {
        let name = format!("{i}.tbr");
        fs::write(folder.path().join(&name), reel).unwrap();
        let whole = if piece == 0 { usize::MAX } else { piece };
        rust += &events(&name, reel, whole, seek);
        list += &name;
        list.push('\n');
    }
    fs::write(folder.path().join("list"), list).unwrap();
    let mut arguments = vec![
        ("list", "list".to_owned()),
        ("log", "log".to_owned()),
        ("piece", piece.to_string()),
    ];
    arguments.extend(seek.map(|t| ("seek", t.to_string())));
    target.run("dump", folder.path(), &arguments);
    let c = fs::read_to_string(folder.path().join("log")).unwrap();
    compare(&format!("{target:?}, pieces of {piece}"), &c, &rust);
}

pub fn films() -> Vec<Film> {
    let film = Film::default();
    let patch = |level, quality| Film {
        coding: FilmCoding::Patch(level),
        quality,
        ..film.clone()
    };
    vec![
        patch(Level::Light, 60),
        patch(Level::Full, 60),
        Film {
            width: 75,
            height: 53,
            offset: (26, 1),
            dither: true,
            ..patch(Level::Full, 95)
        },
        Film {
            width: 101,
            height: 90,
            offset: (1023, 700),
            dither: true,
            ..patch(Level::Light, 85)
        },
        Film {
            width: 160,
            height: 128,
            pictures: 4,
            ..patch(Level::Full, 30)
        },
        film.clone(),
        Film {
            sound: SoundCoding::ImaAdpcm,
            clock_rate: 22_050,
            rate: 18,
            ..film.clone()
        },
        Film {
            sound: SoundCoding::PcmU8,
            width: 33,
            height: 31,
            offset: (5, 40),
            ..film.clone()
        },
        Film {
            sound: SoundCoding::None,
            pictures: 3,
            ..film
        },
    ]
}

pub fn codings() -> [FilmCoding; 3] {
    [
        FilmCoding::Raw,
        FilmCoding::Patch(Level::Light),
        FilmCoding::Patch(Level::Full),
    ]
}

#[test]
fn whole_reels_on_every_core() {
    let mut reels: Vec<Vec<u8>> = films().iter().map(Film::reel).collect();
    reels.push(tiny_reel(9));
    for target in EVERYWHERE {
        same_account(target, &reels, 4096, None);
        same_account(target, &reels, 0, None);
    }
}

#[test]
fn pieces_of_any_size() {
    let reels: Vec<Vec<u8>> = films().iter().map(Film::reel).collect();
    for piece in [1, 3, 511, 512, 513, 100_000] {
        same_account(Target::Desk, &reels, piece, None);
    }
}

#[test]
fn seek_lands_on_the_same_slice() {
    let reels: Vec<Vec<u8>> = films().iter().map(Film::reel).collect();
    for tick in [0, 1, 1599, 1600, 7000, 11_000, 4_000_000_000] {
        same_account(Target::Desk, &reels, 700, Some(tick));
    }
}

#[test]
fn cut_at_every_sector_and_between() {
    let reel = Film {
        slices: 4,
        ..Film::default()
    }
    .reel();
    let cuts: Vec<Vec<u8>> = (0..reel.len())
        .step_by(171)
        .map(|n| reel[..n].to_vec())
        .collect();
    same_account(Target::Desk, &cuts, 512, None);
    same_account(Target::Desk, &cuts, 0, None);
}

/// What cards and links do to bytes: flips, zeroed, lost and doubled sectors.
fn hurt(reel: &[u8], random: &mut Chance) -> Vec<u8> {
    let mut reel = reel.to_vec();
    for _ in 0..=random.below(3) {
        let sector = random.below(reel.len() as u64 / 512) as usize * 512;
        match random.below(5) {
            0 => reel[sector..sector + 512].fill(0),
            1 => drop(reel.drain(sector..sector + 512)),
            2 => {
                let copy = reel[sector..sector + 512].to_vec();
                reel.splice(sector..sector, copy);
            }
            _ => {
                let at = random.below(reel.len() as u64) as usize;
                reel[at] ^= 1 << random.below(8);
            }
        }
    }
    reel
}

#[test]
fn damaged_reels_are_judged_alike() {
    let mut random = Chance::new(7);
    let small = Film {
        width: 24,
        height: 16,
        slices: 8,
        ..Film::default()
    };
    let patch = |level| Film {
        coding: FilmCoding::Patch(level),
        ..small.clone()
    };
    let sources = [
        small.reel(),
        tiny_reel(12),
        patch(Level::Full).reel(),
        patch(Level::Light).reel(),
    ];
    let reels: Vec<Vec<u8>> = (0..400)
        .map(|i| hurt(&sources[i % 4], &mut random))
        .collect();
    same_account(Target::Desk, &reels, 512, None);
    same_account(Target::Desk, &reels[..100], 77, None);
    same_account(Target::Desk, &reels[..100], 0, None);
    same_account(Target::CortexM4, &reels[..40], 512, None);
    same_account(Target::Rv32, &reels[..40], 512, None);
}

/// Offsets and lengths of all chunks of a whole reel.
fn chunks(reel: &[u8]) -> Vec<(usize, usize)> {
    let id = crate::common::reels::header_of(reel).id_low();
    let mut found = Vec::new();
    let mut at = 512;
    while let Some((offset, header)) = find_chunk(&reel[at..], id) {
        found.push((at + offset, header.length as usize));
        at += offset + header.length as usize;
    }
    found
}

/// Writes `crc32` of `reel[from..to]` at `to`.
pub fn seal(reel: &mut [u8], from: usize, to: usize) {
    let crc = crc32(&reel[from..to]).to_le_bytes();
    reel[to..to + 4].copy_from_slice(&crc);
}

/// A reel with wrong values under right checksums: what a hostile or faulty
/// writer makes, and the parsers behind the checksums must judge.
fn forge(reel: &[u8], random: &mut Chance) -> Vec<u8> {
    let all = chunks(reel);
    let mut reel = reel.to_vec();
    for _ in 0..=random.below(2) {
        let (at, length) = all[random.below(all.len() as u64) as usize];
        let place = match random.below(8) {
            0 => 8 + random.below(188) as usize,
            1 => at + 4 + random.below(56) as usize,
            2 => at + 64 + random.below(24) as usize,
            _ => at + 64 + random.below(length as u64 - 68) as usize,
        };
        reel[place] = match random.below(3) {
            0 => reel[place] ^ 1 << random.below(8),
            1 => random.below(256) as u8,
            _ => [0, 1, 127, 128, 255][random.below(5) as usize],
        };
        seal(&mut reel, 0, 508);
        seal(&mut reel, at, at + 60);
        seal(&mut reel, at + 64, at + length - 4);
    }
    reel
}

#[test]
fn forged_reels_are_judged_alike() {
    let mut random = Chance::new(11);
    let film = |coding, sound| Film {
        width: 40,
        height: 24,
        slices: 4,
        pictures: 2,
        coding,
        sound,
        ..Film::default()
    };
    let sources = [
        film(FilmCoding::Patch(Level::Full), SoundCoding::ImaAdpcm).reel(),
        film(FilmCoding::Patch(Level::Light), SoundCoding::PcmU8).reel(),
        film(FilmCoding::Raw, SoundCoding::PcmS16).reel(),
    ];
    let reels: Vec<Vec<u8>> = (0..900)
        .map(|i| forge(&sources[i % 3], &mut random))
        .collect();
    same_account(Target::Desk, &reels, 512, None);
    same_account(Target::Desk, &reels[..90], 61, None);
    same_account(Target::CortexM4, &reels[..90], 512, None);
    same_account(Target::Rv32, &reels[..90], 512, None);
}
