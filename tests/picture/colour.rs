//! Colours against the standards and against an independent conversion.

use std::fs;
use std::path::Path;

use ffmpeg_next::format::Pixel;
use ffmpeg_next::frame::Video;
use thumbreel::picture::{Filter, Framing, PicturePlan};
use thumbreel::source::{ColourTags, Matrix, Primaries, Range, Transfer};

use crate::common::media::{ffmpeg, folder, output, packaged, python};
use crate::frames::{largest_difference, painted, render, rendered, shown};

/// Mean and largest difference from PyAV and numpy in double precision.
fn differences(clip: &Path, size: (u16, u16), colours: [&str; 4]) -> (f64, f64) {
    let mut plan = PicturePlan::new(size.0, size.1);
    plan.framing = Framing::Stretch;
    plan.filter = Filter::CatmullRom;
    let folder = folder();
    let raw = folder.path().join("pictures.rgb");
    let pictures = rendered(clip, &plan, 5);
    assert_eq!(pictures.len(), 5);
    let bytes: Vec<u8> = pictures.iter().flat_map(|p| p.rgb.clone()).collect();
    fs::write(&raw, bytes).expect("written");
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/picture/reference.py");
    let mut command = python();
    command.arg(script).arg(clip).arg(&raw);
    command
        .args([size.0.to_string(), size.1.to_string()])
        .args(colours);
    let said = String::from_utf8(output(&mut command)).expect("text");
    let numbers: Vec<f64> = said
        .split_whitespace()
        .map(|n| n.parse().expect("a number"))
        .collect();
    println!(
        "{} at {size:?}: mean {:.3}, largest {:.2}",
        clip.display(),
        numbers[0],
        numbers[1]
    );
    (numbers[0], numbers[1])
}

#[test]
fn real_clips_agree_with_double_precision() {
    let small = ["bt601", "sdr", "limited", "left"];
    let large = ["bt709", "sdr", "limited", "left"];
    for (name, size, colours) in [
        ("bigbuckbunny.mp4", (240, 240), large),
        ("bigbuckbunny.mp4", (160, 80), large),
        ("bikes.mp4", (240, 135), small),
        ("carphone_pristine.mp4", (240, 240), small),
        ("cup.mp4", (240, 180), small),
    ] {
        let (mean, largest) = differences(&packaged(name), size, colours);
        assert!(mean <= 0.5, "{name}: mean {mean}");
        assert!(largest <= 8.0, "{name}: largest {largest}");
    }
}

#[test]
fn deep_and_hdr_clips_agree_with_double_precision() {
    let folder = folder();
    let source = "-f lavfi -i testsrc2=size=320x180:rate=10:duration=1";
    let tags = |matrix: &str, transfer: &str| {
        format!(
            "-colorspace {matrix} -color_trc {transfer} -color_primaries bt2020 -color_range tv"
        )
    };
    for (name, transfer, trc) in [("pq", "pq", "smpte2084"), ("hlg", "hlg", "arib-std-b67")] {
        let out = format!("{name}.mkv");
        let coded = "-pix_fmt yuv420p10le -c:v ffv1 -level 3";
        ffmpeg(
            folder.path(),
            &format!("{source} {} {coded} {out}", tags("bt2020nc", trc)),
        );
        let clip = folder.path().join(out);
        let colours = ["bt2020", transfer, "limited", "left"];
        let (mean, _) = differences(&clip, (240, 136), colours);
        assert!(mean <= 0.5, "{name}: mean {mean}");
    }
    let coded = "-pix_fmt yuv420p10le -c:v libx264 -qp 10 -colorspace bt709";
    ffmpeg(folder.path(), &format!("{source} {coded} deep.mp4"));
    let colours = ["bt709", "sdr", "limited", "left"];
    let (mean, _) = differences(&folder.path().join("deep.mp4"), (240, 136), colours);
    assert!(mean <= 0.5, "deep: mean {mean}");
    ffmpeg(
        folder.path(),
        &format!("{source} -pix_fmt yuvj420p -c:v mjpeg -q:v 2 full.avi"),
    );
    let colours = ["bt601", "sdr", "full", "center"];
    let (mean, _) = differences(&folder.path().join("full.avi"), (240, 136), colours);
    assert!(mean <= 0.5, "full range: mean {mean}");
}

fn flat(matrix: Matrix, range: Range, code: [u8; 3]) -> [u8; 3] {
    let mut picture = painted(Pixel::YUV420P, 64, 48, |plane, _, _| code[plane]);
    picture.colour = ColourTags {
        matrix: Some(matrix),
        primaries: Some(Primaries::Bt709),
        range: Some(range),
        ..ColourTags::default()
    };
    let out = render(&picture, &PicturePlan::new(64, 48));
    let first = [out.rgb[0], out.rgb[1], out.rgb[2]];
    assert!(
        out.rgb.chunks_exact(3).all(|p| p == first),
        "flat stays flat"
    );
    first
}

#[test]
fn full_bars_through_the_whole_stage() {
    // 100 % red as Y = 16 + 219 Kr, Cb = 128 - 112 Kr / (1 - Kb), Cr = 240:
    // BT.601 81 90 240, BT.709 63 102 240, BT.2020 74 97 240.
    for (matrix, red) in [
        (Matrix::Bt601, [81, 90, 240]),
        (Matrix::Bt709, [63, 102, 240]),
        (Matrix::Bt2020, [74, 97, 240]),
    ] {
        let [r, g, b] = flat(matrix, Range::Limited, red);
        assert!(r >= 254 && g <= 2 && b <= 2, "{matrix:?}: {r} {g} {b}");
    }
    assert_eq!(
        flat(Matrix::Bt709, Range::Limited, [16, 128, 128]),
        [0, 0, 0]
    );
    assert_eq!(
        flat(Matrix::Bt709, Range::Limited, [235, 128, 128]),
        [255, 255, 255]
    );
    assert_eq!(
        flat(Matrix::Bt709, Range::Full, [255, 128, 128]),
        [255, 255, 255]
    );
    assert_eq!(
        flat(Matrix::Bt709, Range::Full, [100, 128, 128]),
        [100, 100, 100]
    );
    assert_eq!(
        flat(Matrix::Bt601, Range::Limited, [5, 128, 128]),
        [0, 0, 0]
    );
}

