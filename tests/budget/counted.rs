//! What budget and rehearsal count with is what was counted on emulated cores:
//! the tables of `spec/firmware/README.md`, made by `cargo bench --bench
//! firmware`.

use super::command::thumbreel;
use thumbreel::board::{Board, InstructionSet};
use thumbreel::budget::{
    Budget, Counted, Link, PictureCoding, Settings, SoundCoding, Terms, sound_instructions,
    typical_estimate,
};
use thumbreel::units::Ratio;

/// The cells of a table of the firmware README, its two heading lines left out.
fn table(name: &str) -> Vec<Vec<String>> {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/spec/firmware/README.md");
    let readme = std::fs::read_to_string(path).unwrap();
    let (_, table) = readme.split_once(&format!("<!-- {name} -->\n")).unwrap();
    let (table, _) = table.split_once(&format!("<!-- end {name} -->")).unwrap();
    let cells = |line: &str| {
        let line = line.trim_matches(['|', ' ']);
        line.split('|').map(|cell| cell.trim().to_owned()).collect()
    };
    let rows: Vec<Vec<String>> = table.lines().skip(2).map(cells).collect();
    assert!(!rows.is_empty(), "{name}");
    rows
}

fn number(cell: &str) -> f64 {
    cell.trim_end_matches([' ', '%']).parse().unwrap()
}

fn coding(cell: &str) -> PictureCoding {
    if cell.contains("light") {
        PictureCoding::PatchLight
    } else {
        assert!(cell.contains("full"), "{cell}");
        PictureCoding::PatchFull
    }
}

/// Every instruction set that a profile may name.
const SETS: [InstructionSet; 5] = [
    InstructionSet::Armv6m,
    InstructionSet::Armv7em,
    InstructionSet::Armv8mMain,
    InstructionSet::Rv32imc,
    InstructionSet::Xtensa,
];

/// The column of a table that has the counts of one of them.
fn column(name: &str, set: InstructionSet) -> usize {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/spec/firmware/README.md");
    let readme = std::fs::read_to_string(path).unwrap();
    let (_, table) = readme.split_once(&format!("<!-- {name} -->\n")).unwrap();
    let mut heads = table
        .lines()
        .next()
        .unwrap()
        .trim_matches(['|', ' '])
        .split('|');
    heads.position(|head| head.trim() == set.name()).unwrap()
}

/// One row: of each core what the model says over what was counted, and the count.
fn ratios(row: &[String]) -> [(InstructionSet, f64, f64); 5] {
    let (estimated, sent) = (number(&row[2]), number(&row[3]) / 100.0);
    let pixels = 57_600.0;
    SETS.map(|set| {
        let counted = number(&row[column("estimates", set)]);
        let model = Counted::new(coding(&row[1]), set)
            .instructions((estimated * pixels) as u64, (sent * pixels) as u64);
        (set, model / pixels / counted, counted)
    })
}

#[test]
fn the_work_of_pictures_is_what_was_counted() {
    let mut all = Vec::new();
    for row in table("estimates") {
        for (set, ratio, counted) in ratios(&row) {
            // What is nearly nothing may be off by more.
            let most = if counted < 10.0 { 1.4 } else { 1.2 };
            assert!((0.92..most).contains(&ratio), "{row:?} {set:?}: {ratio:.2}");
            all.push((set, ratio.ln()));
        }
    }
    for set in SETS {
        let of: Vec<f64> = all.iter().filter(|(s, _)| *s == set).map(|a| a.1).collect();
        let mean = (of.iter().sum::<f64>() / of.len() as f64).exp();
        assert!((0.97..1.1).contains(&mean), "{set:?}: {mean}");
    }
}

/// A core that is not named is taken for the slowest one, but not for the small Armv6-M.
#[test]
fn an_unnamed_core_is_no_better_than_any_usual_one() {
    for coding in [PictureCoding::PatchLight, PictureCoding::PatchFull] {
        let other = Counted::new(coding, InstructionSet::Other);
        for set in SETS {
            let one = Counted::new(coding, set);
            for (estimated, pixels) in [(0, 1000), (1000, 0), (5000, 700)] {
                let [one, other] = [one, other].map(|c| c.instructions(estimated, pixels));
                let usual = set != InstructionSet::Armv6m;
                assert!(!usual || other >= one, "{coding:?} {set:?}");
            }
        }
    }
}

#[test]
fn typical_pictures_are_the_tables_means() {
    for coding_of in [PictureCoding::PatchLight, PictureCoding::PatchFull] {
        let rows = table("estimates");
        let rows = rows
            .iter()
            .filter(|r| r[1].contains("(as JPEG 50)") && coding(&r[1]) == coding_of);
        let estimates: Vec<f64> = rows.map(|r| number(&r[2])).collect();
        assert!(estimates.len() >= 4);
        let mean = estimates.iter().sum::<f64>() / estimates.len() as f64;
        let typical = typical_estimate(coding_of);
        assert!((typical / mean - 1.0).abs() < 0.02, "{typical} {mean:.2}");
        let rate = Ratio::new(24, 1).unwrap();
        let settings = Settings::typical(240, 240, rate, coding_of);
        assert_eq!(settings.instructions_per_pixel, typical);
    }
}

