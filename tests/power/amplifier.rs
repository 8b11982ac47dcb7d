//! The amplifier's current against textbook formulas.

use thumbreel::budget::power::{AmplifierLoad, CurrentMeter};

use crate::near;

fn load() -> AmplifierLoad {
    AmplifierLoad {
        supply_v: 5.0,
        full_scale_v: 5.0,
        load_ohm: 8.0,
        output_ohm: 0.0,
        efficiency: 0.9,
        quiescent_ma: 2.5,
        max_w: 1000.0,
    }
}

fn samples(rate: u32, hz: f64, amplitude: f64, seconds: f64) -> Vec<i16> {
    let at = |i: u32| {
        let phase = std::f64::consts::TAU * hz * f64::from(i) / f64::from(rate);
        (amplitude * 32_767.0 * phase.sin()).round() as i16
    };
    (0..(seconds * f64::from(rate)) as u32).map(at).collect()
}

#[test]
fn supply_current_is_output_power_over_efficiency() {
    // A sine of 2.5 V peak into 8 ohms: 0.390625 W; through 90 % at 5 V 86.8 mA,
    // and 2.5 mA stand still.
    let mut meter = CurrentMeter::new(load(), 16_000);
    meter.push(&samples(16_000, 1000.0, 0.5, 2.0));
    let used = meter.finish();
    near(used.output_w, 0.390_625, 0.0002);
    near(used.mean_ma, 89.3, 0.1);
    near(used.loss_w, 5.0 * 0.0893 - 0.3906, 0.001);
    // Twice the sine's power and more when it clips hard: towards Vdd² / R.
    let mut meter = CurrentMeter::new(
        AmplifierLoad {
            full_scale_v: 500.0,
            ..load()
        },
        16_000,
    );
    meter.push(&samples(16_000, 493.0, 1.0, 2.0));
    near(meter.finish().output_w, 3.125, 0.02);
}

#[test]
fn the_efficiency_curve_rises() {
    let load = load();
    let curve: Vec<f64> = [0.001, 0.01, 0.1, 1.0]
        .map(|w| load.efficiency_at(w))
        .to_vec();
    assert!(
        curve.windows(2).all(|p| p[1] > p[0]) && curve[3] < 0.9,
        "{curve:?}"
    );
    near(load.efficiency_at(1.0), 0.89, 0.003);
}

#[test]
fn current_pulses_follow_the_bass() {
    // A 40 Hz tone shows two pulses a period, a 1 kHz tone a steady current.
    let curve = |hz| {
        let mut meter = CurrentMeter::new(load(), 16_000);
        meter.push(&samples(16_000, hz, 0.8, 1.0));
        meter.finish()
    };
    let (bass, middle) = (curve(40.0), curve(1000.0));
    near(bass.mean_ma, middle.mean_ma, 1.0);
    assert!(bass.peak_ma > 1.6 * bass.mean_ma, "{bass:?}");
    assert!(middle.peak_ma < 1.02 * middle.mean_ma);
    assert!(bass.curve_ma.iter().any(|ma| *ma < 0.4 * bass.mean_ma));
}

#[test]
fn the_curve_stays_short_however_long_the_sound_is() {
    let mut meter = CurrentMeter::new(load(), 8000);
    for _ in 0..600 {
        meter.push(&[1000; 8000]);
    }
    let used = meter.finish();
    assert!(used.curve_ma.len() <= 1024);
    near(used.step_seconds * used.curve_ma.len() as f64, 600.0, 5.0);
}
