//! Geometry from end to end: what stands where on the panel, and when.

use std::path::{Path, PathBuf};

use thumbreel::board::Board;
use thumbreel::convert::Choices;
use thumbreel::picture::{Anchor, Dither, Framing};
use thumbreel::reel;
use thumbreel::units::Nanos;

use crate::common::media::{ffmpeg, folder};
use crate::common::played::{Played, play};
use crate::{choices, convert, rate};

const RED: [u8; 3] = [255, 0, 0];
const GREEN: [u8; 3] = [0, 255, 0];
const BLUE: [u8; 3] = [0, 0, 255];
const WHITE: [u8; 3] = [255, 255, 255];
const BLACK: [u8; 3] = [0, 0, 0];

/// Upper half red and green, lower half blue and white, 320x160 or as given.
fn quarters(folder: &Path, size: (u32, u32), how: &str, name: &str) -> PathBuf {
    let (w, h) = size;
    let (x, y) = (w / 2, h / 2);
    ffmpeg(
        folder,
        &format!(
            "-f lavfi -i 'color=red:s={w}x{h}:r=10:d=1,format=rgb24,\
             drawbox=x={x}:w={x}:h={y}:c=0x00FF00:t=fill,drawbox=y={y}:w={x}:h={y}:c=blue:t=fill,\
             drawbox=x={x}:y={y}:w={x}:h={y}:c=white:t=fill' {how} {name}"
        ),
    );
    folder.join(name)
}

/// Colours at the middles of the panel's four quarters.
fn corners(played: &Played) -> [[u8; 3]; 4] {
    let (w, h) = (
        usize::from(played.header.width),
        usize::from(played.header.height),
    );
    [(1, 1), (3, 1), (1, 3), (3, 3)].map(|(x, y)| played.colour(2, w * x / 4, h * y / 4))
}

fn assert_colours(found: &[[u8; 3]], wanted: &[[u8; 3]], what: &str) {
    for (found, wanted) in found.iter().zip(wanted) {
        let off = found.iter().zip(wanted).map(|(a, b)| a.abs_diff(*b)).max();
        assert!(off < Some(24), "{what}: {found:?} for {wanted:?}");
    }
}

fn shown(clip: &Path, change: impl FnOnce(&mut Choices)) -> Played {
    let reel = clip.with_extension("tbr");
    let choices = choices(|c| {
        c.dither = Dither::None;
        c.overwrite = true;
        change(c);
    });
    convert(&choices, clip, &reel);
    play(&reel)
}

#[test]
fn turns_and_mirror_are_for_the_way_the_panel_is_mounted() {
    let folder = folder();
    let clip = quarters(
        folder.path(),
        (160, 160),
        "-c:v libx264rgb -qp 0",
        "square.mkv",
    );
    for (turns, mirror, wanted) in [
        (0, false, [RED, GREEN, BLUE, WHITE]),
        (1, false, [BLUE, RED, WHITE, GREEN]),
        (2, false, [WHITE, BLUE, GREEN, RED]),
        (3, false, [GREEN, WHITE, RED, BLUE]),
        (0, true, [GREEN, RED, WHITE, BLUE]),
    ] {
        let played = shown(&clip, |c| (c.turns, c.mirror) = (turns, mirror));
        assert_colours(
            &corners(&played),
            &wanted,
            &format!("{turns} turns, mirror {mirror}"),
        );
    }
}

#[test]
fn rotated_clips_stand_upright() {
    let folder = folder();
    quarters(
        folder.path(),
        (160, 160),
        "-c:v libx264 -pix_fmt yuv444p -qp 1",
        "plain.mp4",
    );
    for degrees in [0, 90, 180, 270] {
        let turn = format!("-i plain.mp4 -c copy -metadata:s:v:0 rotate={degrees} turned.mp4");
        ffmpeg(folder.path(), &turn);
        let upright = ffmpeg(
            folder.path(),
            "-i turned.mp4 -frames:v 1 -pix_fmt rgb24 -f rawvideo -",
        );
        let at = |x: usize, y: usize| -> [u8; 3] {
            let start = (y * 160 + x) * 3;
            upright[start..start + 3].try_into().unwrap()
        };
        let wanted = [at(40, 40), at(120, 40), at(40, 120), at(120, 120)];
        let played = shown(&folder.path().join("turned.mp4"), |_| {});
        assert_colours(&corners(&played), &wanted, &format!("{degrees} degrees"));
    }
}