/// One picture in many formats: what libswscale repacks must look like what is
/// read in place.
#[test]
fn packed_palette_and_deep_formats_show_the_same_picture() {
    let folder = folder();
    let plan = PicturePlan::new(160, 120);
    let show = |name: &str| rendered(&folder.path().join(name), &plan, 1).remove(0).rgb;
    let source = "-f lavfi -i testsrc=size=160x120:rate=5:duration=1";
    for format in ["rgb24", "yuv420p", "yuv422p", "yuv420p10le"] {
        let make = format!("{source} -pix_fmt {format} -c:v rawvideo {format}.nut");
        ffmpeg(folder.path(), &make);
    }
    for (format, codec, like, within) in [
        ("gbrp", "ffv1", "rgb24", 0),
        ("bgra", "rawvideo", "rgb24", 0),
        ("bgr0", "ffv1", "rgb24", 0),
        ("gbrp10le", "ffv1", "rgb24", 1),
        ("gbrp16le", "ffv1", "rgb24", 1),
        ("rgb48le", "rawvideo", "rgb24", 1),
        ("nv12", "rawvideo", "yuv420p", 0),
        ("yuyv422", "rawvideo", "yuv422p", 0),
        ("uyvy422", "rawvideo", "yuv422p", 0),
        ("yuva420p", "rawvideo", "yuv420p", 0),
        ("yuv420p10be", "rawvideo", "yuv420p10le", 1),
    ] {
        let make = format!("-i {like}.nut -pix_fmt {format} -c:v {codec} {format}.other.nut");
        ffmpeg(folder.path(), &make);
        let off = largest_difference(
            &show(&format!("{format}.other.nut")),
            &show(&format!("{like}.nut")),
        );
        assert!(off <= within, "{format}: {off}");
    }
    // A palette holds this picture's colours nearly; dots of its dither average out.
    ffmpeg(
        folder.path(),
        "-i rgb24.nut -pix_fmt pal8 -c:v rawvideo pal8.nut",
    );
    let (found, wanted) = (show("pal8.nut"), show("rgb24.nut"));
    let sums = found
        .iter()
        .zip(&wanted)
        .map(|(a, b)| i64::from(*a) - i64::from(*b));
    let mean = sums.sum::<i64>() as f64 / found.len() as f64;
    assert!(mean.abs() < 2.0, "pal8: {mean}");
}

/// Ten bits in the high bits of a word, chroma interleaved.
#[test]
fn semiplanar_ten_bits_are_read_as_such() {
    let words = |format: Pixel, shift: u32| {
        let mut frame = Video::new(format, 64, 64);
        for plane in 0..frame.planes() {
            let code: u16 = if plane == 0 { 600 } else { 512 };
            let bytes = (code << shift).to_le_bytes();
            frame
                .data_mut(plane)
                .chunks_exact_mut(2)
                .for_each(|b| b.copy_from_slice(&bytes));
        }
        render(&shown(frame), &PicturePlan::new(64, 64)).rgb
    };
    assert_eq!(words(Pixel::P010LE, 6), words(Pixel::YUV420P10LE, 0));
}

/// Transparent parts let black through.
#[test]
fn transparency_lies_on_black() {
    let picture = painted(Pixel::RGBA, 64, 64, |_, x, _| x as u8);
    let mut frame = picture.frame;
    let stride = frame.stride(0);
    for line in frame.data_mut(0).chunks_exact_mut(stride) {
        for (x, pixel) in line[..256].chunks_exact_mut(4).enumerate() {
            pixel.copy_from_slice(&[200, 100, 50, if x < 32 { 0 } else { 255 }]);
        }
    }
    let out = render(&shown(frame), &PicturePlan::new(64, 64));
    assert_eq!(out.rgb[..3], [0, 0, 0]);
    assert_eq!(out.rgb[63 * 3..64 * 3], [200, 100, 50]);
}

/// Ten bits are not rounded to eight before the panel's curve: a PQ step too
/// small for eight bits still shows.
#[test]
fn ten_bits_are_kept_to_the_end() {
    let value = |code: u16| {
        let mut frame = Video::new(Pixel::YUV420P10LE, 64, 64);
        for plane in 0..3 {
            let sample = if plane == 0 { code } else { 512 };
            let bytes = sample.to_le_bytes();
            frame
                .data_mut(plane)
                .chunks_exact_mut(2)
                .for_each(|b| b.copy_from_slice(&bytes));
        }
        let mut picture = shown(frame);
        picture.colour.transfer = Some(Transfer::Pq);
        let mut plan = PicturePlan::new(64, 64);
        plan.dither = thumbreel::picture::Dither::BlueNoise;
        let sum: u32 = (render(&picture, &plan).pixels.iter())
            .map(|&p| u32::from(thumbreel::picture::dither::expand(p)[1]))
            .sum();
        f64::from(sum) / 4096.0
    };
    // Neighbouring 10-bit codes differ on the panel, on average over the dither.
    let ramp: Vec<f64> = (440..=448).map(value).collect();
    assert!(ramp.windows(2).all(|w| w[1] > w[0] + 0.1), "{ramp:?}");
}
