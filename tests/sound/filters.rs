//! Filters and resampling against scipy, and the responses they promise.

use std::f64::consts::{FRAC_1_SQRT_2, SQRT_2};

use thumbreel::sound::biquad::Coefficients;
use thumbreel::sound::resample::Resampler;
use thumbreel::sound::{HighPass, HighShelf, Layout, SoundPlan, VirtualBass};

use crate::python::{bytes, numbers};
use crate::signals::{amplitude_at, db, rms, run, tone, unit};

fn resampled(samples: &[f32], from: u32, to: u32) -> Vec<f64> {
    let mut resampler = Resampler::new(from, to).unwrap();
    let mut out = Vec::new();
    resampler.push(samples, &mut out).unwrap();
    resampler.finish(&mut out).unwrap();
    out.into_iter().map(f64::from).collect()
}

/// The usual rates of clips to the usual rates of reels, and some odd ones.
fn pairs() -> Vec<(u32, u32)> {
    let to = [
        8_000, 11_025, 12_000, 16_000, 22_050, 24_000, 32_000, 44_100, 48_000,
    ];
    let usual = [44_100, 48_000, 96_000]
        .into_iter()
        .flat_map(|from| to.map(|to| (from, to)));
    let odd = [
        (22_050, 44_100),
        (16_000, 48_000),
        (8_000, 48_000),
        (32_000, 24_000),
        (44_100, 44_099),
        (48_000, 37_800),
    ];
    usual.filter(|(from, to)| from != to).chain(odd).collect()
}

#[test]
fn the_pass_band_is_flat_to_0_45_of_the_rate() {
    let mut worst = 0.0f64;
    for (from, to) in pairs() {
        let edge = 0.45 * f64::from(from.min(to));
        for part in [0.01, 0.1, 0.3, 0.5, 0.7, 0.85, 0.95, 1.0] {
            let hz = edge * part;
            let out = resampled(&tone(from, hz, 0.5, 20.0, from as usize), from, to);
            let middle = &out[out.len() / 4..out.len() * 3 / 4];
            let gain = db(rms(middle) * SQRT_2 / 0.5);
            worst = worst.max(gain.abs());
            assert!(gain.abs() < 0.1, "{from} to {to}, {hz} Hz: {gain} dB");
        }
    }
    println!("worst ripple {worst:.5} dB");
}

#[test]
fn aliases_and_images_lie_80_db_down() {
    let mut worst = -999.0f64;
    for (from, to) in pairs() {
        if to < from {
            // Above half of the new rate nothing may come through.
            for part in [1.0, 1.02, 1.1, 1.3, 1.7] {
                let hz = f64::from(to) / 2.0 * part;
                if hz < 0.499 * f64::from(from) {
                    let out = resampled(&tone(from, hz, 0.5, 0.0, from as usize), from, to);
                    let left = db(rms(&out[out.len() / 4..out.len() * 3 / 4]) * SQRT_2 / 0.5);
                    worst = worst.max(left);
                    assert!(left < -80.0, "{from} to {to}, {hz} Hz: {left} dB");
                }
            }
        }
        // And a tone inside carries nothing but itself.
        let hz = (0.437 * f64::from(from.min(to))).round();
        let out = resampled(&tone(from, hz, 0.5, 0.0, from as usize * 2), from, to);
        let middle = &out[to as usize / 2..to as usize * 3 / 2];
        let amplitude = amplitude_at(middle, to, hz);
        let rest = (rms(middle).powi(2) - amplitude.powi(2) / 2.0)
            .max(1e-20)
            .sqrt();
        let level = db(rest * SQRT_2 / amplitude);
        worst = worst.max(level);
        assert!(level < -80.0, "{from} to {to}: {level} dB beside the tone");
    }
    println!("worst alias or image {worst:.1} dB");
}