#[test]
fn the_picture_meets_the_panel_as_asked() {
    let folder = folder();
    let clip = quarters(folder.path(), (320, 160), "-c:v ffv1", "wide.mkv");
    let column = |p: &Played| [20, 80, 160, 220].map(|y| p.colour(2, 60, y));
    let whole = shown(&clip, |c| c.framing = Framing::Letterbox);
    assert_colours(
        &column(&whole),
        &[BLACK, RED, BLUE, BLACK],
        "whole, with bars",
    );
    let stretched = shown(&clip, |c| c.framing = Framing::Stretch);
    assert_colours(&column(&stretched), &[RED, RED, BLUE, BLUE], "stretched");
    let row = |p: &Played| [10, 110, 130, 230].map(|x| p.colour(2, x, 60));
    let filled = shown(&clip, |c| c.framing = Framing::Crop);
    assert_colours(
        &row(&filled),
        &[RED, RED, GREEN, GREEN],
        "filled, middle kept",
    );
    let left = shown(&clip, |c| {
        c.framing = Framing::Crop;
        c.anchor = Anchor { x: 0.0, y: 0.5 };
    });
    assert_colours(&row(&left), &[RED, RED, RED, RED], "filled, left kept");
    let small = shown(&clip, |c| c.size = Some((120, 60)));
    assert_eq!((small.header.width, small.header.height), (120, 60));
    assert_colours(
        &corners(&small),
        &[RED, GREEN, BLUE, WHITE],
        "a smaller picture",
    );
}

#[test]
fn pixels_that_are_not_square_are_shown_in_shape() {
    let folder = folder();
    // Stored square, shown twice as wide as high.
    let clip = quarters(
        folder.path(),
        (160, 160),
        "-vf setsar=2/1 -c:v ffv1",
        "sar.mkv",
    );
    let played = shown(&clip, |_| {});
    let column = [20, 80, 160, 220].map(|y| played.colour(2, 60, y));
    assert_colours(&column, &[BLACK, RED, BLUE, BLACK], "bars above and below");
}

#[test]
fn the_wire_gets_what_the_panel_wants() {
    let folder = folder();
    let clip = quarters(folder.path(), (160, 160), "-c:v ffv1", "wire.mkv");
    for (bgr, inverted) in [(false, false), (true, false), (false, true), (true, true)] {
        let played = shown(&clip, |c| {
            (c.board.panel.bgr, c.board.panel.inverted) = (bgr, inverted);
        });
        assert_eq!(played.header.wire, reel::Wire { bgr, inverted });
        // `play` undoes the wire's wishes, so the viewer's colours come back.
        assert_colours(&corners(&played), &[RED, GREEN, BLUE, WHITE], "colours");
        let first = played.header.wire.turn(played.pictures[2].1[60 * 240 + 60]);
        let red_on_the_wire = match (bgr, inverted) {
            (false, false) => 0xF800,
            (true, false) => 0x001F,
            (false, true) => 0x07FF,
            (true, true) => 0xFFE0,
        };
        assert_eq!(first, red_on_the_wire, "bgr {bgr}, inverted {inverted}");
    }
}

#[test]
fn the_reel_says_where_it_lies_in_the_panels_memory() {
    let folder = folder();
    let clip = quarters(folder.path(), (160, 80), "-c:v ffv1", "offset.mkv");
    let board = Board::find("tide-gauge").unwrap();
    let (width, height) = (board.panel.width, board.panel.height);
    assert_ne!((board.panel.x_offset, board.panel.y_offset), (0, 0));
    for (turns, less) in [(0, (0, 0)), (0, (20, 10)), (1, (20, 10))] {
        let (w, h) = (width - less.0, height - less.1);
        let played = shown(&clip, |c| {
            c.board = board.clone();
            (c.turns, c.framing) = (turns, Framing::Stretch);
            // The size is the viewer's: the panel may be mounted on its side.
            let aside = (board.panel.rotation / 90 + u16::from(turns)) % 2 == 1;
            c.size = Some(if aside { (h, w) } else { (w, h) });
        });
        assert_eq!((played.header.width, played.header.height), (w, h));
        // Smaller pictures lie in the middle of what can be seen.
        assert_eq!(played.header.x_offset, board.panel.x_offset + less.0 / 2);
        assert_eq!(played.header.y_offset, board.panel.y_offset + less.1 / 2);
    }
}

#[test]
fn a_round_panel_is_not_sent_its_corners() {
    let folder = folder();
    let clip = quarters(folder.path(), (160, 160), "-c:v ffv1", "round.mkv");
    let square = shown(&clip, |_| {});
    let round = shown(&clip, |c| c.board = Board::find("porthole").unwrap());
    assert_eq!(round.header.shape, reel::Shape::Ellipse);
    let ratio = f64::from(round.header.largest_picture) / f64::from(square.header.largest_picture);
    assert!(ratio < 0.83, "pi / 4 and little more: {ratio}");
    assert_colours(&corners(&round), &[RED, GREEN, BLUE, WHITE], "what is seen");
}

