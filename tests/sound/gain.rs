//! Gain staging, supply current and heat against textbook formulas.

use thumbreel::sound::gain::{Bound, OutputStage, Supply, weekly_hours};
use thumbreel::sound::supply::{AmplifierLoad, Conversion, CurrentMeter, Feed, Tap};

use crate::signals::tone;

fn near(found: f64, wanted: f64, tolerance: f64) {
    assert!(
        (found - wanted).abs() <= tolerance,
        "{found} instead of {wanted}"
    );
}

fn stage(load_ohm: f64) -> OutputStage {
    OutputStage {
        gains_db: vec![3.0, 6.0, 9.0, 12.0, 15.0],
        reference_dbv: 2.1,
        max_w: 100.0,
        output_ohm: 0.0,
        noise_uv: 0.0,
        load_ohm,
        rated_w: 100.0,
    }
}

#[test]
fn a_bridge_clips_at_vdd_squared_over_2r() {
    let table = [
        (5.0, 1.5625, 3.125),
        (3.7, 0.856, 1.711),
        (3.3, 0.681, 1.361),
    ];
    for (volts, eight, four) in table {
        near(stage(8.0).clip_watts(volts), eight, 0.0005);
        near(stage(4.0).clip_watts(volts), four, 0.001);
    }
    // The output's own resistance takes its share: 5 V x 4/4.4 into 4 ohms.
    let real = OutputStage {
        output_ohm: 0.4,
        ..stage(4.0)
    };
    near(
        real.clip_watts(5.0),
        (5.0f64 * 4.0 / 4.4).powi(2) / 8.0,
        1e-9,
    );
    // And the amplifier's rating caps it.
    let capped = OutputStage {
        max_w: 2.0,
        ..stage(4.0)
    };
    near(capped.clip_watts(5.0), 2.0, 1e-9);
}

#[test]
fn output_level_is_dbfs_plus_reference_plus_gain() {
    // dBV = dBFS + reference + gain: -6 dBFS at 9 dB gives 5.1 dBV, 1.799 V,
    // and 0.4045 W into 8 ohms (P = V² / R).
    let stage = stage(8.0);
    near(stage.volts(9.0, 0.0, -6.0), 1.7989, 0.0005);
    near(stage.watts(9.0, 0.0, -6.0), 0.4045, 0.0005);
    near(
        stage.volts(9.0, -6.0, 0.0),
        stage.volts(9.0, 0.0, -6.0),
        1e-12,
    );
    let pairing = stage.pairing(
        9.0,
        -24.0,
        &[Supply {
            name: "usb",
            volts: 5.0,
        }],
    );
    near(pairing.bits_lost, 3.99, 0.005);
    // Full scale at 9 dB is 11.1 dBV; 5 V clips at 3.5355 V, 10.97 dBV.
    near(stage.clip_dbfs(9.0, 0.0, 5.0), 10.969 - 11.1, 0.002);
    // 16 bits without any other noise: 98.1 dB.
    near(stage.pairing(9.0, 0.0, &[]).range_db, 98.09, 0.05);
    near(stage.pairing(9.0, -24.0, &[]).range_db, 74.09, 0.05);
}

#[test]
fn the_best_pairing_is_loud_clean_and_loses_no_bits() {
    // At 5 V into 8 ohms, peaks at -1 dBFS: 9 dB does not clip, 12 dB would.
    let stage = stage(8.0);
    let best = stage.best(5.0, -1.0, -10.0).unwrap();
    assert_eq!(best.bound, Bound::Clipping);
    near(best.gain_db + best.volume_db, 10.969 - 2.1 + 1.0, 0.01);
    near(best.gain_db, 12.0, 0.0);
    // No gain that is offered is louder and clean.
    for gain in [3.0, 6.0, 9.0, 12.0, 15.0] {
        let clean = (stage.clip_dbfs(gain, 0.0, 5.0) + 1.0).min(0.0);
        assert!(
            gain + clean <= best.gain_db + best.volume_db + 0.01,
            "{gain}"
        );
    }
    // A small rating binds first; with a low ceiling the lowest gain suffices.
    let weak = OutputStage {
        rated_w: 0.1,
        ..stage.clone()
    };
    let best = weak.best(5.0, -1.0, -3.0).unwrap();
    assert_eq!(best.bound, Bound::Rating);
    near(weak.watts(best.gain_db, best.volume_db, -3.0), 0.1, 1e-9);
    near(best.gain_db, 3.0, 0.0);
    // High supply, soft sound: the amplifier's gain is all that is missing.
    let best = stage.best(24.0, -12.0, -20.0).unwrap();
    assert_eq!(
        (best.gain_db, best.volume_db, best.bound),
        (15.0, 0.0, Bound::Gain)
    );
}

