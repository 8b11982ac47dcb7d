//! Lists of reels: the sound port's rate, a card that comes late, reels that
//! cannot be played, and card and panel on one port under two tasks.

use std::collections::BTreeMap;
use std::path::Path;

use thumbreel::board::Board;
use thumbreel::coding::patch::Level;
use thumbreel::reel::SoundCoding;

use crate::boards::{Link, words};
use crate::build::{Build, program, run};
use crate::clip::{Figures, figures};
use crate::common::media::folder;
use crate::films::{Film, FilmCoding};

/// Three seconds with sound of so many samples per second; without any at 0.
fn film(clock_rate: u32) -> Film {
    Film {
        clock_rate: if clock_rate == 0 { 16_000 } else { clock_rate },
        sound: match clock_rate {
            0 => SoundCoding::None,
            _ => SoundCoding::PcmS16,
        },
        coding: FilmCoding::Patch(Level::Light),
        slices: 30,
        ..Film::default()
    }
}

/// Plays reels in a row on a 64x48 panel; a word of `more` counts before the same
/// of the plain board.
fn play(reels: &[&[u8]], more: &str) -> Figures {
    let folder = folder();
    let mut all = BTreeMap::new();
    let plain = "width=64 height=48 queue=14400 blocks=60 cores=2 dma=1";
    for word in plain.split(' ').chain(more.split_whitespace()) {
        let (key, value) = word.split_once('=').unwrap();
        all.insert(key.to_owned(), value.to_owned());
    }
    for (reel, key) in reels.iter().zip(["reel", "reel2", "reel3"]) {
        let path = folder.path().join(key);
        std::fs::write(&path, reel).unwrap();
        all.insert(key.into(), path.display().to_string());
    }
    let words: Vec<String> = all.iter().map(|(k, v)| format!("{k}={v}")).collect();
    figures(&run(&program("play", Build::Plain), &words), ' ')
}

/// Largest step of the reels' own sound, and of a fade from their peak in 10 ms.
fn most_step(alone: &[Figures]) -> f64 {
    let steps = alone
        .iter()
        .map(|log| log["step"] + log["peak"] * 100.0 / log["rate"] + 8.0);
    steps.fold(0.0, f64::max)
}

/// All was seen and heard in time, without a step, and ended in peace.
fn assert_plays(what: &str, log: &Figures, alone: &[Figures]) {
    let shown: f64 = alone.iter().map(|log| log["shown"]).sum();
    assert_eq!((log["verdict"], log["said"]), (0.0, 3.0), "{what}: {log:?}");
    assert_eq!(log["shown"], shown, "{what}: {log:?}");
    assert_eq!(log["late"] + log["waiting"], 0.0, "{what}: {log:?}");
    assert_eq!(log["thrown"], 0.0, "samples are lost, {what}: {log:?}");
    assert!(
        log["step"] <= most_step(alone),
        "{what}: of {}, {log:?}",
        most_step(alone)
    );
}

fn alone(reels: &[&[u8]]) -> Vec<Figures> {
    reels.iter().map(|reel| play(&[reel], "")).collect()
}

const CORES: [&str; 4] = [
    "cores=2",
    "cores=1",
    "cores=1 by_blocks=0 queue=4000 blocks=10",
    "cores=2 tasks=1 card_shares_bus=1 mutex=1",
];

/// One ITEM for each reel, after everything before it was heard where the rate
/// changes: the maker can set the port then.
#[test]
fn the_port_is_set_between_reels_of_different_rates() {
    let reels = [48_000, 24_000, 48_000].map(|rate| film(rate).reel());
    let reels = reels.each_ref().map(Vec::as_slice);
    let alone = alone(&reels);
    for cores in CORES {
        let log = play(&reels, cores);
        assert_plays(cores, &log, &alone);
        assert_eq!((log["told"], log["rates"]), (3.0, 3.0), "{cores}: {log:?}");
        let given: f64 = 3.0 * (48_000.0 + 24_000.0 + 48_000.0);
        // Each ends in a fall of 10 ms.
        assert!(
            (given..given + 1300.0).contains(&log["given"]),
            "{cores}: {log:?}"
        );
        for (i, (rate, before)) in [(48_000.0, 0), (24_000.0, 1), (48_000.0, 2)]
            .into_iter()
            .enumerate()
        {
            let told = |key: &str| log[&format!("{key}{i}")];
            let shown: f64 = alone[..before].iter().map(|log| log["shown"]).sum();
            assert_eq!(told("item"), i as f64, "{cores}");
            assert_eq!(told("rate"), rate, "{cores}");
            assert_eq!(told("left"), 0.0, "{cores}: sound waits at item {i}");
            assert_eq!(told("shown"), shown, "{cores}: pictures wait at item {i}");
        }
    }
}

