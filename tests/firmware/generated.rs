//! What `thumbreel firmware` writes: it compiles as it stands for every built-in board,
//! its arrays fit into the profile's memory, and it plays with its own configuration.

use super::card::{Image, Machine};
use super::films::{Film, FilmCoding};
use super::tools::{output, succeed};
use super::whole::{all_heard, judge, small_film};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use thumbreel::board::{Board, ByteOrder};
use thumbreel::budget::ReelFacts;
use thumbreel::coding::patch::Level;
use thumbreel::firmware::{Configuration, FirmwareError, Made};
use thumbreel::reel::{ReelFile, Wire};

/// What a stranger types; README.txt says so too.
const USUAL: [&str; 4] = ["-O2", "-Wall", "-Wextra", "-Werror"];
const EXTERNAL: &str = "-DBOARD_EXTERNAL_MEMORY=__attribute__((section(\".external\")))";
/// The files that depend on the configuration.
const OWN: [&str; 4] = ["main.c", "main_tasks.c", "tasks.c", "pins.c"];

/// A film that suits a board's panel.
fn film_for(board: &Board) -> Film {
    let panel = &board.panel;
    Film {
        width: panel.width,
        height: panel.height,
        offset: (panel.x_offset, panel.y_offset),
        rate: 10,
        slices: 3,
        clock_rate: board.sound.sample_rate,
        coding: FilmCoding::Patch(Level::Light),
        wire: Wire {
            bgr: panel.bgr,
            inverted: panel.inverted,
        },
        ..Film::default()
    }
}

fn made(path: &Path) -> Made {
    Made {
        name: path.display().to_string(),
        facts: ReelFacts::read(path).unwrap(),
        header: *ReelFile::open(path).unwrap().header(),
    }
}

fn write(configuration: &Configuration, folder: &Path) {
    fs::create_dir_all(folder).unwrap();
    for (name, text) in configuration.files() {
        fs::write(folder.join(name), text.as_bytes()).unwrap();
    }
}

/// Compiles files of a folder into a new folder beside it; returns the objects.
fn objects(compiler: &[&str], folder: &Path, files: &[String], more: &[&str]) -> PathBuf {
    let to = folder.join(format!("{}{}", compiler[0], more.concat().len()));
    fs::create_dir(&to).unwrap();
    let mut command = Command::new(compiler[0]);
    command
        .args(&compiler[1..])
        .args(USUAL)
        .args(more)
        .arg("-c");
    command.args(files.iter().map(|name| folder.join(name)));
    let said = output(command.current_dir(&to));
    let words = String::from_utf8_lossy(&said.stderr);
    assert!(
        said.status.success() && words.is_empty(),
        "{command:?}: {words}"
    );
    to
}

const ARM: [&str; 3] = ["arm-none-eabi-gcc", "-mcpu=cortex-m4", "-mthumb"];

/// Bytes of zeroed memory inside and outside that objects take, by binutils.
fn memory(objects: &Path) -> [u64; 2] {
    let mut command = Command::new("arm-none-eabi-size");
    let files = fs::read_dir(objects).unwrap();
    command.arg("-A").args(files.map(|f| f.unwrap().path()));
    let told = succeed(&mut command);
    [".bss", ".external"].map(|section| {
        let sizes = told.lines().filter_map(|line| {
            let mut words = line.split_whitespace();
            let is = words.next().is_some_and(|name| name.starts_with(section));
            is.then(|| words.next().unwrap().parse::<u64>().unwrap())
        });
        sizes.sum()
    })
}

/// All files of one folder, and for each board those that depend on it, for one loop and
/// for two tasks, with and without a reel.
#[test]
fn firmware_for_every_board_compiles_and_fits() {
    let folder = tempfile::tempdir().unwrap();
    let boards = Board::built_in();
    let fixed = folder.path().join("fixed");
    write(&Configuration::new(&boards[5], &[]).unwrap(), &fixed);
    let names = fs::read_dir(&fixed).unwrap();
    let mut all: Vec<String> = names
        .map(|f| f.unwrap().file_name().into_string().unwrap())
        .filter(|name| name.ends_with(".c") && !OWN.contains(&&**name))
        .collect();
    all.sort();
    assert_eq!(all.len(), 8, "{all:?}");
    let [state, _] = memory(&objects(&ARM, &fixed, &all, &[]));
    let each = |board: &Board| {
        let reel = folder.path().join(format!("{}.tbr", board.name));
        assert_eq!(board.panel.pixel_order, ByteOrder::HighFirst);
        fs::write(&reel, film_for(board).reel()).unwrap();
        for (kind, reels) in [("typical", vec![]), ("reel", vec![made(&reel)])] {
            let written = folder.path().join(format!("{}-{kind}", board.name));
            write(&Configuration::new(board, &reels).unwrap(), &written);
            compiles_and_fits(board, &written, state);
        }
    };
    std::thread::scope(|scope| {
        scope.spawn(|| objects(&["gcc"], &fixed, &all, &[]));
        scope.spawn(|| boards[..3].iter().for_each(each));
        boards[3..].iter().for_each(each);
    });
}

