//! What decoding costs, counted in instructions on both emulated cores.

use super::clips;
use super::tools::{EMULATED, Target, firmware, succeed};
use std::collections::HashMap;
use std::fmt::Write;
use std::fs;
use std::process::Command;
use thumbreel::coding::Coding;
use thumbreel::coding::patch::Level;

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
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join("reel"), reel).unwrap();
        target.run(
            "count",
            folder.path(),
            &[("reel", "reel".into()), ("log", "log".into())],
        );
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

    /// Instructions a pixel of the panel, decoding and conversion together.
    pub fn a_pixel(&self) -> f64 {
        (self.get("decode") + self.get("send")) / self.all_pixels()
    }

    pub fn worst(&self) -> f64 {
        self.get("worst") / self.get("pixels")
    }
}

/// One row of the table.
fn row(text: &mut String, clip: &str, coding: &str, target: Target, c: &Counts) {
    writeln!(
        text,
        "| {clip} | {coding} | {} | {:.1} | {:.1} | {:.1} | {:.1} | {:.1} | {:.2} | {:.0} % |",
        target.name(),
        c.a_pixel(),
        c.get("decode") / c.all_pixels(),
        c.get("send") / c.all_pixels(),
        c.worst(),
        c.get("sound") / c.get("samples"),
        (c.get("check") / c.get("slices")) / 1e6,
        100.0 * c.get("bus") / (2.0 * c.all_pixels()),
    )
    .unwrap();
}

/// The table of instructions: `n` pictures of each clip, by coding and core.
pub fn instructions(names: &[&str], n: usize, effort: u8) -> String {
    let mut text = String::from(
        "| clip | coding | core | a pixel | of it decoding | of it conversion | worst picture, a pixel | sound, a sample | checksum, millions a slice | sent |\n\
         |---|---|---|---:|---:|---:|---:|---:|---:|---:|\n",
    );
    for name in names {
        let pictures = clips::pictures(name, n);
        for (coding, number, level) in CODINGS {
            let reel = clips::reel(&pictures, number, level, effort);
            for target in EMULATED {
                row(&mut text, name, coding, target, &Counts::of(target, &reel));
            }
        }
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

/// Instructions a pixel: what this clip may cost on the slower core, a guard
/// against growing slower, and what no picture may ever cost (the README says
/// how that bound comes about).
const fn limits(coding: Coding, level: Level) -> (f64, f64) {
    match (coding, level) {
        (Coding::Raw, _) => (1.0, 20.0),
        (_, Level::Light) => (55.0, 600.0),
        (_, Level::Full) => (90.0, 1500.0),
    }
}

#[test]
fn the_code_is_small() {
    let code = |i: usize| size(Target::CortexM4, HEADER, BUILDS[i].2).0;
    println!("{}", sizes());
    assert!(code(1) < 14 * 1024, "reader and light: {} bytes", code(1));
    assert!(code(2) < 18 * 1024, "reader and full: {} bytes", code(2));
}

#[test]
fn decoding_is_quick() {
    let pictures = clips::pictures("carphone_pristine.mp4", 12);
    for (name, number, level) in CODINGS {
        let reel = clips::reel(&pictures, number, level, 1);
        for target in EMULATED {
            let counts = Counts::of(target, &reel);
            println!(
                "{name} on {}: {:.1} instructions a pixel, worst {:.1}",
                target.name(),
                counts.a_pixel(),
                counts.worst()
            );
            let (most, bound) = limits(number, level);
            assert!(counts.a_pixel() < most, "{name} on {target:?}");
            assert!(counts.worst() < bound, "{name} on {target:?}");
        }
    }
}
