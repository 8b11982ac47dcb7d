//! Files kept for ever: reels of every released version stay readable.
//!
//! `tests/data/archive/README.md` says how they are made. Each line of a
//! version's `LIST` is a file, the CRC-32 of all that it presents, and that of
//! all that a panel shows and a speaker plays.

use crate::common::reels::{slice_ends, write_reel};
use std::f64::consts::TAU;
use std::fs;
use std::io::Cursor;
use std::path::{Path, PathBuf};
use thumbreel::coding::patch::Level;
use thumbreel::coding::{
    self, ByteOrder, Coding, EncoderPlan, Limits, PanelDecoder, PanelSettings, PictureEncoder,
    PictureIn, RawEncoder, Weights,
};
use thumbreel::reel::{
    Event, LiveWriter, Picture, Poster, ReelFile, Settings, Shape, Slice, SoundCoding, repair,
    split, verify,
};
use thumbreel::sound::{self, BlockEncoder};
use thumbreel::units::Ratio;

fn archive() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/archive")
}

/// One number for everything a reader presents, in order.
fn presented(reel: &[u8]) -> String {
    let mut file = ReelFile::new(Cursor::new(reel)).unwrap();
    let mut sum = crc32fast::Hasher::new();
    while let Some(()) = file
        .next_event(|event| match event {
            Event::Sound { tick, bytes, .. } | Event::Picture { tick, bytes, .. } => {
                sum.update(&tick.to_le_bytes());
                sum.update(bytes);
            }
            Event::Chunk(_, bytes) => sum.update(bytes),
            Event::Damage(damage) => panic!("{damage:?}"),
            Event::Stale { tick, .. } => sum.update(&tick.to_le_bytes()),
            Event::Header(_) | Event::Slice(_) | Event::End(_) => {}
        })
        .unwrap()
    {}
    format!("{:08x}", sum.finalize())
}

/// One number for all that the panel shows and the speaker plays. JPEG decoders
/// may round differently, so their pictures do not count.
fn played(reel: &[u8]) -> String {
    let mut file = ReelFile::new(Cursor::new(reel)).unwrap();
    let header = *file.header();
    let tables = file.tables().unwrap().unwrap_or_default();
    let mut panel =
        PanelDecoder::new(PanelSettings::from(&header).with_tables(Some(tables))).unwrap();
    let mut sum = crc32fast::Hasher::new();
    while let Some(slice) = file.next_slice().unwrap() {
        if let Some(coding) = sound::SoundCoding::from_number(header.sound as u8) {
            let mut samples = vec![0; slice.ticks as usize];
            sound::decode_block(coding, &slice.sound, &mut samples).unwrap();
            samples.iter().for_each(|s| sum.update(&s.to_le_bytes()));
        }
        for p in &slice.pictures {
            let flags = u8::from(p.key) | u8::from(p.unchanged) << 1;
            panel.decode(p.coding, flags, &p.bytes).unwrap();
            if header.coding != Coding::Jpeg as u8 {
                let shown = panel.pixels().iter();
                shown.for_each(|s| sum.update(&s.to_le_bytes()));
            }
        }
    }
    format!("{:08x}", sum.finalize())
}

#[test]
fn every_kept_reel_reads_as_it_did() {
    let mut read = 0;
    for version in fs::read_dir(archive()).unwrap() {
        let folder = version.unwrap().path();
        if !folder.is_dir() {
            continue;
        }
        let list = fs::read_to_string(folder.join("LIST")).unwrap();
        for line in list.lines() {
            let (name, sums) = line.split_once(' ').unwrap();
            let reel = fs::read(folder.join(name)).unwrap();
            let verdict = verify(Cursor::new(&reel)).unwrap();
            assert!(verdict.is_whole(), "{name}: {verdict:?}");
            let now = format!("{} {}", presented(&reel), played(&reel));
            assert_eq!(now, sums, "{name}: presented, played");
            read += 1;
        }
        let files = fs::read_dir(&folder).unwrap().count();
        let listed = list.lines().count();
        assert_eq!(files, listed + 1, "{}: not in LIST", folder.display());
    }
    assert!(read >= 9);
}

const WIDTH: u16 = 48;
const HEIGHT: u16 = 36;
const RATE: u32 = 12;
const CLOCK: u32 = 8000;
const PICTURES: u32 = 24;

/// Picture `n` of the harbour at dusk: sky, sea, and a turning beam.
fn harbour(n: u32) -> (Vec<u8>, Vec<u16>) {
    let mut rgb = Vec::new();
    for y in 0..u32::from(HEIGHT) {
        for x in 0..u32::from(WIDTH) {
            let sea = y > 22;
            let wave = u32::from(sea && (x + y * 3 + n).is_multiple_of(11)) * 40;
            let to = (f64::from(y) - 14.0).atan2(f64::from(x) - 24.0);
            let beam = (to - f64::from(n) * TAU / f64::from(PICTURES)).rem_euclid(TAU) < 0.25;
            let base = if sea {
                [8, 24, 48]
            } else {
                [60 - y, 40, 70 + y]
            };
            let lit = if beam && !sea { 120 } else { wave };
            rgb.extend(base.map(|v| (v + lit) as u8));
        }
    }
    let pixel =
        |p: &[u8]| u16::from(p[0] >> 3) << 11 | u16::from(p[1] >> 2) << 5 | u16::from(p[2] >> 3);
    let pixels = rgb.chunks_exact(3).map(pixel).collect();
    (rgb, pixels)
}

