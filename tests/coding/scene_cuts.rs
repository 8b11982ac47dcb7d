//! Cuts become key pictures, and nothing else does: at either level and at any
//! quality alike, on real clips joined in several orders and on drawn scenes.

use crate::common::media::{output, packaged};
use crate::scenes::{Dice, Picture, plan};
use std::process::Command;
use thumbreel::coding::patch::Level;
use thumbreel::coding::{Coding, encoder, nearest_565};

fn made(rgb: Vec<u8>) -> Picture {
    let pixels = rgb
        .chunks(3)
        .map(|c| nearest_565(c[0], c[1], c[2]))
        .collect();
    Picture { rgb, pixels }
}

/// `seconds` of a packaged clip from second `from`.
fn clip(name: &str, from: f64, seconds: f64, (w, h): (u16, u16), rate: u32) -> Vec<Picture> {
    let fit = format!(
        "fps={rate},scale={w}:{h}:force_original_aspect_ratio=increase:flags=bicubic,crop={w}:{h}"
    );
    let mut command = Command::new("ffmpeg");
    command.args(["-v", "fatal", "-nostdin", "-i"]);
    command.arg(packaged(name)).args(["-an", "-vf", &fit]);
    command.args(["-ss", &from.to_string(), "-t", &seconds.to_string()]);
    command.args(["-pix_fmt", "rgb24", "-f", "rawvideo", "-"]);
    let bytes = output(&mut command);
    let picture = 3 * usize::from(w) * usize::from(h);
    bytes
        .chunks_exact(picture)
        .map(|p| made(p.to_vec()))
        .collect()
}

/// Key pictures that the encoder makes of its own accord, the first included.
fn keys(pictures: &[Picture], (w, h): (u16, u16), level: Level, quality: u8) -> Vec<usize> {
    let mut plan = plan(w, h, Coding::Patch);
    (plan.level, plan.quality, plan.search) = (level, quality, 0);
    let mut coder = encoder(&plan).unwrap();
    let coded = pictures.iter().map(|p| coder.encode(&p.input(w, h), false));
    let keys = coded.enumerate().filter(|(_, c)| c.as_ref().unwrap().key);
    keys.map(|(n, _)| n).collect()
}

/// At both levels, at a low and a high quality.
fn held(what: &str, pictures: &[Picture], size: (u16, u16), expected: &[usize]) {
    for (level, quality) in [
        (Level::Light, 30),
        (Level::Light, 80),
        (Level::Full, 30),
        (Level::Full, 80),
    ] {
        let found = keys(pictures, size, level, quality);
        assert_eq!(found, expected, "{what}: {level:?}, quality {quality}");
    }
}

/// Pieces without a cut of their own: clip and first second.
const PIECES: [(&str, f64); 6] = [
    ("bigbuckbunny.mp4", 0.5),
    ("bikes.mp4", 3.3),
    ("carphone_pristine.mp4", 0.0),
    ("cup.mp4", 4.0),
    ("box.mp4", 3.0),
    ("vtest.avi", 8.0),
];

#[test]
fn every_join_of_real_clips_becomes_a_key_picture_and_nothing_else() {
    let orders = [
        [0, 1, 2, 3, 4, 5],
        [5, 3, 1, 4, 2, 0],
        [2, 5, 0, 3, 1, 4],
        [4, 1, 5, 2, 0, 3],
    ];
    let sizes = [(96, 96), (160, 128), (64, 48), (128, 96)];
    for ((order, size), rate) in orders.iter().zip(sizes).zip([24, 12, 24, 15]) {
        let (mut all, mut joins) = (Vec::new(), Vec::new());
        for &piece in order {
            let (name, from) = PIECES[piece];
            joins.push(all.len());
            all.extend(clip(name, from, 1.6, size, rate));
        }
        held(&format!("order {order:?}"), &all, size, &joins);
    }
}

/// The clip's own cuts, found by looking at its pictures: 24 a second.
#[test]
fn the_cuts_inside_a_real_clip_become_key_pictures() {
    let size = (96, 96);
    let bikes = clip("bikes.mp4", 0.0, 10.0, size, 24);
    assert_eq!(bikes.len(), 240);
    held("bikes", &bikes, size, &[0, 29, 73, 132, 180, 232]);
    // One shot, in which a figure fills the picture and leaves it.
    let animation = clip("bigbuckbunny.mp4", 0.0, 5.0, size, 24);
    held("animation", &animation, size, &[0]);
}

