//! The loop in Rust on a board of this test's own, in simulated time: what is seen and heard is
//! what the decoders make of the reels, also in little memory and from a source that fails.

use super::films::{Film, FilmCoding};
use super::play::{Expected, expected};
use crate::common::reels::header_of;
use std::collections::VecDeque;
use thumbreel::coding::patch::Level;
use thumbreel::play::{Board, Fault, Memory, Now, Reach, Read, run};
use thumbreel::reel::{Header, SoundCoding};
use thumbreel::units::Rect;

/// Pixels of the panel.
const COLUMNS: usize = 320;
const ROWS: usize = 240;
/// Samples of the sound queue.
const QUEUE: usize = 8192;
/// Microseconds after which something is wrong.
const LONGEST: u64 = 60_000_000;

struct Desk<'a> {
    files: &'a [&'a [u8]],
    item: usize,
    at: usize,
    /// Every so many reads fail; 0: none does.
    fails: u32,
    reads: u32,
    /// Microseconds, and samples that are due, in millionths.
    now: u64,
    rest: u64,
    rate: u64,
    queue: VecDeque<i16>,
    heard: Vec<i16>,
    panel: Vec<u8>,
    window: Rect,
    written: usize,
    shown: u32,
    pictures: Vec<(u64, Vec<u8>)>,
    refused: Vec<(u32, Fault)>,
    counts: thumbreel::play::Counts,
    lost: u32,
}

impl<'a> Desk<'a> {
    fn new(files: &'a [&'a [u8]], fails: u32) -> Self {
        Self {
            files,
            item: 0,
            at: 0,
            fails,
            reads: 0,
            now: 0,
            rest: 0,
            rate: 0,
            queue: VecDeque::new(),
            heard: Vec::new(),
            panel: vec![0; 2 * COLUMNS * ROWS],
            window: Rect::default(),
            written: 0,
            shown: 0,
            pictures: Vec::new(),
            refused: Vec::new(),
            counts: thumbreel::play::Counts::default(),
            lost: 0,
        }
    }

    fn pass(&mut self, microseconds: u64) {
        self.now += microseconds;
        self.rest += microseconds * self.rate;
        for _ in 0..self.rest / 1_000_000 {
            self.heard.push(self.queue.pop_front().unwrap_or(0));
        }
        self.rest %= 1_000_000;
        assert!(self.now < LONGEST, "it does not end");
    }

    /// The picture's part of the panel.
    fn part(&self, h: &Header) -> Vec<u8> {
        let [x, y, w, rows] = [h.x_offset, h.y_offset, h.width, h.height].map(usize::from);
        (y..y + rows)
            .flat_map(|row| &self.panel[2 * (row * COLUMNS + x)..][..2 * w])
            .copied()
            .collect()
    }
}

impl Board for Desk<'_> {
    fn read(&mut self, to: &mut [u8]) -> Read {
        self.reads += 1;
        if self.fails > 0 && self.reads.is_multiple_of(self.fails) {
            return Read::Failed;
        }
        let rest = &self.files[self.item][self.at..];
        let n = rest.len().min(to.len());
        to[..n].copy_from_slice(&rest[..n]);
        self.at += n;
        self.pass(n as u64 / 2); // 2 MB/s
        if n == 0 {
            Read::End
        } else {
            Read::Bytes(n as u32)
        }
    }

    fn reach(&mut self, item: u32, offset: u64) -> Reach {
        let Some(file) = self.files.get(item as usize) else {
            return Reach::End;
        };
        self.item = item as usize;
        self.at = file.len().min(offset as usize);
        Reach::There
    }

    fn window(&mut self, window: Option<Rect>, pixels: impl Iterator<Item = [u8; 2]>) {
        if let Some(window) = window {
            (self.window, self.written) = (window, 0);
        }
        let w = self.window;
        for pixel in pixels {
            let (row, column) = (
                self.written / usize::from(w.w),
                self.written % usize::from(w.w),
            );
            assert!(row < w.h.into(), "pixels outside the window");
            let at = 2 * ((usize::from(w.y) + row) * COLUMNS + usize::from(w.x) + column);
            self.panel[at..at + 2].copy_from_slice(&pixel);
            self.written += 1;
        }
        self.pass(self.written as u64 / 5);
    }

    fn sound(&mut self, samples: &[i16]) -> u32 {
        let n = samples.len().min(QUEUE - self.queue.len());
        self.queue.extend(&samples[..n]);
        n as u32
    }

    fn sound_left(&mut self) -> u32 {
        self.queue.len() as u32
    }

    fn clock(&mut self) -> u32 {
        self.pass(1);
        self.now as u32
    }

    fn begin(&mut self, _: u32, header: &Header) -> bool {
        if header.sound != SoundCoding::None && u64::from(header.clock_rate) != self.rate {
            assert!(self.queue.is_empty(), "sound of another rate in the queue");
            self.rate = header.clock_rate.into();
        }
        true
    }

    fn refused(&mut self, item: u32, fault: Fault) {
        self.refused.push((item, fault));
    }

    fn between(&mut self, now: Now<'_>) {
        if now.counts().shown != self.shown {
            self.shown = now.counts().shown;
            let header = header_of(self.files[now.control.item() as usize]);
            self.pictures
                .push((now.position.unwrap(), self.part(&header)));
        }
        self.counts = *now.counts();
        self.lost = now.lost;
        self.pass(now.idle.into());
    }
}

