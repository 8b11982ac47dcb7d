//! Twins: what a rehearsal predicts is what `spec/firmware/player.c` does on a
//! simulated board of the same times: the same counts at the same times.

#[path = "../common/extent.rs"]
mod extent;

use std::io::Cursor;
use std::path::{Path, PathBuf};
use std::process::Command;

use extent::extent;
use thumbreel::board::Board;
use thumbreel::budget::{Link, ReelFacts};
use thumbreel::reel::{Picture, ReelFile, ReelWriter, Settings, Slice, SoundCoding};
use thumbreel::rehearsal::{Conditions, Rehearsal, StallPlan};

/// A small generator, so that cases do not come from the code under test:
/// constants of Knuth's MMIX generator.
struct Lcg(u64);

impl Lcg {
    fn below(&mut self, n: u64) -> u64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % n
    }
}

struct Case {
    reel: Vec<u8>,
    cores: u8,
    queue: u32,
    piece: u32,
    ring: u64,
    card_hz: u32,
    panel_hz: u32,
    stalls: Vec<(u64, u64)>,
}

/// Raw frames of one window with sound at 8 kHz, in slices of a quarter of a
/// second or more.
fn reel(random: &mut Lcg) -> Vec<u8> {
    let side = 16 + 8 * random.below(4) as u16;
    let settings = Settings {
        width: side,
        height: side,
        clock_rate: 8000,
        sound: SoundCoding::PcmU8,
        ..Settings::default()
    };
    let mut writer = ReelWriter::new(Cursor::new(Vec::new()), &settings, None).unwrap();
    let each = 1 + random.below(8) as u32;
    let ticks = 2000 + 8 * random.below(250) as u32;
    for n in 0..20 + random.below(40) {
        let count = 1 + random.below(u64::from(each)) as u32;
        let pictures = (0..count).map(|k| frame(side, k * ticks / count));
        let sound = vec![100 + (n % 50) as u8; ticks as usize];
        let slice = Slice::new(n * u64::from(ticks), ticks, sound, pictures.collect());
        writer.slice(&slice).unwrap();
    }
    writer.finish().unwrap().0.into_inner()
}

/// A whole raw frame: one rectangle.
fn frame(side: u16, offset: u32) -> Picture {
    let mut bytes = vec![1, 0, 0, 0, 0, 0, 0, 0];
    bytes.extend(side.to_le_bytes());
    bytes.extend(side.to_le_bytes());
    bytes.extend(vec![7; 2 * usize::from(side) * usize::from(side)]);
    Picture {
        key: true,
        tick_offset: offset,
        bytes,
        ..Picture::default()
    }
}

fn case(seed: u64) -> Case {
    let mut random = Lcg(seed * 7919 + 1);
    let reel = reel(&mut random);
    let facts = facts(&reel);
    let largest = u64::from(facts.largest_chunk);
    let mut places: Vec<u64> = (0..random.below(5))
        .map(|_| random.below(facts.slice_bytes()))
        .collect();
    places.sort_unstable();
    places.dedup();
    Case {
        cores: 1 + random.below(2) as u8,
        queue: 400 + random.below(4000) as u32,
        piece: 512 * (1 + random.below(16)) as u32,
        ring: (largest + random.below(3 * largest)).next_multiple_of(512),
        card_hz: (400_000 + random.below(4_000_000)) as u32,
        panel_hz: (2_000_000 + random.below(20_000_000)) as u32,
        stalls: places
            .into_iter()
            .map(|at| (at, (20 + random.below(400)) * 1_000_000))
            .collect(),
        reel,
    }
}

fn facts(reel: &[u8]) -> ReelFacts {
    ReelFacts::of(ReelFile::new(Cursor::new(reel.to_vec())).unwrap()).unwrap()
}

/// A board whose every time is a formula of two clocks.
fn board(case: &Case) -> Board {
    let text =
        "name = \"twin\"\n[panel]\nwidth = 64\nheight = 64\nwindow_us = 0.0\ndma = false\n[card]\n";
    let mut board = Board::parse(text, "twin.toml").unwrap();
    board.panel.clock_hz = case.panel_hz;
    let card = board.card.as_mut().unwrap();
    card.clock_hz = case.card_hz;
    card.access_us = 0.0;
    card.block_us = 0.0;
    card.cluster_us = 0.0;
    card.instructions_per_byte = 0.0;
    board.cpu.cores = case.cores;
    board.cpu.jitter = 0.0;
    board.cpu.clock_hz = 2_000_000_000;
    board.cpu.instructions_per_cycle = 4.0;
    board.cpu.share = 1.0;
    board.player.read_bytes = case.piece;
    board.sound.queue_samples = case.queue;
    board.memory.internal_bytes = 60_000_000;
    board
}

