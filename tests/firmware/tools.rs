//! Compilers and emulators: programs from `board/` built for a target and run.

use std::collections::HashMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::{Mutex, OnceLock};
use thumbreel::board::InstructionSet;

/// Where a test program runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Target {
    /// This computer, under the address and undefined-behaviour sanitizers.
    Desk,
    /// An emulated Cortex-M4 board.
    CortexM4,
    /// The same board, its program in the instructions of a Cortex-M0+ alone.
    CortexM0Plus,
    /// The same board, its program compiled for a Cortex-M33; an instruction that the
    /// Cortex-M4 has not would stop it.
    CortexM33,
    /// An emulated rv32imc board.
    Rv32,
    /// An emulated Xtensa LX106.
    Xtensa,
}

pub const EMULATED: [Target; 2] = [Target::CortexM4, Target::Rv32];
/// Whose instructions `budget` counts with, and their names in a board's profile.
pub const COUNTED: [(Target, InstructionSet); 5] = [
    (Target::CortexM0Plus, InstructionSet::Armv6m),
    (Target::CortexM4, InstructionSet::Armv7em),
    (Target::CortexM33, InstructionSet::Armv8mMain),
    (Target::Rv32, InstructionSet::Rv32imc),
    (Target::Xtensa, InstructionSet::Xtensa),
];
pub const EVERYWHERE: [Target; 3] = [Target::Desk, Target::CortexM4, Target::Rv32];

pub const WARNINGS: [&str; 6] = [
    "-Wall",
    "-Wextra",
    "-Wpedantic",
    "-Wconversion",
    "-Wshadow",
    "-Werror",
];

pub fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

pub fn firmware() -> PathBuf {
    root().join("spec/firmware")
}

pub fn board() -> PathBuf {
    root().join("tests/firmware/board")
}

/// Runs a command and returns its output; a tool that is not there fails the
/// test with the way to get it.
pub fn output(command: &mut Command) -> Output {
    command.output().unwrap_or_else(|error| {
        panic!("cannot run {command:?}: {error}; run .ci/install test first")
    })
}

/// The same, and the command must succeed without a word.
pub fn succeed(command: &mut Command) -> String {
    let output = output(command);
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{command:?} failed:\n{said}");
    String::from_utf8_lossy(&output.stdout).into_owned()
}