#[test]
fn hearing_hours_are_those_of_h_870() {
    // ITU-T H.870: 80 dBA for 40 h a week, halved for each 3 dB; 75 for a child.
    near(weekly_hours(80.0, false), 40.0, 1e-9);
    near(weekly_hours(90.0, false), 4.0, 1e-9);
    near(weekly_hours(83.01, false), 20.0, 0.01);
    near(weekly_hours(75.0, true), 40.0, 1e-9);
}

fn load() -> AmplifierLoad {
    AmplifierLoad {
        supply_v: 5.0,
        full_scale_v: 5.0,
        load_ohm: 8.0,
        output_ohm: 0.0,
        efficiency: 0.9,
        quiescent_ma: 2.5,
    }
}

fn samples(rate: u32, hz: f64, amplitude: f64, seconds: f64) -> Vec<i16> {
    let tone = tone(
        rate,
        hz,
        amplitude,
        0.0,
        (seconds * f64::from(rate)) as usize,
    );
    tone.iter().map(|s| (s * 32_767.0).round() as i16).collect()
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

fn feed() -> Feed {
    Feed {
        source_v: 5.0,
        source_ohm: 0.0,
        diode_v: 0.0,
        conversion: Conversion::Linear { quiescent_ma: 0.0 },
        logic_v: 3.3,
        logic_ma: 150.0,
        tap: Tap::Source,
        regulator_theta: 205.0,
        amplifier_theta: 60.0,
        thermal_s: 300.0,
        ambient_c: 25.0,
    }
}

#[test]
fn a_linear_regulator_burns_the_difference() {
    // 5 to 3.3 V, 150 mA, 205 °C/W: 255 mW, 77.3 °C at 25 °C (P = (Vin - Vout) I,
    // Tj = Ta + P thetaJA).
    let silent = CurrentMeter::new(load(), 16_000).finish();
    let heat = feed().heat(&silent, 1e6);
    near(heat.regulator_w, 0.255, 1e-9);
    near(heat.regulator_c, 77.3, 0.05);
    // After one time constant 63 % of the rise.
    near(
        feed().heat(&silent, 300.0).regulator_c,
        25.0 + 52.275 * 0.632,
        0.05,
    );
    // A switching converter of 90 % loses a ninth of what it gives.
    let switching = Feed {
        conversion: Conversion::Switching { efficiency: 0.9 },
        ..feed()
    };
    near(switching.regulator_w(0.0), 3.3 * 0.15 / 9.0, 1e-9);
}

#[test]
fn a_usual_board_comes_out_in_the_mid_forties() {
    // Common practice, no source: after half an hour the linear regulator, not
    // the amplifier, is the warmest part, at about 45 °C. Board: USB, diode,
    // 3.3 V regulator whose tab has copper (100 °C/W), 130 mA for computer,
    // panel and card; music at -16 LUFS or so in a small speaker.
    let board = Feed {
        diode_v: 0.3,
        logic_ma: 130.0,
        regulator_theta: 100.0,
        ..feed()
    };
    let mut meter = CurrentMeter::new(
        AmplifierLoad {
            supply_v: board.amplifier_v(),
            ..load()
        },
        16_000,
    );
    meter.push(&samples(16_000, 700.0, 0.22, 10.0));
    let heat = board.heat(&meter.finish(), 1800.0);
    assert!((42.0..48.0).contains(&heat.regulator_c), "{heat:?}");
    assert!(heat.amplifier_c < heat.regulator_c - 5.0, "{heat:?}");
}

#[test]
fn currents_add_up_on_each_way() {
    let direct = feed().currents(200.0);
    assert_eq!((direct.source, direct.regulator), (350.0, 150.0));
    let through = Feed {
        tap: Tap::Regulator,
        ..feed()
    };
    assert_eq!(through.currents(200.0).regulator, 350.0);
    assert_eq!(through.amplifier_v(), 3.3);
    let cell = Feed {
        source_v: 3.7,
        source_ohm: 0.15,
        ..feed()
    };
    near(cell.sagged_v(1000.0), 3.55, 1e-9);
    near(cell.hours(1000.0, 50.0), 5.0, 1e-9);
}
