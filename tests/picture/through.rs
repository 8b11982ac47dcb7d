//! Colour, siting, dither and light through `thumbreel convert`: what the
//! panel's pixels are for clips of known samples.

use std::path::Path;
use std::process::{Command, Stdio};

use serde_json::Value;
use thumbreel::picture::curves::{bt2390, hlg_gamma, hlg_to_scene, linear_to_srgb, nits_to_pq};
use thumbreel::picture::dither::expand;

use crate::common::media::{folder, output};
use crate::common::played::{Played, play};
use crate::dither::seen_psnr_of;

/// Encodes pictures of raw samples; `how` are arguments of the ffmpeg program.
fn encode(folder: &Path, input: &str, samples: &[u8], how: &str) {
    let mut command = Command::new("ffmpeg");
    command.current_dir(folder);
    command.args(["-hide_banner", "-loglevel", "error", "-y", "-f", "rawvideo"]);
    command.args(input.split_whitespace()).args(["-i", "-"]);
    command.args(how.split_whitespace()).stdin(Stdio::piped());
    let mut child = command.spawn().expect("ffmpeg runs: run .ci/install test");
    let mut pipe = child.stdin.take().expect("a pipe");
    std::io::Write::write_all(&mut pipe, samples).expect("written");
    drop(pipe);
    assert!(child.wait().expect("ends").success(), "{how}");
}

/// Converts to raw pixels of the square panel and plays the reel; also what
/// the program said.
fn shown(folder: &Path, clip: &str, more: &str) -> (Played, Value) {
    let mut command = Command::new(env!("CARGO_BIN_EXE_thumbreel"));
    command.current_dir(folder).args(["convert", clip]);
    command.args("--board lantern-room --coding raw --json --overwrite -o r.tbr".split(' '));
    let said = output(command.args(more.split_whitespace()));
    let said: Value = serde_json::from_slice(&said).expect("JSON");
    (play(&folder.join("r.tbr")), said["result"].clone())
}

fn words(samples: impl Iterator<Item = u16>) -> Vec<u8> {
    samples.flat_map(u16::to_le_bytes).collect()
}

/// One picture of 240x240 in eight stripes of these luma codes, grey.
fn stripes(codes: [u16; 8], bits: u32) -> Vec<u8> {
    let row = || codes.into_iter().flat_map(|code| [code; 30]);
    let luma = (0..240).flat_map(|_| row());
    let chroma = (0..2 * 120 * 120).map(|_| 1 << (bits - 1));
    words(luma.chain(chroma))
}

/// Mean colour of each stripe, the pixels beside its edges left out.
fn stripe_means(played: &Played, number: usize) -> Vec<[f64; 3]> {
    let mean = |stripe: usize| {
        let mut sum = [0.0; 3];
        for y in 8..232 {
            for x in stripe * 30 + 4..stripe * 30 + 26 {
                let shown = played.colour(number, x, y);
                (0..3).for_each(|c| sum[c] += f64::from(shown[c]));
            }
        }
        sum.map(|v| v / (224.0 * 22.0))
    };
    (0..8).map(mean).collect()
}

const CODERS: [(&str, &str); 2] = [
    (
        "hevc.mkv",
        "-c:v libx265 -x265-params lossless=1:log-level=none",
    ),
    ("vp9.webm", "-c:v libvpx-vp9 -lossless 1 -profile:v 2"),
];

/// PQ and HLG greys of 10 and 12 bits come out as ITU-R BT.2100, Report
/// BT.2390 (1000 to 203 nits) and IEC 61966-2-1 say, by their tags alone.
#[test]
fn hdr_greys_come_out_as_the_standards_say() {
    let folder = folder();
    let path = folder.path();
    let level = |nits: f64| 255.0 * linear_to_srgb(bt2390(nits, 1000.0, 203.0) / 203.0);
    let nits = [0.0, 1.0, 10.0, 50.0, 100.0, 203.0, 500.0, 1000.0];
    let signals = [0.0, 0.1, 0.25, 0.5, 0.65, 0.75, 0.9, 1.0];
    let pq = nits.map(|n| (nits_to_pq(n).max(0.0), level(n)));
    let display = |v: f64| 1000.0 * hlg_to_scene(v).powf(hlg_gamma(1000.0));
    let hlg = signals.map(|v| (v, level(display(v))));
    for (transfer, greys) in [("smpte2084", pq), ("arib-std-b67", hlg)] {
        for (name, coder) in CODERS {
            for bits in [10, 12] {
                let step = f64::from(1_u32 << (bits - 8));
                let codes = greys.map(|(v, _)| (step * (16.0 + 219.0 * v)).round() as u16);
                let tags = format!(
                    "-colorspace bt2020nc -color_trc {transfer} -color_primaries bt2020 -color_range tv"
                );
                let input = format!("-pix_fmt yuv420p{bits}le -s 240x240 -r 10");
                let how = format!("{coder} {tags} {name}");
                encode(path, &input, &stripes(codes, bits).repeat(3), &how);
                let (played, _) = shown(path, name, "--frame-rate 10");
                for (found, (_, wanted)) in stripe_means(&played, 1).iter().zip(greys) {
                    for (component, step) in found.iter().zip([8.0, 4.0, 8.0]) {
                        // Half a code of ten bits, and what the dither's mean
                        // over a stripe misses.
                        let off = (component - wanted).abs();
                        assert!(
                            off < 0.9 + 0.02 * step,
                            "{transfer} {name} {bits}: {found:?}, not {wanted}"
                        );
                    }
                }
            }
        }
    }
}

