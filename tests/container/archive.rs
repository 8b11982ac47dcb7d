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
    CHUNK_HEADER, Event, LiveWriter, Mounting, Picture, ReelFile, Settings, Shape, Slice,
    SoundCoding, Wire, crc32, find_chunk, repair, split, verify,
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
    let mut heard = header.first_tick;
    while let Some(slice) = file.next_slice().unwrap() {
        // A gap is silent for as long as it lasts.
        let sounds = header.sound != SoundCoding::None;
        let silence = if sounds { slice.time - heard } else { 0 };
        (0..silence).for_each(|_| sum.update(&[0, 0]));
        heard = slice.time + u64::from(slice.ticks);
        if let Some(coding) = sound::SoundCoding::from_number(header.sound as u8) {
            let mut samples = vec![0; slice.ticks as usize];
            sound::decode_block(coding, &slice.sound, &mut samples).unwrap();
            samples.iter().for_each(|s| sum.update(&s.to_le_bytes()));
        }
        for p in &slice.pictures {
            let flags = u8::from(p.key) | u8::from(p.unchanged) << 1;
            panel.decode(header.coding, flags, &p.bytes).unwrap();
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
    assert!(read >= 17);
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
            Picture::coded(start(n) - from, coded)
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
    let poster = key_picture(&mut raw(coding::Shape::Rectangle, ByteOrder::HighFirst));
    write_reel(&settings, Some(&poster), &slices).0
}

/// The payload of a poster.
fn key_picture(encoder: &mut dyn PictureEncoder) -> Vec<u8> {
    let (rgb, pixels) = harbour(0);
    let input = PictureIn {
        width: WIDTH,
        height: HEIGHT,
        rgb: &rgb,
        pixels: &pixels,
        unchanged: false,
    };
    encoder.encode(&input, true).unwrap().bytes
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
    // The header of one slice, the sound of another, a picture of a third.
    for (slice, place) in [(2, 20), (4, 60)] {
        let at = slice_ends(&damaged)[slice].0 as usize;
        damaged[at + place] ^= 1;
    }
    let end = slice_ends(&damaged)[3].1 as usize;
    damaged[end - 30] ^= 1;
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
    let (settings, poster, slices) = coded(coding, level, sound);
    write_reel(&settings, Some(&poster), &slices).0
}

/// The same as it is sent while it is made.
fn coded_live() -> Vec<u8> {
    let (settings, poster, slices) = coded(Coding::Patch, Level::Full, SoundCoding::ImaAdpcm);
    let mut reel = Vec::new();
    let mut writer = LiveWriter::new(&mut reel, &settings, Some(&poster), 64 << 10).unwrap();
    slices.iter().for_each(|s| writer.slice(s).unwrap());
    writer.finish().unwrap();
    reel
}

/// A small reel whose pixels were turned for the wire.
fn wired(bgr: bool, inverted: bool, pixel_format: ByteOrder) -> Vec<u8> {
    let (settings, poster, slices) = coded(Coding::Patch, Level::Light, SoundCoding::PcmU8);
    let settings = Settings {
        wire: Wire { bgr, inverted },
        pixel_format,
        offset: (26, 1),
        mounting: Mounting {
            turns: 1,
            mirror: inverted,
        },
        ..settings
    };
    write_reel(&settings, Some(&poster), &slices).0
}

/// Slices that are silent without bytes, and one without pictures.
fn quiet_reel() -> Vec<u8> {
    let (settings, poster, mut slices) = coded(Coding::Patch, Level::Full, SoundCoding::PcmS16);
    slices[1].sound.clear();
    slices[4].sound.clear();
    slices[5].pictures.clear();
    slices[5].key = false;
    write_reel(&settings, Some(&poster), &slices).0
}

/// A reel as a later minor version may make it: reserved bytes and flags in use,
/// more behind the last part, a kind of chunk that is not known.
fn newer_reel() -> Vec<u8> {
    let old = coded_reel(Coding::Patch, Level::Light, SoundCoding::ImaAdpcm);
    let seal = |bytes: &mut [u8]| {
        let end = bytes.len() - 4;
        let crc = crc32(&bytes[..end]).to_le_bytes();
        bytes[end..].copy_from_slice(&crc);
    };
    let id_low = crate::common::reels::header_of(&old).id_low();
    let mut reel = old[..1024].to_vec();
    let mut at = 1024;
    let (mut number, mut moved) = (0, std::collections::HashMap::new());
    while let Some((_, h)) = find_chunk(&old[at..], id_low, false) {
        let mut chunk = old[at..at + h.length as usize].to_vec();
        moved.insert(at / 16, (reel.len() / 16, number));
        chunk[8..12].copy_from_slice(&u32::to_le_bytes(number));
        if h.is_slice() {
            chunk.truncate(CHUNK_HEADER + h.used as usize);
            chunk.extend([7; 12]);
            chunk[16..20].copy_from_slice(&(h.used + 12).to_le_bytes());
            chunk.resize(chunk.len().next_multiple_of(16), 0);
            let length = chunk.len() as u32;
            chunk[12..16].copy_from_slice(&length.to_le_bytes());
            chunk[5] |= 0x18;
        }
        seal(&mut chunk[..CHUNK_HEADER]);
        reel.extend(&chunk);
        number += 1;
        at += h.length as usize;
        if number == 4 {
            let mut more = chunk[..CHUNK_HEADER].to_vec();
            (more[4], more[5]) = (99, 0x80);
            more[6..24].fill(0);
            more[8..12].copy_from_slice(&u32::to_le_bytes(number));
            more[12..16].copy_from_slice(&64_u32.to_le_bytes());
            more[16..20].copy_from_slice(&16_u32.to_le_bytes());
            let next = h.time + u64::from(h.ticks);
            more[24..32].copy_from_slice(&next.to_le_bytes());
            more[32..36].copy_from_slice(&12_u32.to_le_bytes());
            seal(&mut more);
            more.extend([9; 16]);
            reel.extend(more);
            number += 1;
        }
    }
    newer_totals(&mut reel, &moved);
    reel
}

/// Sets right what the header, the index and the end of a reel say of its chunks
/// after they were moved: from and to in units of 16 bytes, and their numbers.
fn newer_totals(reel: &mut [u8], moved: &std::collections::HashMap<usize, (usize, u32)>) {
    let number = |reel: &[u8], at: usize| u32::from_le_bytes(reel[at..at + 4].try_into().unwrap());
    let put =
        |reel: &mut [u8], at: usize, n: u32| reel[at..at + 4].copy_from_slice(&n.to_le_bytes());
    let seal = |reel: &mut [u8], from: usize, to: usize| {
        let crc = crc32(&reel[from..to]).to_le_bytes();
        reel[to..to + 4].copy_from_slice(&crc);
    };
    let to = |at: u32| moved[&(at as usize / 16)].0 * 16;
    let length = reel.len();
    let index = to(number(reel, 152));
    put(reel, 152, index as u32);
    put(reel, 56, length as u32);
    let slices = find_chunk_lengths(reel);
    put(reel, 100, slices.0);
    // Slices grew by 16 bytes or not at all, and a writer may state more.
    put(reel, 124, number(reel, 124) + 64);
    put(reel, 128, slices.1);
    put(reel, 132, slices.2);
    reel[10] = 1;
    reel[106] = 5;
    reel[200..208].fill(3);
    reel[490] = 1;
    seal(reel, 0, 508);
    reel.copy_within(..512, 512);
    let block = index + CHUNK_HEADER;
    for i in 0..14 {
        let entry = block + 8 * i;
        let place = number(reel, entry);
        if place != 0 {
            let (to, n) = moved[&(place as usize)];
            put(reel, entry, to as u32);
            put(reel, entry + 4, n);
        }
    }
    seal(reel, block, block + 124);
    seal(reel, block, block + 128);
    let id_low = number(reel, 24);
    let (_, h) = find_chunk(&reel[index..], id_low, true).unwrap();
    let end = index + h.length as usize;
    let totals = end + CHUNK_HEADER;
    put(reel, totals + 8, end as u32);
    reel.copy_within(..512, totals + 40);
    seal(reel, totals, totals + 552);
}

/// The largest slice chunk, the mean and the worst rate, which in two seconds of
/// even slices is found by hand.
fn find_chunk_lengths(reel: &[u8]) -> (u32, u32, u32) {
    let id_low = u32::from_le_bytes(reel[24..28].try_into().unwrap());
    let (mut at, mut slices) = (1024, Vec::new());
    while let Some((offset, h)) = find_chunk(&reel[at..], id_low, true) {
        if h.is_slice() {
            slices.push((h.time, h.length));
        }
        at += offset + h.length as usize;
    }
    let sum: u32 = slices.iter().map(|s| s.1).sum();
    let within = |t: u64| {
        slices
            .iter()
            .filter(move |s| (t..t + u64::from(CLOCK)).contains(&s.0))
    };
    let worst = slices.iter().map(|s| within(s.0).map(|s| s.1).sum()).max();
    (
        slices.iter().map(|s| s.1).max().unwrap(),
        sum.div_ceil(2),
        worst.unwrap(),
    )
}

fn coded(coding: Coding, level: Level, sound: SoundCoding) -> (Settings, Vec<u8>, Vec<Slice>) {
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
            coding::patch::memory_bytes(WIDTH, HEIGHT) as u32 + coding::patch::STATE_BYTES
        } else {
            0
        },
        tables,
        ..settings("Harbour at dusk", sound)
    };
    let block = sound::SoundCoding::from_number(sound as u8);
    let (settings, slices) = film(encoder.as_mut(), block, settings);
    let poster = key_picture(coding::encoder(&plan).unwrap().as_mut());
    (settings, poster, slices)
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
        ("patch-live.tbr", coded_live),
        ("patch-quiet.tbr", quiet_reel),
        ("patch-bgr.tbr", || wired(true, false, ByteOrder::HighFirst)),
        ("patch-inverted.tbr", || {
            wired(false, true, ByteOrder::LowFirst)
        }),
        ("patch-bgr-inverted.tbr", || {
            wired(true, true, ByteOrder::HighFirst)
        }),
        ("minor-1.tbr", newer_reel),
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
    gap[at + 20] ^= 1;
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
