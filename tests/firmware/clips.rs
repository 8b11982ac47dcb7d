//! Reels of real clips at 240x240 and 24 pictures a second, for the counts.

use super::films::{block_coding, picture};
use crate::common::reels::write_reel;
use std::path::PathBuf;
use std::process::Command;
use thumbreel::coding::patch::{Level, STATE_BYTES, memory_bytes};
use thumbreel::coding::{
    ByteOrder, Coding, EncoderPlan, Limits, PictureIn, Shape, Weights, encoder, nearest_565,
};
use thumbreel::reel::{Settings, Slice, SoundCoding};
use thumbreel::sound::BlockEncoder;
use thumbreel::units::Ratio;

pub const SIDE: u16 = 240;
const RATE: u32 = 24;
const CLOCK_RATE: u32 = 24_000;
/// Pictures in a slice; a key slice every second.
const PICTURES: usize = 6;
const KEY_EVERY: usize = 4;

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

/// The first `n` pictures of a clip, cut to a square: 3 bytes a pixel.
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

/// A reel of these pictures with IMA ADPCM sound, at the quality that looks
/// like JPEG of quality 50.
pub fn reel(pictures: &[Vec<u8>], coding: Coding, level: Level, effort: u8) -> Vec<u8> {
    let mut coder = encoder(&EncoderPlan {
        width: SIDE,
        height: SIDE,
        shape: Shape::Rectangle,
        order: ByteOrder::HighFirst,
        rate: Ratio { num: RATE, den: 1 },
        coding,
        level,
        quality: 50,
        effort,
        dither: false,
        limits: Limits::default(),
        weights: Weights::default(),
    })
    .unwrap();
    let mut sound = BlockEncoder::new(block_coding(SoundCoding::ImaAdpcm).unwrap(), CLOCK_RATE);
    let step = CLOCK_RATE / RATE;
    let mut slices = Vec::new();
    for (i, group) in pictures.chunks(PICTURES).enumerate() {
        let ticks = step * group.len() as u32;
        let time = (i * PICTURES) as u64 * u64::from(step);
        let coded = group.iter().enumerate().map(|(n, rgb)| {
            let pixels: Vec<u16> = rgb
                .chunks_exact(3)
                .map(|p| nearest_565(p[0], p[1], p[2]))
                .collect();
            let input = PictureIn {
                width: SIDE,
                height: SIDE,
                rgb,
                pixels: &pixels,
                unchanged: false,
            };
            let key = n == 0 && i % KEY_EVERY == 0;
            picture(
                step * n as u32,
                coding as u8,
                coder.encode(&input, key).unwrap(),
            )
        });
        let coded = coded.collect();
        let block = sound.encode(&super::films::tone(time, ticks));
        slices.push(Slice::new(time, ticks, block, coded));
    }
    let patch = coding == Coding::Patch;
    let settings = Settings {
        clock_rate: CLOCK_RATE,
        rate: Ratio { num: RATE, den: 1 },
        sound: SoundCoding::ImaAdpcm,
        coding: coding as u8,
        level: if patch { level as u8 } else { 0 },
        working_memory: if patch {
            memory_bytes(SIDE, SIDE) as u32 + STATE_BYTES
        } else {
            0
        },
        ..Settings::default()
    };
    write_reel(&settings, None, &slices).0
}