/// Where an edge of chroma lies on the panel, in luma samples from the left
/// and from the top, for a clip of 32x32 tagged as `site`.
fn chroma_edges(folder: &Path, coder: &str) -> [f64; 2] {
    [true, false].map(|across| {
        let right = |i: usize| if across { i % 16 >= 8 } else { i / 16 >= 8 };
        let luma = [126].repeat(32 * 32);
        let cr = (0..256).map(|i| if right(i) { 200 } else { 128 });
        let picture = luma.into_iter().chain([128].repeat(256)).chain(cr);
        let picture: Vec<u8> = picture.collect();
        let input = "-pix_fmt yuv420p -s 32x32 -r 10";
        encode(folder, input, &picture.repeat(3), &format!("{coder} s.mkv"));
        let more = "--frame-rate 10 --framing stretch --filter bilinear --dither none";
        let (played, _) = shown(folder, "s.mkv", more);
        let red = |i: usize| match across {
            true => played.colour(1, i, 120)[0],
            false => played.colour(1, 120, i)[0],
        };
        let middle = (u16::from(red(0)) + u16::from(red(239))) / 2;
        let edge = (0..240).position(|i| u16::from(red(i)) > middle);
        edge.expect("an edge") as f64 / 7.5
    })
}

/// ITU-T H.264 and H.265, figure E.1: types 0, 1, 2 are left, centre, top
/// left. Between chroma samples 7 and 8 lies luma column 16, or half a column
/// before it where chroma sits on the left luma sample; rows alike.
#[test]
fn chroma_sits_where_the_clips_tag_says() {
    let folder = folder();
    for (number, (site, wanted)) in [
        ("left", [15.5, 16.0]),
        ("center", [16.0, 16.0]),
        ("topleft", [15.5, 15.5]),
    ]
    .into_iter()
    .enumerate()
    {
        for coder in [
            format!("-c:v libx264 -qp 0 -chroma_sample_location {site}"),
            format!("-c:v libx265 -x265-params lossless=1:log-level=none:chromaloc={number}"),
            format!("-c:v libvpx-vp9 -lossless 1 -chroma_sample_location {site}"),
        ] {
            let found = chroma_edges(folder.path(), &coder);
            for (found, wanted) in found.iter().zip(wanted) {
                assert!(
                    (found - wanted).abs() < 0.21,
                    "{coder}: {found}, not {wanted}"
                );
            }
        }
    }
}

/// IEC 61966-2-1: half the light of white is code 187.516.
#[test]
fn lines_average_in_light_when_asked() {
    let folder = folder();
    let picture: Vec<u8> = (0..480)
        .flat_map(|y| [if y % 2 == 0 { 0 } else { 255 }; 480 * 3])
        .collect();
    encode(
        folder.path(),
        "-pix_fmt rgb24 -s 480x480 -r 10",
        &picture.repeat(2),
        "-c:v ffv1 -pix_fmt bgr0 lines.mkv",
    );
    for (more, wanted) in [("--linear-light", 187.5), ("", 127.5)] {
        let (played, _) = shown(
            folder.path(),
            "lines.mkv",
            &format!("--frame-rate 10 --filter box {more}"),
        );
        for mean in stripe_means(&played, 1).iter().flatten() {
            assert!((mean - wanted).abs() < 0.7, "{more}: {mean}, not {wanted}");
        }
    }
}