#[test]
fn reels_of_one_rate_follow_without_a_break() {
    let reels = [film(24_000).reel(), film(24_000).reel()];
    let reels = reels.each_ref().map(Vec::as_slice);
    let alone = alone(&reels);
    for cores in CORES {
        let log = play(&reels, cores);
        assert_plays(cores, &log, &alone);
        assert_eq!((log["told"], log["rates"]), (2.0, 1.0), "{cores}: {log:?}");
        assert!(log["left1"] > 0.0, "the queue ran empty, {cores}: {log:?}");
    }
}

/// A reel without sound leaves the port alone, and lasts as long as its last
/// picture.
#[test]
fn reels_without_sound_leave_the_port_alone() {
    let reels = [24_000, 0, 0, 24_000].map(|rate| film(rate).reel());
    let reels = reels.each_ref().map(Vec::as_slice);
    for list in [[0, 1, 3], [1, 2, 3], [0, 1, 2]].map(|list| list.map(|i| reels[i])) {
        let alone = alone(&list);
        let sounds = alone.iter().any(|log| log["rate"] == 24_000.0);
        for cores in CORES {
            let log = play(&list, cores);
            assert_plays(cores, &log, &alone);
            assert_eq!((log["told"], log["rates"]), (3.0, 1.0), "{cores}: {log:?}");
            assert!(sounds);
            for i in 0..3 {
                assert_eq!(log[&format!("left{i}")], 0.0, "item {i}, {cores}: {log:?}");
            }
            // Each reel lasts three seconds, its last picture too.
            let passed = (log["at2"] - log["at1"]) / 1e9;
            assert!((2.99..3.3).contains(&passed), "{cores}: {passed} s");
        }
    }
}

/// Without a card at power-on, and at every moment of a list, play waits for it
/// and goes on.
#[test]
fn a_card_that_is_not_ready_is_waited_for() {
    let reels = [film(24_000).reel(), film(24_000).reel()];
    let reels = reels.each_ref().map(Vec::as_slice);
    let alone = alone(&reels);
    let shown: f64 = alone.iter().map(|log| log["shown"]).sum();
    for cores in CORES {
        let log = play(&reels, &format!("{cores} gone_until_ms=1000"));
        assert_plays(cores, &log, &alone);
        assert!(log["lost"] >= 3.0, "{cores}: {log:?}");
        assert!(log["given"] >= 6.0 * 24_000.0, "{cores}: {log:?}");
        assert!(log["at0"] >= 1e9, "{cores}: {log:?}");
        for from in (0..6400).step_by(400) {
            let gone = format!("gone_from_ms={from} gone_until_ms={}", from + 700);
            let log = play(&reels, &format!("{cores} {gone}"));
            let what = format!("{cores} {gone}: {log:?}");
            assert_eq!((log["verdict"], log["said"]), (0.0, 3.0), "{what}");
            assert_eq!((log["shown"], log["told"]), (shown, 2.0), "{what}");
            assert!(log["given"] >= 6.0 * 24_000.0, "{what}");
            assert!(log["step"] <= most_step(&alone), "{what}");
        }
    }
}

/// A reel that cannot be played names itself, and the list goes on behind it.
#[test]
fn a_list_goes_on_behind_a_bad_reel() {
    let good = film(24_000).reel();
    let mut headless = good.clone();
    headless[..1024].fill(0);
    let large = Film {
        width: 160,
        height: 120,
        ..film(24_000)
    }
    .reel();
    let work = crate::common::reels::header_of(&good).working_memory;
    let alone = alone(&[&good, &good]);
    // Not a reel; not enough memory for its pictures, and for its slices.
    let ring = 6 * crate::common::reels::header_of(&good).largest_chunk;
    let raw = Film {
        coding: FilmCoding::Raw,
        pictures: 20,
        slices: 3,
        ..film(24_000)
    }
    .reel();
    assert!(crate::common::reels::header_of(&raw).largest_chunk > ring);
    for (bad, error) in [(&headless, -101.0), (&large, -401.0), (&raw, -401.0)] {
        for cores in CORES {
            let more = format!("{cores} skips=1 work={work} ring={ring}");
            let log = play(&[&good, bad, &good], &more);
            assert_plays(&more, &log, &alone);
            let errors: Vec<usize> = (0..log["told"] as usize)
                .filter(|i| log[&format!("error{i}")] != 0.0)
                .collect();
            let [at] = errors[..] else {
                panic!("{more}: {log:?}");
            };
            assert_eq!(log[&format!("error{at}")], error, "{more}: {log:?}");
            assert_eq!(log[&format!("item{at}")], 1.0, "{more}: {log:?}");
            let last = log["told"] as usize - 1;
            assert_eq!(log[&format!("item{last}")], 2.0, "{more}: {log:?}");
            assert_eq!(log["port_dry"], 0.0, "{more}: {log:?}");
            // Without the maker's word it ends there.
            let ends = play(&[&good, bad, &good], &more.replace("skips=1", "skips=0"));
            assert_eq!(ends["said"], error, "{more}: {ends:?}");
            assert!(ends["step"] <= most_step(&alone), "{more}: {ends:?}");
        }
    }
}

