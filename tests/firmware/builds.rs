//! The C sources as users build them: without sanitizers, by every compiler at
//! every level of optimisation. All must send the same pixels and samples: those
//! of the Rust decoders, which for raw films are the source's own.

use super::films::{Film, FilmCoding, block_coding, harbour};
use super::rust_side::{panel_decoder, walk};
use super::tools::{board, firmware, succeed};
use std::fmt::Write;
use std::fs;
use std::path::Path;
use std::process::Command;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use thumbreel::coding::patch::Level;
use thumbreel::reel::{ByteOrder, Event, SoundCoding, crc32};
use thumbreel::sound::decode_block;

/// A compiler and its flags, and what runs its programs.
struct Build {
    compiler: &'static str,
    flags: Vec<&'static str>,
    emulator: &'static [&'static str],
}

const LEVELS: [&str; 5] = ["-O0", "-O1", "-O2", "-O3", "-Os"];
/// How systems without a C library of their own are built: word access must not
/// turn into calls or wrong code.
const LIBRARIES: [&str; 3] = ["-fbuiltin", "-fno-builtin", "-ffreestanding"];

fn builds() -> Vec<Build> {
    let mut all = Vec::new();
    for level in LEVELS {
        for library in LIBRARIES {
            for compiler in ["gcc", "clang"] {
                all.push(Build {
                    compiler,
                    flags: vec![level, library],
                    emulator: &[],
                });
            }
        }
        // 64 bits with the low byte first, and with the high byte first.
        for (compiler, emulator) in [
            ("aarch64-linux-gnu-gcc", &["qemu-aarch64"]),
            ("s390x-linux-gnu-gcc", &["qemu-s390x"]),
        ] {
            all.push(Build {
                compiler,
                flags: vec![level, "-static"],
                emulator,
            });
        }
    }
    all
}

impl Build {
    fn name(&self) -> String {
        format!("{} {}", self.compiler, self.flags.join(" "))
    }

    /// Compiles `board/hash.c` and the player, each on its own, and runs it in
    /// `folder`; returns what it wrote.
    fn run(&self, folder: &Path) -> String {
        let name = self.name().replace([' ', '/'], "");
        let (program, log) = (folder.join(&name), format!("{name}.log"));
        let board = board();
        let mut command = Command::new(self.compiler);
        command.args(["-std=c99", "-w"]).args(&self.flags);
        command.arg("-I").arg(firmware()).arg("-I").arg(&board);
        command.args(["hash.c", "bench.c", "bench_host.c"].map(|c| board.join(c)));
        command.arg(firmware().join("player.c"));
        succeed(command.arg("-o").arg(&program));
        let mut command = match self.emulator {
            [] => Command::new(&program),
            [emulator, flags @ ..] => {
                let mut command = Command::new(emulator);
                command.args(flags).arg(&program);
                command
            }
        };
        let arguments = ["list=list".to_owned(), format!("log={log}")];
        succeed(command.args(arguments).current_dir(folder));
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
            let rectangles = decoder.decode(h.coding, h.flags, bytes).unwrap().to_vec();
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
