//! Loudness targets, true-peak ceiling, power limit and compression.

use thumbreel::sound::{
    DynamicRange, Layout, Loudness, LoudnessMeter, Measured, SoundMeter, SoundPlan, SoundReport,
    SoundStage, Verdict,
};

use crate::python::{bytes, numbers};
use crate::signals::{db, in_all, rms, tone, unit};

/// Both passes over stereo frames at 48 kHz.
pub fn convert(plan: &SoundPlan, frames: &[f32]) -> (Vec<i16>, SoundReport) {
    convert_from(48_000, &Layout::stereo(), plan, frames)
}

/// Both passes over any frames.
pub fn convert_from(
    rate: u32,
    layout: &Layout,
    plan: &SoundPlan,
    frames: &[f32],
) -> (Vec<i16>, SoundReport) {
    let measured = plan
        .needs_measuring()
        .then(|| measure(rate, layout, plan, frames));
    let mut stage = SoundStage::new(rate, layout, plan, measured).unwrap();
    let mut out = Vec::new();
    for piece in frames.chunks(layout.count() * 1536) {
        stage.push(piece, &mut out).unwrap();
    }
    stage.finish(&mut out).unwrap();
    (out, stage.report().unwrap())
}

fn measure(rate: u32, layout: &Layout, plan: &SoundPlan, frames: &[f32]) -> Measured {
    let mut meter = SoundMeter::new(rate, layout, plan).unwrap();
    for _ in 0..4 {
        for piece in frames.chunks(layout.count() * 1000) {
            meter.push(piece).unwrap();
        }
        match meter.finish().unwrap() {
            Verdict::Done(measured) => return measured,
            Verdict::Again(next) => meter = *next,
        }
    }
    panic!("more than four passes");
}

fn loudness(samples: &[i16], rate: u32) -> Loudness {
    let mut meter = LoudnessMeter::new(rate, &Layout::mono()).unwrap();
    let samples: Vec<f32> = samples.iter().map(|&s| f32::from(s) / 32_768.0).collect();
    meter.push(&samples).unwrap();
    meter.loudness().unwrap()
}

/// Bursts of noise and tones whose level wanders over 30 dB, from a seed.
fn programme(seed: u32, seconds: usize) -> Vec<f32> {
    wandering(seed, seconds, 4800)
}

/// The same with another number of frames between its changes of level.
fn wandering(seed: u32, seconds: usize, steady: usize) -> Vec<f32> {
    let mut state = seed | 1;
    let mut noise = || {
        state ^= state << 13;
        state ^= state >> 17;
        state ^= state << 5;
        f64::from(state) / f64::from(u32::MAX) * 2.0 - 1.0
    };
    let mut level = 0.1f64;
    let mut frames = Vec::new();
    for i in 0..seconds * 48_000 {
        if i % steady == 0 {
            level = 10f64.powf((noise() * 15.0 - 22.0) / 20.0);
        }
        let t = i as f64 / 48_000.0;
        let hum = (t * 220.0 * std::f64::consts::TAU).sin();
        let (left, right) = (noise(), noise());
        frames.push((level * (hum + 0.5 * left)) as f32);
        frames.push((level * (hum + 0.5 * right)) as f32);
    }
    frames
}

#[test]
fn the_target_is_met_at_every_rate_and_the_ceiling_holds() {
    for (seed, rate, target) in [
        (1, 8_000, -23.0),
        (2, 22_050, -16.0),
        (3, 44_100, -14.0),
        (4, 48_000, -11.0),
    ] {
        let plan = SoundPlan {
            rate,
            loudness: Some(target),
            ..SoundPlan::default()
        };
        let (out, report) = convert(&plan, &programme(seed, 6));
        let after = loudness(&out, rate);
        assert!(report.reached, "{rate}: {report:?}");
        assert!(
            (after.integrated - target).abs() < 0.3,
            "{rate}: {} LUFS",
            after.integrated
        );
        assert!(after.true_peak <= -1.0, "{rate}: {} dBTP", after.true_peak);
        assert_eq!(
            report.after.integrated, after.integrated,
            "the report tells what is"
        );
        assert!((0.0..0.3).contains(&(report.after.true_peak - after.true_peak + 0.01)));
    }
}

