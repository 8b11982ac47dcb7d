//! What decoding costs, counted in instructions on both emulated cores.

use super::clips;
use super::tools::{COUNTED, EMULATED, Target, firmware, succeed};
use std::collections::HashMap;
use std::fmt::Write;
use std::fs;
use std::io::Cursor;
use std::process::Command;
use thumbreel::budget::ReelFacts;
use thumbreel::coding::Coding;
use thumbreel::coding::patch::Level;
use thumbreel::reel::{ReelFile, SoundCoding};

/// A coding under test: its name in the table, number and level.
pub const CODINGS: [(&str, Coding, Level); 3] = [
    ("raw", Coding::Raw, Level::Full),
    ("patch light", Coding::Patch, Level::Light),
    ("patch full", Coding::Patch, Level::Full),
];

/// Sums over a reel, as `board/count.c` writes them.
pub struct Counts(HashMap<String, u64>);

impl Counts {
    pub fn of(target: Target, reel: &[u8]) -> Self {
        Self::of_build(target, &[], reel)
    }

    /// The same, built with more flags.
    pub fn of_build(target: Target, flags: &[&str], reel: &[u8]) -> Self {
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join("reel"), reel).unwrap();
        let arguments = [("reel", "reel".into()), ("log", "log".into())];
        target.run_build("count", flags, folder.path(), &arguments);
        let log = fs::read_to_string(folder.path().join("log")).unwrap();
        Self(
            log.lines()
                .filter_map(|l| l.split_once(' '))
                .map(|(name, value)| (name.to_owned(), value.parse().unwrap()))
                .collect(),
        )
    }

    pub fn get(&self, name: &str) -> f64 {
        self.0[name] as f64
    }

    fn all_pixels(&self) -> f64 {
        self.get("pixels") * self.get("pictures")
    }

    /// Instructions per pixel of the panel, decoding and conversion together.
    pub fn a_pixel(&self) -> f64 {
        (self.get("decode") + self.get("send")) / self.all_pixels()
    }

    pub fn worst(&self) -> f64 {
        self.get("worst") / self.get("pixels")
    }
}

/// One row of the table; `dithered` is the same reel with dither.
fn row(text: &mut String, names: [&str; 3], c: &Counts, dithered: &Counts) {
    writeln!(
        text,
        "| {} | {:.1} | {:.1} | {:.1} | {:.1} | {:.1} | {:.1} | {:.2} | {:.0} % |",
        names.join(" | "),
        c.a_pixel(),
        c.get("decode") / c.all_pixels(),
        c.get("send") / c.all_pixels(),
        dithered.get("send") / dithered.all_pixels(),
        c.worst(),
        c.get("sound") / c.get("samples"),
        (c.get("check") / c.get("slices")) / 1e6,
        100.0 * c.get("bus") / (2.0 * c.all_pixels()),
    )
    .unwrap();
}

/// The table of instructions: `n` pictures of each clip, by coding and core,
/// at the quality that looks like JPEG of quality 50.
pub fn instructions(names: &[&str], n: usize, search: u8) -> String {
    let mut text = String::from(
        "| clip | coding, quality | core | per pixel | decoding | conversion | conversion with dither | worst picture, per pixel | sound, per sample | checksum, millions per slice | sent |\n\
         |---|---|---|---:|---:|---:|---:|---:|---:|---:|---:|\n",
    );
    for name in names {
        let pictures = clips::pictures(name, n);
        for (coding, number, level) in CODINGS {
            let quality = match number {
                Coding::Patch => clips::equal_quality(&pictures, level, search),
                _ => 100,
            };
            let mut plan = clips::plan(number, level, search, quality);
            let plain = clips::reel(&pictures, &plan);
            plan.dither = true;
            let dithered = clips::reel(&pictures, &plan);
            let label = match number {
                Coding::Patch => format!("{coding} {quality}"),
                _ => coding.to_owned(),
            };
            for target in EMULATED {
                let [plain, dithered] = [&plain, &dithered].map(|reel| Counts::of(target, reel));
                row(
                    &mut text,
                    [clips::label(name), &label, target.name()],
                    &plain,
                    &dithered,
                );
            }
        }
    }
    text
}

/// The heads of a table with a column for each counted core.
fn heads(first: &str) -> String {
    let names = COUNTED.map(|(_, set)| set.name()).join(" | ");
    let columns = first.split('|').count();
    let rule: String = (0..columns + COUNTED.len())
        .map(|i| if i < 1 { "---|" } else { "---:|" })
        .collect();
    format!("| {first} | {names} |\n|{rule}\n")
}

