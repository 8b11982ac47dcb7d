//! The kit: small files that break one rule each, and what is to become of them.
//!
//! `tests/data/kit/LIST` has a line a file: what a player presents of it and the
//! verdict of a verifier, in the words of `tests/reader/reel.py`. The program's
//! own reader and that second one, written from the text, must both say so; the
//! firmware's is held against the program's in `tests/firmware`.

use crate::common::reels::write_reel;
use std::fmt::Write;
use std::fs;
use std::io::Cursor;
use std::path::{Path, PathBuf};
use std::process::Command;
use thumbreel::coding::patch::Level;
use thumbreel::coding::{
    ByteOrder, Coding, EncoderPlan, FLAG_KEY, FLAG_UNCHANGED, Limits, PanelDecoder, PanelSettings,
    PictureEncoder, PictureIn, Shape, Weights, encoder, nearest_565,
};
use thumbreel::reel::{
    CHUNK_HEADER, ChunkHeader, FileError, Header, Kind, LiveWriter, Picture, Piece, ReelFile,
    Settings, Slice, SoundCoding, align4, crc32, find_chunk, part_length, verify,
};
use thumbreel::sound::{self, BlockEncoder, decode_block};
use thumbreel::units::Ratio;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/kit")
}

/// What a player presents, and the verdict.
fn present(reel: &[u8]) -> String {
    try_present(reel).unwrap_or_else(|_| "refused".to_owned())
}

fn try_present(reel: &[u8]) -> Result<String, FileError> {
    let mut file = ReelFile::new(Cursor::new(reel))?;
    let header = *file.header();
    let tables = file.tables().ok().flatten();
    let mut panel = PanelDecoder::new(PanelSettings::from(&header).with_tables(tables)).unwrap();
    let coding = sound::SoundCoding::from_number(header.sound as u8);
    let (mut samples, mut panels) = (crc32fast::Hasher::new(), crc32fast::Hasher::new());
    let (mut heard, mut shown, mut broken, mut waiting) = (header.first_tick, 0, false, false);
    let silence = |to: u64, heard: &mut u64, samples: &mut crc32fast::Hasher| {
        let ticks = if coding.is_some() {
            to.saturating_sub(*heard)
        } else {
            0
        };
        (0..ticks).for_each(|_| samples.update(&[0, 0]));
        *heard = to.max(*heard);
    };
    while let Some(piece) = file.next_piece()? {
        let whole = match piece {
            Piece::Damage(damage) => {
                silence(damage.to, &mut heard, &mut samples);
                continue;
            }
            Piece::Slice(whole) => whole,
        };
        silence(whole.header.time, &mut heard, &mut samples);
        heard = whole.header.end();
        if let Some(coding) = coding {
            let mut block = vec![0_i16; whole.slice.ticks as usize];
            broken |= decode_block(coding, &whole.slice.sound, &mut block).is_err();
            block.iter().for_each(|s| samples.update(&s.to_le_bytes()));
        }
        for (picture, waits) in whole.slice.pictures.iter().zip(&whole.waits) {
            // The reader tells what builds on a lost picture; after a broken one we wait.
            waiting &= !picture.key;
            if *waits || waiting {
                continue;
            }
            let key = if picture.key { FLAG_KEY } else { 0 };
            let still = if picture.unchanged { FLAG_UNCHANGED } else { 0 };
            if panel
                .decode(header.coding, key | still, &picture.bytes)
                .is_err()
            {
                (broken, waiting) = (true, true);
                continue;
            }
            shown += 1;
            panel
                .pixels()
                .iter()
                .for_each(|p| panels.update(&p.to_le_bytes()));
        }
    }
    silence(header.end_tick().unwrap_or(heard), &mut heard, &mut samples);
    let verdict = match verify(Cursor::new(reel))?.is_whole() {
        false => "damaged",
        true if broken => "broken",
        true => "whole",
    };
    let (samples, panels) = (samples.finalize(), panels.finalize());
    Ok(format!(
        "samples {samples:08x} pictures {shown} panels {panels:08x} {verdict}"
    ))
}

/// Writes the checksum of all that stands before it into the last four bytes.
fn seal(bytes: &mut [u8]) {
    let end = bytes.len() - 4;
    let crc = crc32(&bytes[..end]).to_le_bytes();
    bytes[end..].copy_from_slice(&crc);
}

/// A reel that can be broken, and where its parts lie.
#[derive(Clone)]
struct Reel {
    bytes: Vec<u8>,
    chunks: Vec<(usize, ChunkHeader)>,
}

impl Reel {
    fn new(bytes: Vec<u8>) -> Self {
        let id_low = crate::common::reels::header_of(&bytes).id_low();
        let (mut at, mut chunks) = (1024, Vec::new());
        while let Some((offset, header)) = find_chunk(&bytes[at..], id_low, false) {
            chunks.push((at + offset, header));
            at += offset + header.length as usize;
        }
        Self { bytes, chunks }
    }

