//! What the dithers promise.

use thumbreel::picture::Dither;
use thumbreel::picture::canvas::Canvas;
use thumbreel::picture::dither::{BLUE_NOISE_SIDE, blue_noise_ranks, expand, to_rgb565};
use thumbreel::picture::quality::psnr_of_error;

const ALL: [Dither; 4] = [
    Dither::None,
    Dither::Bayer,
    Dither::BlueNoise,
    Dither::ErrorDiffusion,
];

fn expanded(pixels: &[u16]) -> Vec<[u8; 3]> {
    pixels.iter().map(|&p| expand(p)).collect()
}

#[test]
fn flat_colours_average_back() {
    for dither in [Dither::Bayer, Dither::BlueNoise, Dither::ErrorDiffusion] {
        for v in 0..=255_u8 {
            let rgb = [v, 255 - v, v ^ 0x55];
            let canvas = Canvas::from_rgb8(64, 64, &rgb.repeat(4096));
            let mut sums = [0_u32; 3];
            for pixel in expanded(&to_rgb565(&canvas, dither)) {
                (0..3).for_each(|c| sums[c] += u32::from(pixel[c]));
            }
            for c in 0..3 {
                let mean = f64::from(sums[c]) / 4096.0;
                let off = (mean - f64::from(rgb[c])).abs();
                assert!(off <= 0.25, "{dither:?} {rgb:?}: {mean} for component {c}");
            }
        }
    }
}

#[test]
fn ranks_are_a_permutation() {
    let mut ranks: Vec<u16> = blue_noise_ranks().to_vec();
    ranks.sort_unstable();
    assert!(ranks.iter().enumerate().all(|(i, &r)| i == usize::from(r)));
    assert_eq!(ranks.len(), BLUE_NOISE_SIDE * BLUE_NOISE_SIDE);
}

/// Power of a pattern at distance `f` cycles a side, averaged over the ring buffer
/// of frequencies, against that of white noise of equal variance.
fn ring_power(pattern: &[f64], side: usize, low: f64, high: f64) -> f64 {
    let mean = pattern.iter().sum::<f64>() / pattern.len() as f64;
    let variance = pattern.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / pattern.len() as f64;
    let half = side as i32 / 2;
    let (mut sum, mut count) = (0.0, 0);
    for v in -half..half {
        for u in 0..half {
            let distance = f64::from(u * u + v * v).sqrt();
            if distance < low || distance >= high {
                continue;
            }
            let (mut re, mut im) = (0.0, 0.0);
            for (i, value) in pattern.iter().enumerate() {
                let (x, y) = ((i % side) as i32, (i / side) as i32);
                let turn = (u * x + v * y).rem_euclid(side as i32);
                let angle = f64::from(turn) * std::f64::consts::TAU / side as f64;
                re += (value - mean) * angle.cos();
                im += (value - mean) * angle.sin();
            }
            sum += (re * re + im * im) / pattern.len() as f64;
            count += 1;
        }
    }
    sum / f64::from(count) / variance
}

/// Ulichney 1993: blue noise has little power below the principal frequency
/// (the square root of the share of on pixels, in cycles per pixel) and about
/// that of white noise above it.
#[test]
fn the_mask_is_blue() {
    let side = BLUE_NOISE_SIDE;
    for share in [0.125, 0.25, 0.5] {
        let limit = (share * (side * side) as f64) as u16;
        let pattern: Vec<f64> = (blue_noise_ranks().iter())
            .map(|&r| f64::from(u8::from(r < limit)))
            .collect();
        let principal = f64::sqrt(share) * side as f64;
        let low = ring_power(&pattern, side, 1.0, principal * 0.3);
        let high = ring_power(&pattern, side, principal * 0.85, principal * 1.1);
        println!("share {share}: below {low:.4}, at the principal frequency {high:.3}");
        assert!(low < 0.05, "{share}: {low}");
        assert!(high > 0.8, "{share}: {high}");
    }
}

pub fn ramp() -> Canvas {
    let mut canvas = Canvas::black(240, 240);
    for (i, pixel) in canvas.pixels.iter_mut().enumerate() {
        let value = (i % 240) as f64 / 239.0 * 65280.0;
        *pixel = [value as u16; 3];
    }
    canvas
}

/// A blue sky that fades towards the horizon.
pub fn sky() -> Canvas {
    let mut canvas = Canvas::black(240, 240);
    for (i, pixel) in canvas.pixels.iter_mut().enumerate() {
        let (x, y) = ((i % 240) as f64 / 240.0, (i / 240) as f64 / 240.0);
        let level = |low: f64, high: f64| (256.0 * (low + (high - low) * y + 3.0 * x)) as u16;
        *pixel = [level(70.0, 160.0), level(120.0, 190.0), level(190.0, 215.0)];
    }
    canvas
}