/// The table of what the encoder estimates against what was counted, all in
/// instructions per pixel, dither included: at the quality that looks like JPEG
/// of quality 50, below it and above it.
pub fn estimates(names: &[&str], n: usize, search: u8) -> String {
    let mut text = heads("clip | coding, quality | estimated | sent");
    for name in names {
        let pictures = clips::pictures(name, n);
        for (coding, number, level) in CODINGS {
            if number != Coding::Patch {
                continue;
            }
            let equal = clips::equal_quality(&pictures, level, search);
            let high = if level == Level::Light { 80 } else { 60 };
            for (quality, mark) in [(30, ""), (equal, " (as JPEG 50)"), (high, "")] {
                let mut plan = clips::plan(number, level, search, quality);
                plan.dither = true;
                let reel = clips::reel(&pictures, &plan);
                let counts = COUNTED.map(|(target, _)| Counts::of(target, &reel));
                let facts = ReelFacts::of(ReelFile::new(Cursor::new(&reel)).unwrap()).unwrap();
                let pictures = facts.pictures.iter();
                let estimated: u64 = pictures.map(|p| u64::from(p.instructions)).sum();
                let first = &counts[0];
                writeln!(
                    text,
                    "| {} | {coding} {quality}{mark} | {:.1} | {:.0} % | {} |",
                    clips::label(name),
                    estimated as f64 / first.all_pixels(),
                    100.0 * first.get("bus") / (2.0 * first.all_pixels()),
                    counts.map(|c| format!("{:.1}", c.a_pixel())).join(" | "),
                )
                .unwrap();
            }
        }
    }
    text
}

/// The table of what sound takes, in instructions per sample.
pub fn sounds(name: &str) -> String {
    let mut text = heads("sound coding");
    let pictures = clips::pictures(name, 24);
    let plan = clips::plan(Coding::Raw, Level::Full, 0, 100);
    for (sounds, label) in [
        (SoundCoding::PcmS16, "pcm16"),
        (SoundCoding::PcmU8, "pcm8"),
        (SoundCoding::ImaAdpcm, "adpcm"),
    ] {
        let reel = clips::sounding(&pictures, &plan, sounds);
        let counts = COUNTED.map(|(target, _)| {
            let counts = Counts::of(target, &reel);
            format!("{:.1}", counts.get("sound") / counts.get("samples"))
        });
        writeln!(text, "| {label} | {} |", counts.join(" | ")).unwrap();
    }
    text
}

/// Bytes of code, and of constants, of an object file.
fn size(target: Target, source: &str, flags: &[&str]) -> (u64, u64) {
    let folder = tempfile::tempdir().unwrap();
    let (from, to) = (folder.path().join("one.c"), folder.path().join("one.o"));
    fs::write(&from, source).unwrap();
    let mut command = target.compiler();
    succeed(command.args(flags).arg("-c").arg(&from).arg("-o").arg(&to));
    let tool = match target {
        Target::CortexM4 => "arm-none-eabi-size",
        _ => "riscv64-unknown-elf-size",
    };
    let (mut code, mut constants) = (0, 0);
    for line in succeed(Command::new(tool).arg("-A").arg(&to)).lines() {
        let mut words = line.split_whitespace();
        let (Some(name), Some(bytes)) = (words.next(), words.next()) else {
            continue;
        };
        let bytes = bytes.parse().unwrap_or(0);
        if name.starts_with(".text") {
            code += bytes;
        } else if name.starts_with(".rodata") || name.starts_with(".srodata") {
            constants += bytes;
        }
    }
    (code, constants)
}

const HEADER: &str = "#define THUMBREEL_IMPLEMENTATION\n#include \"thumbreel.h\"\n";
const BUILDS: [(&str, &str, &[&str]); 4] = [
    ("reader, sound, raw", "", &["-DTBR_PATCH=0"]),
    ("the same and patch light", "", &["-DTBR_PATCH=1"]),
    ("the same and patch full", "", &["-DTBR_PATCH=2"]),
    (
        "all that and player.c",
        "#include \"player.c\"\n",
        &["-DTBR_PATCH=2"],
    ),
];

/// The table of code sizes at -O2.
pub fn sizes() -> String {
    let mut text =
        String::from("| build | core | code, bytes | constants, bytes |\n|---|---|---:|---:|\n");
    for (name, more, flags) in BUILDS {
        for target in EMULATED {
            let (code, constants) = size(target, &format!("{HEADER}{more}"), flags);
            writeln!(
                text,
                "| {name} | {} | {code} | {constants} |",
                target.name()
            )
            .unwrap();
        }
    }
    text
}

/// Puts `text` between the marks `name` of the firmware README.
pub fn write_table(name: &str, text: &str) {
    let path = firmware().join("README.md");
    let readme = fs::read_to_string(&path).unwrap();
    let (open, close) = (format!("<!-- {name} -->\n"), format!("<!-- end {name} -->"));
    let start = readme.find(&open).expect("the mark is there") + open.len();
    let end = readme.find(&close).expect("the end mark is there");
    fs::write(
        &path,
        format!("{}{text}{}", &readme[..start], &readme[end..]),
    )
    .unwrap();
}

