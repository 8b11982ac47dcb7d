//! What damage costs: itself, and nothing else.
//!
//! `cargo test --test recovery cost_of_every_bit -- --ignored --nocapture` turns
//! over every bit of two kept reels and prints the table of `DEVELOPERS.md`;
//! `... many_faults -- --ignored` makes 300,000 single flips, 40,000 double ones,
//! and bursts, lost, doubled and swapped sectors and chunks, in four kept reels with
//! two seeds each. Without `--ignored` a seeded part of both runs.

use crate::common::faults::Chance;
use std::collections::BTreeMap;
use std::io::Cursor;
use std::path::Path;

use thumbreel::reel::{
    CHUNK_HEADER, Header, Kind, Piece, ReelFile, Survey, crc32, part_length, verify,
};

/// What a player presents: for each tick at which a block of sound starts its
/// ticks and checksum, for each picture's tick its checksum.
#[derive(Default, PartialEq)]
struct Presented {
    sound: BTreeMap<u64, (u32, u32)>,
    pictures: BTreeMap<u64, u32>,
    ticks: u64,
}

fn presented(reel: &[u8]) -> Presented {
    let mut found = Presented::default();
    let Ok(mut file) = ReelFile::new(Cursor::new(reel)) else {
        return found;
    };
    while let Ok(Some(piece)) = file.next_piece() {
        let Piece::Slice(whole) = piece else { continue };
        let h = &whole.header;
        if !whole.slice.sound.is_empty() {
            let block = (h.ticks, crc32(&whole.slice.sound));
            found.sound.insert(h.time, block);
            found.ticks += u64::from(h.ticks);
        }
        for (_, picture) in whole.shown() {
            let tick = h.time + u64::from(picture.tick_offset);
            found.pictures.insert(tick, crc32(&picture.bytes));
        }
    }
    found
}

/// Ticks of sound and pictures that are lost; panics if anything is presented
/// that is not the whole reel's.
fn cost(whole: &Presented, reel: &[u8], what: &dyn Fn() -> String) -> (u64, usize) {
    let hurt = presented(reel);
    for (tick, block) in &hurt.sound {
        assert_eq!(
            whole.sound.get(tick),
            Some(block),
            "{}: sound at {tick}",
            what()
        );
    }
    for (tick, sum) in &hurt.pictures {
        assert_eq!(
            whole.pictures.get(tick),
            Some(sum),
            "{}: picture at {tick}",
            what()
        );
    }
    let pictures = whole.pictures.len() - hurt.pictures.len();
    (whole.ticks - hurt.ticks, pictures)
}

fn kept(name: &str) -> Vec<u8> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    std::fs::read(root.join("tests/data/archive/v1").join(name)).unwrap()
}

/// Names of the places in a reel, each with its bytes' range and the pictures and
/// ticks of its slice.
fn places(reel: &[u8]) -> Vec<(&'static str, std::ops::Range<usize>, u32)> {
    let header = Header::parse(reel.first_chunk().unwrap()).unwrap();
    let survey = Survey::read(&mut ReelFile::new(Cursor::new(reel)).unwrap()).unwrap();
    let mut found = vec![("sector 0", 0..512, 0), ("sector 1", 512..1024, 0)];
    for s in &survey.slices {
        let (at, h) = (s.offset as usize, &s.header);
        let sound = at + CHUNK_HEADER;
        let directory = sound + part_length(h.bytes as usize);
        let pictures = directory + part_length(h.directory_bytes());
        let end = at + CHUNK_HEADER + h.used as usize;
        found.push(("slice header", at..sound, h.ticks));
        found.push(("sound", sound..directory, h.ticks));
        found.push(("directory", directory..pictures, h.ticks));
        found.push(("picture", pictures..end, h.ticks));
        found.push(("padding", end..at + h.length as usize, h.ticks));
    }
    let slices = header.first_slice as usize..header.index_offset as usize;
    found.push(("poster, tables, note", 1024..slices.start, 0));
    found.push(("index, end", slices.end..reel.len(), 0));
    assert!(
        survey
            .others
            .iter()
            .all(|o| o.header.kind() != Some(Kind::Slice))
    );
    found
}