    fn slice(&self, n: usize) -> (usize, ChunkHeader) {
        let mut slices = self.chunks.iter().filter(|c| c.1.is_slice());
        *slices.nth(n).unwrap()
    }

    fn side(&self, kind: Kind) -> (usize, ChunkHeader) {
        let mut found = self.chunks.iter().filter(|c| c.1.kind() == Some(kind));
        *found.next().unwrap()
    }

    /// The same reel with other bytes.
    fn of(&self, bytes: Vec<u8>) -> Self {
        Self {
            bytes,
            ..self.clone()
        }
    }

    /// Bytes of the header and of its copies set, in sector 1 and in the end chunk if
    /// there is one, their checksums right: nothing but these bytes is wrong.
    fn header(mut self, at: usize, bytes: &[u8]) -> Vec<u8> {
        let end = self.chunks.iter().find(|c| c.1.kind() == Some(Kind::End));
        let end = end.filter(|(at, h)| at + h.length as usize <= self.bytes.len());
        let copy = end.map(|(at, h)| (at + CHUNK_HEADER + 40, at + CHUNK_HEADER, h.bytes as usize));
        for sector in [0, 512].into_iter().chain(copy.map(|c| c.0)) {
            self.bytes[sector + at..][..bytes.len()].copy_from_slice(bytes);
            seal(&mut self.bytes[sector..sector + 512]);
        }
        if let Some((_, part, length)) = copy {
            seal(&mut self.bytes[part..part + align4(length) + 4]);
        }
        self.bytes
    }

    /// Bytes of slice `n`'s header set, its checksum right.
    fn head(mut self, n: usize, at: usize, bytes: &[u8]) -> Vec<u8> {
        let (start, _) = self.slice(n);
        self.bytes[start + at..][..bytes.len()].copy_from_slice(bytes);
        seal(&mut self.bytes[start..start + CHUNK_HEADER]);
        self.bytes
    }

    /// The same for a chunk of another kind.
    fn side_head(mut self, kind: Kind, at: usize, bytes: &[u8]) -> Vec<u8> {
        let (start, _) = self.side(kind);
        self.bytes[start + at..][..bytes.len()].copy_from_slice(bytes);
        seal(&mut self.bytes[start..start + CHUNK_HEADER]);
        self.bytes
    }

    /// Start and payload length of part `i` of slice `n`: sound, directory, pictures.
    fn part(&self, n: usize, i: usize) -> (usize, usize) {
        let (start, h) = self.slice(n);
        let sound = start + CHUNK_HEADER;
        let directory = sound + part_length(h.bytes as usize);
        let entries = h.directory_bytes();
        match i {
            0 => return (sound, h.bytes as usize),
            1 => return (directory, entries),
            _ => {}
        }
        let mut at = directory + part_length(entries);
        for (k, entry) in self.bytes[directory..][..entries]
            .chunks(h.entry_bytes())
            .enumerate()
        {
            let length = u32::from_le_bytes([entry[0], entry[1], entry[2] & 0x3F, 0]) as usize;
            if k + 2 == i {
                return (at, length);
            }
            at += part_length(length);
        }
        panic!("slice {n} has no part {i}");
    }

    /// Bytes of a part set; its checksum right if `sealed`.
    fn inside(mut self, n: usize, i: usize, at: usize, bytes: &[u8], sealed: bool) -> Vec<u8> {
        let (start, length) = self.part(n, i);
        self.bytes[start + at..][..bytes.len()].copy_from_slice(bytes);
        if sealed {
            seal(&mut self.bytes[start..start + align4(length) + 4]);
        }
        self.bytes
    }

    /// Bytes of the first part of a chunk that is no slice set.
    fn side_inside(mut self, kind: Kind, at: usize, bytes: &[u8], sealed: bool) -> Vec<u8> {
        let (start, h) = self.side(kind);
        let part = start + CHUNK_HEADER;
        self.bytes[part + at..][..bytes.len()].copy_from_slice(bytes);
        if sealed {
            seal(&mut self.bytes[part..part + align4(h.bytes as usize) + 4]);
        }
        self.bytes
    }

    fn flip(mut self, at: usize) -> Vec<u8> {
        self.bytes[at] ^= 4;
        self.bytes
    }

    fn cut(mut self, at: usize) -> Vec<u8> {
        self.bytes.truncate(at);
        self.bytes
    }

    fn without(mut self, from: usize, to: usize) -> Vec<u8> {
        drop(self.bytes.drain(from..to));
        self.bytes
    }
}

