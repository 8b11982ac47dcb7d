//! The header and the loop are clean C99 and C++17 for four compilers, and
//! lean on nothing but `memcpy` and `memset`.

use super::tools::{Target, WARNINGS, firmware, succeed};
use std::fs;
use std::process::Command;

const SOURCE: &str = "#define THUMBREEL_IMPLEMENTATION\n#include \"thumbreel.h\"\n";
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
    for (compiler, extension, standard) in [
        ("gcc", "c", "-std=c99"),
        ("clang", "c", "-std=c99"),
        ("g++", "cpp", "-std=c++17"),
        ("clang++", "cpp", "-std=c++17"),
    ] {
        for patch in ["-DTBR_PATCH=0", "-DTBR_PATCH=1", "-DTBR_PATCH=2"] {
            compile(compiler, extension, standard, WITH_PLAYER, &[patch]);
        }
    }
    compile(
        "gcc",
        "c",
        "-std=c99",
        "#include \"thumbreel.h\"\nint one;\n",
        &[],
    );
}

/// What the README leaves to the reader.
const YOURS: &str = "#include <stdint.h>\nvoid sound_port_set_rate(uint32_t rate);\n";

#[test]
fn the_readmes_code_compiles() {
    let readme = fs::read_to_string(firmware().join("README.md")).unwrap();
    let code: Vec<&str> = readme
        .split("```c\n")
        .skip(1)
        .map(|rest| rest.split("```").next().unwrap())
        .collect();
    assert!(!code.is_empty(), "no code in the README");
    for text in code {
        let text = format!("{YOURS}{text}");
        compile("gcc", "c", "-std=c99", &text, &[]);
        compile("clang++", "cpp", "-std=c++17", &text, &[]);
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
    for name in ["thumbreel.h", "player.c"] {
        let text = fs::read_to_string(firmware().join(name)).unwrap();
        for word in ["float ", "double ", "malloc(", "alloca(", "printf("] {
            let found = text.lines().find(|l| l.contains(word));
            assert_eq!(found, None, "{name}: {word}");
        }
    }
}