#[test]
fn no_true_peak_passes_the_ceiling_whatever_comes() {
    // Peaks by our own limiter's rival: scipy's polyphase interpolation, 4x,
    // with its own (longer) kernel, and the loudness library's.
    let script = "
import sys, numpy as np
from scipy.signal import resample_poly
x = np.frombuffer(sys.stdin.buffer.read(), '<f4').astype(float)
print(np.abs(resample_poly(x, 4, 1)).max())
";
    let clipped: Vec<f32> = programme(7, 1)
        .iter()
        .map(|s| (s * 20.0).clamp(-1.0, 1.0))
        .collect();
    let hot: Vec<f32> = programme(8, 1).iter().map(|s| s * 8.0).collect();
    let between = in_all(&tone(48_000, 12_000.0, 1.41, 45.0, 48_000), 2);
    let high = in_all(&tone(48_000, 20_000.0, 1.2, 10.0, 48_000), 2);
    let mut clicks = vec![0.0f32; 2 * 48_000];
    clicks.iter_mut().step_by(1999).for_each(|s| *s = 3.0);
    for (name, frames) in [
        ("clipped", clipped),
        ("hot", hot),
        ("between", between),
        ("high", high),
        ("clicks", clicks),
    ] {
        for (rate, ceiling) in [
            (48_000, -1.0),
            (48_000, -12.0),
            (22_050, -0.5),
            (8_000, -3.0),
        ] {
            let plan = SoundPlan {
                rate,
                ceiling,
                ..SoundPlan::default()
            };
            let (out, report) = convert(&plan, &frames);
            let limit = 10f64.powf(ceiling / 20.0);
            let largest = unit(&out).iter().fold(0.0f64, |m, x| m.max(x.abs()));
            assert!(
                largest <= limit,
                "{name} at {rate}: sample {largest} over {limit}"
            );
            assert!(
                report.after.true_peak <= ceiling,
                "{name} at {rate}: {report:?}"
            );
            let floats: Vec<f32> = out.iter().map(|&s| f32::from(s) / 32_768.0).collect();
            let peak = db(numbers(script, &[], &bytes(&floats))[0]);
            assert!(
                peak <= ceiling + 0.01,
                "{name} at {rate}: {peak} dBTP over {ceiling}"
            );
        }
    }
}

#[test]
fn below_the_ceiling_nothing_is_touched() {
    let frames = in_all(&tone(48_000, 997.0, 0.85, 0.0, 48_000), 2);
    let plan = SoundPlan {
        rate: 48_000,
        ..SoundPlan::default()
    };
    let (out, report) = convert(&plan, &frames);
    assert_eq!(report.peak.most_db, 0.0);
    assert_eq!(report.gain_db, 0.0);
    let wanted: Vec<f64> = frames.iter().step_by(2).map(|&s| f64::from(s)).collect();
    let error: Vec<f64> = unit(&out).iter().zip(&wanted).map(|(a, b)| a - b).collect();
    // Only rounding and the 5 Hz offset filter, which turns 997 Hz by 0.3 degrees.
    assert!(db(rms(&error) / rms(&wanted)) < -45.0);
}

#[test]
fn a_limited_tone_stays_a_tone() {
    // 12 dB of steady limiting adds no audible distortion: the gain stands still.
    let frames = in_all(&tone(48_000, 100.0, 3.55, 0.0, 3 * 48_000), 2);
    let plan = SoundPlan {
        rate: 48_000,
        ..SoundPlan::default()
    };
    let (out, report) = convert(&plan, &frames);
    // The sudden ends ring between the samples, hence more than 12 dB at most.
    assert!((12.0..12.5).contains(&report.peak.most_db), "{report:?}");
    let middle = &unit(&out)[48_000..96_000];
    let amplitude = crate::signals::amplitude_at(middle, 48_000, 100.0);
    let whole = rms(middle) * std::f64::consts::SQRT_2;
    let distortion = (whole.powi(2) - amplitude.powi(2)).max(0.0).sqrt() / whole;
    assert!(distortion < 0.01, "{distortion}");
}