#[test]
fn resampling_agrees_with_scipy() {
    // A chirp up to 0.4 of the lower rate, with soft ends, against
    // scipy.signal.resample_poly and a 90 dB Kaiser kernel of its own.
    let script = "
import sys, numpy as np
from math import gcd
from scipy.signal import resample_poly, firwin, kaiser_beta
a, b = int(sys.argv[1]), int(sys.argv[2])
x = np.frombuffer(sys.stdin.buffer.read(), '<f4').astype(float)
g = gcd(a, b); up, down = b // g, a // g
m = max(up, down)
h = firwin(2 * 80 * m + 1, 0.96 / m, window=('kaiser', kaiser_beta(90)))
y = resample_poly(x, up, down, window=h)
print(' '.join('%.9g' % v for v in y))
";
    for (from, to) in [
        (48_000, 22_050),
        (44_100, 16_000),
        (16_000, 44_100),
        (22_050, 24_000),
        (96_000, 44_100),
        (48_000, 8_000),
    ] {
        let top = 0.4 * f64::from(from.min(to));
        let length = from as usize;
        let chirp: Vec<f32> = (0..length)
            .map(|i| {
                let t = i as f64 / length as f64;
                let soft = (std::f64::consts::PI * t).sin().powi(2);
                (0.5 * soft * (std::f64::consts::PI * top * t * t).sin()) as f32
            })
            .collect();
        let ours = resampled(&chirp, from, to);
        let theirs = numbers(script, &[from.to_string(), to.to_string()], &bytes(&chirp));
        let count = ours.len().min(theirs.len());
        assert!(count + 2 > to as usize, "{count}");
        let error: Vec<f64> = ours.iter().zip(&theirs).map(|(a, b)| a - b).collect();
        let level = db(rms(&error[..count]) / rms(&ours));
        assert!(level < -70.0, "{from} to {to}: {level} dB apart");
    }
}

#[test]
fn the_high_pass_has_the_cookbooks_coefficients() {
    // Audio EQ Cookbook: 48 kHz, 200 Hz, Q 1/sqrt 2 (values computed).
    let c = Coefficients::high_pass(200.0, FRAC_1_SQRT_2, 48_000.0);
    let wanted = [
        0.981_658_268,
        -1.963_316_537,
        0.981_658_268,
        -1.962_980_089,
        0.963_652_984,
    ];
    let found = [c.b[0], c.b[1], c.b[2], c.a[0], c.a[1]];
    for (a, b) in found.iter().zip(wanted) {
        assert!((a - b).abs() < 1e-9, "{a} {b}");
    }
    for (hz, level) in [
        (50.0, -24.100),
        (100.0, -12.305),
        (200.0, -3.010),
        (400.0, -0.263),
    ] {
        assert!((c.response_db(hz, 48_000.0) - level).abs() < 0.001, "{hz}");
    }
}

#[test]
fn high_passes_of_every_order_agree_with_scipy() {
    let script = "
import sys, numpy as np
from scipy.signal import butter, sosfreqz
n, hz, fs = int(sys.argv[1]), float(sys.argv[2]), float(sys.argv[3])
w, h = sosfreqz(butter(n, hz, 'high', fs=fs, output='sos'), worN=[0.3*hz, 0.7*hz, hz, 1.5*hz, 4*hz], fs=fs)
print(' '.join('%.9g' % v for v in 20*np.log10(np.abs(h))))
";
    for order in 1..=8 {
        let high_pass = HighPass {
            order,
            ..HighPass::at(420.0)
        };
        let sections = high_pass.sections(22_050.0);
        let args = [order.to_string(), "420".into(), "22050".into()];
        let theirs = numbers(script, &args, &[]);
        for (part, wanted) in [0.3, 0.7, 1.0, 1.5, 4.0].into_iter().zip(theirs) {
            let ours: f64 = sections
                .iter()
                .map(|s| s.response_db(420.0 * part, 22_050.0))
                .sum();
            assert!(
                (ours - wanted).abs() < 1e-6,
                "order {order}, {part}: {ours} {wanted}"
            );
        }
    }
}

/// Gain of the whole stage for a tone, dB.
fn gain(plan: &SoundPlan, hz: f64) -> f64 {
    let samples = tone(48_000, hz, 0.1, 0.0, 96_000);
    let out = unit(&run(48_000, &Layout::mono(), plan, &samples));
    let rate = plan.rate as usize;
    db(amplitude_at(&out[rate / 2..rate * 3 / 2], plan.rate, hz) / 0.1)
}

#[test]
fn the_measured_response_is_the_one_asked_for() {
    let plan = SoundPlan {
        rate: 32_000,
        high_pass: Some(HighPass {
            hz: 400.0,
            order: 2,
            q: 1.1,
        }),
        high_shelf: Some(HighShelf {
            hz: 2500.0,
            db: 4.0,
        }),
        ..SoundPlan::default()
    };
    let sections = [
        Coefficients::high_pass(400.0, 1.1, 32_000.0),
        Coefficients::high_shelf(2500.0, 4.0, 32_000.0),
    ];
    for hz in [100.0, 200.0, 400.0, 800.0, 2500.0, 6000.0, 12_000.0] {
        let wanted: f64 = sections.iter().map(|s| s.response_db(hz, 32_000.0)).sum();
        let found = gain(&plan, hz);
        assert!(
            (found - wanted).abs() < 0.1,
            "{hz} Hz: {found} dB, not {wanted}"
        );
    }
    assert!(
        (sections[1].response_db(2500.0, 32_000.0) - 2.0).abs() < 0.01,
        "half at the corner"
    );
}

