//! A whole board with a card: images made by `mkfs.vfat` and mtools, machines that
//! read them by their SPI port, and what went over the panel's and the sound's wires.

use super::tools::{WARNINGS, board, firmware, output, succeed};
use crate::common::media;
use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::OnceLock;
use std::time::{Duration, Instant};

/// A card's image. Sizes are those that real cards and the emulator take.
pub struct Image {
    pub folder: tempfile::TempDir,
    /// Where the file system begins, in bytes.
    offset: u64,
}

impl Image {
    /// A new file system; `options` are those of `mkfs.vfat`.
    pub fn new(bytes: u64, offset: u64, options: &[&str]) -> Self {
        let image = Self {
            folder: tempfile::tempdir().unwrap(),
            offset,
        };
        let file = fs::File::create(image.path()).unwrap();
        file.set_len(bytes).unwrap();
        let mut command = Command::new("mkfs.vfat");
        command.args(options).arg("--invariant");
        if offset > 0 {
            command.arg(format!("--offset={}", offset / 512));
        }
        succeed(command.arg(image.path()));
        if offset > 0 {
            image.partition(0x0C, bytes);
        }
        image
    }

    /// A partition table with one partition of this type (from memory of the de facto
    /// standard: entries from byte 446, type at 4, first sector at 8, count at 12).
    pub fn partition(&self, kind: u8, bytes: u64) {
        let mut entry = [0; 66];
        entry[4] = kind;
        entry[8..12].copy_from_slice(&((self.offset / 512) as u32).to_le_bytes());
        entry[12..16].copy_from_slice(&(((bytes - self.offset) / 512) as u32).to_le_bytes());
        entry[64..].copy_from_slice(&[0x55, 0xAA]);
        self.write(446, &entry);
    }

    pub fn path(&self) -> PathBuf {
        self.folder.path().join("image")
    }

    pub fn file(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub fn write(&self, at: u64, bytes: &[u8]) {
        use std::os::unix::fs::FileExt;
        let file = fs::File::options().write(true).open(self.path()).unwrap();
        file.write_all_at(bytes, at).unwrap();
    }

    /// A program of mtools on this image.
    pub fn mtool(&self, name: &str, arguments: &[&str]) -> String {
        let mut command = Command::new(name);
        command
            .env("MTOOLS_SKIP_CHECK", "1")
            .env("LC_ALL", "C.UTF-8")
            .arg("-i");
        command.arg(format!("{}@@{}", self.path().display(), self.offset));
        succeed(command.args(arguments).current_dir(self.folder.path()))
    }

    /// Puts files into a folder of the image ("" is the root).
    pub fn put(&self, files: &[(&str, &[u8])], folder: &str) {
        let from = tempfile::tempdir_in(self.folder.path()).unwrap();
        let mut arguments = Vec::new();
        for (name, bytes) in files {
            let path = from.path().join(name);
            fs::write(&path, bytes).unwrap();
            arguments.push(path.to_str().unwrap().to_owned());
        }
        arguments.push(format!("::/{folder}"));
        let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
        self.mtool("mcopy", &[&["-Q", "-o"][..], &arguments].concat());
    }

    /// Takes back the hint at where clusters are free (FSInfo, offset 492: FFFFFFFFh
    /// is "unknown"): the next file goes into the first holes.
    pub fn forget_hint(&self) {
        use std::os::unix::fs::FileExt;
        let file = fs::File::open(self.path()).unwrap();
        let mut mark = [0; 4];
        file.read_exact_at(&mut mark, self.offset + 512).unwrap();
        if mark == *b"RRaA" {
            self.write(self.offset + 512 + 492, &[0xFF; 4]);
        }
    }

    /// Leaves holes: files are written and every second one deleted.
    pub fn fragment(&self, holes: usize, bytes: usize) {
        let names: Vec<String> = (0..holes).map(|i| format!("filler{i:03}.bin")).collect();
        let body = vec![0xEE; bytes];
        let files: Vec<(&str, &[u8])> = names.iter().map(|n| (&n[..], &body[..])).collect();
        self.put(&files, "");
        let gone: Vec<String> = names.iter().step_by(2).map(|n| format!("::{n}")).collect();
        let gone: Vec<&str> = gone.iter().map(String::as_str).collect();
        self.mtool("mdel", &gone);
        self.forget_hint();
    }

    /// In how many pieces a file lies, by mtools.
    pub fn pieces(&self, path: &str) -> usize {
        let told = self.mtool("mshowfat", &[&format!("::{path}")]);
        told.split_whitespace().filter(|w| w.contains('<')).count()
    }
}

/// A machine with a card on its SPI port.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Machine {
    /// This computer with a simulated card, under sanitizers.
    Desk,
    /// QEMU's lm3s6965evb: a Cortex-M3 with 64 KB.
    Small,
    /// QEMU's sifive_u, 32 bits: rv32imc with memory for the largest panel.
    Large,
    /// The same two with the board in Rust, `spec/firmware/rust`.
    RustSmall,
    RustLarge,
}