/// Four slices of four pictures of 16x16 pixels, a buoy that drifts, with sound.
fn small(coding: Coding, level: Level, kind: SoundCoding) -> (Settings, Vec<u8>, Vec<Slice>) {
    let plan = EncoderPlan {
        width: 16,
        height: 16,
        shape: Shape::Rectangle,
        order: ByteOrder::HighFirst,
        rate: Ratio { num: 25, den: 1 },
        coding,
        level,
        quality: 50,
        search: 2,
        dither: true,
        limits: Limits::default(),
        weights: Weights::default(),
    };
    let patch = coding == Coding::Patch;
    let settings = Settings {
        width: 16,
        height: 16,
        clock_rate: 4000,
        rate: plan.rate,
        sound: kind,
        coding: coding as u8,
        level: if patch { level as u8 } else { 0 },
        working_memory: Header::least_memory(coding as u8, 16, 16),
        title: "Buoy".into(),
        note: "one rule broken".into(),
        index_step_ms: 200,
        ..Settings::default()
    };
    let picture = |encoder: &mut dyn PictureEncoder, n: u32, key: bool| {
        let buoy = |x: u32, y: u32| x.abs_diff(n) + y.abs_diff(8) < 4;
        let shade = |x: u32, y: u32| [40 + 4 * y as u8, 60, if buoy(x, y) { 20 } else { 150 }];
        let rgb: Vec<u8> = (0..256).flat_map(|i| shade(i % 16, i / 16)).collect();
        let pixels: Vec<u16> = rgb
            .chunks(3)
            .map(|p| nearest_565(p[0], p[1], p[2]))
            .collect();
        let input = PictureIn {
            width: 16,
            height: 16,
            rgb: &rgb,
            pixels: &pixels,
            unchanged: n == 6,
        };
        encoder.encode(&input, key).unwrap()
    };
    let mut encoder = encoder(&plan).unwrap();
    let mut blocks =
        sound::SoundCoding::from_number(kind as u8).map(|c| BlockEncoder::new(c, 4000));
    let tone = |i: u32| ((f64::from(i) * 0.3).sin() * 9000.0) as i16;
    let slices = (0..4).map(|i| {
        let pictures = (0..4).map(|k| {
            let coded = picture(encoder.as_mut(), 4 * i + k, k == 0 && i != 1);
            // The last slice has pictures at unequal distances.
            Picture::coded(160 * k + 7 * u32::from(i == 3 && k == 2), coded)
        });
        let pictures = pictures.collect();
        let samples: Vec<i16> = (640 * i..640 * (i + 1)).map(tone).collect();
        let block = blocks.as_mut().map(|b| b.encode(&samples));
        Slice::new(u64::from(640 * i), 640, block.unwrap_or_default(), pictures)
    });
    let slices = slices.collect();
    let poster = picture(thumbreel::coding::encoder(&plan).unwrap().as_mut(), 0, true).bytes;
    (settings, poster, slices)
}

fn film() -> Reel {
    let (settings, poster, slices) = small(Coding::Patch, Level::Full, SoundCoding::ImaAdpcm);
    Reel::new(write_reel(&settings, Some(&poster), &slices).0)
}

fn live() -> Reel {
    let (settings, _, slices) = small(Coding::Patch, Level::Light, SoundCoding::PcmU8);
    let mut writer = LiveWriter::new(Vec::new(), &settings, None, 64 << 10).unwrap();
    slices.iter().for_each(|s| writer.slice(s).unwrap());
    Reel::new(writer.finish().unwrap())
}

type Files = Vec<(String, Vec<u8>)>;