/// Gaussian blur of sigma 1 pixel of all three components.
fn blurred(pixels: &[[f64; 3]], width: usize) -> Vec<[f64; 3]> {
    let weights: Vec<f64> = (-4..=4).map(|d| (-f64::from(d * d) / 2.0).exp()).collect();
    let pass = |pixels: &[[f64; 3]], step: usize, length: usize, place: &dyn Fn(usize) -> usize| {
        let mut out = vec![[0.0; 3]; pixels.len()];
        for (i, out) in out.iter_mut().enumerate() {
            let here = place(i);
            let mut total = 0.0;
            for (tap, weight) in weights.iter().enumerate() {
                let Some(at) = (here + tap).checked_sub(4).filter(|&at| at < length) else {
                    continue;
                };
                let from = i + at * step - here * step;
                (0..3).for_each(|c| out[c] += weight * pixels[from][c]);
                total += weight;
            }
            out.iter_mut().for_each(|v| *v /= total);
        }
        out
    };
    let across = pass(pixels, 1, width, &|i| i % width);
    pass(&across, width, pixels.len() / width, &|i| i / width)
}

fn seen_psnr(canvas: &Canvas, dither: Dither) -> f64 {
    seen_psnr_of(canvas, &expanded(&to_rgb565(canvas, dither)))
}

/// PSNR in dB of shown pixels against the canvas they were made of, both seen
/// from afar.
pub fn seen_psnr_of(canvas: &Canvas, shown: &[[u8; 3]]) -> f64 {
    let shown: Vec<[f64; 3]> = shown.iter().map(|p| p.map(f64::from)).collect();
    let wanted: Vec<[f64; 3]> = (canvas.pixels.iter())
        .map(|p| p.map(|v| f64::from(v) / 256.0))
        .collect();
    let (shown, wanted) = (blurred(&shown, 240), blurred(&wanted, 240));
    let error: f64 = shown
        .iter()
        .flatten()
        .zip(wanted.iter().flatten())
        .map(|(a, b)| (a - b).powi(2))
        .sum();
    psnr_of_error(error / (3.0 * 57_600.0))
}

#[test]
fn dither_beats_rounding_from_a_viewing_distance() {
    for (name, canvas) in [("ramp", ramp()), ("sky", sky())] {
        let rounding = seen_psnr(&canvas, Dither::None);
        for dither in &ALL[1..] {
            let seen = seen_psnr(&canvas, *dither);
            println!("{name}: {dither:?} {seen:.2} dB, rounding {rounding:.2} dB");
            assert!(
                seen >= rounding + 3.0,
                "{name} {dither:?}: {seen} against {rounding}"
            );
        }
    }
}

/// Of a uniform source rounding loses step^2 / 12, and uniform dither twice
/// that (standard quantisation theory): 41.88 dB and 38.87 dB for RGB565.
#[test]
fn unblurred_noise_is_that_of_theory() {
    let mut state = 7_u32;
    let mut canvas = Canvas::black(240, 240);
    for value in canvas.pixels.iter_mut().flatten() {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        *value = ((u64::from(state) * 65_281) >> 32) as u16;
    }
    for (dither, wanted) in [
        (Dither::None, 41.88),
        (Dither::Bayer, 38.87),
        (Dither::BlueNoise, 38.87),
    ] {
        let shown = expanded(&to_rgb565(&canvas, dither));
        let error: f64 = (shown.iter().flatten().zip(canvas.pixels.iter().flatten()))
            .map(|(s, v)| (f64::from(*s) - f64::from(*v) / 256.0).powi(2))
            .sum();
        let found = psnr_of_error(error / (3.0 * 57_600.0));
        assert!((found - wanted).abs() < 0.15, "{dither:?}: {found}");
    }
}

/// Share of pixels that change from one picture to the next when the source
/// carries noise of half a level, which no one sees.
fn flicker(dither: Dither) -> f64 {
    let noisy = |seed: u32| {
        let mut canvas = sky();
        let mut state = seed;
        for value in canvas.pixels.iter_mut().flatten() {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            *value = value.saturating_add_signed((state >> 24) as i16 - 128);
        }
        to_rgb565(&canvas, dither)
    };
    let (a, b) = (noisy(1), noisy(2));
    a.iter().zip(&b).filter(|(a, b)| a != b).count() as f64 / a.len() as f64
}

#[test]
fn ordered_dither_is_still_and_diffusion_flickers() {
    for dither in [Dither::Bayer, Dither::BlueNoise] {
        assert_eq!(to_rgb565(&sky(), dither), to_rgb565(&sky(), dither));
    }
    let found: Vec<(Dither, f64)> = ALL.map(|d| (d, flicker(d))).to_vec();
    println!("pixels changed by half a level of noise: {found:?}");
    assert!(found[2].1 < 1.1 * found[0].1, "no more than rounding does");
    assert!(
        found[3].1 > 2.0 * found[2].1,
        "error diffusion: {}",
        found[3].1
    );
}

#[test]
fn the_place_alone_decides() {
    // A pixel's dither must not depend on its neighbours: changing one pixel
    // changes no other.
    let plain = sky();
    let mut touched = plain.clone();
    touched.pixels[12_345] = [0; 3];
    for dither in [Dither::Bayer, Dither::BlueNoise] {
        let (a, b) = (to_rgb565(&plain, dither), to_rgb565(&touched, dither));
        let changed = a.iter().zip(&b).filter(|(a, b)| a != b).count();
        assert_eq!(changed, 1);
    }
}