fn built() -> PathBuf {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let out = Path::new(env!("CARGO_TARGET_TMPDIR")).join("twin-board");
    let made = Command::new("cc")
        .args(["-std=gnu11", "-O2", "-o"])
        .arg(&out)
        .arg(root.join("tests/twin/board.c"))
        .arg("-I")
        .arg(root.join("spec/firmware"))
        .output()
        .unwrap();
    assert!(
        made.status.success(),
        "{}",
        String::from_utf8_lossy(&made.stderr)
    );
    out
}

fn c_play(program: &Path, path: &Path, case: &Case, facts: &ReelFacts) -> Vec<u64> {
    let block = 515.0 * 8e9 / f64::from(case.card_hz);
    let pixel = 16e9 / f64::from(case.panel_hz);
    let window = 88e9 / f64::from(case.panel_hz);
    let mut command = Command::new(program);
    command.arg(path).args([
        case.ring.to_string(),
        case.piece.to_string(),
        case.cores.to_string(),
        case.queue.to_string(),
        format!("{block:.0}"),
        format!("{pixel:.0}"),
        format!("{window:.0}"),
        facts.lead_bytes.to_string(),
    ]);
    for (at, ns) in &case.stalls {
        command.args([at.to_string(), ns.to_string()]);
    }
    let output = command.output().unwrap();
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.success(), "{text}");
    text.split_whitespace()
        .map(|w| w.parse().unwrap())
        .collect()
}

/// Times agree within this, in nanoseconds and as a share of the play: naps of
/// whole microseconds and a sample's work add up differently.
const NEAR_NS: f64 = 8e6;
const NEAR: f64 = 0.002;

#[test]
fn a_rehearsal_predicts_what_the_c_loop_does() {
    let program = built();
    let cases: u64 = extent(100, 200, 5000);
    let (mut dry, mut starved, mut dropped, mut wrong) = (0, 0, 0, Vec::new());
    for seed in 0..cases {
        let case = case(seed);
        let facts = facts(&case.reel);
        let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("twin-{seed}.tbr"));
        std::fs::write(&path, &case.reel).unwrap();
        let seen = c_play(&program, &path, &case, &facts);
        std::fs::remove_file(&path).unwrap();
        let conditions = Conditions {
            ring_buffer_bytes: Some(case.ring),
            stalls: StallPlan::At(case.stalls.clone()),
            ..Conditions::default()
        };
        let board = board(&case);
        let run = Rehearsal::new(&facts, &board, Link::Card, &conditions)
            .unwrap()
            .run(1);
        let [said, start, end, gaps, gap_ns, shown, late, dries, starves] = seen[..] else {
            panic!("{seen:?}");
        };
        dry += u64::from(dries > 0);
        starved += u64::from(starves > 0);
        dropped += u64::from(late > 0);
        let near =
            |a: u64, b: u64| (a as f64 - b as f64).abs() <= NEAR_NS + NEAR * run.end_ns as f64;
        let same = said == 3
            && gaps == u64::from(run.gaps)
            && shown == u64::from(run.shown)
            && late == u64::from(run.dropped)
            && near(start, run.start_ns)
            && near(end, run.end_ns)
            && near(gap_ns, run.gap_ns);
        if !same {
            wrong.push(format!("{seed}: C {seen:?}, rehearsal {run:?}"));
        }
    }
    println!(
        "{cases} cases, {dry} underran, {starved} starved, {dropped} dropped frames; {} differ",
        wrong.len()
    );
    // The cases must be hard ones.
    assert!(dry * 10 > cases && starved * 20 > cases && dropped * 20 > cases);
    // Within the stated band: a nap's length decides some of the closest cases.
    assert!(
        wrong.len() as u64 * 100 <= cases * 3,
        "{} of {cases} differ:\n{}",
        wrong.len(),
        wrong.join("\n")
    );
}