/// A drawn harbour without grain: sky, sea, sheds, a tower, a boat that moves.
/// Another `scene` is another place.
fn harbour(side: u16, n: usize, scene: u64) -> Picture {
    let mut dice = Dice(0x9E37_79B9 * (scene + 1));
    (0..8).for_each(|_| _ = dice.roll(2));
    let side = usize::from(side);
    let mut colour = |least: u64| [0; 3].map(|_| (least + dice.roll(120)) as u8);
    let (sky, sea) = (colour(120), colour(20));
    let paint: [[u8; 3]; 12] = core::array::from_fn(|i| colour(if i % 2 == 0 { 0 } else { 130 }));
    let horizon = side / 3 + dice.roll(side as u64 / 3) as usize;
    let mut page = Vec::new();
    for y in 0..side {
        let base = if y < horizon { sky } else { sea };
        let shade = (y % 24 / 3) as u8 * u8::from(y >= horizon);
        (0..side).for_each(|_| page.extend(base.map(|v| v + shade)));
    }
    let mut fill = |x: usize, y: usize, w: usize, h: usize, c: [u8; 3]| {
        for row in y..(y + h).min(side) {
            for column in x..(x + w).min(side) {
                page[(row * side + column) * 3..][..3].copy_from_slice(&c);
            }
        }
    };
    for paint in paint {
        let (w, h) = (4 + dice.roll(20) as usize, 6 + dice.roll(40) as usize);
        let x = dice.roll(side as u64) as usize + n % 12 / 4;
        fill(x, (horizon + 14).saturating_sub(h), w, h, paint);
    }
    fill((3 * n) % side, horizon + 16, 18, 7, [240, 240, 230]);
    made(page)
}

/// Some of these places look much alike: four of five cuts is what is promised.
#[test]
fn most_cuts_between_drawn_scenes_become_key_pictures() {
    let cuts: Vec<usize> = (0..20).map(|i| 6 * i + i % 3).collect();
    let scene = |n: usize| cuts.iter().filter(|&&c| c <= n).count() as u64;
    let pictures: Vec<Picture> = (0..126).map(|n| harbour(112, n, scene(n))).collect();
    let found = keys(&pictures, (112, 112), Level::Light, 60);
    assert!(found.iter().all(|n| cuts.contains(n)), "{found:?}");
    assert!(5 * found.len() >= 4 * cuts.len(), "{found:?}");
    held("harbour", &pictures, (112, 112), &found);
}

const SIDE: u16 = 96;

/// Every pixel by its column, row and colours.
fn each(picture: &Picture, of: impl Fn(usize, u8) -> u8) -> Picture {
    let rgb = picture.rgb.iter().enumerate();
    made(rgb.map(|(i, &v)| of(i, v)).collect())
}

#[test]
fn light_alone_is_no_cut() {
    for (name, from) in [PIECES[0], PIECES[3], PIECES[5]] {
        let shot = clip(name, from, 1.2, (SIDE, SIDE), 24);
        let last = shot.len() - 1;
        let lit = |of: &dyn Fn(usize, u8) -> u8| -> Vec<Picture> {
            let shot = shot.iter().enumerate();
            shot.map(|(n, p)| each(p, |_, v| of(n, v))).collect()
        };
        let scaled = |v: u8, n: usize, most: usize| (usize::from(v) * n.min(most) / most) as u8;
        let both = [
            ("fade in", lit(&|n, v| scaled(v, n, 20))),
            ("quick fade in", lit(&|n, v| scaled(v, n, 6))),
            ("fade out", lit(&|n, v| scaled(v, last - n, 10))),
            ("a white picture", lit(&|n, v| if n == 9 { 255 } else { v })),
            (
                "two bright pictures",
                lit(&|n, v| {
                    if n / 2 == 5 { v.saturating_add(90) } else { v }
                }),
            ),
            (
                "a pale picture",
                lit(&|n, v| if n == 9 { 128 + v / 2 } else { v }),
            ),
            ("a black picture", lit(&|n, v| if n == 9 { 0 } else { v })),
        ];
        for (what, pictures) in both {
            held(&format!("{name}, {what}"), &pictures, (SIDE, SIDE), &[0]);
        }
    }
}

/// A window that moves over a real picture by an eighth of its width a picture.
#[test]
fn a_fast_pan_is_no_cut() {
    for (name, from) in PIECES {
        let (wide, side) = (288, usize::from(SIDE));
        let still = &clip(name, from, 0.1, (wide, SIDE), 24)[0];
        let pan = |step: usize| -> Vec<Picture> {
            let window = |n: usize| {
                let rows = still.rgb.chunks_exact(3 * usize::from(wide));
                made(
                    rows.flat_map(|r| r[3 * n * step..][..3 * side].to_vec())
                        .collect(),
                )
            };
            (0..12).map(window).collect()
        };
        held(&format!("{name}, pan"), &pan(12), (SIDE, SIDE), &[0]);
    }
}

#[test]
fn grain_is_no_cut_and_hides_none() {
    let size = (SIDE, SIDE);
    let mut dice = Dice(0x5EED);
    let mut grainy = |pictures: &[Picture]| -> Vec<Picture> {
        let mut grain = |v: u8| (i32::from(v) + dice.roll(41) as i32 - 20).clamp(0, 255) as u8;
        let grain = |p: &Picture| made(p.rgb.iter().map(|&v| grain(v)).collect());
        pictures.iter().map(grain).collect()
    };
    let mut all = grainy(&clip(PIECES[0].0, PIECES[0].1, 0.5, size, 24));
    let join = all.len();
    all.extend(grainy(&clip(PIECES[3].0, PIECES[3].1, 0.5, size, 24)));
    held("grain", &all, size, &[0, join]);
}