/// At ITEM the maker passes over a reel for another panel: nothing of it is shown
/// or heard.
#[test]
fn a_reel_for_another_panel_is_passed_over() {
    let good = film(24_000).reel();
    let foreign = |rate| {
        Film {
            offset: (26, 1),
            ..film(rate)
        }
        .reel()
    };
    let alone = alone(&[&good]);
    for rate in [24_000, 48_000, 0] {
        for cores in CORES {
            for list in [
                [foreign(rate), good.clone(), foreign(rate)],
                [foreign(rate), foreign(rate), good.clone()],
            ] {
                let list = list.each_ref().map(Vec::as_slice);
                let what = format!("{cores} checks=1");
                let log = play(&list, &what);
                assert_plays(&what, &log, &alone);
                assert_eq!(log["told"], 3.0, "{what}: {log:?}");
                assert_eq!(log["overruns"] + log["cut"], 0.0, "{what}: {log:?}");
                let heard = 3.0 * 24_000.0;
                assert!(
                    (heard..heard + 300.0).contains(&log["given"]),
                    "{what}: {log:?}"
                );
            }
        }
    }
}

/// Card and panel on one port, fetch and present as two tasks on one core, a
/// driver that waits for its interrupts under a mutex: nothing freezes, and a
/// queue of 0.3 s has no gap while the card stalls as the profile says; one of 0.1
/// s has.
#[test]
fn a_shared_port_under_two_tasks() {
    let board = Board::find("tide-gauge").unwrap();
    let card = board.card.as_ref().unwrap();
    assert!(card.shares_panel_bus);
    let (x, y) = (board.panel.x_offset, board.panel.y_offset);
    let rate = board.sound.sample_rate;
    let reel = Film {
        width: board.panel.width,
        height: board.panel.height,
        offset: (x, y),
        ..film(rate)
    };
    let reel = Film {
        slices: 200,
        ..reel
    };
    let (reel, folder) = (reel.reel(), folder());
    let path = folder.path().join("reel");
    std::fs::write(&path, &reel).unwrap();
    let worst = card.stalls.worst_ms as u32;
    for (stalls, queue_ms, gaps) in [
        ((30, worst), 300, false),
        ((200, 250), 300, false),
        ((200, 250), 100, true),
    ] {
        let more = format!(
            "cores=2 tasks=1 mutex=1 card_shares_bus=1 stall_every_ms=2000 stall_least_ms={} \
             stall_most_ms={} queue={} blocks={} ring={}",
            stalls.0,
            stalls.1,
            rate / 1000 * queue_ms,
            queue_ms / 10,
            12 * crate::common::reels::header_of(&reel).largest_chunk,
        );
        let log = shared(&board, &path, &more);
        let what = format!("{more}: {log:?}");
        assert_eq!((log["verdict"], log["said"]), (0.0, 3.0), "{what}");
        assert_eq!(log["starved"] > 0.0, gaps, "{what}");
        assert_eq!(log["port_dry"] > 0.0, gaps, "{what}");
        assert!(log["longest_wait"] < 0.7e9, "{what}");
        assert_eq!(log["dry"], 0.0, "{what}");
    }
}

/// The board's own words, but for those of `more`.
fn shared(board: &Board, reel: &Path, more: &str) -> Figures {
    let key = |word: &str| word.split('=').next().unwrap().to_owned();
    let mut all: Vec<String> = more.split_whitespace().map(str::to_owned).collect();
    let own = words(board, Link::Card, reel, false);
    let own: Vec<String> = own
        .into_iter()
        .filter(|word| !all.iter().any(|a| key(a) == key(word)))
        .collect();
    all.extend(own);
    figures(&run(&program("play", Build::Plain), &all), ' ')
}