/// Builds the board in Rust for a target of the compiler's that has no core library of its
/// own here: that is built too, from the source that `.ci/install test` has unpacked.
fn build_in_rust(target: &str) -> PathBuf {
    let usr = media::tools().join("bare/usr");
    let rustc = usr.join("bin/rustc");
    assert!(
        rustc.exists(),
        "{} is missing: run .ci/install test",
        rustc.display()
    );
    let to = Path::new(env!("CARGO_TARGET_TMPDIR")).join("bare");
    let linker = format!(
        "CARGO_TARGET_{}_LINKER",
        target.to_uppercase().replace('-', "_")
    );
    let mut command = Command::new("cargo");
    command
        .args(["build", "--release", "--locked", "--quiet"])
        .args(["--bin", "emulated", "--features", "emulated"])
        .args(["-Zbuild-std=core", "--target", target, "--target-dir"])
        .arg(&to)
        .env("RUSTC", rustc)
        .env("RUSTC_BOOTSTRAP", "1")
        .env("LD_LIBRARY_PATH", usr.join("lib/x86_64-linux-gnu"))
        .env(linker, usr.join("lib/llvm-22/bin/ld.lld"))
        .env_remove("RUSTFLAGS")
        .current_dir(firmware().join("rust"));
    let done = output(&mut command);
    let said = String::from_utf8_lossy(&done.stderr);
    assert!(
        done.status.success() && said.is_empty(),
        "{command:?}: {said}"
    );
    to.join(target).join("release/emulated")
}

const FILES: [&str; 7] = [
    "play_card.c",
    "playlist.c",
    "card.c",
    "fat.c",
    "panel.c",
    "i2s.c",
    "player.c",
];

impl Machine {
    /// Compiles the files of `from` with `more` files and flags.
    fn compile(self, to: &Path, from: &Path, more: &[String]) {
        if let Some(target) = self.rust_target() {
            fs::copy(build_in_rust(target), to).unwrap();
            return;
        }
        let script = |name: &str| format!("-T{}", board().join(name).display());
        let (program, flags, own): (&str, Vec<String>, &[&str]) = match self {
            Self::Desk => (
                "gcc",
                [
                    "-O1", // half the time to compile
                    "-fsanitize=address,undefined",
                    "-fno-sanitize-recover=all",
                ]
                .map(String::from)
                .to_vec(),
                &["port_desk.c", "bench_host.c"],
            ),
            Self::Small => (
                "arm-none-eabi-gcc",
                vec![
                    "-mcpu=cortex-m3".into(),
                    "-mthumb".into(),
                    "-DRING=24576".into(),
                    "-DWORK=16384".into(),
                    "-DQUEUE=4096".into(),
                    "-nostartfiles".into(),
                    script("lm3s.ld"),
                ],
                &["port_lm3s.c", "bench_emulated.c", "start_m4.c"],
            ),
            Self::Large => (
                "riscv64-unknown-elf-gcc",
                vec![
                    "-march=rv32imc".into(),
                    "-mabi=ilp32".into(),
                    "--specs=picolibc.specs".into(),
                    "-nostartfiles".into(),
                    "-Wl,--no-warn-rwx-segments".into(),
                    script("rv32.ld"),
                ],
                &["port_sifive.c", "bench_emulated.c", "start_rv32.S"],
            ),
            Self::RustSmall | Self::RustLarge => unreachable!("built by cargo"),
        };
        let mut command = Command::new(program);
        command.args(["-std=c99", "-O2"]).args(WARNINGS).args(flags);
        command.arg("-I").arg(from).arg("-I").arg(board());
        command.args(FILES.map(|name| from.join(name))).args(more);
        command.args(["whole.c", "bench.c"].map(|name| board().join(name)));
        command.args(own.iter().map(|name| board().join(name)));
        succeed(command.arg("-o").arg(to));
    }

