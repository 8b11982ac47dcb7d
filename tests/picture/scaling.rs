//! Geometry and scaling.

use ffmpeg_next::format::Pixel;
use thumbreel::picture::{Deinterlace, Dither, Filter, Framing, PicturePlan};
use thumbreel::source::{ChromaSite, Interlace, QuarterTurns};

use crate::frames::{painted, render};

/// A limited-range luma code for a full-range one.
fn limited(v: f64) -> u8 {
    (16.0 + 219.0 * v).round() as u8
}

/// Black and white lines of one pixel.
fn lines(format: Pixel) -> thumbreel::source::SourcePicture {
    painted(format, 320, 240, |plane, _, y| match (plane, y % 2) {
        (0, 0) => 16,
        (0, _) => 235,
        _ => 128,
    })
}

#[test]
fn lines_average_in_light_to_188() {
    // IEC 61966-2-1: the code of half the light is 187.516.
    let mut plan = PicturePlan::new(160, 120);
    plan.linear_light = true;
    plan.filter = Filter::Box;
    let out = render(&lines(Pixel::YUV420P), &plan);
    assert!(out.rgb.iter().all(|v| *v == 188), "{:?}", &out.rgb[..6]);
    plan.linear_light = false;
    let out = render(&lines(Pixel::YUV420P), &plan);
    assert!(
        out.rgb.iter().all(|v| (127..=128).contains(v)),
        "{:?}",
        &out.rgb[..6]
    );
}

/// A picture whose quarters are of four lumas, white at the upper left.
fn quarters() -> thumbreel::source::SourcePicture {
    painted(Pixel::YUV420P, 128, 96, |plane, x, y| {
        let luma = [[1.0, 0.6], [0.3, 0.0]][usize::from(y >= 48)][usize::from(x >= 64)];
        if plane == 0 { limited(luma) } else { 128 }
    })
}

/// Greys a little inside the four corners: upper left and right, lower left
/// and right.
fn corners(rgb: &[u8], width: usize, height: usize) -> [u8; 4] {
    let at = |x: usize, y: usize| rgb[(y * width + x) * 3];
    [
        at(4, 4),
        at(width - 5, 4),
        at(4, height - 5),
        at(width - 5, height - 5),
    ]
}

#[test]
fn turns_and_mirrors_move_the_corners() {
    let [a, b, c, d] = [255, 153, 77, 0];
    for (rotation, turns, mirror, wanted) in [
        (0, 0, false, [a, b, c, d]),
        (1, 0, false, [c, a, d, b]),
        (0, 1, false, [c, a, d, b]),
        (2, 0, false, [d, c, b, a]),
        (3, 0, false, [b, d, a, c]),
        (1, 3, false, [a, b, c, d]),
        (0, 0, true, [b, a, d, c]),
        (0, 1, true, [a, c, b, d]),
    ] {
        let mut picture = quarters();
        picture.rotation = QuarterTurns::clockwise(rotation);
        let mut plan = PicturePlan::new(60, 60);
        plan.framing = Framing::Stretch;
        plan.turns = QuarterTurns::clockwise(turns);
        plan.mirror = mirror;
        let out = render(&picture, &plan);
        let found = corners(&out.rgb, 60, 60);
        let near = found.iter().zip(wanted).all(|(f, w)| f.abs_diff(w) <= 1);
        assert!(
            near,
            "{rotation} {turns} {mirror}: {found:?}, not {wanted:?}"
        );
    }
}

#[test]
fn a_mirrored_source_is_mirrored_after_it_is_turned() {
    let mut picture = quarters();
    picture.rotation = QuarterTurns::clockwise(1);
    picture.mirrored = true;
    let mut plan = PicturePlan::new(60, 60);
    plan.framing = Framing::Stretch;
    let found = corners(&render(&picture, &plan).rgb, 60, 60);
    let wanted = [255, 77, 153, 0];
    let near = found.iter().zip(wanted).all(|(f, w)| f.abs_diff(w) <= 1);
    assert!(near, "{found:?}");
    // Cropped to the left half as the viewer sees it.
    plan.framing = Framing::Crop;
    plan.anchor.y = 0.0;
    let found = corners(&render(&picture, &plan).rgb, 60, 60);
    assert!(found[0] > 250 && found[1].abs_diff(77) < 3, "{found:?}");
}

#[test]
fn bars_are_black_and_padding_is_never_seen() {
    let white = painted(
        Pixel::YUV420P,
        322,
        100,
        |plane, _, _| if plane == 0 { 235 } else { 128 },
    );
    let plan = PicturePlan::new(240, 240);
    let out = render(&white, &plan);
    let rows: Vec<bool> = (0..240)
        .map(|y| out.rgb[y * 720..(y + 1) * 720] == [255; 720])
        .collect();
    let black = (0..240)
        .filter(|y| out.rgb[y * 720..(y + 1) * 720] == [0; 720])
        .count();
    let shown = rows.iter().filter(|white| **white).count();
    assert_eq!((shown, black), (75, 165));
    for dither in [
        Dither::None,
        Dither::Bayer,
        Dither::BlueNoise,
        Dither::ErrorDiffusion,
    ] {
        let out = render(
            &white,
            &PicturePlan {
                dither,
                ..plan.clone()
            },
        );
        assert!(
            out.pixels.iter().all(|p| *p == 0 || *p == 0xFFFF),
            "{dither:?}"
        );
    }
}

