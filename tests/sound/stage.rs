//! Levels, rates, lengths and starts.

use thumbreel::sound::{Channel, Layout, SoundPlan};

use crate::signals::{amplitude_at, db, in_all, rms, run, tone, unit};

const RATES: [u32; 8] = [
    8_000, 11_025, 16_000, 22_050, 24_000, 32_000, 44_100, 48_000,
];

fn plan(rate: u32) -> SoundPlan {
    SoundPlan {
        rate,
        ..SoundPlan::default()
    }
}

/// The least-squares fit against a slightly shifted frequency finds the pitch.
fn pitch(samples: &[f64], rate: u32, near: f64) -> f64 {
    let candidates = (-200..=200).map(|i| near * (1.0 + f64::from(i) * 1e-5));
    candidates
        .max_by(|a, b| amplitude_at(samples, rate, *a).total_cmp(&amplitude_at(samples, rate, *b)))
        .unwrap()
}

#[test]
fn a_tone_keeps_its_level_and_pitch_at_every_rate() {
    let amplitude = 10f64.powf(-12.0 / 20.0);
    for from in [44_100, 48_000] {
        let frames = in_all(&tone(from, 1000.0, amplitude, 0.0, from as usize * 2), 2);
        for to in RATES {
            let out = unit(&run(from, &Layout::stereo(), &plan(to), &frames));
            let middle = &out[to as usize / 2..to as usize * 3 / 2];
            let level = db(amplitude_at(middle, to, 1000.0));
            assert!((level + 12.0).abs() < 0.1, "{from} to {to}: {level} dBFS");
            let hz = pitch(middle, to, 1000.0);
            assert!((hz - 1000.0).abs() < 1.0, "{from} to {to}: {hz} Hz");
        }
    }
}

#[test]
fn the_length_is_exact() {
    for (from, to) in [
        (44_100, 8_000),
        (48_000, 22_050),
        (22_050, 48_000),
        (44_100, 44_100),
    ] {
        for samples in [0usize, 1, 2, 511, 44_100, 44_101, 100_003] {
            let out = run(from, &Layout::mono(), &plan(to), &vec![0.25; samples]);
            let wanted = (samples as f64 * f64::from(to) / f64::from(from)).round() as usize;
            assert_eq!(out.len(), wanted, "{samples} samples, {from} to {to}");
        }
    }
}

#[test]
fn pieces_of_any_size_give_the_same_samples() {
    let frames = in_all(&tone(48_000, 440.0, 0.5, 30.0, 30_000), 2);
    let whole = run(48_000, &Layout::stereo(), &plan(16_000), &frames);
    let mut stage =
        thumbreel::sound::SoundStage::new(48_000, &Layout::stereo(), &plan(16_000), None).unwrap();
    let mut out = Vec::new();
    stage.push(&frames, &mut out).unwrap();
    stage.finish(&mut out).unwrap();
    assert_eq!(whole, out);
}

#[test]
fn a_sample_keeps_its_time() {
    // A single short chime at 0.5 s stays at 0.5 s: no delay is left.
    for to in RATES {
        let mut samples = tone(44_100, 1000.0, 0.5, 90.0, 44_100);
        for (i, s) in samples.iter_mut().enumerate() {
            let x = (i as f32 - 22_050.0) / 200.0;
            *s *= (-x * x).exp();
        }
        let out = unit(&run(44_100, &Layout::mono(), &plan(to), &samples));
        let energy: f64 = out.iter().map(|x| x * x).sum();
        let centre = out
            .iter()
            .enumerate()
            .map(|(i, x)| i as f64 * x * x)
            .sum::<f64>()
            / energy;
        let seconds = centre / f64::from(to);
        assert!(
            (seconds - 0.5).abs() < 0.2 / f64::from(to),
            "{to}: {seconds} s"
        );
    }
}

#[test]
fn there_is_no_click_at_the_start() {
    // A tone that begins at a zero crossing never exceeds its own amplitude by
    // more than the ringing of its own band edge (the kink of a tone that is
    // switched on reaches 0.0101 at 8 kHz), and silence stays silent.
    for to in RATES {
        let frames = tone(48_000, 500.0, 0.25, 0.0, 48_000);
        let out = unit(&run(48_000, &Layout::mono(), &plan(to), &frames));
        let first = out[..to as usize / 100]
            .iter()
            .fold(0.0f64, |m, x| m.max(x.abs()));
        assert!(first < 0.265, "{to}: {first}");
        assert!(out[0].abs() < 0.012, "{to}: first sample {}", out[0]);
        let silent = run(48_000, &Layout::mono(), &plan(to), &vec![0.0; 20_000]);
        assert!(silent.iter().all(|&s| s == 0));
    }
}

#[test]
fn mono_has_the_weights_of_bs_775() {
    // ITU-R BS.775-3, annex 4: 3/2 to 1/0 is .7071 L R, 1 C, .5 Ls Rs; scaled
    // here by 1 / 1.4142 so that equal left and right keep their level.
    let layout = Layout::usual(6);
    let expected = [-6.02, -6.02, -3.01, f64::NEG_INFINITY, -9.03, -9.03];
    for (channel, wanted) in expected.into_iter().enumerate() {
        let mut frames = vec![0.0f32; 6 * 48_000];
        for (frame, s) in frames
            .chunks_mut(6)
            .zip(tone(48_000, 1000.0, 0.5, 0.0, 48_000))
        {
            frame[channel] = s;
        }
        let out = unit(&run(48_000, &layout, &plan(48_000), &frames));
        let level = db(rms(&out) * std::f64::consts::SQRT_2 / 0.5);
        assert!(
            level == wanted || (level - wanted).abs() < 0.02,
            "channel {channel}: {level}"
        );
    }
    assert_eq!(layout.channels()[3], Channel::Lfe);
}

#[test]
fn wrong_input_is_an_error_and_broken_samples_are_silence() {
    let mut stage =
        thumbreel::sound::SoundStage::new(48_000, &Layout::stereo(), &plan(16_000), None).unwrap();
    assert!(stage.push(&[0.0; 3], &mut Vec::new()).is_err());
    for rate in [7_999, 48_001] {
        assert!(plan(rate).check().is_err());
    }
    let broken = [f32::NAN, f32::INFINITY, -f32::INFINITY, 0.5];
    let out = run(48_000, &Layout::mono(), &plan(48_000), &broken);
    assert_eq!(out, [0, 0, 0, 16_384]);
}