#[test]
fn suggested_bass_puts_harmonics_where_the_speaker_moves() {
    let plan = SoundPlan {
        rate: 24_000,
        high_pass: Some(HighPass {
            hz: 300.0,
            order: 4,
            q: FRAC_1_SQRT_2,
        }),
        bass: Some(VirtualBass {
            hz: 300.0,
            level_db: 0.0,
        }),
        ..SoundPlan::default()
    };
    for amplitude in [0.02, 0.2] {
        let samples = tone(48_000, 160.0, amplitude, 0.0, 96_000);
        let out = unit(&run(48_000, &Layout::mono(), &plan, &samples));
        let middle = &out[12_000..36_000];
        let level = |hz| db(amplitude_at(middle, 24_000, hz) / amplitude);
        // The fundamental is gone; its harmonics stand at 0, -3.1 and -6.9 dB
        // less what the two fourth-order filters take at 320, 480 and 640 Hz.
        assert!(level(160.0) < -20.0, "fundamental {}", level(160.0));
        assert!((level(480.0) + 3.1).abs() < 1.0, "third {}", level(480.0));
        assert!((level(640.0) + 6.9).abs() < 1.0, "fourth {}", level(640.0));
        assert!(level(320.0) > -6.0, "second {}", level(320.0));
        assert!(level(3000.0) < -60.0, "nothing far above");
    }
    // Above its corner it is silent: a 1 kHz tone gets no company.
    let samples = tone(48_000, 1000.0, 0.2, 0.0, 96_000);
    let out = unit(&run(48_000, &Layout::mono(), &plan, &samples));
    let company = db(amplitude_at(&out[12_000..36_000], 24_000, 2000.0) / 0.2);
    assert!(company < -40.0, "{company}");
}

#[test]
fn an_offset_goes_and_does_not_click() {
    let plan = |rate| SoundPlan {
        rate,
        ..SoundPlan::default()
    };
    for (from, to) in [
        (48_000, 48_000),
        (48_000, 24_000),
        (44_100, 16_000),
        (8000, 48_000),
    ] {
        let out = unit(&run(from, &Layout::mono(), &plan(to), &vec![0.4; 96_000]));
        assert!(
            out.iter().all(|s| s.abs() < 0.001),
            "{from} to {to}: a constant is silence from start to end"
        );
    }
    let plan = plan(48_000);
    let mut late = vec![0.0; 4800];
    late.extend(vec![0.4; 91_200]);
    let out = unit(&run(48_000, &Layout::mono(), &plan, &late));
    assert!(
        out[95_000].abs() < 0.001,
        "an offset that comes later dies away"
    );
}

#[test]
fn a_sweep_and_two_tones_pass() {
    let plan = SoundPlan {
        rate: 44_100,
        ..SoundPlan::default()
    };
    let length = 44_100 * 4;
    let sweep: Vec<f32> = (0..length)
        .map(|i| {
            // 20 Hz to 18 kHz, rising by equal ratios.
            let (t, span) = (i as f64 / 44_100.0, (18_000.0f64 / 20.0).ln() / 4.0);
            (0.5 * (std::f64::consts::TAU * 20.0 * ((t * span).exp() - 1.0) / span).sin()) as f32
        })
        .collect();
    let out = unit(&run(44_100, &Layout::mono(), &plan, &sweep));
    for second in [1, 2, 3] {
        let level = db(rms(&out[second * 44_100..][..8820]) * SQRT_2 / 0.5);
        assert!(level.abs() < 0.1, "second {second}: {level} dB");
    }
    // CCIF pair 19 + 20 kHz: no difference tone at 1 kHz.
    let a = tone(48_000, 19_000.0, 0.25, 0.0, 96_000);
    let b = tone(48_000, 20_000.0, 0.25, 0.0, 96_000);
    let pair: Vec<f32> = a.iter().zip(&b).map(|(a, b)| a + b).collect();
    let plan = SoundPlan {
        rate: 48_000,
        ..SoundPlan::default()
    };
    let out = unit(&run(48_000, &Layout::mono(), &plan, &pair));
    let difference = db(amplitude_at(&out[24_000..72_000], 48_000, 1000.0) / 0.25);
    assert!(difference < -90.0, "{difference} dB");
}
