//! The header and the loop are clean C99 and C++17 for four compilers, and
//! lean on nothing but `memcpy` and `memset`.

use crate::common::extent::extent;

use super::films::Film;
use super::play::expected;
use super::tools::{Target, WARNINGS, board, firmware, succeed};
use std::fs;
use std::path::PathBuf;
use std::process::Command;
use thumbreel::board::Board;
use thumbreel::firmware::Configuration;

const SOURCE: &str = "#define THUMBREEL_IMPLEMENTATION\n#include \"thumbreel.h\"\n";
const WHOLE_BOARD: [&str; 6] = [
    "card.c",
    "fat.c",
    "panel.c",
    "i2s.c",
    "playlist.c",
    "play_card.c",
];
const WITH_PLAYER: &str =
    "#define THUMBREEL_IMPLEMENTATION\n#include \"thumbreel.h\"\n#include \"player.c\"\n";

fn compile(compiler: &str, extension: &str, standard: &str, text: &str, defines: &[&str]) {
    let folder = tempfile::tempdir().unwrap();
    let source = folder.path().join(format!("one.{extension}"));
    fs::write(&source, text).unwrap();
    let mut command = Command::new(compiler);
    command.args(WARNINGS).args([standard, "-O2", "-c", "-I"]);
    command.arg(firmware()).args(defines).arg(&source);
    command.arg("-o").arg(folder.path().join("one.o"));
    succeed(&mut command);
}

#[test]
fn clean_as_c_and_as_cpp_with_every_switch() {
    let compilers = [
        ("gcc", "c", "-std=c99"),
        ("clang++", "cpp", "-std=c++17"),
        ("clang", "c", "-std=c99"),
        ("g++", "cpp", "-std=c++17"),
    ];
    for (compiler, extension, standard) in &compilers[..extent(2, 4, 4)] {
        for patch in ["-DTBR_PATCH=0", "-DTBR_PATCH=1", "-DTBR_PATCH=2"] {
            compile(compiler, extension, standard, WITH_PLAYER, &[patch]);
        }
    }
    // Each file alone, and each twice.
    let twice = "#include \"player.c\"\n".repeat(2);
    for text in [
        "#include \"thumbreel.h\"\nint one;\n",
        "#include \"player.h\"\n#include \"player.h\"\nint one;\n",
        "#include \"player.c\"\n",
        &format!("{WITH_PLAYER}{SOURCE}{twice}"),
    ] {
        compile("gcc", "c", "-std=c99", text, &[]);
        compile("clang++", "cpp", "-std=c++17", text, &[]);
    }
}

/// The README's code that begins with a comment on file `name`.
fn readmes_code(name: &str) -> String {
    let readme = fs::read_to_string(firmware().join("README.md")).unwrap();
    let begin = format!("```c\n/* {name}");
    let at = readme.find(&begin).expect("code in the README") + "```c\n".len();
    readme[at..].split("```").next().unwrap().to_owned()
}

/// The README's worked board: what it leaves to the reader, and the program.
fn worked_board() -> [String; 2] {
    ["drivers.h", "program.c"].map(readmes_code)
}

/// Writes both texts as they stand; the second includes the first.
fn write_worked_board(folder: &std::path::Path) {
    let [drivers, program] = worked_board();
    fs::write(folder.join("drivers.h"), drivers).unwrap();
    fs::write(folder.join("program.c"), &program).unwrap();
    fs::write(folder.join("program.cpp"), &program).unwrap();
}

#[test]
fn the_readmes_code_compiles() {
    let folder = tempfile::tempdir().unwrap();
    write_worked_board(folder.path());
    for (compiler, source, standard) in [
        ("gcc", "program.c", "-std=c99"),
        ("clang", "program.c", "-std=c99"),
        ("g++", "program.cpp", "-std=c++17"),
        ("clang++", "program.cpp", "-std=c++17"),
    ] {
        let mut command = Command::new(compiler);
        command.args(WARNINGS).args([standard, "-O2", "-c", "-I"]);
        command.arg(firmware()).arg(folder.path().join(source));
        succeed(command.arg("-o").arg(folder.path().join("program.o")));
    }
}