/// Instructions per pixel: what this clip may cost on the slower core, a guard
/// against growing slower, and what no picture may ever cost (the README says
/// how that bound comes about).
const fn limits(coding: Coding, level: Level) -> (f64, f64) {
    match (coding, level) {
        (Coding::Raw, _) => (1.0, 20.0),
        (_, Level::Light) => (30.0, 700.0),
        (_, Level::Full) => (75.0, 1800.0),
    }
}

#[test]
fn the_code_is_small() {
    let code = |i: usize| size(Target::CortexM4, HEADER, BUILDS[i].2).0;
    println!("{}", sizes());
    assert!(code(1) < 14 * 1024, "reader and light: {} bytes", code(1));
    assert!(code(2) < 24 * 1024, "reader and full: {} bytes", code(2));
}

#[test]
fn decoding_is_quick() {
    let pictures = clips::pictures("carphone_pristine.mp4", 12);
    for (name, number, level) in CODINGS {
        let reel = clips::reel(&pictures, &clips::plan(number, level, 1, 55));
        for target in EMULATED {
            let counts = Counts::of(target, &reel);
            println!(
                "{name} on {}: {:.1} instructions per pixel, worst {:.1}",
                target.name(),
                counts.a_pixel(),
                counts.worst()
            );
            let (most, bound) = limits(number, level);
            assert!(counts.a_pixel() < most, "{name} on {target:?}");
            assert!(counts.worst() < bound, "{name} on {target:?}");
            // Without a C library that the compiler knows of it costs the same.
            for flag in ["-ffreestanding", "-fno-builtin"] {
                let other = Counts::of_build(target, &[flag], &reel).a_pixel();
                println!("  with {flag}: {other:.1}");
                assert!(
                    other < counts.a_pixel() * 1.02,
                    "{name} on {target:?} with {flag}: {other:.1} instructions per pixel"
                );
            }
        }
    }
}

/// Side of a square of noise: as much as one core's counter can count.
const NOISE: usize = 80;

/// Pictures that cost as much as a writer can make them cost: noise, at the
/// finest step. Every level is coded, and nothing looks like the picture before.
#[test]
fn no_picture_costs_more_than_the_readme_says() {
    let mut state = 0x2545_F491_4F6C_DD1D_u64;
    let mut noise = || {
        let mut picture = vec![0; 3 * usize::from(clips::SIDE) * usize::from(clips::SIDE)];
        for row in picture.chunks_mut(3 * usize::from(clips::SIDE)).take(NOISE) {
            for byte in &mut row[..3 * NOISE] {
                state ^= state << 13;
                state ^= state >> 7;
                state ^= state << 17;
                *byte = (state >> 32) as u8;
            }
        }
        picture
    };
    let noise = [noise(), noise(), noise()];
    for (name, number, level) in CODINGS {
        let mut plan = clips::plan(number, level, 0, 100);
        plan.dither = true;
        let reel = clips::reel(&noise, &plan);
        for target in EMULATED {
            let worst = Counts::of(target, &reel).get("worst") / (NOISE * NOISE) as f64;
            println!(
                "{name} on {}: {worst:.1} instructions per pixel of noise",
                target.name()
            );
            assert!(worst < limits(number, level).1, "{name} on {target:?}");
        }
    }
}

/// Macroblocks of a hostile payload: no more than one core's counter can count.
const HOSTILE: usize = 40;

/// The longest codes that light has, in every place of every block of the first
/// macroblocks; the others are kept.
fn hostile() -> Vec<u8> {
    let mut bits = Vec::new();
    let mut put = |value: u32, n: u32| bits.extend((0..n).rev().map(|i| value >> i & 1));
    for _ in 0..HOSTILE {
        put(0, 1); // not kept
        put(0b11_1111_1111, 10); // five modes: smooth
        put(1, 1); // coded
        put(0, 1); // the quantiser stays
        put(0b11_1111, 6);
        for place in 0..6 * 64 {
            put(0, 1); // no run
            put(0xFFFE, 16); // a size of sixteen bits
            put(0x7FFF, 15);
            put(1, 1);
            if place % 64 != 63 {
                put(1, 1);
            }
        }
    }
    let macroblocks = usize::from(clips::SIDE).div_ceil(16).pow(2);
    bits.extend(vec![1; macroblocks - HOSTILE]);
    let bytes = bits.chunks(8).map(|b| {
        b.iter()
            .enumerate()
            .map(|(i, bit)| (bit << (7 - i)) as u8)
            .sum()
    });
    [0b1101, 0].into_iter().chain(bytes).collect()
}

#[test]
fn a_hostile_payload_costs_no_more_than_the_readme_says() {
    let reel = clips::one_picture(Level::Light, hostile());
    for target in EMULATED {
        let counts = Counts::of(target, &reel);
        let worst = counts.get("worst") / (256 * HOSTILE) as f64;
        println!("{}: {worst:.1} instructions per pixel", target.name());
        assert!(counts.get("bus") > 0.0, "the payload was not decoded");
        assert!((300.0..700.0).contains(&worst), "{worst} on {target:?}");
    }
}