fn headers(files: &mut Files) {
    let f = film();
    let mut add = |name: &str, bytes: Vec<u8>| files.push((format!("header-{name}"), bytes));
    add("sector-0-flipped", f.clone().flip(100));
    add("sector-1-flipped", f.clone().flip(612));
    add("both-flipped", f.of(f.clone().flip(100)).flip(612));
    // Memory enough, so that the size alone is wrong.
    let roomy = f.of(f.clone().header(120, &[0, 0, 0x20, 0]));
    add("width-513-patch-roomy", roomy.header(76, &[1, 2]));
    add("not-a-reel", f.clone().header(1, b"XYZ"));
    add(
        "text-mode",
        f.bytes.iter().copied().filter(|&b| b != 0x0D).collect(),
    );
    for (name, at, bytes) in [
        ("major-0", 8, &[0][..]),
        ("major-2", 8, &[2]),
        ("must-know", 12, &[1]),
        ("may-ignore", 17, &[1]),
        ("part-0", 20, &[0]),
        ("part-past-parts", 20, &[2]),
        ("no-id", 24, &[0; 8]),
        ("first-tick-2-40", 32, &[0, 0, 0, 0, 0, 1]),
        ("duration-2-40", 40, &[0, 0, 0, 0, 0, 1]),
        ("duration-short", 40, &[1]),
        ("width-0", 76, &[0, 0]),
        ("width-513-patch", 76, &[1, 2]),
        ("shape-2", 80, &[2]),
        ("pixel-format-2", 81, &[2]),
        ("wire-4", 82, &[4]),
        ("coding-3", 83, &[3]),
        ("coding-private", 83, &[200]),
        ("level-3", 84, &[3]),
        ("sound-9", 85, &[9]),
        ("channels-2", 86, &[2]),
        ("clock-3999", 88, &[0x9F, 0x0F]),
        ("rate-not-lowest", 92, &[24, 0, 0, 0, 2]),
        ("rate-0", 92, &[0; 4]),
        ("largest-chunk-odd", 100, &[1]),
        ("largest-chunk-4-gib", 100, &[0xF0, 0xFF, 0xFF, 0xFF]),
        ("largest-chunk-small", 100, &[0x40, 0, 0, 0]),
        ("reserved-106", 106, &[1]),
        ("largest-sound-past-chunk", 112, &[0, 0, 0x40, 0]),
        ("largest-picture-past-chunk", 116, &[0, 0, 0x40, 0]),
        ("largest-sound-small", 112, &[1, 0, 0, 0]),
        ("largest-picture-small", 116, &[9, 0, 0, 0]),
        ("memory-0", 120, &[0; 4]),
        ("memory-4-gib", 120, &[0xFF; 4]),
        ("prebuffer-small", 124, &[1, 0, 0, 0]),
        ("mean-rate-wrong", 128, &[1]),
        ("first-slice-odd", 144, &[1]),
        ("first-slice-wrong", 144, &[0, 4]),
        ("index-step-0", 164, &[0; 4]),
        ("index-entries-many", 168, &[0xFF; 4]),
        ("x-offset-1024", 192, &[0, 4]),
        ("reserved-300", 300, &[1]),
        ("file-length-wrong", 56, &[0x10]),
        ("most-pictures-more", 104, &[9]),
        ("most-ticks-more", 109, &[0x7F]),
        ("mounting-8", 87, &[8]),
        ("first-slice-512", 144, &[0, 2]),
        ("rate-241", 92, &[241, 0, 0, 0, 1, 0, 0, 0]),
        ("y-offset-1024", 194, &[0, 4]),
        ("reel-duration-short", 48, &[1, 0, 0]),
        ("reel-duration-long", 48, &[0xFF, 0xFF]),
        ("poster-length-0", 176, &[0; 4]),
        ("poster-offset-512", 172, &[0, 2, 0, 0]),
        ("tables-without-length", 184, &[0, 4]),
        ("index-offset-odd", 152, &[1]),
        ("worst-bus-wrong", 136, &[1]),
        ("picture-count-wrong", 68, &[17]),
        ("title-control", 384, &[7]),
        ("title-not-utf-8", 384, &[0xFF]),
    ] {
        add(name, f.clone().header(at, bytes));
    }
}

fn chunks(files: &mut Files) {
    let f = film();
    let mut add = |name: &str, bytes: Vec<u8>| files.push((format!("chunk-{name}"), bytes));
    let (third, h) = f.slice(2);
    add("sync-flipped", f.clone().flip(third));
    add("crc-flipped", f.clone().flip(third + 45));
    for (name, at, bytes) in [
        ("kind-99-skippable", 4, &[99, 0x80][..]),
        ("kind-99-gap", 4, &[99, 0x82]),
        ("kind-99-must", 4, &[99, 0]),
        ("flags-reserved", 5, &[8]),
        ("flags-skippable", 5, &[0x80]),
        ("pictures-513", 6, &[1, 2]),
        ("number-ahead", 8, &[90]),
        ("number-behind", 8, &[0]),
        ("length-long", 12, &[0, 2]),
        ("length-4-gib", 12, &[0xF0, 0xFF, 0xFF, 0xFF]),
        ("length-5-mib", 12, &[0, 0, 0x50, 0, 0xD0, 0xFF, 0x4F, 0]),
        ("used-short", 16, &[4, 0, 0, 0]),
        ("ticks-0", 20, &[0; 4]),
        ("ticks-many", 20, &[0xFF; 4]),
        ("time-2-47", 24, &[0, 0, 0, 0, 0, 0x80]),
        ("time-2-39", 24, &[0, 0, 0, 0, 0x80]),
        ("time-back", 24, &[1, 0]),
        ("time-ahead", 25, &[h.time.to_le_bytes()[1] + 2]),
        ("bytes-past-used", 32, &[0xFF; 4]),
        ("sound-length", 32, &[5]),
        ("first-picture-wrong", 36, &[77]),
        ("other-reel", 40, &[1, 2, 3, 4]),
    ] {
        add(name, f.clone().head(2, at, bytes));
    }
    let (from, to) = (third, third + h.length as usize);
    // A chunk between two slices, in turn, of a kind that may not have that flag.
    let unknown = ChunkHeader {
        kind: 99,
        flags: ChunkHeader::GAP | ChunkHeader::SKIPPABLE,
        pictures: 0,
        length: CHUNK_HEADER as u32,
        used: 0,
        ticks: 0,
        bytes: 0,
        ..h
    };
    let mut bytes = [0; CHUNK_HEADER];
    unknown.emit(&mut bytes);
    let mut between = f.bytes.clone();
    between.splice(third..third, bytes);
    add("kind-99-gap-between", between);
    add("lost", f.clone().without(from, to));
    let mut doubled = f.bytes.clone();
    doubled.splice(to..to, f.bytes[from..to].to_vec());
    add("doubled", doubled);
    add(
        "first-not-key-nor-gap",
        f.clone().without(f.slice(0).0, f.slice(1).0),
    );
    let padded = |c: &&(usize, ChunkHeader)| c.1.length as usize > CHUNK_HEADER + c.1.used as usize;
    let (at, h) = *f.chunks.iter().find(padded).unwrap();
    add("padding", f.clone().flip(at + h.length as usize - 1));
    add(
        "sector-lost",
        f.clone()
            .without(third - third % 512 + 512, third - third % 512 + 1024),
    );
}

