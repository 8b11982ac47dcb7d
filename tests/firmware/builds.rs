//! The C sources as users build them: without sanitizers, by every compiler at
//! several levels of optimisation. All must send the same pixels and samples: those
//! of the Rust decoders, which for raw films are the source's own.

use crate::common::extent::extent;

use super::films::{Film, FilmCoding, block_coding, harbour};
use super::rust_side::{panel_decoder, walk};
use super::tools::{Target, board, firmware, succeed};
use std::fmt::Write;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use thumbreel::coding::patch::Level;
use thumbreel::reel::{ByteOrder, Event, SoundCoding, crc32};
use thumbreel::sound::decode_block;

/// A machine: how programs are linked for it, and what runs them.
struct Machine {
    /// Links, and compiles what is not under test.
    linker: &'static str,
    flags: &'static [&'static str],
    /// Names it to clang.
    clang: &'static [&'static str],
    runs: Runs,
}

enum Runs {
    Here,
    /// An emulator of programs.
    Under(&'static str),
    /// An emulated board, with its start-up code.
    On(Target),
}

const DESK: Machine = Machine {
    linker: "gcc",
    flags: &[],
    clang: &[],
    runs: Runs::Here,
};
const AARCH64: Machine = Machine {
    linker: "aarch64-linux-gnu-gcc",
    flags: &["-static"],
    clang: &["--target=aarch64-linux-gnu"],
    runs: Runs::Under("qemu-aarch64"),
};
/// High byte first.
const S390X: Machine = Machine {
    linker: "s390x-linux-gnu-gcc",
    flags: &["-static"],
    clang: &["--target=s390x-linux-gnu"],
    runs: Runs::Under("qemu-s390x"),
};
const CORTEX_M4: Machine = Machine {
    linker: "arm-none-eabi-gcc",
    flags: &["-mcpu=cortex-m4", "-mthumb"],
    clang: &["--target=arm-none-eabi", "-fshort-enums"],
    runs: Runs::On(Target::CortexM4),
};
/// Its code runs on the emulated Cortex-M4, which knows all its instructions, and
/// is told to fault, as a Cortex-M0+ does, where a word is not aligned.
const CORTEX_M0: Machine = Machine {
    linker: "arm-none-eabi-gcc",
    flags: &["-mcpu=cortex-m0plus", "-mthumb", "-DBENCH_ALIGNED"],
    clang: &["--target=arm-none-eabi", "-fshort-enums"],
    runs: Runs::On(Target::CortexM4),
};
const RV32: Machine = Machine {
    linker: "riscv64-unknown-elf-gcc",
    flags: &["-march=rv32imc", "-mabi=ilp32", "--specs=picolibc.specs"],
    clang: &["--target=riscv32-unknown-elf"],
    runs: Runs::On(Target::Rv32),
};

/// The sources under test, compiled one way.
struct Build {
    machine: &'static Machine,
    clang: bool,
    flags: [&'static str; 2],
}

const LEVELS: [&str; 5] = ["-O0", "-O1", "-O2", "-O3", "-Os"];
/// How systems without a C library of their own are built: word access must not
/// turn into calls or wrong code.
const LIBRARIES: [&str; 3] = ["-fbuiltin", "-fno-builtin", "-ffreestanding"];

/// Each compiler for each machine at -O0, -O2 and -Os, on this computer at every level,
/// with the libraries in turn; of these elsewhere -O2 alone where CI does not run. The
/// whole is on this computer every level with every library, elsewhere every level, and
/// at -O2 every library. Clang has no C library for the other machines.
fn builds() -> Vec<Build> {
    let (every, levels) = extent(
        (false, &LEVELS[2..3]),
        (false, &LEVELS[..]),
        (true, &LEVELS[..]),
    );
    let mut all = Vec::new();
    for machine in [&DESK, &AARCH64, &S390X, &CORTEX_M4, &CORTEX_M0, &RV32] {
        let here = matches!(machine.runs, Runs::Here);
        for clang in [false, true] {
            for (i, level) in LEVELS.into_iter().enumerate() {
                for (j, library) in LIBRARIES.into_iter().enumerate() {
                    let plain = if clang { "-ffreestanding" } else { "-fbuiltin" };
                    let alone = clang && !here;
                    let wanted = if every {
                        here || library == plain || (level == "-O2" && !clang)
                    } else {
                        // -O0, -O2 and -Os each with a library of its own, -O2 with the usual one.
                        (here || matches!(level, "-O0" | "-O2" | "-Os") && levels.contains(&level))
                            && if alone {
                                library == plain
                            } else {
                                j == (i + 1) % 3
                            }
                    };
                    if wanted {
                        all.push(Build {
                            machine,
                            clang,
                            flags: [level, library],
                        });
                    }
                }
            }
        }
    }
    all
}

impl Build {
    fn name(&self) -> String {
        let compiler = if self.clang { "clang for " } else { "" };
        let machine = self.machine.flags.first().unwrap_or(&"");
        let linker = self.machine.linker;
        format!("{compiler}{linker} {machine} {}", self.flags.join(" "))
    }

    fn compiler(&self, under_test: bool) -> Command {
        let machine = self.machine;
        let clang = self.clang && under_test;
        let mut command = Command::new(if clang { "clang" } else { machine.linker });
        command.args(
            machine
                .flags
                .iter()
                .filter(|f| !(clang && f.starts_with("--specs"))),
        );
        if clang {
            command.args(machine.clang);
        }
        command
            .args(["-std=c99", "-w", "-I"])
            .arg(firmware())
            .arg("-I")
            .arg(board());
        command
    }

