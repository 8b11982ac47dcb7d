//! Reels from a card's image, through driver, file system and loop, to the wires of
//! panel and sound port: what arrives there is what the decoders in Rust and in Python
//! make of the reels.

use super::card::{Image, Machine, Recorded};
use super::films::{Film, FilmCoding};
use super::play::{Expected, expected};
use super::tools::root;
use crate::common::media::python;
use crate::common::reels::header_of;
use std::fs;
use thumbreel::coding::patch::Level;
use thumbreel::reel::{SoundCoding, crc32};

pub fn small_film() -> Film {
    Film {
        coding: FilmCoding::Patch(Level::Full),
        sound: SoundCoding::ImaAdpcm,
        offset: (26, 1),
        ..Film::default()
    }
}

/// Every picture that was shown is the one of its tick, and the last one stands.
fn judge_some(recorded: &Recorded, reel: &[u8], what: &str) {
    let h = header_of(reel);
    let place = [h.x_offset, h.y_offset, h.width, h.height].map(usize::from);
    let film = expected(reel);
    for (tick, memory) in &recorded.pictures {
        let wanted = film.pictures.iter().find(|(at, _)| at == tick);
        let shown = Recorded::window(memory, place);
        assert!(
            shown == wanted.expect(what).1,
            "{what}: tick {tick} differs"
        );
    }
    let last = |pictures: &[(u64, Vec<u8>)]| pictures.last().unwrap().0;
    assert_eq!(last(&recorded.pictures), last(&film.pictures), "{what}");
}

/// The panel after each picture, and the samples, by the Rust decoders.
pub fn judge(recorded: &Recorded, reels: &[&[u8]], what: &str) -> Vec<Expected> {
    let all: Vec<Expected> = reels.iter().map(|reel| expected(reel)).collect();
    let mut seen = recorded.pictures.iter();
    for (reel, film) in reels.iter().zip(&all) {
        let h = header_of(reel);
        let place = [h.x_offset, h.y_offset, h.width, h.height].map(usize::from);
        for (tick, pixels) in &film.pictures {
            let (at, memory) = seen.next().unwrap_or_else(|| panic!("{what}: too few"));
            assert_eq!(at, tick, "{what}");
            let shown = Recorded::window(memory, place);
            assert!(
                shown == *pixels,
                "{what}: the picture at tick {tick} differs"
            );
        }
    }
    assert!(seen.next().is_none(), "{what}: too many pictures");
    all
}

/// Every sample of the films, in one stretch each; all but the first one rise from zero
/// in 10 ms.
pub fn all_heard(recorded: &Recorded, films: &[Expected], what: &str) {
    let mut from = 0;
    for (i, film) in films.iter().enumerate() {
        let rise = if i == 0 {
            0
        } else {
            film.clock_rate as usize / 100
        };
        let samples = &film.samples[rise..];
        let heard = &recorded.heard[from..];
        let at = heard.windows(samples.len()).position(|w| w == samples);
        from += at.unwrap_or_else(|| panic!("{what}: sound of reel {i}")) + samples.len();
    }
}

/// What the reader in Python, written from the specification alone, says of reels.
fn second_reader(reels: &[&[u8]]) -> Vec<String> {
    let folder = tempfile::tempdir().unwrap();
    let mut command = python();
    command.arg(root().join("tests/reader/reel.py"));
    for (i, reel) in reels.iter().enumerate() {
        let path = folder.path().join(format!("{i}.tbr"));
        fs::write(&path, reel).unwrap();
        command.arg(path);
    }
    super::tools::succeed(&mut command)
        .lines()
        .map(str::to_owned)
        .collect()
}

