//! Out-of-phase sound: found, told, and saved.

use std::f64::consts::SQRT_2;

use thumbreel::sound::{Downmix, Layout, SoundPlan};

use crate::level::convert;
use crate::signals::{db, rms, tone, unit};

fn stereo(left: &[f32], right: &[f32]) -> Vec<f32> {
    left.iter().zip(right).flat_map(|(&l, &r)| [l, r]).collect()
}

fn plan(downmix: Downmix) -> SoundPlan {
    SoundPlan {
        rate: 48_000,
        downmix,
        ..SoundPlan::default()
    }
}

fn level(frames: &[f32], downmix: Downmix) -> f64 {
    let (out, _) = convert(&plan(downmix), frames);
    db(rms(&unit(&out)[4800..]) * SQRT_2)
}

#[test]
fn equal_unrelated_and_opposite_sides_lose_0_3_and_all() {
    let a = tone(48_000, 1000.0, 0.25, 0.0, 96_000);
    let quarter = tone(48_000, 1000.0, 0.25, 90.0, 96_000);
    let opposite: Vec<f32> = a.iter().map(|s| -s).collect();
    for (right, wanted) in [(&a, 0.0), (&quarter, 3.01)] {
        let (_, report) = convert(&plan(Downmix::Sum), &stereo(&a, right));
        let (hz, loss) = report.phase.unwrap().worst().unwrap();
        assert!((loss - wanted).abs() < 0.05, "{hz} Hz: {loss} dB");
        assert!(!report.phase.unwrap().is_unsafe());
    }
    let (out, report) = convert(&plan(Downmix::Sum), &stereo(&a, &opposite));
    assert!(report.phase.unwrap().is_unsafe());
    assert!(out.iter().all(|s| s.abs() <= 1), "the sum cancels");
}

#[test]
fn the_octave_that_cancels_is_named() {
    let low = tone(48_000, 125.0, 0.2, 0.0, 96_000);
    let high = tone(48_000, 4000.0, 0.1, 0.0, 96_000);
    let left: Vec<f32> = low.iter().zip(&high).map(|(l, h)| l + h).collect();
    let right: Vec<f32> = low.iter().zip(&high).map(|(l, h)| h - l).collect();
    let (_, report) = convert(&plan(Downmix::Sum), &stereo(&left, &right));
    let loss = report.phase.unwrap();
    assert_eq!(loss.worst().unwrap().0, 125.0);
    assert!(loss.octaves[7].unwrap() < 0.1, "4 kHz: {loss:?}");
}

#[test]
fn mono_and_one_sided_sound_have_no_phase_to_lose() {
    let plan = plan(Downmix::Sum);
    let frames = tone(48_000, 440.0, 0.2, 0.0, 48_000);
    let (_, report) = crate::level::convert_from(48_000, &Layout::mono(), &plan, &frames);
    assert_eq!(report.phase, None);
}

#[test]
fn the_phase_safe_mix_keeps_every_level() {
    for hz in [60.0, 200.0, 1000.0, 5000.0, 15_000.0] {
        let a = tone(48_000, hz, 0.25, 0.0, 96_000);
        let opposite: Vec<f32> = a.iter().map(|s| -s).collect();
        let silent = vec![0.0; a.len()];
        let own = db(0.25);
        // Equal or opposite: its own level. One side alone: 3 dB less.
        for (right, wanted) in [(&a, own), (&opposite, own), (&silent, own - 3.01)] {
            let found = level(&stereo(&a, right), Downmix::PhaseSafe);
            assert!(
                (found - wanted).abs() < 0.25,
                "{hz} Hz: {found} dB, not {wanted}"
            );
        }
    }
}

#[test]
fn left_and_right_stand_alone() {
    let a = tone(48_000, 1000.0, 0.25, 0.0, 48_000);
    let b = tone(48_000, 1000.0, 0.1, 0.0, 48_000);
    let frames = stereo(&a, &b);
    assert!((level(&frames, Downmix::Left) - db(0.25)).abs() < 0.02);
    assert!((level(&frames, Downmix::Right) - db(0.1)).abs() < 0.02);
}