fn parts(files: &mut Files) {
    let f = film();
    let mut add = |name: &str, bytes: Vec<u8>| files.push((format!("part-{name}"), bytes));
    add("sound-flipped", f.clone().inside(2, 0, 9, &[0xAA], false));
    add(
        "sound-flipped-of-no-key",
        f.clone().inside(1, 0, 9, &[0xAA], false),
    );
    add("sound-broken", f.clone().inside(2, 0, 2, &[89], true));
    add(
        "directory-flipped",
        f.clone().inside(2, 1, 3, &[0xAA], false),
    );
    add(
        "directory-tick-back",
        f.clone().inside(3, 1, 9, &[0, 0, 0], true),
    );
    add(
        "directory-tick-past",
        f.clone().inside(3, 1, 9, &[0xFF, 0xFF, 0xFF], true),
    );
    add(
        "directory-length-long",
        f.clone().inside(2, 1, 0, &[0xFF, 0xFF, 0x7F], true),
    );
    add(
        "directory-length-wrong",
        f.clone().inside(2, 1, 0, &[40, 0, 0x40], true),
    );
    add("directory-flags", f.clone().inside(2, 1, 5, &[0xC0], true));
    let even = ChunkHeader::EVEN;
    add(
        "directory-even-left-out",
        f.clone().head(2, 5, &[ChunkHeader::KEY]),
    );
    add(
        "directory-even-wrongly",
        f.clone().head(3, 5, &[ChunkHeader::KEY | even]),
    );
    // The times are those of an even slice, without its flag: for a player nothing is wrong.
    add(
        "directory-even-unsaid",
        f.clone().inside(3, 1, 15, &[0x40, 1, 0], true),
    );
    add(
        "directory-key-of-picture",
        f.clone().inside(2, 1, 5, &[0x40], true),
    );
    add("directory-key", f.clone().inside(2, 1, 2, &[0], true));
    add(
        "directory-unchanged-with-bytes",
        f.clone().inside(2, 1, 5, &[0x80], true),
    );
    add("picture-flipped", f.clone().inside(2, 3, 5, &[0xAA], false));
    add(
        "picture-key-flipped",
        f.clone().inside(2, 2, 5, &[0xAA], false),
    );
    add(
        "picture-last-flipped",
        f.clone().inside(3, 5, 5, &[0xAA], false),
    );
    add("picture-level", f.clone().inside(2, 3, 0, &[1], true));
    add("picture-quantiser", f.clone().inside(2, 3, 1, &[52], true));
    add("picture-key-bit", f.clone().inside(2, 3, 0, &[0x0E], true));
    add(
        "picture-noise",
        f.clone().inside(2, 3, 2, &[0x5A; 20], true),
    );
}

/// What stands inside payloads: `coding.md`, and 2.1 of the container's text.
fn payloads(files: &mut Files) {
    let mut add = |name: &str, bytes: Vec<u8>| files.push((format!("payload-{name}"), bytes));
    let (settings, _, slices) = small(Coding::Raw, Level::Light, SoundCoding::PcmU8);
    let raw = Reel::new(write_reel(&settings, None, &slices).0);
    add("raw", raw.bytes.clone());
    for (name, at, bytes) in [
        ("raw-reserved", 2, &[1][..]),
        ("raw-count-0", 0, &[0]),
        ("raw-count-more", 0, &[9]),
        ("raw-left-of-panel", 4, &[16]),
        ("raw-width-0", 8, &[0]),
        ("raw-width-17", 8, &[17]),
        ("raw-height-less", 10, &[1]),
    ] {
        add(name, raw.clone().inside(2, 3, at, bytes, true));
    }
    // A rectangle of an odd number of pixels ends with two bytes of zeros.
    let mut odd = slices.clone();
    let picture = &mut odd[2].pictures[1];
    picture.bytes = [&[1, 0, 0, 0, 3, 0, 4, 0, 1, 0, 1, 0][..], &[0xF8, 0, 0, 0]].concat();
    picture.unchanged = false;
    let odd = Reel::new(write_reel(&settings, None, &odd).0);
    add("raw-odd", odd.bytes.clone());
    add("raw-odd-zeros", odd.clone().inside(2, 3, 15, &[1], true));
    let (settings, _, slices) = small(Coding::Patch, Level::Light, SoundCoding::PcmU8);
    // Zeros up to a multiple of four, under a checksum that holds.
    let light = Reel::new(write_reel(&settings, None, &slices).0);
    let padded = (2..6)
        .find(|&i| !light.part(2, i).1.is_multiple_of(4))
        .unwrap();
    let length = light.part(2, padded).1;
    add("zeros", light.clone().inside(2, padded, length, &[1], true));
    // Bits behind the last macroblock of a light picture.
    add(
        "light-bits-behind",
        light.clone().inside(2, padded, length - 1, &[0xFF], true),
    );
    add(
        "light-level",
        light.clone().inside(2, padded, 0, &[2], true),
    );
    add(
        "light-head-reserved",
        light.clone().inside(2, padded, 0, &[0x11], true),
    );

    // Two checksums: 80 x 64 pixels are 10,252 bytes.
    let settings = Settings {
        width: 80,
        height: 64,
        coding: 0,
        level: 0,
        working_memory: 0,
        sound: SoundCoding::None,
        ..settings
    };
    let pixels = (0..80 * 64_u32).flat_map(|i| (i as u16).to_be_bytes());
    let picture = Picture {
        key: true,
        bytes: [1, 0, 0, 0, 0, 0, 0, 0, 80, 0, 64, 0]
            .into_iter()
            .chain(pixels)
            .collect(),
        ..Picture::default()
    };
    let slice = |n: u64| Slice::new(160 * n, 160, Vec::new(), vec![picture.clone()]);
    let long = Reel::new(write_reel(&settings, None, &[slice(0), slice(1)]).0);
    let (start, length) = long.part(1, 2);
    add("two-sums", long.bytes.clone());
    add("two-sums-first-piece", long.clone().flip(start + 8191));
    add("two-sums-second-piece", long.clone().flip(start + 8192));
    add(
        "two-sums-second-sum",
        long.clone().flip(start + align4(length) + 7),
    );
}