/// The same words of what was seen and heard: the panel at each picture's time, also of
/// pictures that change nothing, in one checksum, low byte first.
fn words(recorded: &Recorded, film: &Film, reel: &[u8], expected: &Expected) -> String {
    let h = header_of(reel);
    let place = [h.x_offset, h.y_offset, h.width, h.height].map(usize::from);
    let count = film.slices * u64::from(film.pictures);
    let mut all = Vec::new();
    for number in 0..count {
        let now = number * u64::from(film.clock_rate) / u64::from(film.rate);
        let seen = recorded
            .pictures
            .iter()
            .rev()
            .find(|(tick, _)| *tick <= now);
        let pixels = Recorded::window(&seen.unwrap().1, place);
        all.extend(pixels.chunks_exact(2).flat_map(|p| [p[1], p[0]]));
    }
    let n = expected.samples.len();
    let first = recorded
        .heard
        .windows(n)
        .position(|w| w == expected.samples)
        .unwrap();
    let bytes: Vec<u8> = recorded.heard[first..first + n]
        .iter()
        .flat_map(|s| s.to_le_bytes())
        .collect();
    format!(
        "0.tbr samples {:08x} pictures {count} panels {:08x} whole",
        crc32(&bytes),
        crc32(&all)
    )
}

/// A small panel on a Cortex-M3 with 64 KB: a fragmented file with a long name, on a card
/// with addresses in bytes that is pulled in the middle and put back.
#[test]
fn a_pulled_card_plays_on_where_it_was() {
    pull_the_card(Machine::Small);
}

#[test]
fn a_pulled_card_plays_on_where_it_was_in_rust() {
    pull_the_card(Machine::RustSmall);
}

fn pull_the_card(machine: Machine) {
    let reel = small_film().reel();
    let image = Image::new(64 << 20, 0, &["-F", "32", "-s", "1"]);
    image.fragment(160, 1024);
    let name = "01 Harbour at dusk, seen from the gallery of the lighthouse.tbr";
    image.put(&[(name, &reel[..])], "");
    let pieces = image.pieces(name);
    assert!(pieces > 15, "in {pieces} pieces");
    let ring = 3 * u64::from(header_of(&reel).largest_chunk);
    let recorded = machine.play(&image, &[("pull", 8), ("ring", ring)], true);
    let films = judge(&recorded, &[&reel], "pulled");
    assert_eq!(recorded.counts[7], 1, "lost");
    // The sound breaks off once and goes on with the next sample, in a fall and a rise.
    let film = &films[0].samples;
    let fade = films[0].clock_rate as usize / 100;
    let begins = |part: &[i16]| recorded.heard.windows(part.len()).position(|w| w == part);
    let start = begins(&film[..fade]).expect("its beginning");
    let same = recorded.heard[start..]
        .iter()
        .zip(film)
        .take_while(|(a, b)| a == b)
        .count();
    let tail = recorded
        .heard
        .windows(fade)
        .rposition(|w| w == &film[film.len() - fade..]);
    let end = tail.expect("its end") + fade;
    let same_after = recorded.heard[..end].iter().rev().zip(film.iter().rev());
    let same_after = same_after.take_while(|(a, b)| a == b).count();
    assert!(
        same < film.len() && end - start > film.len(),
        "no break was heard"
    );
    assert!(
        same + same_after + fade >= film.len(),
        "{same} and {same_after} of {}",
        film.len()
    );
}

/// A whole 240x240 panel on rv32imc: a partitioned card of 4 GB with addresses in
/// blocks, a list in the order of names, among files that are none of it.
#[test]
fn a_list_of_reels_plays_on_a_whole_panel() {
    play_a_list(Machine::Large);
}

#[test]
fn a_list_of_reels_plays_on_a_whole_panel_in_rust() {
    play_a_list(Machine::RustLarge);
}

