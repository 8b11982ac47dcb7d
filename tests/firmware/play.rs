//! The playback loop on the fake board: every picture and sample is the Rust
//! decoder's, in step, in no more memory than the header states.

use super::films::{Film, FilmCoding, block_coding, harbour};
use super::rust_side::{panel_decoder, walk, wire};
use super::tools::{EVERYWHERE, Target};
use std::collections::HashMap;
use std::fs;
use thumbreel::reel::{ByteOrder, Event, SoundCoding, Wire};
use thumbreel::sound::decode_block;

/// A picture on the fake panel.
pub struct Seen {
    /// Its time in the reel, in ticks.
    pub tick: u64,
    /// When it was sent, in microseconds of the board's time.
    pub at: u64,
    /// The whole panel, in wire order.
    pub pixels: Vec<u8>,
}

/// What the board recorded.
pub struct Played {
    pub log: HashMap<String, u64>,
    pub pictures: Vec<Seen>,
    /// Samples from the first one that the player gave.
    pub heard: Vec<i16>,
    /// JPEG pictures as whole files, with their windows.
    pub jpegs: Vec<([u16; 4], Vec<u8>)>,
}

impl Played {
    pub fn get(&self, name: &str) -> u64 {
        self.log[name]
    }
}

/// What the Rust side makes of a reel.
pub struct Expected {
    pub clock_rate: u64,
    /// Tick and panel after each picture that changes something.
    pub pictures: Vec<(u64, Vec<u8>)>,
    pub samples: Vec<i16>,
}

/// Plays reels on `target`; `arguments` as `board/board.c` and `board/play.c`
/// read them.
pub fn play(target: Target, reels: &[&[u8]], arguments: &[(&str, u64)]) -> Played {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let mut words = vec![
        ("log", "log".to_owned()),
        ("pictures", "pictures".into()),
        ("samples", "samples".into()),
    ];
    let jpeg = crate::common::reels::header_of(reels[0]).coding == 1;
    if jpeg && !arguments.contains(&("no_jpeg", 1)) {
        words.push(("jpegs", "jpegs".into()));
    }
    for (reel, name) in reels.iter().zip(["reel", "reel2", "reel3"]) {
        fs::write(at.join(name), reel).unwrap();
        words.push((name, name.to_owned()));
    }
    words.extend(arguments.iter().map(|(k, v)| (*k, v.to_string())));
    target.run("play", at, &words);
    let log: HashMap<String, u64> = fs::read_to_string(at.join("log"))
        .unwrap()
        .lines()
        .filter_map(|line| line.split_once(' '))
        .map(|(name, value)| (name.to_owned(), value.parse().unwrap()))
        .collect();
    assert_eq!(
        log["guards"], 0,
        "memory beside ring or work was written to"
    );
    assert_eq!(log["wrong"], 0, "pixels were sent past their window");
    let samples = fs::read(at.join("samples")).unwrap();
    Played {
        pictures: pictures(&fs::read(at.join("pictures")).unwrap(), reels[0]),
        heard: samples
            .chunks_exact(2)
            .map(|b| i16::from_le_bytes([b[0], b[1]]))
            .collect::<Vec<_>>()[log["first_heard"] as usize..]
            .to_vec(),
        jpegs: fs::read(at.join("jpegs")).map_or(Vec::new(), |file| jpegs(&file)),
        log,
    }
}

fn pictures(file: &[u8], reel: &[u8]) -> Vec<Seen> {
    let header = crate::common::reels::header_of(reel);
    let panel = 2 * usize::from(header.width) * usize::from(header.height);
    let number = |b: &[u8]| u64::from_le_bytes(b.try_into().unwrap());
    file.chunks_exact(16 + panel)
        .map(|b| Seen {
            tick: number(&b[..8]),
            at: number(&b[8..16]),
            pixels: b[16..].to_vec(),
        })
        .collect()
}