#[test]
fn the_work_of_sound_is_what_was_counted() {
    let table = table("sounds");
    for (name, coding) in [
        ("pcm16", SoundCoding::Pcm16),
        ("pcm8", SoundCoding::Pcm8),
        ("adpcm", SoundCoding::Adpcm),
    ] {
        let row = table.iter().find(|row| row[0] == name).unwrap();
        let mut most: f64 = 0.0;
        for set in SETS {
            let (counted, model) = (
                number(&row[column("sounds", set)]),
                sound_instructions(coding, set),
            );
            assert!(
                (model / counted - 1.0).abs() < 0.02,
                "{name} {set:?}: {model} {counted}"
            );
            if set != InstructionSet::Armv6m {
                most = most.max(model);
            }
        }
        assert_eq!(sound_instructions(coding, InstructionSet::Other), most);
    }
}

/// A picture's time on the display core, by hand: instructions counted over
/// what the player's share of the core does in a millisecond.
#[test]
fn a_named_core_is_counted_as_itself() {
    let rate = Ratio::new(10, 1).unwrap();
    let reel = Settings::typical(240, 240, rate, PictureCoding::PatchLight).facts();
    let mut board = Board::find("lantern-room").unwrap();
    board.memory.external_bytes = 0;
    board.memory.internal_bytes = 400_000;
    let load = |set| {
        let mut board = board.clone();
        board.cpu.instruction_set = set;
        let budget = Budget::new(&reel, &board, Link::Card, Terms::default()).unwrap();
        let line = budget
            .lines
            .iter()
            .find(|l| l.part.name() == "display core");
        line.unwrap().need
    };
    let cpu = &board.cpu;
    let a_ms = f64::from(cpu.clock_hz) * cpu.instructions_per_cycle * cpu.share / 1e3;
    for set in SETS {
        let counted = Counted::new(PictureCoding::PatchLight, set);
        // The worst second: the first, with its key picture; every pixel sent
        // is copied at one instruction.
        let second = &reel.pictures[..10];
        let work: f64 = second
            .iter()
            .map(|p| {
                counted.instructions(p.instructions.into(), p.pixels.into()) + f64::from(p.pixels)
            })
            .sum();
        // The display core plays the second's sound as well.
        let sound = f64::from(reel.clock_rate) * sound_instructions(reel.sound, set);
        let work = work + sound;
        let need = load(set);
        assert!(
            (need / (work / a_ms) - 1.0).abs() < 1e-3,
            "{set:?}: {need} {}",
            work / a_ms
        );
    }
    assert!(load(InstructionSet::Other) >= load(InstructionSet::Rv32imc));
    assert!(load(InstructionSet::Rv32imc) > 1.1 * load(InstructionSet::Armv7em));
}

#[test]
fn figures_of_the_cores_say_that_they_were_measured_on_emulated_ones() {
    let slower = "measured on emulated cores (decode counts of the slowest)";
    let (_, out, _) = thumbreel(&["budget", "--board", "lantern-room", "--link", "card"]);
    for part in [
        "display core",
        "I/O core",
        "drawing in strips",
        "worst picture",
    ] {
        let line = out
            .lines()
            .find(|l| l.trim().starts_with(&format!("{part}: load")));
        assert!(line.is_some_and(|l| l.contains(slower)), "{part}: {out}");
    }
    let bus = out
        .lines()
        .find(|l| l.trim().starts_with("panel bus: load"));
    assert!(!bus.unwrap().contains("emulated"), "{out}");
    let (_, out, _) = thumbreel(&["rehearse", "--board", "lantern-room", "--runs", "10"]);
    assert!(out.contains(slower), "{out}");

    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("gallery.toml");
    let mut board = Board::find("lantern-room").unwrap();
    board.cpu.instruction_set = InstructionSet::Rv32imc;
    std::fs::write(&path, board.to_toml()).unwrap();
    let path = path.to_str().unwrap();
    let named = "on an emulated rv32imc core (decode counts)";
    for command in [
        vec!["budget", "--json", "--board", path],
        vec!["rehearse", "--json", "--runs", "10", "--board", path],
    ] {
        let (_, out, _) = thumbreel(&command);
        let found = out.find(named).unwrap_or_else(|| panic!("{out}"));
        let after = &out[found..found + named.len() + 60];
        assert!(after.contains("\"provenance\": \"measured\""), "{after}");
    }
}