#[test]
fn any_rational_rate_can_be_had_and_times_do_not_drift() {
    let folder = folder();
    let make = "-f lavfi -i testsrc2=s=64x48:r=30000/1001:d=10 -c:v mpeg4 a.mp4";
    ffmpeg(folder.path(), make);
    let clip = folder.path().join("a.mp4");
    for (num, den) in [
        (30_000, 1001),
        (15_000, 1001),
        (10, 1),
        (25, 2),
        (1, 1),
        (60, 1),
    ] {
        let played = shown(&clip, |c| {
            c.rate = rate(num, den);
            c.size = Some((64, 48));
        });
        let hertz = f64::from(num) / f64::from(den);
        let wanted = (10.01 * hertz).ceil() as usize;
        assert!(
            played.pictures.len().abs_diff(wanted) <= 1,
            "{num}/{den}: {}",
            played.pictures.len()
        );
        for (n, (tick, _)) in played.pictures.iter().enumerate() {
            let off = played.seconds(*tick) - n as f64 / hertz;
            // Half a tick to round, and one to spread the pictures of a slice evenly.
            assert!(
                off.abs() <= 1.5 / 48_000.0 + 1e-9,
                "{num}/{den}, picture {n}: {off}"
            );
        }
    }
}

#[test]
fn repeated_pictures_cost_nothing() {
    let folder = folder();
    ffmpeg(
        folder.path(),
        "-f lavfi -i testsrc2=s=64x48:r=5:d=4 -c:v mpeg4 a.mp4",
    );
    let clip = folder.path().join("a.mp4");
    let reel = folder.path().join("a.tbr");
    let choices = choices(|c| (c.rate, c.size) = (rate(20, 1), Some((64, 48))));
    let outcome = convert(&choices, &clip, &reel);
    assert_eq!(outcome.pictures, 80);
    // Three of four repeat; a few of those are made key pictures for seeking.
    assert!(
        (55..=60).contains(&outcome.pictures_unchanged),
        "{}",
        outcome.pictures_unchanged
    );
}

#[test]
fn a_part_is_cut_to_the_picture_and_the_sample() {
    let folder = folder();
    ffmpeg(
        folder.path(),
        "-f lavfi -i testsrc2=s=64x48:r=25:d=6 -f lavfi -i sine=500:d=6 -c:v libx264 -g 50 -c:a aac a.mp4",
    );
    let clip = folder.path().join("a.mp4");
    let part = |from: f64, length: f64| {
        shown(&clip, |c| {
            c.size = Some((64, 48));
            c.rate = rate(25, 1);
            c.from = Nanos((from * 1e9) as i64);
            c.length = Some(Nanos((length * 1e9) as i64));
        })
    };
    let whole = part(0.0, 6.0);
    for (from, length) in [(0.0, 1.0), (2.0, 1.5), (3.48, 0.52)] {
        let cut = part(from, length);
        let ticks = (length * f64::from(cut.header.clock_rate)).round() as u64;
        assert!(
            cut.header.duration.abs_diff(ticks) <= 1,
            "{from}: {}",
            cut.header.duration
        );
        assert_eq!(cut.samples.len() as u64, cut.header.duration);
        let first = (from * 25.0).round() as usize;
        assert_eq!(
            cut.pictures.len(),
            (length * 25.0).round() as usize,
            "{from}"
        );
        for (n, (_, pixels)) in cut.pictures.iter().enumerate() {
            assert!(
                *pixels == whole.pictures[first + n].1,
                "from {from}, picture {n}"
            );
        }
    }
}

#[test]
fn slices_are_small_and_the_header_tells_the_truth() {
    let folder = folder();
    ffmpeg(
        folder.path(),
        "-f lavfi -i testsrc2=s=240x240:r=20:d=6 -f lavfi -i sine=500:d=6 -c:v mpeg4 -q:v 2 -c:a aac a.mp4",
    );
    let clip = folder.path().join("a.mp4");
    for size in [(240, 240), (64, 64)] {
        let played = shown(&clip, |c| c.size = Some(size));
        let header = &played.header;
        let picture = u64::from(size.0) * u64::from(size.1) * 2;
        let mut keys = Vec::new();
        for &(time, ticks, bytes, pictures, key) in &played.slices {
            let small = bytes <= (64 << 10) + 1024;
            assert!(
                small || pictures == 1,
                "{bytes} bytes with {pictures} pictures"
            );
            assert!(f64::from(ticks) <= 0.5 * f64::from(header.clock_rate) + 1.0);
            if key {
                keys.push(time);
            }
        }
        let longest = keys.windows(2).map(|k| k[1] - k[0]).max().unwrap();
        assert!(
            played.seconds(longest) < 1.2,
            "keys every second: {longest}"
        );
        let largest = played.slices.iter().map(|s| s.2).max().unwrap();
        assert_eq!(u64::from(header.largest_chunk), largest);
        assert!(u64::from(header.largest_picture) <= picture + 64);
        let sum: u64 = played.slices.iter().map(|s| s.2).sum();
        let mean = sum as f64 / played.seconds(header.duration);
        assert!((f64::from(header.mean_rate) / mean - 1.0).abs() < 0.001);
        assert!(header.worst_rate >= header.mean_rate / 2 && header.prebuffer > 0);
        let pixels = u32::from(header.width) * u32::from(header.height);
        match header.coding {
            0 => assert!(header.poster_length > 0),
            _ => assert!((100..=10_300 * pixels / 57_600 + 2000).contains(&header.poster_length)),
        }
    }
}