/// Ramp and sky as clips of 16 bits: every dither that can be asked for beats
/// rounding by 3 dB after a Gaussian blur of one pixel, and a still source
/// costs nothing after its first picture.
#[test]
fn every_dither_can_be_asked_for_and_beats_rounding() {
    let folder = folder();
    for (name, canvas) in [
        ("ramp", crate::dither::ramp()),
        ("sky", crate::dither::sky()),
    ] {
        // 1/256 of a level to 16 bits: 65535 / 65280.
        let wide = |v: &u16| (u32::from(*v) * 65_535 / 65_280) as u16;
        let picture = words(canvas.pixels.as_flattened().iter().map(wide));
        let clip = format!("{name}.mkv");
        let how = format!("-c:v ffv1 -pix_fmt gbrp16le {clip}");
        encode(
            folder.path(),
            "-pix_fmt rgb48le -s 240x240 -r 10",
            &picture.repeat(6),
            &how,
        );
        let seen = ["none", "bayer", "blue-noise", "error-diffusion"].map(|dither| {
            let (played, said) = shown(
                folder.path(),
                &clip,
                &format!("--frame-rate 10 --dither {dither}"),
            );
            assert_eq!(
                said["pictures_unchanged"], 5,
                "{name} {dither}: a still source stays still"
            );
            let pixels: Vec<[u8; 3]> = played.pictures[2].1.iter().map(|&p| expand(p)).collect();
            seen_psnr_of(&canvas, &pixels)
        });
        println!("{name}: none, bayer, blue noise, error diffusion: {seen:.2?} dB");
        assert!(
            seen[1..].iter().all(|s| *s >= seen[0] + 3.0),
            "{name}: {seen:?}"
        );
    }
}

/// Uneven motion is measured and told, with what would help.
#[test]
fn uneven_motion_is_told() {
    let folder = folder();
    let picture = |n: usize| [(n * 3) as u8].repeat(64 * 48 * 3);
    let pictures: Vec<u8> = (0..75).flat_map(picture).collect();
    encode(
        folder.path(),
        "-pix_fmt rgb24 -s 64x48 -r 25",
        &pictures,
        "-c:v ffv1 -pix_fmt bgr0 a.mkv",
    );
    let told = |more: &str| {
        let (_, said) = shown(folder.path(), "a.mkv", more);
        let judder = said["judder_ms"].as_f64().expect("a number");
        let advice = said["advice"].as_array().expect("a list").clone();
        let found = advice
            .iter()
            .find_map(|a| Some(a.as_str()?.to_owned()).filter(|a| a.contains("uneven")));
        (judder, found)
    };
    let (judder, advice) = told("--frame-rate 15");
    let advice = advice.expect("told");
    assert!(
        judder > 10.0 && advice.contains("--pace blend") && advice.contains("--frame-rate 25/2"),
        "{judder}: {advice}"
    );
    assert!(told("--frame-rate 15 --pace blend").0 < judder / 2.0);
    for even in [
        "--frame-rate 25/2",
        "--frame-rate 25",
        "--frame-rate 15 --pace blend",
    ] {
        assert_eq!(told(even).1, None, "{even}");
    }
}

/// Red, green, blue and white quarters come back upright, however the panel
/// is mounted.
#[test]
fn exports_of_turned_panels_stand_upright() {
    let folder = folder();
    let path = folder.path();
    let quarter = |x: usize, y: usize| match (x < 80, y < 40) {
        (true, true) => [255, 0, 0],
        (false, true) => [0, 255, 0],
        (true, false) => [0, 0, 255],
        (false, false) => [255; 3],
    };
    let pixel = |i: usize| quarter(i % 160, i / 160);
    let picture: Vec<u8> = (0..160 * 80).flat_map(pixel).collect();
    let input = "-pix_fmt rgb24 -s 160x80 -r 10";
    encode(
        path,
        input,
        &picture.repeat(3),
        "-c:v ffv1 -pix_fmt bgr0 a.mkv",
    );
    for mounted in [
        "",
        "--rotate 90",
        "--rotate 180 --mirror",
        "--rotate 270 --mirror",
    ] {
        let run = |arguments: String| {
            let mut command = Command::new(env!("CARGO_BIN_EXE_thumbreel"));
            output(command.current_dir(path).args(arguments.split_whitespace()))
        };
        run(format!(
            "convert a.mkv --board tide-gauge --coding raw --framing stretch --overwrite -o r.tbr {mounted}"
        ));
        run("export r.tbr -o a.png --at 0.1 --overwrite".into());
        let image = image::open(path.join("a.png")).expect("a PNG").to_rgb8();
        let (width, height) = image.dimensions();
        let turned = mounted.contains("--rotate 90") || mounted.contains("--rotate 270");
        assert_eq!(width > height, !turned, "{mounted}: {width}x{height}");
        for (x, y) in [(20, 10), (140, 10), (20, 70), (140, 70)] {
            let at = (x * width / 160, y * height / 80);
            let found = image.get_pixel(at.0, at.1).0;
            assert_eq!(found, quarter(x as usize, y as usize), "{mounted}: {x},{y}");
        }
    }
}
