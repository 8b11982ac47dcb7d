//! Reels of real clips at 240x240 and 24 frames per second, for the counts.

use super::films::block_coding;
use crate::common::reels::write_reel;
use std::path::PathBuf;
use std::process::Command;
use thumbreel::coding::patch::{Level, STATE_BYTES, memory_bytes};
use thumbreel::coding::{
    ByteOrder, Coding, EncoderPlan, Limits, PanelDecoder, PanelSettings, PictureIn, Shape, Weights,
    encoder, expand_565, nearest_565,
};
use thumbreel::picture::quality::ssim;
use thumbreel::reel::{Picture, Settings, Slice, SoundCoding};
use thumbreel::sound::BlockEncoder;
use thumbreel::units::Ratio;

pub const SIDE: u16 = 240;
const RATE: u32 = 24;
const CLOCK_RATE: u32 = 24_000;
/// Pictures in a slice; a key slice every five seconds, as convert has it.
const PICTURES: usize = 6;
const KEY_EVERY: usize = 20;

/// Where the real clips lie.
fn clip(name: &str) -> PathBuf {
    let tools = std::env::var_os("THUMBREEL_TOOLS").map_or_else(
        || PathBuf::from(std::env::var_os("HOME").expect("HOME")).join(".cache/thumbreel"),
        PathBuf::from,
    );
    let path = tools.join("clips").join(name);
    assert!(
        path.exists(),
        "{} is missing: run .ci/install test",
        path.display()
    );
    path
}

/// The first `n` pictures of a clip, cut to a square: 3 bytes per pixel.
pub fn pictures(name: &str, n: usize) -> Vec<Vec<u8>> {
    let mut command = Command::new("ffmpeg");
    command.args(["-v", "error", "-i"]).arg(clip(name));
    command.args(["-an", "-vf"]);
    command.arg(format!(
        "fps={RATE},crop='min(iw,ih)':'min(iw,ih)',scale={SIDE}:{SIDE}:flags=bicubic"
    ));
    command.args([
        "-frames:v",
        &n.to_string(),
        "-f",
        "rawvideo",
        "-pix_fmt",
        "rgb24",
        "-",
    ]);
    let output = super::tools::output(&mut command);
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let size = 3 * usize::from(SIDE) * usize::from(SIDE);
    output
        .stdout
        .chunks_exact(size)
        .map(<[u8]>::to_vec)
        .collect()
}

/// Settings of an encoder, without dither or limits.
pub fn plan(coding: Coding, level: Level, search: u8, quality: u8) -> EncoderPlan {
    EncoderPlan {
        width: SIDE,
        height: SIDE,
        shape: Shape::Rectangle,
        order: ByteOrder::HighFirst,
        rate: Ratio { num: RATE, den: 1 },
        coding,
        level,
        quality,
        search,
        dither: false,
        limits: Limits::default(),
        weights: Weights::default(),
    }
}

fn pixels(rgb: &[u8]) -> Vec<u16> {
    rgb.chunks_exact(3)
        .map(|p| nearest_565(p[0], p[1], p[2]))
        .collect()
}

/// Luma of ITU-R BT.601.
fn luma(rgb: &[u8]) -> Vec<u8> {
    rgb.chunks_exact(3)
        .map(|c| {
            let [r, g, b] = [c[0], c[1], c[2]].map(f64::from);
            (0.299 * r + 0.587 * g + 0.114 * b).round() as u8
        })
        .collect()
}

