//! Loudness against EBU Tech 3341 (2016), table 1, and BS.1770-4.

use thumbreel::sound::{Layout, Loudness, LoudnessMeter};

use crate::signals::tone;

const RATE: u32 = 48_000;

/// Stereo in phase at 1 kHz: pieces of (peak dBFS, seconds).
fn measure(pieces: &[(f64, f64)]) -> Loudness {
    let mut meter = LoudnessMeter::new(RATE, &Layout::stereo()).unwrap();
    for &(level, seconds) in pieces {
        let samples = (seconds * f64::from(RATE)) as usize;
        let mono = tone(RATE, 1000.0, 10f64.powf(level / 20.0), 0.0, samples);
        meter.push(&crate::signals::in_all(&mono, 2)).unwrap();
    }
    meter.loudness().unwrap()
}

fn near(found: f64, wanted: f64, tolerance: f64) {
    assert!(
        (found - wanted).abs() <= tolerance,
        "{found} instead of {wanted}"
    );
}

#[test]
fn integrated_loudness_passes_cases_1_to_5() {
    near(measure(&[(-23.0, 20.0)]).integrated, -23.0, 0.1);
    near(measure(&[(-33.0, 20.0)]).integrated, -33.0, 0.1);
    near(
        measure(&[(-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0)]).integrated,
        -23.0,
        0.1,
    );
    let five = [
        (-72.0, 10.0),
        (-36.0, 10.0),
        (-23.0, 60.0),
        (-36.0, 10.0),
        (-72.0, 10.0),
    ];
    near(measure(&five).integrated, -23.0, 0.1);
    near(
        measure(&[(-26.0, 20.0), (-20.0, 20.1), (-26.0, 20.0)]).integrated,
        -23.0,
        0.1,
    );
}

#[test]
fn surround_passes_case_6() {
    let layout = Layout::from_mask(0x607, 5);
    let mut meter = LoudnessMeter::new(RATE, &layout).unwrap();
    let mono = tone(RATE, 1000.0, 1.0, 0.0, 20 * RATE as usize);
    let gains = [-28.0, -28.0, -24.0, -30.0, -30.0].map(|db: f64| 10f64.powf(db / 20.0) as f32);
    let frames: Vec<f32> = mono.iter().flat_map(|s| gains.map(|g| s * g)).collect();
    meter.push(&frames).unwrap();
    near(meter.loudness().unwrap().integrated, -23.0, 0.1);
}

#[test]
fn short_term_passes_case_9() {
    let pieces: Vec<(f64, f64)> = (0..5)
        .flat_map(|_| [(-20.0, 1.34), (-30.0, 1.66)])
        .collect();
    near(measure(&pieces).short_term, -23.0, 0.1);
}

#[test]
fn short_term_stands_still_in_case_9() {
    // It reads -23 at every moment from three seconds on, not only at its peak.
    let mut meter = LoudnessMeter::new(RATE, &Layout::stereo()).unwrap();
    let one = |db: f64, seconds: f64| {
        let samples = (seconds * f64::from(RATE)) as usize;
        tone(RATE, 1000.0, 10f64.powf(db / 20.0), 0.0, samples)
    };
    let cycle = [one(-20.0, 1.34), one(-30.0, 1.66)].concat();
    for _ in 0..5 {
        meter.push(&crate::signals::in_all(&cycle, 2)).unwrap();
        near(meter.loudness().unwrap().short_term, -23.0, 0.1);
    }
}

#[test]
fn momentary_passes_case_12() {
    // Tech 3341, case 12 (from memory): 25 x (-20 for 0.18 s, -30 for 0.22 s).
    let pieces: Vec<(f64, f64)> = (0..25)
        .flat_map(|_| [(-20.0, 0.18), (-30.0, 0.22)])
        .collect();
    near(measure(&pieces).momentary, -23.0, 0.1);
}

#[test]
fn range_passes_the_cases_of_tech_3342() {
    // EBU Tech 3342, cases 1 to 4 (from memory): 20 s of each level, +-1 LU.
    let cases: [(&[f64], f64); 4] = [
        (&[-20.0, -30.0], 10.0),
        (&[-20.0, -15.0], 5.0),
        (&[-40.0, -20.0], 20.0),
        (&[-50.0, -35.0, -20.0, -35.0, -50.0], 15.0),
    ];
    for (levels, wanted) in cases {
        let pieces: Vec<(f64, f64)> = levels.iter().map(|&db| (db, 20.0)).collect();
        near(measure(&pieces).range, wanted, 1.0);
    }
}

#[test]
fn true_peak_passes_cases_15_to_19() {
    // Amplitude, divisor of the rate, phase in degrees, dBTP; +0.2, -0.4 dB.
    let cases = [
        (0.5, 4.0, 0.0, -6.0),
        (0.5, 4.0, 45.0, -6.0),
        (0.5, 6.0, 60.0, -6.0),
        (0.5, 8.0, 67.5, -6.0),
        (1.41, 4.0, 45.0, 3.0),
    ];
    for (amplitude, divisor, phase, wanted) in cases {
        let hz = f64::from(RATE) / divisor;
        let mut meter = LoudnessMeter::new(RATE, &Layout::mono()).unwrap();
        let mut samples = tone(RATE, hz, amplitude, phase, RATE as usize);
        // A sudden start would ring; the cases begin softly.
        for (i, s) in samples.iter_mut().take(480).enumerate() {
            *s *= i as f32 / 480.0;
        }
        meter.push(&samples).unwrap();
        let loudness = meter.loudness().unwrap();
        assert!(
            (-0.4..=0.2).contains(&(loudness.true_peak - wanted)),
            "fs/{divisor} {phase}: {} dBTP",
            loudness.true_peak
        );
        if divisor == 4.0 && phase == 45.0 {
            // The sample peak misses what lies between the samples.
            near(loudness.sample_peak, wanted - 3.01, 0.05);
        }
    }
}

#[test]
fn one_full_scale_channel_reads_minus_three() {
    // ITU-R BS.1770-4: 997 Hz, 0 dBFS, one channel, -3.01 LKFS; the same at
    // every rate a reel may have.
    for rate in [8_000, 16_000, 22_050, 32_000, 44_100, 48_000] {
        let mut meter = LoudnessMeter::new(rate, &Layout::mono()).unwrap();
        meter
            .push(&tone(rate, 997.0, 1.0, 0.0, 10 * rate as usize))
            .unwrap();
        near(meter.loudness().unwrap().integrated, -3.01, 0.1);
    }
}

#[test]
fn the_k_curve_has_its_published_gains() {
    // From the filter of BS.1770-4, table 1 and 2, at 48 kHz.
    for (hz, gain) in [(100.0, -1.1335), (997.0, 0.6910), (10_000.0, 4.0419)] {
        let mut meter = LoudnessMeter::new(RATE, &Layout::mono()).unwrap();
        meter
            .push(&tone(RATE, hz, 0.1, 0.0, 10 * RATE as usize))
            .unwrap();
        let wanted = -0.691 + gain + 10.0 * (0.1f64.powi(2) / 2.0).log10();
        near(meter.loudness().unwrap().integrated, wanted, 0.06);
    }
}

#[test]
fn silence_has_no_loudness() {
    let mut meter = LoudnessMeter::new(RATE, &Layout::mono()).unwrap();
    meter.push(&vec![0.0; 5 * RATE as usize]).unwrap();
    assert_eq!(meter.loudness().unwrap().integrated, f64::NEG_INFINITY);
}
