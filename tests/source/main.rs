//! The promise: any clip that libav* opens is read right, whatever its
//! container, pixel format, rate, start, shape or damage.
//!
//! The yardstick is the ffmpeg program, which opens the same files on its own.

#[path = "../common/mod.rs"]
mod common;

mod damage;
mod formats;
mod sound;
mod times;
mod turns;

use std::path::Path;

use thumbreel::source::{Clip, Damage, Item, OpenOptions, SourcePicture};

/// A clip read to its end.
pub struct Whole {
    pub pictures: Vec<SourcePicture>,
    /// All sound of the first channel.
    pub left: Vec<f32>,
    pub rate: u32,
    pub channels: usize,
    pub damage: Damage,
    pub origin: i64,
}

pub fn read(clip: Clip) -> Whole {
    let mut clip = clip;
    let mut whole = Whole {
        pictures: Vec::new(),
        left: Vec::new(),
        rate: 0,
        channels: 0,
        damage: Damage::default(),
        origin: clip.info().origin.0,
    };
    while let Some(item) = clip.next_item().unwrap() {
        match item {
            Item::Picture(picture) => whole.pictures.push(picture),
            Item::Sound(sound) => {
                if whole.rate == sound.rate {
                    let gap = sound.time.0 as f64 / 1e9 - whole.sound_end();
                    assert!(gap.abs() < 1e-4, "the sound has no gap, but {gap} s");
                }
                whole.rate = sound.rate;
                whole.channels = sound.channels;
                whole
                    .left
                    .extend(sound.samples.iter().step_by(sound.channels));
            }
        }
    }
    whole.damage = clip.damage();
    whole
}

impl Whole {
    pub fn sound_end(&self) -> f64 {
        self.left.len() as f64 / f64::from(self.rate.max(1))
    }

    pub fn times(&self) -> Vec<f64> {
        self.pictures
            .iter()
            .map(|p| p.time.0 as f64 / 1e9)
            .collect()
    }
}

pub fn open(path: &Path) -> Whole {
    open_with(path, &OpenOptions::default())
}

pub fn open_with(path: &Path, options: &OpenOptions) -> Whole {
    read(Clip::open(path, options).unwrap())
}

/// The rows of one plane without their padding.
pub fn plane(picture: &SourcePicture, index: usize) -> (usize, usize, Vec<u8>) {
    let frame = &picture.frame;
    let (w, h) = (
        frame.plane_width(index) as usize,
        frame.plane_height(index) as usize,
    );
    let rows = frame.data(index).chunks(frame.stride(index)).take(h);
    (w, h, rows.flat_map(|row| row[..w].to_vec()).collect())
}

/// The picture as RGB, 8 bits, by libswscale with the flags of the ffmpeg program.
pub fn rgb(picture: &SourcePicture) -> Vec<u8> {
    use ffmpeg_next::format::Pixel;
    use ffmpeg_next::software::scaling::{Context, Flags};
    let frame = &picture.frame;
    let (w, h) = (frame.width(), frame.height());
    let mut out = ffmpeg_next::frame::Video::empty();
    Context::get(frame.format(), w, h, Pixel::RGB24, w, h, Flags::BICUBIC)
        .unwrap()
        .run(frame, &mut out)
        .unwrap();
    let rows = out.data(0).chunks(out.stride(0)).take(h as usize);
    rows.flat_map(|row| row[..w as usize * 3].to_vec())
        .collect()
}

pub fn mean_difference(a: &[u8], b: &[u8]) -> f64 {
    assert_eq!(a.len(), b.len());
    let total: u64 = a
        .iter()
        .zip(b)
        .map(|(a, b)| u64::from(a.abs_diff(*b)))
        .sum();
    total as f64 / a.len() as f64
}