/// What `record_jpeg` in `board/play.c` wrote.
fn jpegs(mut file: &[u8]) -> Vec<([u16; 4], Vec<u8>)> {
    let mut all = Vec::new();
    while let Some((head, rest)) = file.split_at_checked(12) {
        let word = |i: usize| u16::from_le_bytes([head[2 * i], head[2 * i + 1]]);
        let length = usize::from(word(0)) + (usize::from(word(1)) << 16);
        let window = [word(2), word(3), word(4), word(5)];
        all.push((window, rest[..length].to_vec()));
        file = &rest[length..];
    }
    all
}

pub fn expected(reel: &[u8]) -> Expected {
    let header = crate::common::reels::header_of(reel);
    let mut decoder = panel_decoder(&header).unwrap();
    let mut all = Expected {
        clock_rate: header.clock_rate.into(),
        pictures: Vec::new(),
        samples: Vec::new(),
    };
    walk(reel, |event| match event {
        Event::Sound { ticks, bytes, .. } => {
            let mut samples = vec![0; *ticks as usize];
            decode_block(block_coding(header.sound).unwrap(), bytes, &mut samples).unwrap();
            all.samples.extend(samples);
        }
        Event::Picture {
            tick,
            header: h,
            bytes,
            ..
        } => {
            decoder.decode(header.coding, h.flags, bytes).unwrap();
            if !h.is_unchanged() {
                all.pictures
                    .push((*tick, wire(&decoder, header.pixel_format)));
            }
        }
        _ => {}
    });
    all
}

/// A board that is quick enough: card 2 MB/s, bus 5 MB/s.
pub const QUICK: [(&str, u64); 3] = [("access", 300), ("card", 2000), ("bus", 5000)];

