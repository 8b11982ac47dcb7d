//! The virtual board, compiled as a maker compiles.

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::{Mutex, OnceLock};

use crate::common::media::output;

/// How a program is compiled.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Build {
    /// As users do.
    Plain,
    /// With the address and undefined-behaviour sanitizers.
    Sanitized,
}

const SOURCES: [&str; 9] = [
    "board.c",
    "devices.c",
    "firmware.c",
    "glue.c",
    "glue_jpeg.c",
    "load.c",
    "machine.c",
    "panel.c",
    "words.c",
];

fn folder(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(name)
}

/// Program `name` of `board/`, built once.
pub fn program(name: &'static str, build: Build) -> PathBuf {
    static BUILT: OnceLock<Mutex<HashMap<(&str, Build), PathBuf>>> = OnceLock::new();
    let mut built = BUILT
        .get_or_init(Mutex::default)
        .lock()
        .unwrap_or_else(|e| e.into_inner());
    let path = built.entry((name, build)).or_insert_with(|| {
        let to = Path::new(env!("CARGO_TARGET_TMPDIR")).join("virtual_board");
        std::fs::create_dir_all(&to).unwrap();
        let path = to.join(format!("{name}-{build:?}"));
        compile(name, build, &path);
        path
    });
    path.clone()
}

fn compile(name: &str, build: Build, to: &Path) {
    let board = folder("tests/virtual_board/board");
    let mut gcc = Command::new("gcc");
    gcc.args(["-std=c99", "-O2", "-g", "-Wall", "-Wextra", "-Wpedantic"]);
    gcc.args(["-Wconversion", "-Wshadow", "-Werror"]);
    if build == Build::Sanitized {
        gcc.args(["-fsanitize=address,undefined", "-fno-sanitize-recover=all"]);
    }
    gcc.arg("-I").arg(folder("spec/firmware")).arg("-o").arg(to);
    gcc.arg(board.join(format!("{name}.c")));
    if name != "panel_check" {
        gcc.args(SOURCES.map(|source| board.join(source)));
        gcc.arg("-ljpeg");
    } else {
        gcc.args([board.join("panel.c")]);
    }
    output(&mut gcc);
}

/// Runs a program with arguments key=value; it must succeed.
pub fn run(program: &Path, words: &[String]) -> String {
    String::from_utf8(output(Command::new(program).args(words))).unwrap()
}
