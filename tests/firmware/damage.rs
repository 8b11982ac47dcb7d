//! What goes wrong between card and loop: the loop does what its README says,
//! and sound never plays garbage.

use super::films::Film;
use super::play::{
    Played, all_pictures, all_samples, assert_no_jump, expected, falls_to_zero, play, same_samples,
    with,
};
use super::tools::{EVERYWHERE, Target};
use crate::common::faults::Fault;
use thumbreel::reel::{CHUNK_HEADER, ChunkHeader, find_chunk, part_length};

/// Ticks of one slice, and samples of one fade.
const SLICE: usize = 1600;
const FADE: usize = 160;

fn film(coding: super::films::FilmCoding) -> Film {
    Film {
        slices: 24,
        coding,
        ..Film::default()
    }
}

/// Offset and header of slice number `n`.
fn slice(reel: &[u8], n: u32) -> (usize, ChunkHeader) {
    let id = crate::common::reels::header_of(reel).id_low();
    let mut at = 0;
    loop {
        let (offset, header) = find_chunk(&reel[at..], id, false).expect("the slice is there");
        if header.time == u64::from(n) * SLICE as u64 && header.ticks > 0 {
            return (at + offset, header);
        }
        at += offset + 16;
    }
}

/// Slices `from..to` are silent after a fall, and rise again; all else is the
/// film's sound, at its place.
fn silent_between(heard: &[i16], film: &[i16], from: usize, to: usize) {
    let (a, b) = (from * SLICE, to * SLICE);
    same_samples(&heard[..a], &film[..a]);
    falls_to_zero(&heard[a - 1..a + FADE]);
    assert!(
        heard[a + FADE..b].iter().all(|&s| s == 0),
        "not silent in the damage"
    );
    for i in b..b + FADE {
        assert!(
            heard[i].unsigned_abs() <= film[i].unsigned_abs(),
            "no rise at {i}"
        );
    }
    same_samples(&heard[b + FADE..film.len()], &film[b + FADE..]);
}

/// Pictures stand from the damage on until the next key slice; those that are
/// shown are right, and at their time.
fn stand_between(played: &Played, reel: &[u8], from: usize, key: usize) {
    let whole = expected(reel);
    let stands = |tick: u64| (from * SLICE..key * SLICE).contains(&(tick as usize));
    let want: Vec<_> = whole.pictures.iter().filter(|p| !stands(p.0)).collect();
    assert_eq!(played.pictures.len(), want.len());
    for (seen, want) in played.pictures.iter().zip(want) {
        assert_eq!(seen.tick, want.0);
        assert!(seen.pixels == want.1, "picture at tick {} differs", want.0);
    }
}

/// Where the parts of a slice begin in its chunk: sound, directory, pictures.
fn parts(reel: &[u8], n: u32) -> Vec<usize> {
    let (offset, header) = slice(reel, n);
    let directory = offset + CHUNK_HEADER + part_length(header.bytes as usize);
    let entries = header.directory_bytes();
    let mut parts = vec![offset + CHUNK_HEADER, directory];
    let mut at = directory + part_length(entries);
    for entry in reel[directory..][..entries].chunks(header.entry_bytes()) {
        parts.push(at);
        at += part_length(length(entry));
    }
    parts
}

/// Bytes of a picture's payload, by its entry in the directory.
fn length(entry: &[u8]) -> usize {
    u32::from_le_bytes([entry[0], entry[1], entry[2] & 0x3F, 0]) as usize
}

fn with_flip(reel: &[u8], at: usize) -> Vec<u8> {
    let mut hurt = reel.to_vec();
    let bit = at as u64 * 8 + 3;
    Fault::Flip { bit }.apply(&mut hurt);
    hurt
}

#[test]
fn a_flipped_bit_costs_the_part_that_it_hit() {
    for coding in super::events::codings() {
        let reel = film(coding).reel();
        let whole = expected(&reel);
        let parts = parts(&reel, 7);
        for target in EVERYWHERE {
            // The sound: all pictures are shown.
            let hurt = with_flip(&reel, parts[0] + 100);
            let played = play(target, &[&hurt], &with(&[("ring", 65_536)]));
            silent_between(&played.heard, &whole.samples, 7, 8);
            all_pictures(&played, &whole, 20);
            assert_eq!(played.get("damaged"), 1);
            // The directory or a picture: every sample is heard.
            for (at, stands) in [
                (parts[1] + 2, 0),
                (parts[2] + 3, 0),
                (parts[3] + 2, SLICE / 2),
            ] {
                let hurt = with_flip(&reel, at);
                let played = play(target, &[&hurt], &with(&[("ring", 65_536)]));
                all_samples(&played, &whole);
                let stands = 7 * SLICE + stands..9 * SLICE;
                let shown = |p: &&(u64, Vec<u8>)| !stands.contains(&(p.0 as usize));
                let want: Vec<_> = whole.pictures.iter().filter(shown).collect();
                assert_eq!(played.pictures.len(), want.len());
                for (seen, want) in played.pictures.iter().zip(want) {
                    assert!(
                        seen.tick == want.0 && seen.pixels == want.1,
                        "at {}",
                        want.0
                    );
                }
                assert_eq!(played.get("damaged"), 1);
            }
        }
    }
}