/// Plays in so many times the largest chunk.
fn play<'a>(files: &'a [&'a [u8]], chunks: usize, fails: u32) -> Desk<'a> {
    let headers = files.iter().filter(|f| f.len() >= 512 && f[0] == 0xE7);
    let headers: Vec<Header> = headers.map(|f| header_of(f)).collect();
    let most = |of: fn(&Header) -> u32| headers.iter().map(of).max().unwrap_or(0) as usize;
    let chunk = most(|h| h.largest_chunk).max(512);
    let mut desk = Desk::new(files, fails);
    let memory = Memory {
        ring: &mut vec![0x5A; chunks * chunk],
        chunk: &mut vec![0x5A; chunk],
        work: &mut vec![0x5A; most(|h| h.working_memory)],
    };
    run(&mut desk, memory, false);
    desk
}

/// All pictures of the films, in order.
fn all_seen(desk: &Desk<'_>, films: &[&Expected], what: &str) {
    let wanted: Vec<_> = films.iter().flat_map(|film| &film.pictures).collect();
    assert_eq!(desk.pictures.len(), wanted.len(), "{what}");
    for ((tick, pixels), wanted) in desk.pictures.iter().zip(wanted) {
        assert_eq!(*tick, wanted.0, "{what}");
        assert!(*pixels == wanted.1, "{what}: the picture at {tick} differs");
    }
}

/// Where a stretch of sound lies, from sample `from` on.
fn heard_from(desk: &Desk<'_>, from: usize, samples: &[i16]) -> Option<usize> {
    let found = desk.heard[from..]
        .windows(samples.len())
        .position(|w| w == samples);
    Some(from + found?)
}

fn films() -> Vec<(&'static str, Film)> {
    let film = |coding, sound, rate| Film {
        coding,
        sound,
        clock_rate: rate,
        offset: (26, 1),
        ..Film::default()
    };
    vec![
        (
            "patch full, ADPCM",
            film(
                FilmCoding::Patch(Level::Full),
                SoundCoding::ImaAdpcm,
                16_000,
            ),
        ),
        (
            "patch light, dithered, PCM 8",
            Film {
                dither: true,
                ..film(FilmCoding::Patch(Level::Light), SoundCoding::PcmU8, 24_000)
            },
        ),
        (
            "raw, PCM 16",
            film(FilmCoding::Raw, SoundCoding::PcmS16, 16_000),
        ),
        (
            "patch, silent",
            film(FilmCoding::Patch(Level::Full), SoundCoding::None, 16_000),
        ),
    ]
}

#[test]
fn the_loop_in_rust_shows_and_sounds_what_the_reels_hold() {
    for (what, film) in films() {
        let reel = film.reel();
        let wanted = expected(&reel);
        for chunks in [1, 2, 5] {
            let files = [&reel[..]];
            let desk = play(&files, chunks, 0);
            let what = format!("{what}, {chunks} chunks");
            all_seen(&desk, &[&wanted], &what);
            assert_eq!((desk.counts.broken, desk.counts.starved), (0, 0), "{what}");
            if chunks > 1 && film.sound != SoundCoding::None {
                let heard = heard_from(&desk, 0, &wanted.samples);
                assert!(heard.is_some(), "{what}: sound");
            }
        }
    }
}

#[test]
fn a_list_in_rust_passes_over_what_it_cannot_play() {
    let mut reels: Vec<Vec<u8>> = films().iter().map(|(_, film)| film.reel()).collect();
    let films: Vec<Expected> = reels.iter().map(|reel| expected(reel)).collect();
    let jpeg = Film {
        coding: FilmCoding::Jpeg,
        ..Film::default()
    };
    reels.insert(1, b"no reel at all".to_vec());
    reels.insert(3, jpeg.reel());
    let list: Vec<&[u8]> = reels.iter().map(|reel| &reel[..]).collect();
    let desk = play(&list, 3, 0);
    all_seen(&desk, &films.iter().collect::<Vec<_>>(), "a list");
    let refused: Vec<u32> = desk.refused.iter().map(|(item, _)| *item).collect();
    assert_eq!(refused, [1, 3]);
    assert!(matches!(desk.refused[0].1, Fault::Reel(_)));
    assert_eq!(desk.refused[1].1, Fault::Coding);
    let mut from = 0;
    for (i, film) in films
        .iter()
        .enumerate()
        .filter(|(_, f)| !f.samples.is_empty())
    {
        // All but the first rise from zero in 10 ms.
        let rise = if i == 0 {
            0
        } else {
            film.clock_rate as usize / 100
        };
        let samples = &film.samples[rise..];
        let at = heard_from(&desk, from, samples);
        from = at.unwrap_or_else(|| panic!("sound of reel {i}")) + samples.len();
    }
    assert_eq!(desk.counts.starved, 0);
}

#[test]
fn a_source_that_fails_costs_no_picture_in_rust() {
    let (what, film) = films().remove(0);
    let reel = film.reel();
    let wanted = expected(&reel);
    let files = [&reel[..]];
    let desk = play(&files, 3, 25);
    all_seen(&desk, &[&wanted], what);
    assert!(desk.lost > 1, "{} failures", desk.lost);
}

#[test]
fn too_little_memory_is_said_in_rust() {
    let reel = films()[0].1.reel();
    let h = header_of(&reel);
    let largest = h.largest_chunk as usize;
    let cases = [
        (3 * largest, largest - 16, h.working_memory as usize),
        (512, largest, h.working_memory as usize),
        (3 * largest, largest, 100),
    ];
    for (ring, chunk, work) in cases {
        let files: [&[u8]; 1] = [&reel];
        let mut desk = Desk::new(&files, 0);
        let memory = Memory {
            ring: &mut vec![0; ring],
            chunk: &mut vec![0; chunk],
            work: &mut vec![0; work],
        };
        run(&mut desk, memory, false);
        assert_eq!(desk.refused, [(0, Fault::Memory)], "{ring} {chunk} {work}");
        assert!(desk.pictures.is_empty());
    }
}

/// A flip in every 600th place: nothing wrong is presented, and play goes on to the end.
#[test]
fn damage_shows_and_sounds_nothing_wrong_in_rust() {
    let reel = films()[0].1.reel();
    let wanted = expected(&reel);
    let mut whole = 0;
    for place in (1024..reel.len()).step_by(601) {
        let mut damaged = reel.clone();
        damaged[place] ^= 0x40;
        let files = [&damaged[..]];
        let desk = play(&files, 3, 0);
        for (tick, pixels) in &desk.pictures {
            let right = wanted.pictures.iter().find(|(at, _)| at == tick);
            assert!(right.unwrap().1 == *pixels, "{place}: tick {tick} differs");
        }
        whole += usize::from(desk.pictures.len() == wanted.pictures.len());
        assert!(desk.refused.is_empty(), "{place}");
    }
    assert!(whole > 0);
}