/// A bell at each second: two sines that die away.
fn bell() -> Vec<i16> {
    let at = |i: u32| {
        let t = f64::from(i % CLOCK) / f64::from(CLOCK);
        let tone = (TAU * 740.0 * t).sin() + 0.5 * (TAU * 1977.0 * t).sin();
        (tone * (-3.0 * t).exp() * 12_000.0) as i16
    };
    (0..PICTURES * CLOCK / RATE).map(at).collect()
}

/// The settings and slices of a kind: each slice four pictures long.
fn film(
    encoder: &mut dyn PictureEncoder,
    sound: Option<sound::SoundCoding>,
    settings: Settings,
) -> (Settings, Vec<Slice>) {
    let samples = bell();
    let mut blocks = sound.map(|coding| BlockEncoder::new(coding, CLOCK));
    let rate = Ratio { num: RATE, den: 1 };
    let start = |n: u32| rate.tick_of(n.into(), CLOCK) as u32;
    let slices = (0..PICTURES).step_by(4).map(|first| {
        let (from, to) = (start(first), start(first + 4));
        let pictures = (first..first + 4).map(|n| {
            let (rgb, pixels) = harbour(n);
            let input = PictureIn {
                width: WIDTH,
                height: HEIGHT,
                rgb: &rgb,
                pixels: &pixels,
                unchanged: false,
            };
            let coded = encoder.encode(&input, n % 8 == 0).unwrap();
            Picture {
                tick_offset: start(n) - from,
                coding: settings.coding,
                key: coded.key,
                unchanged: coded.unchanged,
                windows: coded.windows,
                cost: coded.instructions,
                bus_bytes: coded.bus_bytes,
                bytes: coded.bytes,
            }
        });
        let pictures = pictures.collect();
        let part = &samples[from as usize..to as usize];
        let block = blocks.as_mut().map(|b| b.encode(part));
        Slice::new(from.into(), to - from, block.unwrap_or_default(), pictures)
    });
    let slices = slices.collect();
    (settings, slices)
}

fn settings(title: &str, sound: SoundCoding) -> Settings {
    Settings {
        width: WIDTH,
        height: HEIGHT,
        clock_rate: CLOCK,
        rate: Ratio { num: RATE, den: 1 },
        sound,
        title: title.into(),
        note: "kept for ever".into(),
        index_step_ms: 500,
        ..Settings::default()
    }
}

fn raw(shape: coding::Shape, order: ByteOrder) -> RawEncoder {
    RawEncoder::new(WIDTH, HEIGHT, shape, order).unwrap()
}

/// A reel of a kind, without its index and end if it is live.
fn reel(title: &str, coding: SoundCoding) -> Vec<u8> {
    let block = match coding {
        SoundCoding::None => None,
        SoundCoding::PcmS16 => Some(sound::SoundCoding::Pcm16),
        SoundCoding::PcmU8 => Some(sound::SoundCoding::Pcm8),
        SoundCoding::ImaAdpcm => Some(sound::SoundCoding::Adpcm),
    };
    let mut encoder = raw(coding::Shape::Rectangle, ByteOrder::HighFirst);
    let (settings, slices) = film(&mut encoder, block, settings(title, coding));
    let poster = Poster {
        width: WIDTH,
        height: HEIGHT,
        bytes: harbour(0).1.iter().flat_map(|p| p.to_be_bytes()).collect(),
    };
    write_reel(&settings, Some(&poster), &slices).0
}

fn round_reel() -> Vec<u8> {
    let mut encoder = raw(coding::Shape::Ellipse, ByteOrder::LowFirst);
    let settings = Settings {
        shape: Shape::Ellipse,
        pixel_format: ByteOrder::LowFirst,
        ..settings("Round harbour", SoundCoding::PcmU8)
    };
    let (settings, slices) = film(&mut encoder, Some(sound::SoundCoding::Pcm8), settings);
    write_reel(&settings, None, &slices).0
}

fn live_reel() -> Vec<u8> {
    let mut encoder = raw(coding::Shape::Rectangle, ByteOrder::HighFirst);
    let settings = settings("Harbour now", SoundCoding::PcmU8);
    let (settings, slices) = film(&mut encoder, Some(sound::SoundCoding::Pcm8), settings);
    let mut reel = Vec::new();
    let mut writer = LiveWriter::new(&mut reel, &settings, None, 64 << 10).unwrap();
    slices.iter().for_each(|s| writer.slice(s).unwrap());
    drop(writer);
    reel
}