fn indexes(files: &mut Files) {
    let (settings, poster, slices) = small(Coding::Patch, Level::Full, SoundCoding::ImaAdpcm);
    let settings = Settings {
        index_step_ms: 40,
        ..settings
    };
    // Sixteen entries in blocks of fourteen.
    let reel = Reel::new(write_reel(&settings, Some(&poster), &slices).0);
    let (index, _) = reel.side(Kind::Index);
    let second = index + CHUNK_HEADER + 128;
    let mut add = |name: &str, bytes: Vec<u8>| files.push((format!("index-{name}"), bytes));
    add("two-blocks", reel.bytes.clone());
    add("second-block-flipped", reel.clone().flip(second + 9));
    let mut zeros = reel.clone();
    zeros.bytes[second + 8 * 5] = 1;
    seal(&mut zeros.bytes[second..second + 128]);
    add(
        "behind-the-last-entry",
        zeros.side_inside(Kind::Index, 0, &[], true),
    );
    add("of-one-block", reel.clone().header(168, &[14]));
}

fn ends(files: &mut Files) {
    let f = film();
    let mut add = |name: &str, bytes: Vec<u8>| files.push((format!("end-{name}"), bytes));
    add(
        "poster-flipped",
        f.clone().side_inside(Kind::Poster, 5, &[0xAA], false),
    );
    add(
        "note-not-utf-8",
        f.clone().side_inside(Kind::Note, 0, &[0xFF], true),
    );
    add("note-time", f.clone().side_head(Kind::Note, 24, &[1]));
    add("note-pictures", f.clone().side_head(Kind::Note, 6, &[1]));
    add("note-ticks", f.clone().side_head(Kind::Note, 20, &[1]));
    add(
        "index-flipped",
        f.clone().side_inside(Kind::Index, 5, &[0xAA], false),
    );
    add(
        "index-entry-wrong",
        f.clone().side_inside(Kind::Index, 8, &[0xFF], true),
    );
    let text = |bytes: &[u8]| f.clone().side_inside(Kind::Note, 0, bytes, true);
    add("note-control", text(&[0x1B]));
    add("note-line-feed", text(b"\n"));
    for (name, at) in [
        ("ticks", 0),
        ("offset", 8),
        ("sound", 16),
        ("slices", 28),
        ("gaps", 32),
    ] {
        let wrong = f.clone().side_inside(Kind::End, at, &[0xFE], true);
        add(&format!("totals-{name}-wrong"), wrong);
    }
    add("reserved", f.clone().side_inside(Kind::End, 36, &[1], true));
    // A newer writer may use what is reserved: in the end, and behind a part.
    let newer = f.of(f.clone().header(10, &[1]));
    add("newer", newer.bytes.clone());
    add(
        "newer-reserved",
        newer.clone().side_inside(Kind::End, 36, &[1], true),
    );
    let (note, h) = f.side(Kind::Note);
    let last = note + h.length as usize - 1;
    add("note-padding", f.clone().flip(last));
    add("newer-note-padding", newer.flip(last));
    add(
        "totals-wrong",
        f.clone().side_inside(Kind::End, 24, &[0xFF], true),
    );
    add(
        "copy-flipped",
        f.clone().side_inside(Kind::End, 140, &[0xAA], true),
    );
    add(
        "flipped",
        f.clone().side_inside(Kind::End, 0, &[0xAA], false),
    );
    add(
        "picture-number",
        f.clone().side_head(Kind::End, 36, &[0xFF]),
    );
    add("time-past", f.clone().side_head(Kind::End, 26, &[9]));
    let (end, _) = f.side(Kind::End);
    add("missing", f.clone().cut(end));
    add("cut-in-slice", f.clone().cut(f.slice(3).0 + 100));
    add("cut-in-header", f.clone().cut(700));
    add("bytes-behind", [&f.bytes[..], &[0; 48]].concat());
    let l = live();
    let even = ChunkHeader::EVEN;
    let mut add = |name: &str, bytes: Vec<u8>| files.push((format!("live-{name}"), bytes));
    add("cut-in-slice", l.clone().cut(l.slice(3).0 + 1000));
    add("cut-in-chunk-header", l.clone().cut(l.slice(3).0 + 20));
    // The end and its copy of the header are left out: nothing else is wrong.
    let open = l.of(l.clone().cut(l.side(Kind::End).0));
    add("prebuffer", open.clone().header(124, &[1]));
    add("picture-count", open.clone().header(68, &[16]));
    add("index-step", open.clone().header(164, &[1]));
    add("index-offset", open.clone().header(152, &[0, 4]));
    // As a whole reel has them, in order: but a live reel has no index.
    add("index", open.clone().header(152, &f.bytes[152..172]));
    let no_key = open.of(open.clone().head(0, 5, &[even]));
    add("first-not-key-nor-gap", no_key.inside(0, 1, 2, &[0], true));
    let gap = l.of(l.clone().head(2, 5, &[ChunkHeader::GAP | even]));
    add("time-2-40", gap.head(2, 24, &[0, 0, 0, 0, 0, 1]));
    add("bytes-behind", [&l.bytes[..], &[7; 16]].concat());
    let open = l.clone().cut(l.side(Kind::End).0);
    let (third, h) = l.slice(2);
    let (note, n) = l.side(Kind::Note);
    let note = |number: u32, time: u64, picture: u32| {
        let mut chunk = l.bytes[note..][..n.length as usize].to_vec();
        chunk[8..12].copy_from_slice(&number.to_le_bytes());
        chunk[24..32].copy_from_slice(&time.to_le_bytes());
        chunk[36..40].copy_from_slice(&picture.to_le_bytes());
        seal(&mut chunk[..CHUNK_HEADER]);
        chunk
    };
    // Found by a search, and passed over for its number: time stays.
    let stale = note(0, h.time + 100, h.first_picture);
    add(
        "stale-note-after-garbage",
        [&open[..third], &[7; 16], &stale, &open[third..]].concat(),
    );
    // A note not in order, then numbers that jump: that is reported all the same, and
    // the slice, which is no key slice, waits.
    let (second, h) = l.slice(1);
    let mut bad = note(h.number, h.time, h.first_picture);
    bad[CHUNK_HEADER] ^= 4;
    let jumped = (1..4).fold(l.clone(), |reel, n| {
        let number = (h.number + 5 + n).to_le_bytes();
        l.of(reel.head(n as usize, 8, &number))
    });
    add(
        "jump-after-bad-note",
        [&open[..second], &bad, &jumped.bytes[second..open.len()]].concat(),
    );
    // It must not be silent for as long as it says: 12 days.
    add("ticks-2-32", l.clone().head(2, 20, &[0xFF; 4]));
    add("jump-of-24-s", l.clone().head(2, 24, &[0xC0, 0x7D, 1, 0]));
    // The same, and a sound block of another length: no silence before it is foretold.
    let ahead = [0xC0, 0x7D, 1, 0, 0, 0, 0, 0, 5];
    add("sound-length-24-s-ahead", l.clone().head(2, 24, &ahead));
}