fn play_a_list(machine: Machine) {
    let large = Film {
        width: 240,
        height: 240,
        rate: 10,
        slices: 4,
        pictures: 4,
        coding: FilmCoding::Patch(Level::Full),
        sound: SoundCoding::PcmS16,
        ..Film::default()
    };
    let raw = Film {
        coding: FilmCoding::Raw,
        slices: 4,
        clock_rate: 24_000,
        ..small_film()
    };
    let foreign = Film {
        offset: (300, 1),
        slices: 2,
        ..small_film()
    };
    let (large, raw, foreign) = (large.reel(), raw.reel(), foreign.reel());
    let image = Image::new(4 << 30, 1 << 20, &["-F", "32", "-s", "8"]);
    image.mtool("mmd", &["::00 drawer.tbr"]);
    image.put(
        &[
            ("03 tide.TBR", &raw[..]),
            ("notes.txt", &b"none"[..]),
            ("02 away.tbr", &foreign[..]),
        ],
        "",
    );
    image.put(
        &[
            ("01 Møve over havnen.tbr", &large[..]),
            ("._01 none.tbr", &b"none"[..]),
        ],
        "",
    );
    let recorded = machine.play(&image, &[], false);
    let films = judge(&recorded, &[&large, &raw], "a list");
    all_heard(&recorded, &films, "a list");
    assert_eq!(recorded.counts[1..], [0; 7], "late to lost");
    assert_eq!(recorded.rates, [16_000, 24_000]);
    assert!(
        recorded.cleared.iter().all(|&b| b == 0),
        "not black at the start"
    );
    assert_eq!((recorded.address_mode, recorded.inverted), (0, false));
}

/// What arrives at the wires is what the reader in Python reads; on FAT16 as well.
#[test]
fn a_second_reader_in_python_sees_and_hears_the_same() {
    let reel = small_film().reel();
    let image = Image::new(32 << 20, 0, &["-F", "16", "-s", "4"]);
    image.put(&[("HARBOUR.TBR", &reel[..])], "");
    let read = second_reader(&[&reel]);
    for machine in [Machine::Small, Machine::RustSmall] {
        let recorded = machine.play(&image, &[], false);
        let films = judge(&recorded, &[&reel], "FAT16");
        let seen = words(&recorded, &small_film(), &reel, &films[0]);
        assert_eq!(read, [seen], "{machine:?}");
    }
}

/// All kinds of cards, good and bad wires, a card that comes late or goes for a while: a
/// simulated card that complains of a host that breaks its protocol.
#[test]
fn a_simulated_card_with_faults_loses_nothing() {
    let reel = small_film().reel();
    let image = Image::new(64 << 20, 0, &["-F", "32", "-s", "1"]);
    image.fragment(60, 1024);
    image.put(&[("harbour.tbr", &reel[..])], "");
    let ring = ("ring", 3 * u64::from(header_of(&reel).largest_chunk));
    let play = |arguments: &[(&str, u64)]| {
        Machine::Desk.play(&image, &[&[ring][..], arguments].concat(), false)
    };
    #[allow(clippy::type_complexity)] // a table, read once
    let cases: [(&str, u8, &[(&str, u64)]); 5] = [
        ("version 1", 0, &[("kind", 1)]),
        ("addresses in bytes", 0, &[("kind", 2)]),
        (
            "addresses in blocks, inverted panel",
            0xFF,
            &[("black", 255)],
        ),
        ("one byte in 20,000 wrong", 0, &[("flips", 20_000)]),
        (
            "one byte in 1,500 wrong",
            0,
            &[("flips", 1_500), ("kind", 1)],
        ),
    ];
    for (what, black, arguments) in cases {
        let recorded = play(arguments);
        let films = judge(&recorded, &[&reel], what);
        all_heard(&recorded, &films, what);
        assert_eq!(
            recorded.counts[5..],
            [0, 0, 0],
            "{what}: dry, starved, lost"
        );
        assert!(recorded.cleared.iter().all(|&b| b == black), "{what}");
    }
    let recorded = play(&[("out", 700_000), ("back", 2_000_000)]);
    judge(&recorded, &[&reel], "out for a while");
    assert_eq!(recorded.counts[7], 1, "out for a while: lost");
    let recorded = play(&[("lose", 40)]);
    judge_some(&recorded, &reel, "one block in 40 does not come");
    assert!(recorded.counts[7] > 0, "none was lost");
    let absent = play(&[("out", 0), ("back", 3_000_000)]);
    let films = judge(&absent, &[&reel], "no card at power-on");
    all_heard(&absent, &films, "no card at power-on");
}