/// Where a step from black to red lies, in luma columns.
fn chroma_edge(site: ChromaSite) -> f64 {
    // 32 luma columns, 16 chroma columns, of which 8 on are strongly coloured.
    let mut picture = painted(Pixel::YUV420P, 32, 32, |plane, x, _| match plane {
        0 => 126,
        2 if x >= 8 => 200,
        _ => 128,
    });
    picture.colour.chroma_site = Some(site);
    let mut plan = PicturePlan::new(512, 64);
    plan.framing = Framing::Stretch;
    plan.filter = Filter::Bilinear;
    let out = render(&picture, &plan);
    let reds: Vec<u8> = (0..512).map(|x| out.rgb[(32 * 512 + x) * 3]).collect();
    let middle = (u16::from(reds[0]) + u16::from(reds[511])) / 2;
    let edge = reds
        .iter()
        .position(|r| u16::from(*r) > middle)
        .expect("an edge");
    edge as f64 / 16.0
}

#[test]
fn chroma_sits_where_the_stream_says() {
    // The middle between chroma samples 7 and 8: centred, at luma column 16;
    // on the left luma sample, half a column before it.
    assert!((chroma_edge(ChromaSite::Center) - 16.0).abs() < 0.1);
    assert!((chroma_edge(ChromaSite::Left) - 15.5).abs() < 0.1);
}

#[test]
fn chroma_keeps_its_detail_at_panel_size() {
    // Stripes as fine as the chroma planes hold come out at full strength
    // when the panel has as many pixels as those planes.
    let picture = painted(Pixel::YUV420P, 240, 240, |plane, x, _| match plane {
        0 => 126,
        1 => 128,
        _ => {
            if x % 2 == 0 {
                90
            } else {
                166
            }
        }
    });
    let mut plan = PicturePlan::new(120, 120);
    plan.filter = Filter::Box;
    let mut centred = picture;
    centred.colour.chroma_site = Some(ChromaSite::Center);
    let out = render(&centred, &plan);
    let (low, high) = (out.rgb[3 * 60], out.rgb[3 * 61]);
    assert!(low.abs_diff(high) > 110, "{low} {high}");
}

#[test]
fn moving_fields_show_no_comb_and_still_ones_all_rows() {
    // A bar that jumps between the fields.
    let moving = |shift: usize| {
        let mut picture = painted(Pixel::YUV420P, 320, 240, move |plane, x, y| {
            let at = 40 + shift + if y % 2 == 1 { 60 } else { 0 };
            match plane {
                0 => {
                    if (at..at + 40).contains(&x) {
                        235
                    } else {
                        16
                    }
                }
                _ => 128,
            }
        });
        picture.interlaced = Interlace::TopFirst;
        picture
    };
    let plan = PicturePlan::new(320, 240);
    let mut stage = thumbreel::picture::PictureStage::new(plan.clone()).unwrap();
    for shift in [0, 120] {
        let out = stage.render(&moving(shift)).unwrap();
        let luma = |x: usize, y: usize| i32::from(out.rgb[(y * 320 + x) * 3]);
        let comb: i32 = (20..200)
            .map(|y| (luma(60 + shift, y) - luma(60 + shift, y + 1)).abs())
            .sum();
        assert_eq!(comb, 0, "rows of the first field agree");
        assert!(luma(60 + shift, 100) > 250, "the first field is shown");
        assert!(luma(120 + shift, 100) < 5, "the second is not");
    }
    let woven = render(
        &moving(0),
        &PicturePlan {
            deinterlace: Deinterlace::Off,
            ..plan.clone()
        },
    );
    assert_ne!(
        woven.rgb[(100 * 320 + 60) * 3],
        woven.rgb[(101 * 320 + 60) * 3]
    );
    // Still lines as fine as the frame's rows stay once seen to be still.
    let mut still = lines(Pixel::YUV420P);
    still.interlaced = Interlace::TopFirst;
    let mut stage = thumbreel::picture::PictureStage::new(plan).unwrap();
    stage.render(&still).unwrap();
    let out = stage.render(&still).unwrap();
    let column: Vec<u8> = (100..104).map(|y| out.rgb[y * 960]).collect();
    assert!(column == [0, 255, 0, 255], "{column:?}");
}

#[test]
fn odd_sizes_and_single_pixels_are_scaled() {
    for (w, h) in [(1, 1), (3, 5), (17, 2), (300, 1), (641, 359)] {
        let picture = painted(
            Pixel::YUV420P,
            w,
            h,
            |plane, _, _| if plane == 0 { 100 } else { 128 },
        );
        for (pw, ph) in [(1, 1), (2, 3), (160, 80), (240, 240)] {
            let mut plan = PicturePlan::new(pw, ph);
            plan.framing = Framing::Crop;
            let out = render(&picture, &plan);
            assert!(out.rgb.iter().all(|v| *v == 98), "{w}x{h} on {pw}x{ph}");
            // A single row has no fields to tell apart.
            plan.deinterlace = Deinterlace::Always;
            plan.linear_light = true;
            let out = render(&picture, &plan);
            assert!(out.rgb.iter().all(|v| *v == 98), "{w}x{h}, fields");
        }
    }
}