fn all() -> Files {
    let mut files = vec![
        ("whole".to_owned(), film().bytes),
        ("live".to_owned(), live().bytes),
    ];
    headers(&mut files);
    chunks(&mut files);
    parts(&mut files);
    payloads(&mut files);
    indexes(&mut files);
    ends(&mut files);
    files
}

#[test]
#[ignore = "writes the kit anew; run by hand after a change of the format"]
fn make_kit() {
    let folder = folder();
    fs::create_dir_all(&folder).unwrap();
    let mut list = String::new();
    for (name, bytes) in all() {
        fs::write(folder.join(format!("{name}.tbr")), &bytes).unwrap();
        writeln!(list, "{name}.tbr {}", present(&bytes)).unwrap();
    }
    fs::write(folder.join("LIST"), list).unwrap();
}

/// Lines of a `LIST`, each with its file's path.
fn listed() -> Vec<(PathBuf, String)> {
    let list = fs::read_to_string(folder().join("LIST")).unwrap();
    let lines = list.lines();
    let path = |line: &str| folder().join(line.split(' ').next().unwrap());
    lines.map(|line| (path(line), line.to_owned())).collect()
}

#[test]
fn the_kit_is_presented_and_judged_as_listed() {
    let listed = listed();
    assert!(listed.len() >= 60);
    for (path, line) in &listed {
        let told = present(&fs::read(path).unwrap());
        assert_eq!(line.split_once(' ').unwrap().1, told, "{}", path.display());
    }
    assert_eq!(fs::read_dir(folder()).unwrap().count(), listed.len() + 1);
}