#[test]
fn a_flipped_bit_in_a_chunk_header_costs_no_more() {
    let reel = film(super::films::FilmCoding::Raw).reel();
    let whole = expected(&reel);
    let mut hurt = reel.clone();
    let bit = (slice(&reel, 7).0 as u64 + 13) * 8;
    Fault::Flip { bit }.apply(&mut hurt);
    let played = play(Target::Desk, &[&hurt], &with(&[("ring", 65_536)]));
    silent_between(&played.heard, &whole.samples, 7, 8);
    stand_between(&played, &reel, 7, 9);
}

#[test]
fn a_lost_sector_costs_its_slice_and_the_next_at_most() {
    for coding in super::events::codings() {
        let reel = film(coding).reel();
        let whole = expected(&reel);
        for fault in [
            Fault::Lose {
                sector: slice(&reel, 10).0 as u64 / 512 + 2,
            },
            Fault::Blank {
                sector: slice(&reel, 10).0 as u64 / 512 + 2,
            },
        ] {
            let mut hurt = reel.clone();
            fault.apply(&mut hurt);
            let played = play(Target::Desk, &[&hurt], &with(&[("ring", 65_536)]));
            let last = if matches!(fault, Fault::Lose { .. }) {
                12
            } else {
                11
            };
            silent_between(&played.heard, &whole.samples, 10, last);
            // The zeroed sector is all of the sound's.
            if last == 12 {
                stand_between(&played, &reel, 10, 12);
            } else {
                all_pictures(&played, &whole, 20);
            }
        }
    }
}

/// Sound stopped once in a fade, and went on exactly where it was.
fn stopped_once(heard: &[i16], film: &[i16]) -> usize {
    let stop = heard
        .iter()
        .zip(film)
        .position(|(a, b)| a != b)
        .expect("it stopped");
    falls_to_zero(&heard[stop - 1..stop + FADE]);
    let silence = heard[stop + FADE..].iter().position(|&s| s != 0).unwrap();
    let tail = &film[stop + FADE..];
    let on = heard.windows(tail.len()).position(|w| w == tail);
    let on = on.expect("sound goes on from where it stopped");
    assert!(on >= stop + FADE + silence);
    assert_no_jump(heard, film);
    silence
}

const STALL: u64 = 250;

#[test]
fn a_stall_is_ridden_out_by_what_was_read_ahead() {
    for coding in super::events::codings() {
        let reel = film(coding).reel();
        let whole = expected(&reel);
        let at = slice(&reel, 12).0 as u64;
        // Two cores: the ring buffer holds more than the stall lasts.
        let two = [
            ("ring", 200_000),
            ("background", 1),
            ("stall", STALL),
            ("stall_at", at),
        ];
        let played = play(Target::Desk, &[&reel], &with(&two));
        all_samples(&played, &whole);
        all_pictures(&played, &whole, 20);
        // One core waits with the card: the sound queue must last longer.
        let one = [
            ("ring", 200_000),
            ("queue", 8000),
            ("stall", STALL),
            ("stall_at", at),
        ];
        let played = play(Target::Desk, &[&reel], &with(&one));
        all_samples(&played, &whole);
    }
}

/// A read that takes longer than the queue lasts leaves zeros; what comes next
/// rises from there, and no sample is lost.
#[test]
fn sound_rises_again_after_the_queue_ran_empty() {
    for coding in super::events::codings() {
        let reel = film(coding).reel();
        let whole = expected(&reel).samples;
        for stall in [100, 137, 171, STALL] {
            let arguments = [
                ("ring", 200_000),
                ("queue", 700),
                ("stall", stall),
                ("stall_at", slice(&reel, 12).0 as u64),
            ];
            let played = play(Target::Desk, &[&reel], &with(&arguments));
            assert!(played.get("starved") >= 1, "the queue held");
            let heard = &played.heard;
            let stop = heard.iter().zip(&whole).position(|(a, b)| a != b);
            let stop = stop.expect("the queue held");
            let rest = &whole[stop + FADE..];
            let on = heard.windows(rest.len()).position(|w| w == rest);
            let on = on.expect("sound goes on with the very next sample");
            assert!(heard[stop..on - FADE].iter().all(|&s| s == 0));
            assert_no_jump(&heard[on - FADE - 1..], &whole);
        }
    }
}