fn compiles_and_fits(board: &Board, folder: &Path, state: u64) {
    let own = OWN.map(str::to_owned);
    for tasks in ["-DBOARD_TASKS=0", "-DBOARD_TASKS=01"] {
        objects(&["gcc"], folder, &own, &[tasks]);
        let [inside, outside] = memory(&objects(&ARM, folder, &own, &[tasks, EXTERNAL]));
        let inside = inside + state;
        let what = format!("{} {tasks}: {inside} and {outside} bytes", board.name);
        assert!(inside <= u64::from(board.memory.internal_bytes), "{what}");
        assert!(outside <= u64::from(board.memory.external_bytes), "{what}");
        // The ring buffer gets what is left.
        let most = u64::from(board.memory.internal_bytes + board.memory.external_bytes);
        let is_typical = folder.display().to_string().ends_with("typical");
        assert!(!is_typical || (inside + outside) * 10 > most * 8, "{what}");
    }
    let text = fs::read_to_string(folder.join("README.txt")).unwrap();
    assert!(text.lines().count() <= 20, "{text}");
    let config = fs::read_to_string(folder.join("config.h")).unwrap();
    let marked = config.contains("FILL IN");
    assert_eq!(
        marked,
        board.memory.external_bytes > 0 && config.contains("EXTERNAL")
    );
    assert!(
        config.lines().all(|line| line.chars().count() <= 92),
        "{config}"
    );
}

/// A board of the emulated machine's size: its panel, its 64 KB.
const SMALL: &str = "
name = \"postcard\"
[panel]
width = 64
height = 48
x_offset = 26
y_offset = 1
[card]
shares_panel_bus = SHARED
[memory]
internal_bytes = 52000
[cpu]
clock_hz = 133_000_000
cores = 1
[player]
read_bytes = 2048
send_bytes = 1024
stack_bytes = 4096
[sound]
sample_rates = [16_000]
sample_rate = 16_000
block_samples = 160
";

/// The main program as it was written, with its own configuration, in one loop on a
/// Cortex-M3 and here, and in two tasks here, where they share a port under a mutex: a
/// card's image in, the panel's and the sound port's wires out.
#[test]
fn what_was_written_plays() {
    // Longer than the ring buffer: the card is read while pictures are sent.
    let film = Film {
        slices: 80,
        ..small_film()
    };
    let reel = film.reel();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("harbour.tbr");
    fs::write(&path, &reel).unwrap();
    let image = Image::new(64 << 20, 0, &["-F", "32", "-s", "1"]);
    image.put(&[("harbour.tbr", &reel[..])], "");
    for (machine, shared, tasks) in [(Machine::Small, "false", "0"), (Machine::Desk, "true", "1")] {
        let what = format!("{machine:?} shared {shared} tasks {tasks}");
        let board = Board::parse(&SMALL.replace("SHARED", shared), "postcard").unwrap();
        let written = folder.path().join(what.replace(' ', "-"));
        let configuration = Configuration::new(&board, &[made(&path)]).unwrap();
        write(&configuration, &written);
        let config = written.join("config.h");
        let text = fs::read_to_string(&config).unwrap();
        fs::write(
            &config,
            text.replace(
                "#define BOARD_TASKS 0",
                &format!("#define BOARD_TASKS {tasks}"),
            )
            .replace(
                "#define BOARD_TASKS 1",
                &format!("#define BOARD_TASKS {tasks}"),
            ),
        )
        .unwrap();
        let program = machine.generated(&written);
        let recorded = machine.play_program(&program, &image, &[], false);
        let films = judge(&recorded, &[&reel], &what);
        all_heard(&recorded, &films, &what);
        assert_eq!(recorded.rates, [16_000], "{what}");
        assert_eq!(
            recorded.counts[5..],
            [0, 0, 0],
            "{what}: dry, starved, lost"
        );
        assert!(
            recorded.cleared.iter().take(2 * 90).all(|&b| b == 0),
            "{what}"
        );
    }
}

#[test]
fn what_cannot_be_played_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let file = |name: &str, film: Film| {
        let path = folder.path().join(name);
        fs::write(&path, film.reel()).unwrap();
        made(&path)
    };
    let board = Board::find("tide-gauge").unwrap();
    let refused = |board: &Board, film: Film| {
        let reel = file("reel.tbr", film);
        Configuration::new(board, &[reel]).unwrap_err()
    };
    let good = film_for(&board);
    let jpeg = Film {
        coding: FilmCoding::Jpeg,
        ..good.clone()
    };
    assert!(matches!(refused(&board, jpeg), FirmwareError::Jpeg(_)));
    let other = Board::find("lantern-room").unwrap();
    for (film, what) in [
        (
            Film {
                offset: (27, 1),
                ..good.clone()
            },
            "edges",
        ),
        (
            Film {
                wire: Wire {
                    bgr: false,
                    ..good.wire
                },
                ..good.clone()
            },
            "red and blue",
        ),
        (
            Film {
                wire: Wire {
                    inverted: false,
                    ..good.wire
                },
                ..good.clone()
            },
            "inverted",
        ),
        (
            Film {
                format: ByteOrder::LowFirst,
                ..good.clone()
            },
            "order",
        ),
        (film_for(&other), "edges"),
    ] {
        let told = refused(&board, film).to_string();
        assert!(told.contains(what) && told.contains("convert"), "{told}");
    }
    let mut small = board.clone();
    small.memory.internal_bytes = 40_000;
    let told = refused(&small, good.clone());
    assert!(matches!(told, FirmwareError::Memory { .. }), "{told}");
    let mut wifi = board.clone();
    wifi.card = None;
    assert!(matches!(
        refused(&wifi, good.clone()),
        FirmwareError::NoCard(_)
    ));
    let mut wide = board;
    wide.panel.bits_per_pixel = 18;
    assert!(matches!(refused(&wide, good), FirmwareError::Pixels { .. }));
}