/// Turns over every `step`th bit and sums up what it costs, by place.
fn table(name: &str, step: usize) {
    let mut reel = kept(name);
    let clock = f64::from(
        Header::parse(reel.first_chunk().unwrap())
            .unwrap()
            .clock_rate,
    );
    let whole = presented(&reel);
    let mut sums: BTreeMap<&str, (u64, u64, usize, usize)> = BTreeMap::new();
    for (place, range, ticks) in places(&reel) {
        for bit in (range.start * 8..range.end * 8).step_by(step) {
            reel[bit / 8] ^= 1 << (bit % 8);
            assert!(
                !verify(Cursor::new(&reel)).unwrap().is_whole(),
                "bit {bit} goes unseen"
            );
            let (silent, lost) = cost(&whole, &reel, &|| format!("{name}, bit {bit}, {place}"));
            match place {
                "slice header" => assert!(silent <= ticks.into(), "bit {bit}"),
                "sound" => assert!(silent == u64::from(ticks) && lost == 0, "bit {bit}"),
                "directory" | "picture" => assert!(silent == 0 && lost > 0, "bit {bit}"),
                _ => assert_eq!((silent, lost), (0, 0), "bit {bit}: {place}"),
            }
            let sum = sums.entry(place).or_default();
            *sum = (sum.0 + 1, sum.1 + silent, sum.2 + lost, sum.3.max(lost));
            reel[bit / 8] ^= 1 << (bit % 8);
        }
    }
    println!("{name}: place, flips, mean ms of sound lost, mean and most pictures lost");
    let (mut flips, mut silence, mut pictures) = (0, 0, 0);
    for (place, (n, silent, lost, most)) in &sums {
        let mean = *silent as f64 * 1e3 / clock / *n as f64;
        println!(
            "| {place} | {n} | {mean:.1} | {:.2} | {most} |",
            *lost as f64 / *n as f64
        );
        (flips, silence, pictures) = (flips + n, silence + silent, pictures + lost);
    }
    let mean = silence as f64 * 1e3 / clock / flips as f64;
    println!(
        "| all | {flips} | {mean:.1} | {:.2} | |",
        pictures as f64 / flips as f64
    );
}

#[test]
fn a_bit_costs_the_part_that_it_hit() {
    table("patch-full-adpcm.tbr", 23);
    table("raw-adpcm.tbr", 1009);
}

#[test]
#[ignore = "every bit of two reels: some minutes"]
fn cost_of_every_bit() {
    table("patch-full-adpcm.tbr", 1);
    table("raw-adpcm.tbr", 1);
}

/// Makes one fault of a kind.
fn hurt(reel: &mut Vec<u8>, kind: u64, chance: &mut Chance) {
    let mut flip = |reel: &mut Vec<u8>| {
        let bit = chance.below(reel.len() as u64 * 8) as usize;
        reel[bit / 8] ^= 1 << (bit % 8);
    };
    match kind {
        0 => flip(reel),
        1 => {
            flip(reel);
            flip(reel);
        }
        2 => {
            // A burst of up to 32 bits, and one of up to 4096.
            let bits = if chance.below(2) == 0 { 32 } else { 4096 };
            let start = chance.below(reel.len() as u64 * 8 - bits) as usize;
            for bit in start..start + 1 + chance.below(bits) as usize {
                if chance.below(2) == 0 {
                    reel[bit / 8] ^= 1 << (bit % 8);
                }
            }
        }
        _ => pieces(reel, kind, chance),
    }
}

/// A sector or a chunk is lost, comes twice, or changes places with another.
fn pieces(reel: &mut Vec<u8>, kind: u64, chance: &mut Chance) {
    let survey = Survey::read(&mut ReelFile::new(Cursor::new(&*reel)).unwrap()).unwrap();
    let mut place = || match kind % 2 {
        0 => {
            let at = chance.below(reel.len() as u64 / 512) as usize * 512;
            at..at + 512
        }
        _ => {
            let slice = &survey.slices[chance.below(survey.slices.len() as u64) as usize];
            slice.offset as usize..slice.offset as usize + slice.header.length as usize
        }
    };
    let (a, b) = (place(), place());
    match kind / 2 % 3 {
        0 => drop(reel.drain(a)),
        1 => {
            let copy = reel[a.clone()].to_vec();
            reel.splice(a.end..a.end, copy);
        }
        _ if a.end <= b.start => {
            let (first, second) = (reel[a.clone()].to_vec(), reel[b.clone()].to_vec());
            reel.splice(b, first);
            reel.splice(a, second);
        }
        _ => {}
    }
}

/// Every picture coding, and sound of every coding.
const HURT: [&str; 4] = [
    "patch-full-adpcm.tbr",
    "raw-pcm16.tbr",
    "raw-round-pcm8.tbr",
    "jpeg-pcm16.tbr",
];

/// `counts`: single flips, double flips, other faults.
fn faults(name: &str, seed: u64, counts: [u32; 3]) {
    let reel = kept(name);
    let whole = presented(&reel);
    let mut chance = Chance::new(seed);
    for (kinds, count) in [(0..1, counts[0]), (1..2, counts[1]), (2..9, counts[2])] {
        for i in 0..count {
            let kind = kinds.start + u64::from(i) % (kinds.end - kinds.start);
            let mut damaged = reel.clone();
            hurt(&mut damaged, kind, &mut chance);
            cost(&whole, &damaged, &|| {
                format!("fault {i} of kind {kind}, {name}")
            });
        }
    }
}

#[test]
fn nothing_wrong_is_presented_after_many_faults() {
    for name in HURT {
        faults(name, 1918, [800, 300, 350]);
    }
}

#[test]
#[ignore = "hundreds of thousands of damaged reels: some minutes"]
fn many_faults() {
    for name in HURT {
        for seed in [1918, 1851] {
            let start = std::time::Instant::now();
            faults(name, seed, [300_000, 40_000, 42_000]);
            println!(
                "{name}, seed {seed}: {:.1} s",
                start.elapsed().as_secs_f64()
            );
        }
    }
}
