//! Real clips against an independent decode, by PyAV and numpy.

use thumbreel::coding::expand_565;
use thumbreel::picture::Dither;

use crate::common::media::{folder, output, packaged, python};
use crate::common::played::play_some;
use crate::{choices, convert, rate};

/// PSNR of the panel's pictures, every `step`th compared.
fn psnr(name: &str, matrix: &str, rates: (u32, u32), step: usize, dither: Dither) -> f64 {
    let folder = folder();
    let reel = folder.path().join("a.tbr");
    let choices = choices(|c| {
        c.dither = dither;
        c.rate = rate(rates.0, rates.1);
        c.length = Some(thumbreel::units::Nanos(4_000_000_000));
    });
    convert(&choices, &packaged(name), &reel);
    let played = play_some(&reel, |n| n % step == 0);
    assert!(played.pictures.len() >= 5);
    let rgb: Vec<u8> = played
        .pictures
        .iter()
        .flat_map(|(_, pixels)| pixels.iter().flat_map(|p| expand_565(*p)))
        .collect();
    let raw = folder.path().join("a.rgb");
    std::fs::write(&raw, rgb).unwrap();
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/convert/reference.py");
    let said = output(python().arg(script).arg(packaged(name)).arg(raw).args([
        "240",
        "240",
        &step.to_string(),
        matrix,
    ]));
    String::from_utf8(said).unwrap().trim().parse().unwrap()
}

/// Rounding to RGB565 leaves 41.88 dB on uniformly spread values (step^2 / 12
/// of 31 and 63 levels, computed); a uniform dither of one step doubles the
/// noise: 38.87 dB. Half a decibel is left for the 8-bit step before it and
/// for values that are not uniformly spread.
#[test]
fn pictures_are_as_near_as_rounding_and_dither_allow() {
    for (name, matrix, rates) in [
        ("bigbuckbunny.mp4", "bt709", (25, 1)),
        ("carphone_pristine.mp4", "bt601", (30_000, 1001)),
        ("bikes.mp4", "bt601", (25, 1)),
    ] {
        let rounded = psnr(name, matrix, rates, 11, Dither::None);
        assert!(rounded > 41.4, "{name}: rounding gives {rounded:.2} dB");
        let dithered = psnr(name, matrix, rates, 11, Dither::BlueNoise);
        assert!(dithered > 38.4, "{name}: dither gives {dithered:.2} dB");
        assert!(dithered < rounded, "{name}: the check can tell them apart");
    }
}