/// What the second reader, in Python, says of files, a line each.
fn second_reader(paths: &[PathBuf]) -> Vec<String> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let home = || Path::new(&std::env::var("HOME").unwrap()).join(".cache/thumbreel");
    let tools = std::env::var_os("THUMBREEL_TOOLS").map_or_else(home, PathBuf::from);
    let output = Command::new(tools.join("venv/bin/python"))
        .arg(root.join("tests/reader/reel.py"))
        .args(paths)
        .output()
        .expect("Python is missing: run .ci/install test");
    let errors = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{errors}");
    let text = String::from_utf8(output.stdout).unwrap();
    text.lines().map(str::to_owned).collect()
}

#[test]
fn a_second_reader_in_python_says_the_same_of_the_kit() {
    let listed = listed();
    let paths: Vec<PathBuf> = listed.iter().map(|(path, _)| path.clone()).collect();
    let all = second_reader(&paths);
    assert_eq!(all.len(), listed.len());
    for (told, (_, line)) in all.iter().zip(&listed) {
        assert_eq!(told, line);
    }
}

#[test]
fn a_second_reader_in_python_says_the_same_of_kept_and_fresh_reels() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/archive/v1");
    let kept = fs::read_dir(root)
        .unwrap()
        .map(|entry| entry.unwrap().path());
    let mut paths: Vec<PathBuf> = kept.filter(|p| p.extension().is_some()).collect();
    paths.sort();
    let fresh = tempfile::tempdir().unwrap();
    for (name, (coding, level, sound)) in [
        ("light", (Coding::Patch, Level::Light, SoundCoding::PcmS16)),
        ("full", (Coding::Patch, Level::Full, SoundCoding::None)),
        ("raw", (Coding::Raw, Level::Light, SoundCoding::PcmU8)),
    ] {
        let path = fresh.path().join(format!("{name}.tbr"));
        let (settings, poster, slices) = small(coding, level, sound);
        let reel = write_reel(&settings, Some(&poster), &slices).0;
        fs::write(&path, reel).unwrap();
        paths.push(path);
    }
    let all = second_reader(&paths);
    assert_eq!(all.len(), paths.len());
    for (told, path) in all.iter().zip(&paths) {
        let reel = fs::read(path).unwrap();
        let ours = present(&reel);
        let (name, told) = told.split_once(' ').unwrap();
        let without_panels = |s: &str| s.split(" panels ").next().unwrap().to_owned();
        match name.starts_with("jpeg") {
            // Decoders of jpeg may differ by a level.
            true => assert_eq!(without_panels(told), without_panels(&ours), "{name}"),
            false => assert_eq!(told, ours, "{name}"),
        }
    }
}

/// What only `verify` asks of a raw picture: the directory's windows and bytes are the
/// picture's, and a key picture sets every pixel. The figures are of the payload of
/// `coding.md`: 8 bytes of rectangle, 16 x 16 pixels of 2 bytes, 11 for the window.
#[test]
fn a_raw_picture_is_held_to_the_header_and_to_the_whole_panel() {
    let (settings, _, slices) = small(Coding::Raw, Level::Light, SoundCoding::PcmU8);
    let reel = Reel::new(write_reel(&settings, None, &slices).0);
    let folder = tempfile::tempdir().unwrap();
    let verified = |bytes: &[u8]| {
        let path = folder.path().join("raw.tbr");
        fs::write(&path, bytes).unwrap();
        let mut verify = Command::new(env!("CARGO_BIN_EXE_thumbreel"));
        let done = verify.arg("verify").arg(path).output().unwrap();
        (done.status.code(), String::from_utf8(done.stdout).unwrap())
    };
    let (code, told) = verified(&reel.bytes);
    assert_eq!(code, Some(0), "{told}");
    let key = slices[0].pictures[0].clone();
    assert_eq!(key.bytes.len(), 4 + 8 + 2 * 16 * 16);
    // One window of 16 x 16 pixels is 523 bytes.
    for (most, code) in [(523_u16, 0), (522, 1)] {
        let stated = most.to_le_bytes();
        let (ended, told) = verified(&reel.clone().header(136, &stated));
        assert_eq!(ended, Some(code), "{told}");
        assert_eq!(told.contains("sends 523 bytes"), code == 1, "{told}");
    }
    // A line less, told truly: 16 x 15 pixels.
    let mut slices = slices;
    let key = &mut slices[0].pictures[0];
    key.bytes[4 + 6] = 15;
    key.bytes.truncate(4 + 8 + 2 * 16 * 15);
    let (code, told) = verified(&write_reel(&settings, None, &slices).0);
    assert_eq!(code, Some(1), "{told}");
    assert!(told.contains("leaves visible pixels"), "{told}");
}
