//! Limits hold in every window, first picture and cuts included. The check
//! knows nothing of the controller: it reads sizes.

use crate::scenes::{panel, picture, plan, psnr};
use thumbreel::coding::patch::Level;
use thumbreel::coding::{Bucket, Coding, CodingError, Encoded, Limits, encoder};

const SIDE: u16 = 96;
const PICTURES: u32 = 60;

/// A scene with grain and a cut every 17 pictures, a key every 24.
fn code(coding: Coding, level: Level, quality: u8, limits: Limits) -> Vec<Encoded> {
    let mut plan = plan(SIDE, SIDE, coding);
    (plan.quality, plan.level, plan.limits, plan.search) = (quality, level, limits, 1);
    let mut coder = encoder(&plan).unwrap();
    let mut panel = panel(&plan, coder.tables());
    (0..PICTURES)
        .map(|n| {
            let source = picture(SIDE, SIDE, n, n / 17, 24);
            let coded = coder
                .encode(&source.input(SIDE, SIDE), n % 24 == 0)
                .unwrap();
            let flags = u8::from(coded.key) | u8::from(coded.unchanged) << 1;
            panel.decode(coding as u8, flags, &coded.bytes).unwrap();
            coded
        })
        .collect()
}

/// The most bytes that any run of pictures has beyond what leaks out
/// meanwhile, over all runs.
fn worst_overdraft(coded: &[Encoded], bytes_a_picture: f64) -> f64 {
    let mut worst: f64 = 0.0;
    for first in 0..coded.len() {
        let mut sum = 0.0;
        for (i, picture) in coded[first..].iter().enumerate() {
            sum += picture.bytes.len() as f64;
            worst = worst.max(sum - i as f64 * bytes_a_picture);
        }
    }
    worst
}

#[test]
fn the_link_is_kept_in_every_window_by_patch_and_jpeg() {
    for (coding, rate, depth) in [
        (Coding::Patch, 12_000, 6_000),
        (Coding::Patch, 40_000, 2_500),
        (Coding::Jpeg, 60_000, 5_000),
    ] {
        let free = code(coding, Level::Full, 90, Limits::default());
        assert!(worst_overdraft(&free, f64::from(rate) / 24.0) > f64::from(depth));
        let limits = Limits {
            link: Some(Bucket { rate, depth }),
            ..Limits::default()
        };
        let coded = code(coding, Level::Full, 90, limits);
        let worst = worst_overdraft(&coded, f64::from(rate) / 24.0);
        assert!(worst <= f64::from(depth), "{coding:?} {rate}: {worst}");
        let sent: usize = coded.iter().map(|c| c.bytes.len()).sum();
        let allowed = f64::from(rate) * f64::from(PICTURES) / 24.0;
        assert!(
            sent as f64 > 0.5 * allowed,
            "{coding:?}: {sent} of {allowed}"
        );
    }
}

#[test]
fn bus_and_instructions_are_kept_by_every_picture() {
    for level in [Level::Light, Level::Full] {
        let free = code(Coding::Patch, level, 80, Limits::default());
        let most = |f: fn(&Encoded) -> u32| free.iter().map(f).max().unwrap();
        let limits = Limits {
            bus: Some(most(|c| c.bus_bytes) / 2),
            instructions: Some(most(|c| c.instructions) / 2),
            ..Limits::default()
        };
        for (n, picture) in code(Coding::Patch, level, 80, limits).iter().enumerate() {
            assert!(
                picture.bus_bytes <= limits.bus.unwrap(),
                "{level:?} picture {n}"
            );
            assert!(
                picture.instructions <= limits.instructions.unwrap(),
                "{level:?} picture {n}"
            );
        }
    }
}

#[test]
fn the_mean_is_nearly_met() {
    let limits = Limits {
        mean: Some(30_000),
        ..Limits::default()
    };
    let coded = code(Coding::Patch, Level::Full, 100, limits);
    let sent: usize = coded.iter().map(|c| c.bytes.len()).sum();
    let mean = sent as f64 * 24.0 / f64::from(PICTURES);
    assert!((mean / 30_000.0 - 1.0).abs() < 0.25, "{mean:.0} B/s");
}

#[test]
fn a_limit_that_nothing_keeps_is_an_error_that_says_so() {
    let mut plan = plan(SIDE, SIDE, Coding::Raw);
    plan.limits.link = Some(Bucket {
        rate: 1000,
        depth: 1000,
    });
    let source = picture(SIDE, SIDE, 0, 0, 0);
    let verdict = encoder(&plan)
        .unwrap()
        .encode(&source.input(SIDE, SIDE), true);
    let Err(CodingError::Limit(text)) = verdict else {
        panic!("{verdict:?}");
    };
    assert!(text.contains("deeper buffer"), "{text}");
}

#[test]
fn when_the_link_is_tight_the_picture_is_still_the_scene() {
    let mut plan = plan(SIDE, SIDE, Coding::Patch);
    plan.limits.link = Some(Bucket {
        rate: 12_000,
        depth: 6_000,
    });
    let (mut coder, mut panel) = (encoder(&plan).unwrap(), panel(&plan, &[]));
    let mut least = f64::INFINITY;
    for n in 0..30 {
        let source = picture(SIDE, SIDE, n, 0, 0);
        let coded = coder.encode(&source.input(SIDE, SIDE), n == 0).unwrap();
        let flags = u8::from(coded.key) | u8::from(coded.unchanged) << 1;
        panel.decode(2, flags, &coded.bytes).unwrap();
        least = least.min(psnr(&source.rgb, panel.pixels()));
    }
    assert!(least > 24.0, "{least:.1} dB");
}
