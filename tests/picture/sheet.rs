//! A contact sheet to look at: ramps, skin tones, sky, fine print, a dark
//! scene; on square, round and strip panels; under every dither. Written to
//! the test's temporary folder (`target/tmp/picture-sheet.png`).

use image::{Rgb, RgbImage, imageops};
use thumbreel::picture::canvas::Canvas;
use thumbreel::picture::dither::expand;
use thumbreel::picture::text::{Cue, Subtitles};
use thumbreel::picture::{Dither, Framing, PanelPicture, PicturePlan, Shape, before_after};
use thumbreel::picture::{PictureStage, Tone, panel};
use thumbreel::source::SourcePicture;
use thumbreel::units::Nanos;

use crate::common::media::{ffmpeg, folder, packaged};
use crate::frames::{pictures, rendered};

/// Skin-like patches from light to dark (sRGB, from memory; they only need to
/// look like skin).
const SKIN: [[u8; 3]; 6] = [
    [255, 224, 196],
    [241, 194, 160],
    [224, 172, 130],
    [198, 134, 90],
    [141, 85, 54],
    [80, 48, 32],
];

/// A 960x720 still with every difficulty, drawn in RGB.
fn still() -> RgbImage {
    RgbImage::from_fn(960, 720, |x, y| {
        let (u, v) = (f64::from(x) / 959.0, f64::from(y % 180) / 179.0);
        let level = |v: f64| (v * 255.0).round() as u8;
        match y / 180 {
            // Ramps: grey, red, green, blue.
            0 => match y / 45 {
                0 => Rgb([level(u); 3]),
                1 => Rgb([level(u), 0, 0]),
                2 => Rgb([0, level(u), 0]),
                _ => Rgb([0, 0, level(u)]),
            },
            // Skin patches that shade off downwards.
            1 => Rgb(SKIN[(x / 160) as usize].map(|c| (f64::from(c) * (1.0 - 0.4 * v)) as u8)),
            // Sky on the left, a dark scene on the right.
            2 if x < 480 => Rgb([
                level(0.28 + 0.3 * v),
                level(0.45 + 0.25 * v),
                level(0.75 + 0.1 * v),
            ]),
            2 => {
                let lamp = (-((u - 0.75).powi(2) + (v - 0.5).powi(2) / 4.0) * 60.0).exp();
                Rgb([
                    level(0.02 + 0.25 * lamp),
                    level(0.025 + 0.2 * lamp),
                    level(0.05 + 0.08 * lamp),
                ])
            }
            // Fine print: lines of one to eight pixels, and a zone plate.
            _ if x < 480 => {
                let pitch = 1 + x / 60;
                Rgb([if (x / pitch + y / pitch) % 2 == 0 {
                    20
                } else {
                    235
                }; 3])
            }
            _ => {
                let (dx, dy) = (f64::from(x) - 720.0, f64::from(y) - 630.0);
                Rgb([level(0.5 + 0.5 * ((dx * dx + dy * dy) / 180.0).cos()); 3])
            }
        }
    })
}

fn source() -> SourcePicture {
    let folder = folder();
    still()
        .save(folder.path().join("still.png"))
        .expect("written");
    ffmpeg(
        folder.path(),
        "-i still.png -pix_fmt yuv444p -c:v libx264 -qp 0 -colorspace bt709 still.mkv",
    );
    pictures(&folder.path().join("still.mkv"), 1)
        .pop()
        .expect("a picture")
}

fn shown(picture: &PanelPicture) -> RgbImage {
    let rgb = picture.pixels.iter().flat_map(|&p| expand(p)).collect();
    RgbImage::from_raw(picture.width.into(), picture.height.into(), rgb).expect("whole")
}

fn raw(width: u16, height: u16, rgb: Vec<u8>) -> RgbImage {
    RgbImage::from_raw(width.into(), height.into(), rgb).expect("whole")
}