#[test]
fn a_stall_longer_than_that_stops_and_refills() {
    for coding in super::events::codings() {
        let reel = film(coding).reel();
        let whole = expected(&reel);
        let at = slice(&reel, 12).0 as u64;
        let long = [
            ("ring", 30_000),
            ("background", 1),
            ("stall", 1200),
            ("stall_at", at),
        ];
        let played = play(Target::Desk, &[&reel], &with(&long));
        stopped_once(&played.heard, &whole.samples);
        assert_eq!(played.get("dry"), 1);
        let ticks: Vec<u64> = played.pictures.iter().map(|p| p.tick).collect();
        let all: Vec<u64> = whole.pictures.iter().map(|p| p.0).collect();
        assert_eq!(ticks, all, "no picture was lost");
    }
}

#[test]
fn a_card_that_is_taken_out_and_put_back() {
    for target in EVERYWHERE {
        let reel = film(super::films::FilmCoding::Raw).reel();
        let whole = expected(&reel);
        let gone = [("ring", 65_536), ("gone", 800), ("back", 2500)];
        let played = play(target, &[&reel], &with(&gone));
        let silence = stopped_once(&played.heard, &whole.samples);
        assert!(silence > 8000, "{silence} samples of silence");
        assert!(played.get("lost") >= 1);
        assert_eq!(played.pictures.len(), whole.pictures.len());
        assert_eq!(played.get("said"), 3);
    }
}

#[test]
fn a_card_that_stays_away_leaves_silence() {
    let reel = film(super::films::FilmCoding::Raw).reel();
    let whole = expected(&reel);
    let gone = [
        ("ring", 65_536),
        ("gone", 800),
        ("back", 60_000),
        ("limit", 5000),
    ];
    let played = play(Target::Desk, &[&reel], &with(&gone));
    let end = played.heard.iter().rposition(|&s| s != 0).unwrap();
    same_samples(&played.heard[..=end - FADE], &whole.samples[..=end - FADE]);
    assert!(played.heard.len() > end + 16_000);
    assert_no_jump(&played.heard, &whole.samples);
}

#[test]
fn a_picture_that_breaks_its_coding_stands_still_until_the_next_key() {
    for coding in super::events::codings() {
        let reel = film(coding).reel();
        let whole = expected(&reel);
        let parts = parts(&reel, 7);
        let mut hurt = reel.clone();
        hurt[parts[2]..parts[2] + 4].fill(0xFF);
        super::events::seal_part(&mut hurt, parts[2], length(&reel[parts[1]..]));
        let played = play(Target::Desk, &[&hurt], &with(&[("ring", 65_536)]));
        stand_between(&played, &reel, 7, 9);
        all_samples(&played, &whole);
    }
}

#[test]
fn a_gap_of_more_than_ten_seconds_is_passed_over_at_once() {
    let long = Film {
        slices: 140,
        ..Film::default()
    };
    let reel = long.reel();
    let whole = expected(&reel);
    let mut hurt = reel.clone();
    drop(hurt.drain(slice(&reel, 10).0..slice(&reel, 126).0));
    let played = play(Target::Desk, &[&hurt], &with(&[("ring", 65_536)]));
    same_samples(&played.heard[..10 * SLICE], &whole.samples[..10 * SLICE]);
    falls_to_zero(&played.heard[10 * SLICE - 1..10 * SLICE + FADE]);
    // The first slice after the jump is doubted, the second one confirms it.
    let rest = &whole.samples[127 * SLICE + FADE..];
    let on = played.heard.windows(rest.len()).position(|w| w == rest);
    assert!(on.expect("the rest is heard") < 20 * SLICE);
    assert_no_jump(&played.heard, &whole.samples);
}

#[test]
fn a_slow_bus_drops_pictures_and_keeps_the_sound() {
    for coding in super::events::codings() {
        let reel = film(coding).reel();
        let whole = expected(&reel);
        let slow = [
            ("access", 300),
            ("card", 2000),
            ("bus", 60),
            ("ring", 65_536),
            ("queue", 8000),
        ];
        let played = play(Target::Desk, &[&reel], &slow);
        all_samples(&played, &whole);
        assert!(played.pictures.len() < whole.pictures.len());
        let start = played.pictures[0].at;
        for seen in &played.pictures {
            let due = start + seen.tick * 1_000_000 / 16_000;
            assert!(seen.at < due + 400_000, "{} for {due}", seen.at);
        }
    }
}
