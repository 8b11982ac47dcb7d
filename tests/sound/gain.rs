//! Gain staging, supply current and heat against textbook formulas.

use thumbreel::sound::gain::{Bound, OutputStage, Supply, weekly_hours};

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