    fn rust_target(self) -> Option<&'static str> {
        match self {
            Self::RustSmall => Some("thumbv7m-none-eabi"),
            Self::RustLarge => Some("riscv32imc-unknown-none-elf"),
            _ => None,
        }
    }

    /// The program, built once.
    fn program(self) -> PathBuf {
        static BUILT: [OnceLock<PathBuf>; 5] = [const { OnceLock::new() }; 5];
        let build = || {
            let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("card");
            fs::create_dir_all(&folder).unwrap();
            let path = folder.join(format!("{self:?}"));
            self.compile(&path, &firmware(), &[]);
            path
        };
        BUILT[self as usize].get_or_init(build).clone()
    }

    /// The program that `thumbreel firmware` wrote to `folder`, with whole.c in place of
    /// its pins.c; with two tasks on this computer.
    pub fn generated(self, folder: &Path) -> PathBuf {
        let to = folder.join(format!("{self:?}"));
        let own = |name: &str| board().join(name).display().to_string();
        let mut more = vec!["-DGENERATED".to_owned(), "-DBOARD_LOOP=0".to_owned()];
        more.push(own("generated.c"));
        if self == Self::Desk {
            more.extend(["-pthread".to_owned(), own("tasks_desk.c")]);
        }
        self.compile(&to, folder, &more);
        to
    }

    fn command(self, program: &Path, words: &[String]) -> Command {
        // Nanoseconds an instruction: 2 to this.
        let (emulator, machine, shift) = match self {
            Self::Desk => {
                let mut command = Command::new(program);
                command.arg("image=image").args(words);
                return command;
            }
            Self::Small | Self::RustSmall => ("qemu-system-arm", "lm3s6965evb", 5),
            Self::Large => ("qemu-system-riscv32", "sifive_u", 4),
            // Panel and card are waited for here, and the lanes of the decoder cost a scalar
            // core more: twice as fast a core.
            Self::RustLarge => ("qemu-system-riscv32", "sifive_u", 3),
        };
        let mut command = Command::new(emulator);
        command.args(["-M", machine, "-bios", "none", "-display", "none"]);
        command.args(["-monitor", "none", "-serial", "none", "-qmp", "stdio"]);
        command.args(["-drive", "if=sd,format=raw,file=image"]);
        command
            .arg("-icount")
            .arg(format!("shift={shift},sleep=off"));
        let mut semihosting = String::from("enable=on,target=native,arg=program");
        for word in words {
            semihosting += &format!(",arg={word}");
        }
        command.arg("-semihosting-config").arg(semihosting);
        command.arg("-kernel").arg(program);
        command
    }

    /// Plays the card; with `pull`, as `board/whole.c` has it, takes the card out of
    /// the emulator and puts it back.
    pub fn play(self, image: &Image, arguments: &[(&str, u64)], pull: bool) -> Recorded {
        self.play_program(&self.program(), image, arguments, pull)
    }

    /// The same with another program.
    pub fn play_program(
        self,
        program: &Path,
        image: &Image,
        arguments: &[(&str, u64)],
        pull: bool,
    ) -> Recorded {
        let mut words = vec!["trace=trace".to_owned(), "samples=samples".to_owned()];
        words.extend(arguments.iter().map(|(k, v)| format!("{k}={v}")));
        let mut command = self.command(program, &words);
        command.current_dir(image.folder.path());
        if pull {
            let child = command
                .stdin(Stdio::piped())
                .stdout(Stdio::piped())
                .spawn()
                .unwrap_or_else(|e| panic!("{command:?}: {e}; run .ci/install test first"));
            pull_and_put(child, image);
        } else {
            let done = output(command.stdin(Stdio::null()));
            let said = String::from_utf8_lossy(&done.stderr);
            assert!(done.status.success(), "{self:?}: {} {said}", done.status);
        }
        Recorded::new(
            &fs::read(image.file("trace")).unwrap(),
            &fs::read(image.file("samples")).unwrap(),
        )
    }
}

