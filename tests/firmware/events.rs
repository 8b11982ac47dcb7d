//! Reader and decoders in C against those in Rust: the same reel, whole, in
//! pieces and damaged, gives the same events, pixels and errors.

use super::films::{Film, FilmCoding};
use super::rust_side::events;
use super::tools::{EVERYWHERE, Target};
use crate::common::faults::Chance;
use crate::common::reels::tiny_reel;
use std::fs;
use std::path::Path;
use thumbreel::coding::patch::Level;
use thumbreel::reel::{
    CHUNK_HEADER, ChunkHeader, PIECE, SoundCoding, align4, crc32, find_chunk, part_length,
};

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
    same_account(Target::Xtensa, &reels, 4096, None);
}

/// The files of the kit, each of which breaks one rule.
fn kit() -> Vec<Vec<u8>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/kit");
    let entries = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path());
    let mut paths: Vec<_> = entries.filter(|path| path.extension().is_some()).collect();
    paths.sort();
    assert!(paths.len() >= 60);
    paths.iter().map(|path| fs::read(path).unwrap()).collect()
}

#[test]
fn the_kit_is_judged_alike() {
    let kit = kit();
    for piece in [0, 512, 61] {
        same_account(Target::Desk, &kit, piece, None);
    }
    same_account(Target::CortexM4, &kit, 512, None);
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

/// Offsets and headers of all chunks of a whole reel.
fn chunks(reel: &[u8]) -> Vec<(usize, ChunkHeader)> {
    let id = crate::common::reels::header_of(reel).id_low();
    let mut found = Vec::new();
    let mut at = 1024;
    while let Some((offset, header)) = find_chunk(&reel[at..], id, false) {
        found.push((at + offset, header));
        at += offset + header.length as usize;
    }
    found
}

/// Writes `crc32` of `reel[from..to]` at `to`.
pub fn seal(reel: &mut [u8], from: usize, to: usize) {
    let crc = crc32(&reel[from..to]).to_le_bytes();
    reel[to..to + 4].copy_from_slice(&crc);
}

/// Writes the checksums of the part at `at` with `n` bytes of payload.
pub fn seal_part(reel: &mut [u8], at: usize, n: usize) {
    let padded = align4(n);
    for (i, piece) in (0..padded).step_by(PIECE).enumerate() {
        let crc = crc32(&reel[at + piece..at + padded.min(piece + PIECE)]);
        reel[at + padded + 4 * i..][..4].copy_from_slice(&crc.to_le_bytes());
    }
}

/// A reel with wrong values under right checksums: what a hostile or faulty
/// writer makes, and the parsers behind the checksums must judge.
fn forge(reel: &[u8], random: &mut Chance) -> Vec<u8> {
    let all = chunks(reel);
    let mut reel = reel.to_vec();
    for _ in 0..=random.below(2) {
        let (at, h) = all[random.below(all.len() as u64) as usize];
        let parts = at + CHUNK_HEADER;
        let directory = parts + part_length(h.bytes as usize);
        let entries = h.directory_bytes();
        let place = match random.below(8) {
            0 => 8 + random.below(188) as usize,
            1 => at + 4 + random.below(40) as usize,
            2 if entries > 0 => directory + random.below(entries as u64) as usize,
            _ => parts + random.below(h.used.into()) as usize,
        };
        reel[place] = match random.below(3) {
            0 => reel[place] ^ 1 << random.below(8),
            1 => random.below(256) as u8,
            _ => [0, 1, 127, 128, 255][random.below(5) as usize],
        };
        seal(&mut reel, 0, 508);
        seal(&mut reel, at, at + CHUNK_HEADER - 4);
        seal_part(&mut reel, parts, h.bytes as usize);
        seal_part(&mut reel, directory, entries);
        // The pictures, as far as the directory still tells where they are.
        let mut part = directory + part_length(entries);
        for i in 0..usize::from(h.pictures) {
            let length = &reel[directory + i * h.entry_bytes()..][..3];
            let n = u32::from_le_bytes([length[0], length[1], length[2] & 0x3F, 0]) as usize;
            if part + part_length(n) > parts + h.used as usize {
                break;
            }
            seal_part(&mut reel, part, n);
            part += part_length(n);
        }
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