pub fn with(more: &[(&'static str, u64)]) -> Vec<(&'static str, u64)> {
    QUICK.iter().chain(more).copied().collect()
}

/// Every picture was shown with the right pixels, within a picture's time.
pub fn all_pictures(played: &Played, expected: &Expected, rate: u64) {
    assert_eq!(played.pictures.len(), expected.pictures.len());
    let start = played.pictures[0].at;
    for (seen, (tick, pixels)) in played.pictures.iter().zip(&expected.pictures) {
        assert_eq!(seen.tick, *tick);
        assert!(seen.pixels == *pixels, "picture at tick {tick} differs");
        let due = start + (tick - expected.pictures[0].0) * 1_000_000 / expected.clock_rate;
        assert!(
            seen.at.abs_diff(due) < 1_000_000 / rate,
            "{} for {due}",
            seen.at
        );
    }
}

/// Every sample was heard, then a fall to zero, then silence.
pub fn all_samples(played: &Played, expected: &Expected) {
    let n = expected.samples.len();
    same_samples(&played.heard[..n], &expected.samples);
    let fade = expected.clock_rate as usize / 100;
    assert!(played.heard[n + fade..].iter().all(|&s| s == 0));
    falls_to_zero(&played.heard[n - 1..n + fade]);
    assert_eq!(played.get("gaps"), 1, "the queue ran empty before the end");
}

/// The samples are equal; says where they are not.
pub fn same_samples(heard: &[i16], film: &[i16]) {
    assert_eq!(heard.len(), film.len(), "samples");
    let differs = heard.iter().zip(film).position(|(a, b)| a != b);
    assert_eq!(
        differs,
        None,
        "first sample that differs, of {}",
        film.len()
    );
}

/// No sample is larger than the one before.
pub fn falls_to_zero(samples: &[i16]) {
    for pair in samples.windows(2) {
        assert!(pair[1].unsigned_abs() <= pair[0].unsigned_abs(), "{pair:?}");
    }
    assert!(samples[samples.len() - 1].unsigned_abs() < 200);
}

#[test]
fn every_picture_and_sample_on_every_core() {
    let readme = fs::read_to_string(super::tools::firmware().join("README.md")).unwrap();
    for film in super::events::films() {
        let reel = film.reel();
        let expected = expected(&reel);
        for target in EVERYWHERE {
            let played = play(target, &[&reel], &with(&[("ring", 65_536)]));
            all_pictures(&played, &expected, film.rate.into());
            if film.sound != SoundCoding::None {
                all_samples(&played, &expected);
            }
            assert_eq!(played.get("said"), 3, "ended in peace");
            let (stack, player) = (played.get("stack"), played.get("player_bytes"));
            assert!(stack < 1024, "stack of {stack}");
            assert!(
                target == Target::Desk || player < 2355,
                "player of {player}"
            );
            let told = format!(
                "({},{:03} bytes on a Cortex-M4)",
                player / 1000,
                player % 1000
            );
            assert!(
                target != Target::CortexM4 || readme.contains(&told),
                "{told}"
            );
        }
    }
}

#[test]
fn play_starts_when_the_prebuffer_has_been_read() {
    let mut reel = Film::default().reel();
    for (prebuffer, earliest) in [(20_000_u32, 100_000), (60_000, 300_000)] {
        reel[124..128].copy_from_slice(&prebuffer.to_le_bytes());
        super::events::seal(&mut reel, 0, 508);
        let arguments = [("card", 200), ("bus", 5000), ("ring", 200_000)];
        let played = play(Target::Desk, &[&reel], &arguments);
        let first = played.pictures[0].at;
        assert!(
            (earliest..earliest + 350_000).contains(&first),
            "{first} for {prebuffer} bytes at 200 kB/s"
        );
        all_samples(&played, &expected(&reel));
    }
}

#[test]
fn the_headers_memory_is_enough() {
    // Exactly largest_chunk and working_memory, under guards: nothing can be
    // read ahead, so the sound queue must last for a slice.
    for film in super::events::films() {
        let reel = film.reel();
        let played = play(Target::Desk, &[&reel], &with(&[("queue", 8000)]));
        let expected = expected(&reel);
        all_pictures(&played, &expected, film.rate.into());
    }
}

#[test]
fn transfers_in_the_background_see_the_same_pixels() {
    for film in super::events::films() {
        let reel = film.reel();
        let expected = expected(&reel);
        for (ring, late) in [(0, 0), (20_000, 0), (65_536, 0), (0, 1), (65_536, 1)] {
            let arguments = with(&[("dma", 1), ("late", late), ("ring", ring), ("queue", 8000)]);
            let played = play(Target::Desk, &[&reel], &arguments);
            all_pictures(&played, &expected, film.rate.into());
        }
    }
}

/// The loop reaches the end, with every picture shown, in rings from the least
/// that it takes; where sound underruns, pictures that hold the memory must go. At
/// 60 a second one falls due when the sound is fading already.
#[test]
fn no_reel_freezes_in_a_small_ring() {
    for coding in super::events::codings() {
        for rate in [25, 60] {
            let film = Film {
                coding,
                rate,
                pictures: rate / 2,
                ..Film::default()
            };
            let reel = film.reel();
            let expected = expected(&reel);
            let largest = u64::from(crate::common::reels::header_of(&reel).largest_chunk);
            for (quarters, queue) in [(4, 512), (4, 2048), (6, 800), (8, 2048), (12, 2048)] {
                let ring = largest * quarters / 4;
                let arguments = with(&[("ring", ring), ("queue", queue)]);
                let played = play(Target::Desk, &[&reel], &arguments);
                let what = format!("{coding:?}, ring of {quarters}/4 largest chunks");
                assert_eq!(played.get("said"), 3, "{what}: not ended after a minute");
                assert_eq!(played.pictures.len(), expected.pictures.len(), "{what}");
                assert!(quarters < 12 || played.get("dry") == 0, "{what}");
            }
        }
    }
}

/// The source's pictures of a film that change something, and their ticks.
fn changing(film: &Film) -> Vec<(u64, Vec<u8>)> {
    (0..film.slices as u32 * film.pictures)
        .filter(|n| n % 7 != 5 || n % (film.pictures * film.key_every as u32) == 0)
        .map(|n| {
            let tick = u64::from(n) * u64::from(film.clock_rate) / u64::from(film.rate);
            (tick, harbour(film.width, film.height, n).0)
        })
        .collect()
}

/// Every JPEG picture reaches the hook whole, with its tables and its place: a
/// general-purpose decoder makes the source's picture of it.
#[test]
fn jpeg_pictures_reach_the_boards_own_decoder() {
    let film = Film {
        coding: FilmCoding::Jpeg,
        quality: 90,
        offset: (26, 1),
        ..Film::default()
    };
    let reel = film.reel();
    let source = changing(&film);
    let goal = 9_700;
    for (target, more) in [
        (Target::Desk, vec![]),
        (Target::Desk, vec![("ring", 20_000), ("socket", 1)]),
        (Target::Desk, vec![("ring", 20_000), ("background", 1)]),
        (
            Target::Desk,
            vec![("ring", 20_000), ("seek_at", 0), ("seek_to", goal)],
        ),
        (Target::CortexM4, vec![("ring", 20_000)]),
    ] {
        let played = play(target, &[&reel], &with(&more));
        let seeks = more.contains(&("seek_to", goal));
        let from = source.iter().rposition(|p| p.0 <= goal).unwrap();
        let want = if seeks { &source[from..] } else { &source[..] };
        assert_eq!(played.get("said"), 3);
        assert_eq!(played.get("broken"), 0);
        assert_eq!(played.jpegs.len(), want.len(), "{more:?}");
        for ((window, file), (tick, rgb)) in played.jpegs.iter().zip(want) {
            assert_eq!(*window, [26, 1, film.width, film.height]);
            let decoded = image::load_from_memory(file).unwrap().into_rgb8();
            assert_eq!(
                decoded.dimensions(),
                (film.width.into(), film.height.into())
            );
            let off = decoded
                .as_raw()
                .iter()
                .zip(rgb)
                .map(|(a, b)| u64::from(a.abs_diff(*b)));
            let mean = off.sum::<u64>() as f64 / rgb.len() as f64;
            assert!(mean < 8.0, "picture at {tick} is off by {mean}");
        }
    }
    // One that cannot be decoded is counted; without a decoder the reel is refused.
    let breaks = play(Target::Desk, &[&reel], &with(&[("jpeg_breaks", 1)]));
    assert_eq!(breaks.get("broken"), source.len() as u64);
    assert_eq!(breaks.get("shown"), 0);
    let none = play(Target::Desk, &[&reel], &with(&[("no_jpeg", 1)]));
    assert_eq!((none.get("error"), none.get("said")), (1, 204));
}

/// The ring buffer must hold the tables too, where slices are smaller: what does
/// not fit is said (TBR_MEMORY), not passed over.
#[test]
fn jpeg_tables_that_do_not_fit_the_ring_are_refused() {
    let film = Film {
        coding: FilmCoding::Jpeg,
        quality: 70,
        rate: 60,
        pictures: 1,
        sound: SoundCoding::ImaAdpcm,
        width: 48,
        height: 36,
        ..Film::default()
    };
    let reel = film.reel();
    let header = crate::common::reels::header_of(&reel);
    let (slice, tables) = (header.largest_chunk, header.tables_length);
    assert!((512..tables).contains(&slice), "{slice} and {tables} bytes");
    let small = play(Target::Desk, &[&reel], &with(&[("ring", slice.into())]));
    assert_eq!((small.get("error"), small.get("said")), (1, 401));
    assert_eq!(small.get("shown"), 0);
    let enough = play(Target::Desk, &[&reel], &with(&[("ring", tables.into())]));
    assert_eq!((enough.get("error"), enough.get("said")), (0, 3));
    assert!(enough.get("shown") > 0);
}

/// A pixel as the viewer sees it: five bits of red, six of green, five of blue.
fn seen_colour(bytes: &[u8], film: &Film) -> [i32; 3] {
    let both = [bytes[0], bytes[1]];
    let pixel = match film.format {
        ByteOrder::HighFirst => u16::from_be_bytes(both),
        ByteOrder::LowFirst => u16::from_le_bytes(both),
    };
    // An inverted panel shows the complement of what it is sent; a swapped one
    // takes its highest bits for blue.
    let shown = i32::from(if film.wire.inverted { !pixel } else { pixel });
    let (first, green, last) = (shown >> 11, shown >> 5 & 63, shown & 31);
    match film.wire.bgr {
        true => [last, green, first],
        false => [first, green, last],
    }
}

/// What is sent to inverted and swapped panels shows the source's own colours.
#[test]
fn inverted_and_swapped_panels_show_the_sources_colours() {
    for (i, coding) in super::events::codings().into_iter().enumerate() {
        for kind in 0..8 {
            let film = Film {
                coding,
                quality: 90,
                dither: i == 1,
                slices: 3,
                wire: Wire {
                    bgr: kind & 1 != 0,
                    inverted: kind & 2 != 0,
                },
                format: match kind & 4 {
                    0 => ByteOrder::HighFirst,
                    _ => ByteOrder::LowFirst,
                },
                ..Film::default()
            };
            let played = play(Target::Desk, &[&film.reel()], &with(&[("ring", 65_536)]));
            assert!(played.pictures.len() > 4);
            for seen in &played.pictures {
                let number = seen.tick * u64::from(film.rate) / u64::from(film.clock_rate);
                let source = harbour(film.width, film.height, number as u32).1;
                let mut off = [0; 3];
                for (bytes, &want) in seen.pixels.chunks_exact(2).zip(&source) {
                    let colour = seen_colour(bytes, &film);
                    let want = i32::from(want);
                    let want = [want >> 11, want >> 5 & 63, want & 31];
                    (0..3).for_each(|c| off[c] += colour[c].abs_diff(want[c]));
                }
                // Red, green and blue are off by so many hundredths of a level.
                let off = off.map(|n| 100 * n / source.len() as u32);
                let most = if coding == FilmCoding::Raw { 0 } else { 150 };
                assert!(
                    off.iter().all(|&n| n <= most),
                    "{coding:?} {:?} {:?}: {off:?}",
                    film.wire,
                    film.format
                );
            }
        }
    }
}

#[test]
fn two_cores_play_the_same() {
    for film in super::events::films() {
        let reel = film.reel();
        let expected = expected(&reel);
        let arguments = with(&[("background", 1), ("dma", 1), ("ring", 65_536)]);
        let played = play(Target::Desk, &[&reel], &arguments);
        all_pictures(&played, &expected, film.rate.into());
        if film.sound != SoundCoding::None {
            all_samples(&played, &expected);
        }
    }
}

#[test]
fn a_socket_that_cannot_seek_plays_too() {
    let film = Film::default();
    let reel = film.reel();
    let played = play(
        Target::Desk,
        &[&reel],
        &with(&[("socket", 1), ("ring", 40_000)]),
    );
    let expected = expected(&reel);
    all_pictures(&played, &expected, film.rate.into());
    all_samples(&played, &expected);
}

#[test]
fn a_list_plays_through_and_goes_round() {
    let first = Film::default();
    let second = Film {
        slices: 5,
        title: "The lamp",
        ..Film::default()
    };
    let (a, b) = (first.reel(), second.reel());
    let played = play(Target::Desk, &[&a, &b], &with(&[("ring", 65_536)]));
    let (one, two) = (expected(&a), expected(&b));
    assert_eq!(
        played.pictures.len(),
        one.pictures.len() + two.pictures.len()
    );
    same_samples(&played.heard[..one.samples.len()], &one.samples);
    let round = play(
        Target::Desk,
        &[&b],
        &with(&[("ring", 65_536), ("loop", 1), ("limit", 4000)]),
    );
    assert!(round.pictures.len() > 3 * two.pictures.len());
    assert_eq!(round.get("gaps"), 0, "no silence between rounds");
}

#[test]
fn pause_stands_still_and_goes_on_where_it_was() {
    let reel = Film {
        slices: 30,
        ..Film::default()
    }
    .reel();
    let expected = expected(&reel);
    let arguments = with(&[("ring", 65_536), ("pause_at", 700), ("resume_at", 1500)]);
    let played = play(Target::Desk, &[&reel], &arguments);
    let total: Vec<u64> = played.pictures.iter().map(|p| p.tick).collect();
    let want: Vec<u64> = expected.pictures.iter().map(|p| p.0).collect();
    assert_eq!(total, want, "no picture was lost");
    let longest = played
        .pictures
        .windows(2)
        .map(|p| p[1].at - p[0].at)
        .max()
        .unwrap();
    assert!((700_000..1_000_000).contains(&longest), "{longest}");
    assert_no_jump(&played.heard, &expected.samples);
}

/// Sound never changes faster than the film itself does at its steepest, or
/// than a fade from full scale does.
pub fn assert_no_jump(heard: &[i16], film: &[i16]) {
    let steepest = |s: &[i16]| s.windows(2).map(|p| p[1].abs_diff(p[0])).max().unwrap();
    let most = steepest(film) + 32_768 / 80;
    assert!(
        steepest(heard) <= most,
        "{} against {most}",
        steepest(heard)
    );
}

#[test]
fn seek_shows_the_right_picture_and_sound() {
    let film = Film {
        slices: 60,
        ..Film::default()
    };
    for coding in super::events::codings() {
        let reel = Film {
            coding,
            ..film.clone()
        }
        .reel();
        let expected = expected(&reel);
        let goal = 60_123;
        let arguments = with(&[("ring", 65_536), ("seek_at", 500), ("seek_to", goal)]);
        let played = play(Target::Desk, &[&reel], &arguments);
        let after = played
            .pictures
            .iter()
            .position(|p| p.tick > 40_000)
            .unwrap();
        // Of patch, the picture that was on at the goal is the first one sent;
        // raw ones build on each other, and are sent from the key slice on.
        let first = played.pictures[after].tick;
        let on = expected
            .pictures
            .iter()
            .rposition(|p| p.0 <= goal.min(first))
            .unwrap();
        let at_goal = expected.pictures.iter().rfind(|p| p.0 <= goal).unwrap();
        assert!(
            first <= goal && (coding == FilmCoding::Raw || first == at_goal.0),
            "{coding:?}: {first}"
        );
        for (seen, want) in played.pictures[after..]
            .iter()
            .zip(&expected.pictures[on..])
        {
            assert_eq!(seen.tick, want.0);
            assert!(seen.pixels == want.1, "picture at tick {} differs", want.0);
        }
        // Sound ends with exactly the rest of the film, but for the rise.
        let rest = &expected.samples[goal as usize + 200..];
        let end = played.heard.windows(rest.len()).position(|w| w == rest);
        assert!(end.is_some(), "the film's rest was not heard");
        assert_no_jump(&played.heard, &expected.samples);
    }
}

#[test]
fn volume_moves_without_a_jump_and_stop_ends_in_silence() {
    let reel = Film {
        slices: 30,
        ..Film::default()
    }
    .reel();
    let film = expected(&reel).samples;
    let arguments = with(&[
        ("ring", 65_536),
        ("volume_at", 400),
        ("volume", 8192),
        ("stop_at", 1000),
    ]);
    let played = play(Target::Desk, &[&reel], &arguments);
    assert_no_jump(&played.heard, &film);
    let quiet = &played.heard[12_000..13_000];
    for (s, f) in quiet.iter().zip(&film[12_000..]) {
        assert!(s.abs_diff(f / 4) <= 1, "{s} for {f}");
    }
    assert!(played.heard.len() < 20_000);
    assert!(
        played.heard[played.heard.len() - 300..]
            .iter()
            .all(|&s| s == 0)
    );
}