#[test]
fn mean_power_never_passes_the_drivers() {
    for ceiling in [-3.0, -10.0, -20.0] {
        let plan = SoundPlan {
            rate: 16_000,
            driver_ceiling: Some(ceiling),
            ..SoundPlan::default()
        };
        let loud: Vec<f32> = programme(5, 6).iter().map(|s| s * 10.0).collect();
        let (out, report) = convert(&plan, &loud);
        let squares: Vec<f64> = unit(&out).iter().map(|x| x * x).collect();
        let window = 6400; // 0.4 s
        let mut sum: f64 = squares[..window].iter().sum();
        let mut most = sum;
        for i in window..squares.len() {
            sum += squares[i] - squares[i - window];
            most = most.max(sum);
        }
        let level = 10.0 * (2.0 * most / window as f64).log10();
        assert!(level <= ceiling + 0.01, "{level} dB over {ceiling}");
        assert!(
            level > ceiling - 3.0 || ceiling == -3.0,
            "{level} dB wastes {ceiling}"
        );
        assert!(report.power.unwrap().most_db > 0.0);
    }
}

#[test]
fn compression_takes_range_and_keeps_loudness() {
    let frames = wandering(11, 24, 48_000);
    let plan = |dynamic_range| SoundPlan {
        rate: 24_000,
        loudness: Some(-20.0),
        dynamic_range,
        ..SoundPlan::default()
    };
    let spread = |kind| {
        let (out, report) = convert(&plan(kind), &frames);
        assert!(
            (report.after.integrated + 20.0).abs() < 0.3,
            "{kind:?}: {report:?}"
        );
        let mut levels: Vec<f64> = unit(&out)
            .chunks_exact(2400)
            .map(|c| db(rms(c).max(1e-6)))
            .collect();
        levels.sort_by(f64::total_cmp);
        levels[levels.len() * 9 / 10] - levels[levels.len() / 10]
    };
    let (off, night, noisy) = (
        spread(DynamicRange::Full),
        spread(DynamicRange::Night),
        spread(DynamicRange::NoisyRoom),
    );
    assert!(
        night < off - 3.0 && noisy < night - 2.0,
        "{off} {night} {noisy} dB"
    );
}

#[test]
fn compression_alone_keeps_the_sounds_own_loudness() {
    let plan = SoundPlan {
        rate: 24_000,
        dynamic_range: DynamicRange::Night,
        ..SoundPlan::default()
    };
    let (_, report) = convert(&plan, &programme(12, 8));
    let before = report.before.unwrap().integrated;
    assert!((report.after.integrated - before).abs() < 0.3, "{report:?}");
}

#[test]
fn silence_and_impossible_targets_are_said_plainly() {
    let plan = SoundPlan {
        rate: 24_000,
        loudness: Some(-16.0),
        ..SoundPlan::default()
    };
    let (out, report) = convert(&plan, &vec![0.0; 96_000]);
    assert!(out.iter().all(|&s| s == 0));
    assert_eq!(report.gain_db, 0.0);
    // Sparse clicks cannot become as loud as speech under a ceiling.
    let mut clicks = vec![0.0f32; 2 * 48_000 * 8];
    clicks.iter_mut().step_by(40_000).for_each(|s| *s = 0.5);
    let (_, report) = convert(
        &SoundPlan {
            loudness: Some(-8.0),
            ..plan
        },
        &clicks,
    );
    assert!(!report.reached, "{report:?}");
    assert!(report.after.true_peak <= -1.0);
}
