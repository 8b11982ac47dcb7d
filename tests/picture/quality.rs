//! PSNR and SSIM against scikit-image, on the same pictures and through
//! `thumbreel compare`.

use std::fs;
use std::ops::Range;
use std::path::Path;
use std::process::Command;

use thumbreel::picture::dither::expand;
use thumbreel::picture::quality::{psnr, ssim};
use thumbreel::picture::{Dither, PicturePlan};

use crate::common::media::{folder, output, packaged, python};
use crate::frames::rendered;

/// What scikit-image says of two raw RGB pictures: PSNR and SSIM.
fn reference(folder: &Path, a: &[u8], b: &[u8], width: usize) -> (f64, f64) {
    fs::write(folder.join("a.rgb"), a).expect("written");
    fs::write(folder.join("b.rgb"), b).expect("written");
    let script = format!(
        "import numpy as np\n\
         from skimage.metrics import peak_signal_noise_ratio as p, structural_similarity as s\n\
         a, b = (np.fromfile(n, np.uint8).reshape(-1, {width}, 3) for n in ('a.rgb', 'b.rgb'))\n\
         print(p(a, b), s(a, b, channel_axis=2, gaussian_weights=True, sigma=1.5,\n\
         use_sample_covariance=False, data_range=255))"
    );
    let said = output(python().current_dir(folder).arg("-c").arg(script));
    let text = String::from_utf8(said).expect("text");
    let mut numbers = text
        .split_whitespace()
        .map(|n| n.parse().expect("a number"));
    (numbers.next().expect("PSNR"), numbers.next().expect("SSIM"))
}

#[test]
fn measures_agree_with_scikit_image() {
    let folder = folder();
    for (name, size) in [
        ("bigbuckbunny.mp4", (240, 240)),
        ("carphone_pristine.mp4", (160, 80)),
        ("bikes.mp4", (96, 128)),
    ] {
        for dither in [Dither::None, Dither::BlueNoise, Dither::ErrorDiffusion] {
            let plan = PicturePlan {
                dither,
                ..PicturePlan::new(size.0, size.1)
            };
            let picture = rendered(&packaged(name), &plan, 3)
                .pop()
                .expect("a picture");
            let shown: Vec<u8> = picture.pixels.iter().flat_map(|&p| expand(p)).collect();
            let width = usize::from(size.0);
            let (p, s) = reference(folder.path(), &picture.rgb, &shown, width);
            let (mine_p, mine_s) = (
                psnr(&picture.rgb, &shown),
                ssim(&picture.rgb, &shown, width, 3),
            );
            assert!((p - mine_p).abs() <= 0.01, "{name}: {mine_p}, not {p}");
            assert!((s - mine_s).abs() <= 0.001, "{name}: {mine_s}, not {s}");
        }
    }
}

fn thumbreel(arguments: &[&str], folder: &Path) -> String {
    let mut command = Command::new(env!("CARGO_BIN_EXE_thumbreel"));
    let said = output(command.args(arguments).current_dir(folder));
    String::from_utf8(said).expect("text")
}

/// The strips hold the very pictures that were compared, so scikit-image must
/// find the printed values in them.
#[test]
fn compare_prints_what_scikit_image_finds_in_its_strips() {
    compared_on("lantern-room", 38.9..41.5);
}

/// A round panel whose wire wants the complement: what is never sent is not
/// held against the reel.
#[test]
fn compare_leaves_out_what_a_round_panel_hides() {
    compared_on("porthole", 38.9..43.0);
}

/// Compares a reel of raw pixels, whose PSNR must lie in `wanted` dB.
fn compared_on(board: &str, wanted: Range<f64>) {
    let folder = folder();
    let clip = packaged("bigbuckbunny.mp4");
    let clip = clip.to_str().expect("a plain path");
    thumbreel(
        &[
            "convert",
            clip,
            "--board",
            board,
            "--duration",
            "1.5",
            "--size",
            "160x120",
            "--coding",
            "raw",
            "--quiet",
            "-o",
            "b.tbr",
        ],
        folder.path(),
    );
    let json = thumbreel(
        &[
            "compare", "b.tbr", clip, "--json", "--each", "--strips", "strips",
        ],
        folder.path(),
    );
    let found: serde_json::Value = serde_json::from_str(&json).expect("JSON");
    assert!(found["pictures"].as_u64().expect("a count") > 15, "{found}");
    assert_eq!(found["missing"], 0);
    let worst = found["worst"].as_array().expect("a list");
    assert_eq!(worst.len(), 2);
    let each = found["each"].as_array().expect("a list");
    let mean = each
        .iter()
        .map(|s| s["ssim"].as_f64().expect("a number"))
        .sum::<f64>()
        / each.len() as f64;
    assert!((mean - found["ssim"].as_f64().expect("a number")).abs() < 1e-9);
    for (moment, path) in worst
        .iter()
        .zip(found["strips"].as_array().expect("a list"))
    {
        let path = folder.path().join(path.as_str().expect("a path"));
        let strip = image::open(&path).expect("a PNG").to_rgb8();
        let width = strip.width() / 3;
        let part = |n: u32| {
            image::imageops::crop_imm(&strip, n * width, 0, width, strip.height())
                .to_image()
                .into_raw()
        };
        let (p, s) = reference(folder.path(), &part(0), &part(1), width as usize);
        assert!(
            (p - moment["psnr"].as_f64().expect("a number")).abs() <= 0.01,
            "{p} {moment}"
        );
        assert!(
            (s - moment["ssim"].as_f64().expect("a number")).abs() <= 0.001,
            "{s} {moment}"
        );
        // Raw pixels lose rounding and dither only: 38.9 dB in theory where
        // the picture is, nothing in the bars, which take a quarter.
        assert!(wanted.contains(&p), "{p}");
    }
    let text = thumbreel(&["compare", "b.tbr", clip], folder.path());
    assert!(
        text.contains("SSIM") && text.contains("worst moments"),
        "{text}"
    );
}