/// Speaks to the emulator's monitor (QMP, a line of JSON each way).
fn pull_and_put(mut child: Child, image: &Image) {
    let start = Instant::now();
    let mut to = child.stdin.take().unwrap();
    let mut from = BufReader::new(child.stdout.take().unwrap());
    let mut say = |text: &str| {
        writeln!(to, "{text}").unwrap();
        let mut line = String::new();
        while !line.contains("\"return\"") {
            assert!(!line.contains("\"error\""), "{text}: {line}");
            line.clear();
            assert!(from.read_line(&mut line).unwrap() > 0, "the emulator left");
        }
    };
    let mut wait = |name: &str| {
        while !image.file(name).exists() {
            assert!(
                start.elapsed() < Duration::from_secs(30),
                "{name}: too long"
            );
            assert!(child.try_wait().unwrap().is_none(), "ended before {name}");
            std::thread::sleep(Duration::from_millis(2));
        }
    };
    say(r#"{"execute":"qmp_capabilities"}"#);
    wait("pull");
    say(r#"{"execute":"eject","arguments":{"device":"sd0","force":true}}"#);
    fs::write(image.file("pulled"), "").unwrap();
    wait("put");
    say(
        r#"{"execute":"blockdev-change-medium","arguments":{"device":"sd0","filename":"image","format":"raw"}}"#,
    );
    fs::write(image.file("back"), "").unwrap();
    assert!(child.wait().unwrap().success());
}

/// What went over the wires, seen by a display controller written apart from the
/// driver: commands and parameters from memory of MIPI DCS 1.3, chapter 6.
pub struct Recorded {
    /// Reel time in ticks, and the panel's memory then: rows of `COLUMNS` pixels of
    /// two bytes as they came.
    pub pictures: Vec<(u64, Vec<u8>)>,
    /// The memory when the panel was switched on.
    pub cleared: Vec<u8>,
    /// From the first sample of the port on.
    pub heard: Vec<i16>,
    /// Sets of the port's rate.
    pub rates: Vec<u32>,
    /// shown, late, waiting, damaged, broken, dry, starved, lost.
    pub counts: [u32; 8],
    /// Lines of the list that were passed over.
    pub passed: Vec<u32>,
    /// Reels that were passed over: the item, and why.
    pub skipped: Vec<(u8, String)>,
    /// Bytes, interrupts included; 0 on this computer.
    pub stack: u32,
    /// The address mode, and whether the memory is inverted.
    pub address_mode: u8,
    pub inverted: bool,
}

pub const COLUMNS: usize = 320;
pub const ROWS: usize = 240;

/// The controller's state.
struct Controller {
    memory: Vec<u8>,
    columns: [usize; 2],
    rows: [usize; 2],
    column: usize,
    row: usize,
    writes: bool,
    half: Option<u8>,
    awake_at: Option<u32>,
    reset_at: [u32; 2],
}

impl Controller {
    fn pixels(&mut self, bytes: &[u8]) {
        assert!(self.writes, "pixels without write_memory_start");
        for &byte in bytes {
            let Some(high) = self.half.take() else {
                self.half = Some(byte);
                continue;
            };
            assert!(
                self.row <= self.rows[1],
                "more pixels than the window has room for"
            );
            let at = 2 * (self.row * COLUMNS + self.column);
            self.memory[at..at + 2].copy_from_slice(&[high, byte]);
            self.column += 1;
            if self.column > self.columns[1] {
                self.column = self.columns[0];
                self.row += 1;
            }
        }
    }

    fn range(bytes: &[u8], limit: usize) -> [usize; 2] {
        let word = |i: usize| usize::from(bytes[i]) << 8 | usize::from(bytes[i + 1]);
        assert_eq!(bytes.len(), 4, "parameters of a range");
        assert!(word(0) <= word(2) && word(2) < limit, "range {bytes:?}");
        [word(0), word(2)]
    }

    fn start(&mut self) {
        assert!(self.half.is_none(), "half a pixel");
        [self.column, self.row] = [self.columns[0], self.rows[0]];
        self.writes = true;
    }
}

impl Recorded {
    fn new(trace: &[u8], samples: &[u8]) -> Self {
        let mut panel = Controller {
            memory: vec![0xA5; 2 * COLUMNS * ROWS],
            columns: [0, COLUMNS - 1],
            rows: [0, ROWS - 1],
            column: 0,
            row: 0,
            writes: false,
            half: None,
            awake_at: None,
            reset_at: [0; 2],
        };
        let mut all = Self {
            pictures: Vec::new(),
            cleared: Vec::new(),
            heard: samples
                .chunks_exact(2)
                .map(|b| i16::from_le_bytes([b[0], b[1]]))
                .collect(),
            rates: Vec::new(),
            counts: [0; 8],
            passed: Vec::new(),
            skipped: Vec::new(),
            stack: 0,
            address_mode: 0xFF,
            inverted: true,
        };
        let (mut rest, mut light, mut amplifier, mut format) = (trace, 0, 0, 0);
        while let Some((head, more)) = rest.split_at_checked(12) {
            let word = |i: usize| u32::from_le_bytes(head[i..i + 4].try_into().unwrap());
            let (now, n) = (word(4), word(8) as usize);
            let (bytes, after) = more.split_at(n);
            rest = after;
            match head[0] {
                b'R' => panel.reset_at[usize::from(1 - head[1])] = now,
                b'P' => panel.pixels(bytes),
                b'B' => {
                    assert!(head[1] == 0 || panel.memory != all.cleared, "lit too early");
                    light = head[1];
                }
                b'A' => {
                    assert!(head[1] == 0 || !all.rates.is_empty(), "loud before zeros");
                    amplifier = head[1];
                }
                b'S' => all
                    .rates
                    .push(u32::from_le_bytes(bytes.try_into().unwrap())),
                b'L' => all
                    .passed
                    .push(u32::from_le_bytes(bytes.try_into().unwrap())),
                b'X' => all
                    .skipped
                    .push((head[1], String::from_utf8_lossy(bytes).into_owned())),
                b'K' => all.stack = u32::from_le_bytes(bytes.try_into().unwrap()),
                b'M' => {
                    let tick = u64::from_le_bytes(bytes.try_into().unwrap());
                    all.pictures.push((tick, panel.memory.clone()));
                }
                b'E' => {
                    assert_eq!(head[1], 0, "the panel was talked to in a transfer");
                    let words = bytes.chunks_exact(4);
                    for (count, b) in all.counts.iter_mut().zip(words) {
                        *count = u32::from_le_bytes(b.try_into().unwrap());
                    }
                }
                b'C' => {
                    let [low, high] = panel.reset_at;
                    // 5 ms after a reset and after waking, 120 ms of sleep: chapter 6.
                    assert!(
                        high - low >= 10 && now - high >= 120_000,
                        "reset {low} {high} {now}"
                    );
                    panel.writes = false;
                    match (head[1], bytes) {
                        (0x11, []) => panel.awake_at = Some(now),
                        (0x2A, _) => panel.columns = Controller::range(bytes, COLUMNS),
                        (0x2B, _) => panel.rows = Controller::range(bytes, ROWS),
                        (0x2C, []) => panel.start(),
                        (0x3A, &[f]) => format = f,
                        (0x36, &[m]) => all.address_mode = m,
                        (0x20 | 0x21, []) => all.inverted = head[1] == 0x21,
                        (0x13, []) => {}
                        (0x29, []) => all.cleared.clone_from(&panel.memory),
                        other => panic!("command {other:02x?}"),
                    }
                    let awake = panel.awake_at.expect("a command to a panel that sleeps");
                    assert!(now == awake || now - awake >= 5_000, "5 ms after waking");
                }
                other => panic!("record {other}"),
            }
        }
        assert!(rest.is_empty() && format == 0x55);
        assert_eq!((light, amplifier), (1, 0), "lit, and silent at the end");
        all
    }

    /// A picture's rectangle out of the panel's memory.
    pub fn window(memory: &[u8], [x, y, w, h]: [usize; 4]) -> Vec<u8> {
        (y..y + h)
            .flat_map(|row| &memory[2 * (row * COLUMNS + x)..][..2 * w])
            .copied()
            .collect()
    }
}
