//! Reels to look at: a boat crosses a harbour, drawn here, in every coding,
//! square and round, with each sound coding and without sound.

use std::fs::File;
use std::path::Path;

use thumbreel::coding::patch::Level;
use thumbreel::coding::{
    self, ByteOrder, Coding, EncoderPlan, Limits, PictureEncoder, PictureIn, Shape, Weights,
    nearest_565,
};
use thumbreel::reel::{
    Mounting, Picture, ReelWriter, Settings, Shape as ReelShape, Slice, SoundCoding as ReelSound,
};
use thumbreel::sound::{BlockEncoder, SoundCoding};
use thumbreel::units::Ratio;

const RATE: u32 = 16_000;
const PICTURES: u32 = 10;
const SECONDS: u32 = 3;

/// Sky, sea, a moving boat and a light that goes on and off; as the panel's
/// memory holds it.
fn scene(kind: &Kind, n: u32) -> (Vec<u8>, Vec<u16>) {
    let (w, h) = (i32::from(kind.size.0), i32::from(kind.size.1));
    let boat = (n as i32 * w) / (PICTURES * SECONDS) as i32;
    let mut rgb = Vec::new();
    let (across, down) = kind.native();
    for row in 0..i32::from(down) {
        for column in 0..i32::from(across) {
            let column = match kind.mounting.mirror {
                true => i32::from(across) - 1 - column,
                false => column,
            };
            let (x, y) = match kind.mounting.turns {
                0 => (column, row),
                1 => (row, h - 1 - column),
                2 => (w - 1 - column, h - 1 - row),
                _ => (w - 1 - row, column),
            };
            let sky = [30 + 140 * y / h, 50 + 90 * y / h, 110 - 20 * y / h];
            let sea = [12, 40 + (x * 7 + y * 3) % 9, 60];
            let hull = (x - boat).abs() < w / 8 && (y - 2 * h / 3).abs() < h / 20;
            let lamp = (x - 4 * w / 5).pow(2) + (y - h / 4).pow(2) < (w / 12).pow(2);
            let colour = match () {
                () if lamp && n % 10 < 5 => [255, 240, 170],
                () if hull => [150, 40, 30],
                () if y > 2 * h / 3 => sea,
                () => sky,
            };
            rgb.extend(colour.map(|c| c.clamp(0, 255) as u8));
        }
    }
    let pixels = rgb
        .chunks_exact(3)
        .map(|c| nearest_565(c[0], c[1], c[2]))
        .collect();
    (rgb, pixels)
}

struct Kind {
    name: &'static str,
    title: &'static str,
    /// As the viewer sees it.
    size: (u16, u16),
    mounting: Mounting,
    shape: Shape,
    sound: Option<SoundCoding>,
    coding: Coding,
    level: Level,
    /// What the reel says of how it was made.
    note: &'static str,
}

impl Kind {
    /// Width and height in the panel's memory.
    const fn native(&self) -> (u16, u16) {
        match self.mounting.swaps() {
            true => (self.size.1, self.size.0),
            false => self.size,
        }
    }
}

/// Writes one reel of each kind into `folder`.
pub fn reels(folder: &Path) {
    let kinds = [
        Kind {
            name: "jpeg.tbr",
            title: "Harbour, jpeg",
            size: (120, 100),
            mounting: Mounting::default(),
            shape: Shape::Rectangle,
            sound: Some(SoundCoding::Pcm8),
            coding: Coding::Jpeg,
            level: Level::Full,
            note: "",
        },
        Kind {
            name: "patch-full.tbr",
            title: "Harbour, patch full",
            size: (200, 120),
            mounting: Mounting::default(),
            shape: Shape::Rectangle,
            sound: Some(SoundCoding::Adpcm),
            coding: Coding::Patch,
            level: Level::Full,
            note: "",
        },
        Kind {
            name: "patch-light.tbr",
            title: "Harbour, patch light, round",
            size: (120, 120),
            mounting: Mounting::default(),
            shape: Shape::Ellipse,
            sound: Some(SoundCoding::Pcm8),
            coding: Coding::Patch,
            level: Level::Light,
            note: "",
        },
        Kind {
            name: "raw-square.tbr",
            title: "Harbour, square",
            size: (120, 96),
            mounting: Mounting::default(),
            shape: Shape::Rectangle,
            sound: Some(SoundCoding::Pcm16),
            coding: Coding::Raw,
            level: Level::Full,
            note: "",
        },
        Kind {
            name: "raw-round.tbr",
            title: "Harbour, round <b>& more</b>",
            size: (96, 96),
            mounting: Mounting::default(),
            shape: Shape::Ellipse,
            sound: Some(SoundCoding::Adpcm),
            coding: Coding::Raw,
            level: Level::Full,
            note: "",
        },
        Kind {
            name: "silent.tbr",
            title: "Harbour, silent",
            size: (80, 40),
            mounting: Mounting::default(),
            shape: Shape::Rectangle,
            sound: None,
            coding: Coding::Raw,
            level: Level::Full,
            note: r#"{"panel":{"width":160,"height":80,"x":60,"y":20,"round":false}}"#,
        },
        Kind {
            name: "turned.tbr",
            title: "Harbour, panel on its side",
            size: (160, 80),
            mounting: Mounting {
                turns: 1,
                mirror: false,
            },
            shape: Shape::Rectangle,
            sound: None,
            coding: Coding::Raw,
            level: Level::Full,
            note: r#"{"panel":{"width":100,"height":200,"x":10,"y":30,"round":false}}"#,
        },
        Kind {
            name: "turned-mirror.tbr",
            title: "Harbour, seen in a mirror",
            size: (64, 96),
            mounting: Mounting {
                turns: 3,
                mirror: true,
            },
            shape: Shape::Rectangle,
            sound: None,
            coding: Coding::Raw,
            level: Level::Full,
            note: "",
        },
    ];
    for kind in kinds {
        write(&folder.join(kind.name), &kind);
    }
}