fn tiles() -> Vec<RgbImage> {
    let source = source();
    let plan = PicturePlan {
        framing: Framing::Crop,
        ..PicturePlan::new(240, 240)
    };
    let render = |plan: &PicturePlan| {
        PictureStage::new(plan.clone())
            .unwrap()
            .render(&source)
            .unwrap()
    };
    let mut tiles = Vec::new();
    for dither in [
        Dither::None,
        Dither::Bayer,
        Dither::BlueNoise,
        Dither::ErrorDiffusion,
    ] {
        tiles.push(shown(&render(&PicturePlan {
            dither,
            ..plan.clone()
        })));
    }
    let linear = PicturePlan {
        linear_light: true,
        ..plan.clone()
    };
    tiles.push(shown(&render(&linear)));
    let round = PicturePlan {
        shape: Shape::Ellipse,
        ..plan.clone()
    };
    tiles.push(shown(&render(&round)));
    let square = render(&plan);
    tiles.push(raw(
        240,
        240,
        panel::safe_area_view(&square.rgb, 240, 240, Shape::Ellipse),
    ));
    tiles.push(shown(&render(&PicturePlan {
        framing: Framing::Letterbox,
        ..PicturePlan::new(240, 240)
    })));
    for (w, h) in [(160, 80), (240, 64), (135, 240)] {
        tiles.push(shown(&render(&PicturePlan {
            framing: Framing::Crop,
            ..PicturePlan::new(w, h)
        })));
    }
    let clip = |name: &str, plan: &PicturePlan| shown(&rendered(&packaged(name), plan, 30)[29]);
    tiles.push(clip("bigbuckbunny.mp4", &plan));
    tiles.push(clip("carphone_pristine.mp4", &round));
    tiles.push(clip("bikes.mp4", &PicturePlan::new(240, 240)));
    let tone = Tone {
        gamma: 0.85,
        black_lift: 0.02,
        saturation: 1.2,
        sharpen: 0.6,
    };
    let bunny = pictures(&packaged("bigbuckbunny.mp4"), 60)
        .pop()
        .expect("a picture");
    let pair = before_after(
        &PicturePlan {
            tone,
            ..plan.clone()
        },
        &bunny,
    )
    .unwrap();
    tiles.extend(pair.iter().map(shown));
    tiles.extend(captioned());
    tiles
}

/// Subtitles on a square, a round and a strip panel.
fn captioned() -> Vec<RgbImage> {
    let text = "The keeper lights the lamp at dusk.\nListen: the bell!";
    [
        (240, 240, Shape::Rectangle),
        (240, 240, Shape::Ellipse),
        (160, 80, Shape::Rectangle),
    ]
    .map(|(w, h, shape)| {
        let cue = Cue::new(Nanos(0), Nanos(1), text).expect("text");
        let plan = PicturePlan {
            framing: Framing::Crop,
            shape,
            ..PicturePlan::new(w, h)
        };
        let mut stage = PictureStage::new(plan).unwrap();
        stage.set_subtitles(Subtitles::new(vec![cue], w, h, shape).unwrap());
        let picture = pictures(&packaged("cup.mp4"), 1).pop().expect("a picture");
        shown(
            &stage
                .render(&SourcePicture {
                    time: Nanos(0),
                    ..picture
                })
                .unwrap(),
        )
    })
    .to_vec()
}

#[test]
fn the_contact_sheet_is_written() {
    let tiles = tiles();
    let columns = 4;
    let rows = tiles.len().div_ceil(columns);
    let mut sheet = RgbImage::from_pixel(columns as u32 * 248, rows as u32 * 248, Rgb([64, 0, 64]));
    for (i, tile) in tiles.iter().enumerate() {
        let place = (
            (i % columns * 248 + 4) as i64,
            (i / columns * 248 + 4) as i64,
        );
        imageops::replace(&mut sheet, tile, place.0, place.1);
    }
    let path = std::path::Path::new(env!("CARGO_TARGET_TMPDIR")).join("picture-sheet.png");
    sheet.save(&path).expect("written");
    println!("look at {}", path.display());
    // What a look would also find: the round panel's corners are black, the
    // grey ramp grows from left to right.
    assert_eq!(tiles[5].get_pixel(2, 2).0, [0, 0, 0]);
    let ramp = Canvas::from_rgb8(240, 240, tiles[2].as_raw());
    let mean = |x: usize| {
        (0..12)
            .map(|y| u32::from(ramp.pixels[(2 + y) * 240 + x][1]))
            .sum::<u32>()
    };
    assert!((0..11).all(|i| mean(5 + 20 * i) < mean(25 + 20 * i)));
}