/// The worked board, as the README has it, plays reels on a simulated card, panel
/// and sound port: all samples are heard, and the last picture stands. The card is
/// late at power-on; after the reel come one that is none, one for another panel
/// and one of another sound rate.
#[test]
fn the_readmes_board_plays() {
    let folder = tempfile::tempdir().unwrap();
    write_worked_board(folder.path());
    let mut command = Target::Desk.compiler();
    command.arg("-I").arg(folder.path());
    command.arg(folder.path().join("program.c"));
    command.args(["drivers.c", "bench.c", "bench_host.c"].map(|c| board().join(c)));
    command.arg(firmware().join("player.c"));
    succeed(command.arg("-o").arg(folder.path().join("board")));
    for coding in super::events::codings() {
        let film = Film {
            coding,
            offset: (26, 1),
            ..Film::default()
        };
        let last = Film {
            clock_rate: 24_000,
            ..film.clone()
        };
        let foreign = Film {
            offset: (300, 1),
            ..film.clone()
        };
        let reels = [film.reel(), vec![0; 4096], foreign.reel(), last.reel()];
        for (reel, name) in reels.iter().zip(["reel0", "reel1", "reel2", "reel3"]) {
            fs::write(folder.path().join(name), reel).unwrap();
        }
        let mut command = Command::new(folder.path().join("board"));
        command.args(["samples=samples", "panel=panel", "absent=700000"]);
        command.args(["reel0=reel0", "reel1=reel1", "reel2=reel2", "reel3=reel3"]);
        succeed(command.current_dir(folder.path()));
        let heard = fs::read(folder.path().join("samples")).unwrap();
        // The second one rises in 10 ms.
        let mut from = 0;
        for (reel, rise) in [(&reels[0], 0), (&reels[3], 240)] {
            let samples = expected(reel).samples;
            let bytes: Vec<u8> = samples[rise..]
                .iter()
                .flat_map(|s| s.to_le_bytes())
                .collect();
            let at = heard[from..].windows(bytes.len()).position(|w| w == bytes);
            from += at.unwrap_or_else(|| panic!("{coding:?}: sound")) + bytes.len();
        }
        let want = expected(&reels[3]);
        let panel = fs::read(folder.path().join("panel")).unwrap();
        let last = &want.pictures.last().unwrap().1;
        for (y, row) in last.chunks(2 * usize::from(film.width)).enumerate() {
            let at = 2 * ((y + 1) * 320 + 26);
            assert!(panel[at..at + row.len()] == *row, "{coding:?}: row {y}");
        }
    }
}

/// The files of a whole board, and what is to be filled in, without a warning.
#[test]
fn the_whole_board_is_clean_as_c_and_as_cpp() {
    let folder = tempfile::tempdir().unwrap();
    let board = Board::find("keepers-door").unwrap();
    let header = Configuration::new(&board, &[]).unwrap().header();
    fs::write(folder.path().join("config.h"), header).unwrap();
    let places = [folder.path().into(), firmware().join("skeleton")];
    let places = places.map(|place: PathBuf| format!("-I{}", place.display()));
    let text = |name: &str| fs::read_to_string(firmware().join(name)).unwrap();
    for (compiler, extension, standard) in [
        ("gcc", "c", "-std=c99"),
        ("clang", "c", "-std=c99"),
        ("g++", "cpp", "-std=c++17"),
        ("clang++", "cpp", "-std=c++17"),
    ] {
        for name in WHOLE_BOARD {
            // The program takes in the header, which costs its time in other tests.
            let quick: &[&str] = if name == "play_card.c" {
                &["-fsyntax-only"]
            } else {
                &[]
            };
            compile(compiler, extension, standard, &text(name), quick);
        }
        for name in ["main.c", "main_tasks.c", "tasks.c", "pins.c"] {
            let text = text(&format!("skeleton/{name}"));
            for tasks in ["-DBOARD_TASKS=0", "-DBOARD_TASKS=1"] {
                let more = ["-fsyntax-only", &places[0], &places[1], tasks];
                compile(compiler, extension, standard, &text, &more);
            }
        }
    }
}

/// Symbols that the object file of the header needs from elsewhere.
fn wanted(target: Target) -> Vec<String> {
    let folder = tempfile::tempdir().unwrap();
    let (source, object) = (folder.path().join("one.c"), folder.path().join("one.o"));
    fs::write(&source, SOURCE).unwrap();
    let mut command = target.compiler();
    succeed(command.arg("-c").arg(&source).arg("-o").arg(&object));
    let nm = match target {
        Target::CortexM4 => "arm-none-eabi-nm",
        _ => "riscv64-unknown-elf-nm",
    };
    succeed(Command::new(nm).arg("-u").arg(&object))
        .lines()
        .filter_map(|line| line.split_whitespace().last().map(str::to_owned))
        .collect()
}

#[test]
fn nothing_of_the_c_library_but_memcpy_and_memset() {
    // Helpers of the compiler itself for 64-bit numbers, and none for floats.
    let allowed = [
        "memcpy",
        "memset",
        "__aeabi_uldivmod",
        "__aeabi_ldivmod",
        "__aeabi_llsl",
        "__aeabi_llsr",
        "__divdi3",
        "__udivdi3",
        "__umoddi3",
        "__ashldi3",
        "__lshrdi3",
    ];
    for target in super::tools::EMULATED {
        for symbol in wanted(target) {
            assert!(
                allowed.contains(&symbol.as_str()),
                "{target:?} needs {symbol}"
            );
        }
    }
}

#[test]
fn no_floating_point_and_no_allocation_in_the_text() {
    for name in ["thumbreel.h", "player.h", "player.c"]
        .into_iter()
        .chain(WHOLE_BOARD)
    {
        let text = fs::read_to_string(firmware().join(name)).unwrap();
        for word in ["float ", "double ", "malloc(", "alloca(", "printf("] {
            let found = text.lines().find(|l| l.contains(word));
            assert_eq!(found, None, "{name}: {word}");
        }
    }
}