fn gap_reel() -> Vec<u8> {
    let mut damaged = reel("Harbour after a storm", SoundCoding::ImaAdpcm);
    let at = slice_ends(&damaged)[2].0 as usize;
    damaged[at + 100] ^= 1;
    let (sink, _) = repair(Cursor::new(damaged), Cursor::new(Vec::new())).unwrap();
    sink.into_inner()
}

fn part(n: usize) -> Vec<u8> {
    let whole = reel("Long harbour", SoundCoding::ImaAdpcm);
    let mut file = ReelFile::new(Cursor::new(&whole)).unwrap();
    let limit = whole.len() as u64 * 3 / 4;
    let mut parts = split(&mut file, limit, |_, _| Ok(Cursor::new(Vec::new()))).unwrap();
    assert_eq!(parts.len(), 2);
    parts.swap_remove(n).0.into_inner()
}

/// A reel of a coding with something to choose.
fn coded_reel(coding: Coding, level: Level, sound: SoundCoding) -> Vec<u8> {
    let quality = 60;
    let plan = EncoderPlan {
        width: WIDTH,
        height: HEIGHT,
        shape: coding::Shape::Rectangle,
        order: ByteOrder::HighFirst,
        rate: Ratio { num: RATE, den: 1 },
        coding,
        level,
        quality,
        search: 2,
        dither: true,
        limits: Limits::default(),
        weights: Weights::default(),
    };
    let mut encoder = coding::encoder(&plan).unwrap();
    let patch = coding == Coding::Patch;
    let tables = encoder.tables().to_vec();
    let settings = Settings {
        coding: coding as u8,
        level: if patch { level as u8 } else { 0 },
        working_memory: if patch {
            coding::patch::memory_bytes(WIDTH, HEIGHT) as u32
        } else {
            0
        },
        tables,
        ..settings("Harbour at dusk", sound)
    };
    let block = sound::SoundCoding::from_number(sound as u8);
    let (settings, slices) = film(encoder.as_mut(), block, settings);
    write_reel(&settings, None, &slices).0
}

type Maker = fn() -> Vec<u8>;

/// Name and maker of every kind.
fn kinds() -> Vec<(&'static str, Maker)> {
    vec![
        ("raw-pcm16.tbr", || {
            reel("Harbour at dusk", SoundCoding::PcmS16)
        }),
        ("raw-round-pcm8.tbr", round_reel),
        ("raw-adpcm.tbr", || {
            reel("Harbour at dusk", SoundCoding::ImaAdpcm)
        }),
        ("raw-silent.tbr", || {
            reel("Silent harbour", SoundCoding::None)
        }),
        ("raw-live.tbr", live_reel),
        ("raw-gap.tbr", gap_reel),
        ("raw-part1.tbr", || part(0)),
        ("raw-part2.tbr", || part(1)),
        ("jpeg-pcm16.tbr", || {
            coded_reel(Coding::Jpeg, Level::Light, SoundCoding::PcmS16)
        }),
        ("patch-light-adpcm.tbr", || {
            coded_reel(Coding::Patch, Level::Light, SoundCoding::ImaAdpcm)
        }),
        ("patch-full-adpcm.tbr", || {
            coded_reel(Coding::Patch, Level::Full, SoundCoding::ImaAdpcm)
        }),
    ]
}

#[test]
#[ignore = "adds reels of new kinds to the archive; run by hand, see the archive's README"]
fn make_archive() {
    let folder = archive().join("v1");
    let mut list = fs::read_to_string(folder.join("LIST")).unwrap_or_default();
    for (name, make) in kinds() {
        if folder.join(name).exists() {
            continue;
        }
        let reel = make();
        fs::write(folder.join(name), &reel).unwrap();
        list += &format!("{name} {} {}\n", presented(&reel), played(&reel));
    }
    fs::write(folder.join("LIST"), list).unwrap();
}

#[test]
#[ignore = "writes the fuzz targets' seeds; run by hand after a change of the format"]
fn make_seeds() {
    use crate::common::reels::{tiny_poster, tiny_reel, tiny_settings, tiny_slices};
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/seeds/reels");
    fs::create_dir_all(&folder).unwrap();
    let mut live = Vec::new();
    let mut writer = LiveWriter::new(&mut live, &tiny_settings(), None, 4096).unwrap();
    tiny_slices(4).iter().for_each(|s| writer.slice(s).unwrap());
    drop(writer);
    let mut gap = tiny_reel(8);
    let at = slice_ends(&gap)[4].0 as usize;
    gap[at + 100] ^= 1;
    let (gap, _) = repair(Cursor::new(gap), Cursor::new(Vec::new())).unwrap();
    let silent = Settings {
        sound: SoundCoding::None,
        ..tiny_settings()
    };
    let mut slices = tiny_slices(5);
    slices.iter_mut().for_each(|s| s.sound.clear());
    let silent = write_reel(&silent, Some(&tiny_poster()), &slices).0;
    let seeds = [
        ("whole", tiny_reel(5)),
        ("live", live),
        ("gap", gap.into_inner()),
        ("silent", silent),
    ];
    for (name, reel) in seeds {
        fs::write(folder.join(name), reel).unwrap();
    }
}