    /// Compiles `board/hash.c` and the player, each on its own, and links them to
    /// the rest of the bench.
    fn compile(&self, folder: &Path) -> PathBuf {
        let mut link = self.compiler(false);
        let name = self.name().replace([' ', '/'], "");
        for source in [board().join("hash.c"), firmware().join("player.c")] {
            let object = folder.join(format!(
                "{name}-{}.o",
                source.file_stem().unwrap().display()
            ));
            let mut command = self.compiler(true);
            command
                .args(self.flags)
                .arg("-c")
                .arg(source)
                .arg("-o")
                .arg(&object);
            succeed(&mut command);
            link.arg(object);
        }
        let program = folder.join(name);
        link.arg("-O1")
            .arg(board().join("bench.c"))
            .arg("-o")
            .arg(&program);
        match self.machine.runs {
            Runs::On(target) => target.link(&mut link),
            _ => drop(link.arg(board().join("bench_host.c"))),
        }
        succeed(&mut link);
        program
    }

    /// Plays the reels of `list` in `folder`; returns what was written of them.
    fn run(&self, folder: &Path) -> String {
        let program = self.compile(folder);
        let log = format!("{}.log", self.name().replace([' ', '/'], ""));
        let arguments = ["list=list".to_owned(), format!("log={log}")];
        let mut command = match self.machine.runs {
            Runs::On(target) => target.command(&program, &arguments),
            Runs::Under(emulator) => {
                let mut command = Command::new(emulator);
                command.arg(&program).args(arguments);
                command
            }
            Runs::Here => {
                let mut command = Command::new(&program);
                command.args(arguments);
                command
            }
        };
        succeed(command.current_dir(folder));
        fs::read_to_string(folder.join(log)).unwrap()
    }
}

/// Films whose decoding takes every path: both levels, split macroblocks, both
/// byte orders, dither, offsets, odd sizes, all sound codings.
fn films() -> Vec<Film> {
    let mut all = super::events::films();
    let busy = Film {
        width: 96,
        height: 80,
        slices: 6,
        pictures: 5,
        quality: 80,
        dither: true,
        format: ByteOrder::LowFirst,
        sound: SoundCoding::ImaAdpcm,
        ..Film::default()
    };
    for level in [Level::Light, Level::Full] {
        all.push(Film {
            coding: FilmCoding::Patch(level),
            ..busy.clone()
        });
    }
    all.push(busy);
    all
}

/// What `board/hash.c` must write of a film.
fn expected(name: &str, film: &Film, reel: &[u8]) -> String {
    let header = crate::common::reels::header_of(reel);
    let mut decoder = panel_decoder(&header).unwrap();
    let order = header.pixel_format;
    let (mut sent, mut samples, mut windows, mut ticks_before) = (Vec::new(), Vec::new(), 0, 0);
    walk(reel, |event| match event {
        Event::Sound { ticks, bytes, .. } => {
            let mut block = vec![0; *ticks as usize];
            decode_block(block_coding(header.sound).unwrap(), bytes, &mut block).unwrap();
            if film.sound == SoundCoding::PcmS16 {
                assert_eq!(
                    block,
                    super::films::tone(ticks_before, *ticks),
                    "the source"
                );
            }
            ticks_before += u64::from(*ticks);
            samples.extend(block.iter().flat_map(|s| s.to_le_bytes()));
        }
        Event::Picture {
            number,
            header: h,
            bytes,
            ..
        } => {
            let rectangles = decoder
                .decode(header.coding, h.flags, bytes)
                .unwrap()
                .to_vec();
            if film.coding == FilmCoding::Raw && !h.is_unchanged() {
                let source = harbour(film.width, film.height, *number).1;
                assert_eq!(decoder.pixels(), source, "the source");
            }
            for r in rectangles {
                let at = [r.x + header.x_offset, r.y + header.y_offset, r.w, r.h];
                sent.extend(at.iter().flat_map(|v| v.to_le_bytes()));
                windows += 1;
                for y in usize::from(r.y)..usize::from(r.y + r.h) {
                    let start = y * usize::from(header.width) + usize::from(r.x);
                    let row = &decoder.pixels()[start..start + usize::from(r.w)];
                    sent.extend(row.iter().flat_map(|&p| order.bytes(p)));
                }
            }
        }
        _ => {}
    });
    format!(
        "{name} said 3 windows {windows} pixels {} heard {} samples {}\n",
        crc32(&sent),
        samples.len() / 2,
        crc32(&samples)
    )
}

#[test]
fn every_build_sends_the_same_pixels_and_samples() {
    let folder = tempfile::tempdir().unwrap();
    let (mut list, mut want) = (String::new(), String::new());
    for (i, film) in films().iter().enumerate() {
        let (name, reel) = (format!("{i}.tbr"), film.reel());
        fs::write(folder.path().join(&name), &reel).unwrap();
        writeln!(list, "{name}").unwrap();
        want += &expected(&name, film, &reel);
    }
    fs::write(folder.path().join("list"), list).unwrap();
    let (builds, next, wrong) = (builds(), AtomicUsize::new(0), Mutex::new(Vec::new()));
    std::thread::scope(|scope| {
        for _ in 0..2 {
            scope.spawn(|| {
                while let Some(build) = builds.get(next.fetch_add(1, Ordering::Relaxed)) {
                    let said = build.run(folder.path());
                    if said != want {
                        let lines = said.lines().zip(want.lines());
                        let first = lines.map(|(a, b)| format!("{a}, not {b}")).find(|l| {
                            let (a, b) = l.split_once(", not ").unwrap();
                            a != b
                        });
                        let text = format!("{}: {}", build.name(), first.unwrap_or(said));
                        wrong.lock().unwrap().push(text);
                    }
                }
            });
        }
    });
    let wrong = wrong.into_inner().unwrap();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}