fn encoder(kind: &Kind) -> Box<dyn PictureEncoder> {
    let (width, height) = kind.native();
    coding::encoder(&EncoderPlan {
        width,
        height,
        shape: kind.shape,
        order: ByteOrder::HighFirst,
        rate: Ratio {
            num: PICTURES,
            den: 1,
        },
        coding: kind.coding,
        level: kind.level,
        quality: 60,
        search: 1,
        dither: kind.level == Level::Full,
        limits: Limits::default(),
        weights: Weights::default(),
    })
    .unwrap()
}

fn write(path: &Path, kind: &Kind) {
    let (width, height) = kind.native();
    let settings = Settings {
        width,
        height,
        shape: match kind.shape {
            Shape::Rectangle => ReelShape::Rectangle,
            Shape::Ellipse => ReelShape::Ellipse,
        },
        mounting: kind.mounting,
        clock_rate: if kind.sound.is_some() { RATE } else { 48_000 },
        rate: Ratio {
            num: PICTURES,
            den: 1,
        },
        sound: match kind.sound {
            None => ReelSound::None,
            Some(SoundCoding::Pcm16) => ReelSound::PcmS16,
            Some(SoundCoding::Pcm8) => ReelSound::PcmU8,
            Some(SoundCoding::Adpcm) => ReelSound::ImaAdpcm,
        },
        coding: kind.coding as u8,
        level: if kind.coding == Coding::Patch {
            kind.level as u8
        } else {
            0
        },
        working_memory: 1 << 20,
        tables: encoder(kind).tables().to_vec(),
        title: kind.title.into(),
        note: kind.note.into(),
        ..Settings::default()
    };
    let poster = picture(encoder(kind).as_mut(), kind, 3, 0, true).bytes;
    let file = File::create(path).unwrap();
    let mut writer = ReelWriter::new(file, &settings, Some(&poster)).unwrap();
    let mut encoder = encoder(kind);
    let mut sound = kind.sound.map(|sound| BlockEncoder::new(sound, RATE));
    let ticks = settings.clock_rate / 2;
    for half in 0..2 * SECONDS {
        let time = u64::from(half * ticks);
        let in_slice = 0..PICTURES / 2;
        let pictures = in_slice.map(|i| {
            picture(
                encoder.as_mut(),
                kind,
                half * PICTURES / 2 + i,
                i * ticks * 2 / PICTURES,
                half % 2 == 0 && i == 0,
            )
        });
        let pictures = pictures.collect();
        let samples: Vec<i16> = (0..ticks).map(|i| tone(half * ticks + i)).collect();
        let block = sound
            .as_mut()
            .map_or_else(Vec::new, |sound| sound.encode(&samples));
        writer
            .slice(&Slice::new(time, ticks, block, pictures))
            .unwrap();
    }
    writer.finish().unwrap();
}

/// 440 Hz, a quarter of full scale.
fn tone(n: u32) -> i16 {
    let phase = f64::from(n) * 440.0 / f64::from(RATE) * std::f64::consts::TAU;
    (phase.sin() * 8192.0) as i16
}

fn picture(
    encoder: &mut dyn PictureEncoder,
    kind: &Kind,
    n: u32,
    tick_offset: u32,
    key: bool,
) -> Picture {
    let (width, height) = kind.native();
    let (rgb, pixels) = scene(kind, n);
    let input = PictureIn {
        width,
        height,
        rgb: &rgb,
        pixels: &pixels,
        unchanged: false,
    };
    let encoded = encoder.encode(&input, key).unwrap();
    Picture::coded(tick_offset, encoded)
}