impl Target {
    pub const fn name(self) -> &'static str {
        match self {
            Self::Desk => "desk",
            Self::CortexM4 => "cortex-m4",
            Self::CortexM0Plus => "cortex-m0plus",
            Self::CortexM33 => "cortex-m33",
            Self::Rv32 => "rv32imc",
            Self::Xtensa => "xtensa",
        }
    }

    /// The compiler with the flags of this target, for C99.
    pub fn compiler(self) -> Command {
        let (program, flags): (&str, &[&str]) = match self {
            Self::Desk => (
                "gcc",
                &[
                    "-g",
                    "-fsanitize=address,undefined",
                    "-fno-sanitize-recover=all",
                ],
            ),
            Self::CortexM4 => ("arm-none-eabi-gcc", &["-mcpu=cortex-m4", "-mthumb"]),
            Self::CortexM0Plus => ("arm-none-eabi-gcc", &["-mcpu=cortex-m0plus", "-mthumb"]),
            Self::CortexM33 => ("arm-none-eabi-gcc", &["-mcpu=cortex-m33", "-mthumb"]),
            Self::Rv32 => (
                "riscv64-unknown-elf-gcc",
                &["-march=rv32imc", "-mabi=ilp32", "--specs=picolibc.specs"],
            ),
            Self::Xtensa => (
                "xtensa-lx106-elf-gcc",
                &[
                    "-mlongcalls",
                    "-mtext-section-literals",
                    "--specs=/usr/lib/xtensa-lx106-elf/picolibc.specs",
                ],
            ),
        };
        let mut command = Command::new(program);
        command.args(flags).args(["-std=c99", "-O2"]).args(WARNINGS);
        command.arg("-I").arg(firmware()).arg("-I").arg(board());
        command
    }

    /// Adds start-up code, the bench and the script of this target.
    pub fn link(self, command: &mut Command) {
        let board = board();
        let script = |name: &str| format!("-T{}", board.join(name).display());
        match self {
            Self::Desk => {
                command.arg(board.join("bench_host.c"));
            }
            Self::CortexM4 | Self::CortexM0Plus | Self::CortexM33 => {
                command
                    .args(["-nostartfiles", "-Wl,--gc-sections", &script("m4.ld")])
                    .args([board.join("bench_emulated.c"), board.join("start_m4.c")])
                    .args(["-lc", "-lgcc"]);
            }
            Self::Rv32 => {
                command
                    .args(["-nostartfiles", &script("rv32.ld")])
                    .arg("-Wl,--no-warn-rwx-segments")
                    .args([board.join("bench_emulated.c"), board.join("start_rv32.S")]);
            }
            Self::Xtensa => {
                command
                    .args(["-nostartfiles", &script("xtensa.ld")])
                    .arg("-Wl,--no-warn-rwx-segments")
                    .args([board.join("bench_xtensa.c"), board.join("start_xtensa.S")]);
            }
        }
    }

    /// Builds test program `name` with these flags once and returns its path.
    pub fn program(self, name: &str, flags: &[&str]) -> PathBuf {
        static BUILT: OnceLock<Mutex<HashMap<(Target, String), PathBuf>>> = OnceLock::new();
        let built = BUILT.get_or_init(Mutex::default);
        let mut built = built.lock().unwrap_or_else(|e| e.into_inner());
        let key = (self, format!("{name}{}", flags.concat()));
        if let Some(path) = built.get(&key) {
            return path.clone();
        }
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("firmware");
        fs::create_dir_all(&folder).unwrap();
        let path = folder.join(format!("{}-{}", key.1, self.name()));
        let mut command = self.compiler();
        command.args(flags).arg("-o").arg(&path);
        command.arg(board().join(format!("{name}.c")));
        if name == "play" {
            command.arg(board().join("board.c"));
        }
        command.arg(board().join("bench.c"));
        self.link(&mut command);
        succeed(&mut command);
        built.insert(key, path.clone());
        path
    }

    /// Runs a program with these words as arguments.
    pub fn command(self, program: &Path, arguments: &[String]) -> Command {
        let (emulator, flags): (&str, &[&str]) = match self {
            Self::Desk => {
                let mut command = Command::new(program);
                command.args(arguments);
                return command;
            }
            // 2^6 ns an instruction: see bench_emulated.c.
            Self::CortexM4 | Self::CortexM0Plus | Self::CortexM33 => (
                "qemu-system-arm",
                &["-M", "mps2-an386", "-icount", "shift=6"],
            ),
            Self::Rv32 => (
                "qemu-system-riscv32",
                &["-M", "virt", "-bios", "none", "-icount", "shift=0"],
            ),
            // The same 2^7 ns as in bench_xtensa.c.
            Self::Xtensa => (
                "qemu-system-xtensa",
                &[
                    "-M", "sim", "-cpu", "lx106", "-m", "128", "-icount", "shift=7",
                ],
            ),
        };
        let mut command = Command::new(emulator);
        command.args(flags);
        command.args(["-display", "none", "-monitor", "none", "-serial", "none"]);
        let mut semihosting = String::from("enable=on,target=native,arg=program");
        for argument in arguments {
            assert!(!argument.contains(','), "{argument}");
            semihosting += &format!(",arg={argument}");
        }
        command.arg("-semihosting-config").arg(semihosting);
        command.arg("-kernel").arg(program);
        command
    }

    /// Runs test program `name` in `folder` with arguments key=value.
    pub fn run(self, name: &str, folder: &Path, arguments: &[(&str, String)]) {
        self.run_build(name, &[], folder, arguments);
    }

    /// The same, built with more flags.
    pub fn run_build(
        self,
        name: &str,
        flags: &[&str],
        folder: &Path,
        arguments: &[(&str, String)],
    ) {
        let words: Vec<String> = arguments.iter().map(|(k, v)| format!("{k}={v}")).collect();
        let program = self.program(name, flags);
        succeed(self.command(&program, &words).current_dir(folder));
    }
}