/// Mean SSIM (Wang et al. 2004) of what the panel shows of every sixth picture.
fn likeness(pictures: &[Vec<u8>], plan: &EncoderPlan) -> f64 {
    let mut coder = encoder(plan).unwrap();
    let mut panel = PanelDecoder::new(PanelSettings {
        width: SIDE,
        height: SIDE,
        level: plan.level,
        jpeg_tables: coder.tables().to_vec(),
        ..PanelSettings::default()
    })
    .unwrap();
    let mut sum = 0.0;
    for (n, rgb) in pictures.iter().enumerate() {
        let input = PictureIn {
            width: SIDE,
            height: SIDE,
            rgb,
            pixels: &pixels(rgb),
            unchanged: false,
        };
        let coded = coder.encode(&input, n == 0).unwrap();
        let flags = u8::from(coded.key) | u8::from(coded.unchanged) << 1;
        panel
            .decode(plan.coding as u8, flags, &coded.bytes)
            .unwrap();
        if n % 6 == 0 {
            let shown: Vec<u8> = panel.pixels().iter().flat_map(|&p| expand_565(p)).collect();
            sum += ssim(&luma(rgb), &luma(&shown), SIDE.into(), 1);
        }
    }
    sum / pictures.len().div_ceil(6) as f64
}

/// The lowest quality at which patch looks at least like JPEG of quality 50.
pub fn equal_quality(pictures: &[Vec<u8>], level: Level, search: u8) -> u8 {
    let goal = likeness(pictures, &plan(Coding::Jpeg, level, search, 50));
    let (mut low, mut high) = (20, 90);
    while high - low > 1 {
        let middle = (low + high) / 2;
        let patch = plan(Coding::Patch, level, search, middle);
        if likeness(pictures, &patch) < goal {
            low = middle;
        } else {
            high = middle;
        }
    }
    high
}

/// A reel of these pictures with IMA ADPCM sound.
pub fn reel(pictures: &[Vec<u8>], plan: &EncoderPlan) -> Vec<u8> {
    sounding(pictures, plan, SoundCoding::ImaAdpcm)
}

/// The same with another sound coding.
pub fn sounding(pictures: &[Vec<u8>], plan: &EncoderPlan, sounds: SoundCoding) -> Vec<u8> {
    let (coding, level) = (plan.coding, plan.level);
    let mut coder = encoder(plan).unwrap();
    let mut sound = BlockEncoder::new(block_coding(sounds).unwrap(), CLOCK_RATE);
    let step = CLOCK_RATE / RATE;
    let mut slices = Vec::new();
    for (i, group) in pictures.chunks(PICTURES).enumerate() {
        let ticks = step * group.len() as u32;
        let time = (i * PICTURES) as u64 * u64::from(step);
        let coded = group.iter().enumerate().map(|(n, rgb)| {
            let input = PictureIn {
                width: SIDE,
                height: SIDE,
                rgb,
                pixels: &pixels(rgb),
                unchanged: false,
            };
            let key = n == 0 && i % KEY_EVERY == 0;
            Picture::coded(step * n as u32, coder.encode(&input, key).unwrap())
        });
        let coded = coded.collect();
        let block = sound.encode(&super::films::tone(time, ticks));
        slices.push(Slice::new(time, ticks, block, coded));
    }
    write_reel(&settings(coding, level, sounds), None, &slices).0
}

fn settings(coding: Coding, level: Level, sound: SoundCoding) -> Settings {
    let patch = coding == Coding::Patch;
    Settings {
        clock_rate: CLOCK_RATE,
        rate: Ratio { num: RATE, den: 1 },
        sound,
        coding: coding as u8,
        level: if patch { level as u8 } else { 0 },
        working_memory: if patch {
            memory_bytes(SIDE, SIDE) as u32 + STATE_BYTES
        } else {
            0
        },
        ..Settings::default()
    }
}

/// A silent reel of one key picture with this payload.
pub fn one_picture(level: Level, bytes: Vec<u8>) -> Vec<u8> {
    let picture = Picture {
        tick_offset: 0,
        key: true,
        unchanged: false,
        bytes,
    };
    let slice = Slice::new(0, CLOCK_RATE / RATE, Vec::new(), vec![picture]);
    let settings = settings(Coding::Patch, level, SoundCoding::None);
    write_reel(&settings, None, &[slice]).0
}

/// What a clip shows, for tables.
pub fn label(name: &str) -> &str {
    match name {
        "bigbuckbunny.mp4" => "animation",
        "bikes.mp4" => "handheld",
        "carphone_pristine.mp4" => "face",
        "cup.mp4" => "table top",
        other => other,
    }
}
