//! Three worked examples by hand, the arithmetic beside the check, and the
//! lantern room on a cell.

use thumbreel::board::{AmplifierSupply, Board, InstructionSet, PowerSource, RegulatorKind};
use thumbreel::budget::power::{Carry, Duty, End, PowerModel, Programme, ProgrammeMeter, changes};
use thumbreel::budget::{Link, PictureCoding, Settings, airtime};
use thumbreel::units::Ratio;

use crate::near;

/// A board whose supply has round figures and no diode.
fn round() -> Board {
    let mut board = Board::find("lantern-room").unwrap();
    let power = &mut board.power;
    (power.base_ma, power.backlight_ma) = (50.0, 30.0);
    (power.core_ma, power.card_ma) = (20.0, 40.0);
    power.diode_drop_v = 0.0;
    power.bulk_uf = 0.1;
    power.regulator.quiescent_ma = 0.0;
    let amplifier = &mut board.sound.amplifier;
    (amplifier.output_ohm, amplifier.quiescent_ma) = (0.0, 0.0);
    amplifier.efficiency = 1.0;
    amplifier.max_w = 50.0;
    // Full scale is 4 V peak: 2.8284 V is 9.0309 dBV.
    (amplifier.reference_dbv, amplifier.gain_db) = (0.0309, 9.0);
    board
}

const DUTY: Duty = Duty {
    cores: 0.5,
    card: 0.25,
    radio: 0.0,
    radio_sends: 0.0,
};

/// A square wave of that share of full scale, half a second.
fn square(share: f64) -> Programme {
    let level = (share * 32_768.0) as i16;
    let mut meter = ProgrammeMeter::new(16_000);
    let wave = |i: i32| if i / 80 % 2 == 0 { level } else { -level };
    meter.push(&(0..8_000).map(wave).collect::<Vec<i16>>());
    meter.finish()
}

/// USB, linear regulator, amplifier at 5 V.
///
/// Logic in the mean: 50 + 30 + 0.5 x 20 + 0.25 x 40 = 100 mA; at the worst
/// instant 50 + 30 + 2 x 20 + 40 = 160 mA. A square wave at half scale is 2 V
/// in 8 ohms: 0.5 W; from 5 V that is 100 mA, always. Mean 200 mA, worst 260 mA.
/// Regulator: (5 - 3.3) x 0.1 = 0.17 W; at 140 C/W and 25 C 48.8 C.
#[test]
fn on_usb() {
    let mut board = round();
    board.power.usb_ohm = 0.0;
    let sound = square(0.5);
    let power = PowerModel::with(&sound, true, &board, Link::Card, DUTY).power();
    near(power.mean_ma, 200.0, 0.3);
    near(power.peak_ma, 260.0, 0.3);
    near(power.speaker_w, 0.5, 1e-3);
    near(power.heat.regulator_w, 0.17, 1e-3);
    near(power.heat.regulator_c, 48.8, 0.1);
    assert!(power.run_time.is_none());
}

/// USB behind 0.5 ohms, and an amplifier that clips all the time.
///
/// Gain 15 dB in place of 9: 4 V x 10^(6 / 20) = 7.98 V peak, more than the 5 V
/// of the port. The square wave clips at what reaches the amplifier, v: v^2 / 8
/// watts, v / 8 amperes. Worst: v = 5 - 0.5 x (0.16 + v / 8), so v = 4.92 / 1.0625
/// = 4.6306 V, 578.8 mA, with the logic 738.8 mA. Mean: 4.95 / 1.0625 = 4.6588 V,
/// 582.4 mA, with the logic 682.4 mA. An amplifier that still swung by the mean's
/// 4.6588 V in the worst instant would draw 4.6588^2 / 8 / 4.6286 = 586.1 mA.
#[test]
fn on_usb_while_it_clips() {
    let mut board = round();
    board.power.usb_ohm = 0.5;
    board.sound.amplifier.gain_db = 15.0;
    let sound = square(1.0);
    let power = PowerModel::with(&sound, true, &board, Link::Card, DUTY).power();
    near(power.amplifier_peak_ma, 578.8, 0.3);
    near(power.peak_ma, 738.8, 0.3);
    near(power.states[0].least_v, 4.6306, 3e-4);
    near(power.mean_ma, 682.4, 0.3);
    near(power.amplifier_v, 4.6588, 3e-4);
}

/// A cell with a curve of one straight line, 3.4 V empty to 4.2 V full, 1000
/// mAh, no resistance, everything behind a linear regulator of 0.2 V dropout.
///
/// Amplifier at 3.3 V behind the regulator, square wave at a quarter scale:
/// 1 V in 8 ohms, 0.125 W, 37.88 mA at any charge: mean 137.88 mA. The rail
/// needs 3.5 V; a straight line reaches it at (3.5 - 3.4) / 0.8 = 12.5 % of the
/// charge. 875 mAh / 137.88 mA = 6.346 h.
#[test]
fn on_a_cell_behind_a_linear_regulator() {
    let mut board = round();
    board.power.source = PowerSource::Cell;
    board.power.cell_curve = vec![(0.0, 3.4), (1.0, 4.2)];
    board.power.cell_ohm = 0.0;
    board.power.regulator.dropout_v = 0.2;
    board.sound.amplifier.supply = AmplifierSupply::Regulator;
    let sound = square(0.25);
    let power = PowerModel::with(&sound, true, &board, Link::Card, DUTY).power();
    let run = power.run_time.unwrap();
    near(power.mean_ma, 137.88, 0.1);
    near(power.peak_ma, 160.0 + 37.88, 0.3);
    near(run.charge_left, 0.125, 0.002);
    near(run.hours, 6.346, 0.02);
    assert_eq!(run.end, End::Rail);
    assert_eq!(power.states[2].carry, Carry::NotByCapacitor);
}

/// A cell of constant 4 V behind a switching converter of 80 %, silent.
///
/// Logic 100 mA at 3.3 V is 0.33 W; through 80 % 0.4125 W; from 4 V 103.125 mA.
/// 500 mAh last 4.848 h, to the last of the charge: the curve never falls.
#[test]
fn on_a_cell_behind_a_switching_converter() {
    let mut board = round();
    board.power.source = PowerSource::Cell;
    board.power.cell_mah = 500.0;
    board.power.cell_curve = vec![(0.0, 4.0), (1.0, 4.0)];
    board.power.cell_ohm = 0.0;
    board.power.regulator.kind = RegulatorKind::Switching;
    board.power.regulator.efficiency = 0.8;
    let silent = Programme::silent();
    let power = PowerModel::with(&silent, false, &board, Link::Card, DUTY).power();
    let run = power.run_time.unwrap();
    near(power.mean_ma, 103.125, 0.05);
    near(run.hours, 4.848, 0.005);
    // Heat of the converter: 0.4125 - 0.33.
    near(power.heat.regulator_w, 0.0825, 1e-3);
    near(run.charge_left, 0.0, 1e-3);
}

/// The lantern room on a cell: diode 0.3 V, dropout 0.25 V. The logic's 3.3 V
/// drop out from 3.86 V down, where some 40 to 45 % of a lithium-ion cell's
/// charge are used, and not at its 3.0 V.
#[test]
fn the_lantern_room_on_a_cell_tells_the_truth() {
    let mut board = Board::find("lantern-room").unwrap();
    board.power.source = PowerSource::Cell;
    let rate = Ratio::new(15, 1).unwrap();
    let mut settings = Settings::typical(240, 240, rate, PictureCoding::PatchFull);
    settings.seconds = 10.0;
    let mut reel = settings.facts();
    let power = PowerModel::new(&reel, &board, Link::Card).power();
    let run = power.run_time.unwrap();
    assert!((3.83..3.97).contains(&run.open_v), "{run:?}");
    assert!((0.35..0.5).contains(&(1.0 - run.charge_left)), "{run:?}");
    assert!(matches!(run.end, End::Rail | End::RailAtPeak), "{run:?}");
    near(
        run.hours,
        (1.0 - run.charge_left) * 1000.0 / power.mean_ma,
        1e-6,
    );
    // Half full it is out of regulation in the mean already.
    assert!(!power.states[0].drops_out);
    assert_eq!(power.states[1].carry, Carry::NotByCapacitor);
    // Each change that is named was tried, and lasts longer.
    let tried = changes(&reel, &board, Link::Card);
    assert!(
        tried.iter().any(|c| c.what.contains("switching")),
        "{tried:?}"
    );
    assert!(tried.iter().all(|c| c.hours > 1.1 * run.hours), "{tried:?}");
    // Without sound it drops out by the logic alone, a little later.
    reel.programme = Programme::silent();
    reel.sound = thumbreel::budget::SoundCoding::None;
    let silent = PowerModel::new(&reel, &board, Link::Card).power();
    let later = silent.run_time.unwrap();
    assert!(later.charge_left <= run.charge_left && later.hours > run.hours);
    assert!(later.hours < 8.0, "{later:?}");
}

/// A radio that sleeps between beacons of 102.4 ms is awake for the reel's share
/// of the air, for 5 ms of each beacon's interval (5 / 102.4 = 4.883 %), and while
/// a lost connection comes back: 6 times an hour for 3 s, 18 s of 3,600 (0.5 %).
#[test]
fn a_sleeping_radio_draws_less() {
    let mut board = Board::find("lantern-room").unwrap();
    board.power.source = PowerSource::Cell;
    let reel = Settings::typical(
        160,
        120,
        Ratio::new(12, 1).unwrap(),
        PictureCoding::PatchFull,
    );
    let reel = reel.facts();
    let wifi = board.wifi.clone().unwrap();
    let always = PowerModel::new(&reel, &board, Link::Wifi).power();
    near(always.duty.radio, 1.0, 0.0);
    let saving = board.wifi.as_mut().unwrap();
    (
        saving.power_save_ms,
        saving.reconnects_per_hour,
        saving.reconnect_ms,
    ) = (102.4, 6.0, 3000.0);
    let power = PowerModel::new(&reel, &board, Link::Wifi).power();
    let air = airtime(reel.slice_bytes() as f64 / reel.seconds(), &wifi, 1);
    assert!((0.005..0.2).contains(&air), "{air}");
    near(power.duty.radio, air + 0.048_83 + 0.005, 1e-5);
    // Sending is part of carrying, and stays.
    near(power.duty.radio_sends, always.duty.radio_sends, 1e-12);
    // 80 mA while it listens.
    let saved = 80.0 * (1.0 - power.duty.radio);
    near(always.logic_ma - power.logic_ma, saved, 1e-6);
    let hours = |power: &thumbreel::budget::power::Power| power.run_time.as_ref().unwrap().hours;
    assert!(hours(&power) > 1.3 * hours(&always), "{power:?}");
}

/// What `budget --json` says of a seeded case from the card, and its board, whose cores
/// take 4 instructions per sample of 16-bit PCM.
fn seeded(case: u64) -> (Board, serde_json::Value) {
    let folder = tempfile::tempdir().unwrap();
    let (path, reel) = crate::agree::seeded(case, folder.path());
    let mut board = Board::load(std::path::Path::new(&path)).unwrap();
    board.cpu.instruction_set = InstructionSet::Armv7em;
    std::fs::write(&path, board.to_toml()).unwrap();
    let args = [
        "budget", &reel, "--board", &path, "--link", "card", "--json",
    ];
    let found = crate::agree::json(&args);
    (board, found["budgets"][0]["power"].clone())
}

/// Asserts a figure of a case.
fn says(power: &serde_json::Value, figures: &[(&str, f64, f64)]) {
    for (path, wanted, tolerance) in figures {
        let found = power.pointer(path).and_then(serde_json::Value::as_f64);
        let found = found.unwrap_or_else(|| panic!("no {path} in {power}"));
        assert!(
            (found - wanted).abs() <= *tolerance,
            "{path}: {found} instead of {wanted}"
        );
    }
}

/// Three of the fifty seeded boards whose reels all commands agree on. Each reel
/// has a square wave, so that its power is the same at any instant. How busy
/// cores and card are is taken as found; all else is by hand.
///
/// USB, linear regulator, amplifier beside it, diode of 0.35 V at 200 mA.
///
/// Logic in the mean: 40 + 60 + 0.0011 x 20 + 0.00985 x 40 = 100.42 mA; at the
/// worst instant 40 + 60 + 2 x 20 + 40 = 180 mA. The regulator itself 0.1 mA.
/// Amplifier: 2.1 + 6 = 8.1 dBV, 2.5410 V, 3.5935 V peak; the wave has
/// 11,182 / 32,768 of it, 1.2263 V: 0.37594 W in 4 ohms, which needs
/// 0.37594 / 0.92 = 0.40863 W, and 2.5 mA stand still.
/// Shockley: 1.05 x 25.865 mV = 27.158 mV. At 191.6 mA the diode drops
/// 0.35 + 0.027158 x ln(191.6 / 200) = 0.3488 V and the cable 0.2 x 0.1916 =
/// 0.0383 V, which leaves 4.6129 V: 408.63 / 4.6129 + 2.5 = 91.08 mA, and
/// 100.42 + 0.1 + 91.08 = 191.6 mA, as assumed.
/// Worst: at 271.7 mA 0.3583 and 0.0543 V, 4.5873 V are left: 408.63 / 4.5873 +
/// 2.5 = 91.58 mA, and 180 + 0.1 + 91.58 = 271.68 mA.
/// Regulator: 4.6129 x 100.52 - 3.3 x 100.42 = 132.3 mW; x 140 C/W + 3 C = 21.5 C.
#[test]
fn a_seeded_board_on_usb_with_a_diode() {
    let (board, power) = seeded(32);
    assert_eq!(
        (board.power.base_ma, board.power.backlight_ma),
        (40.0, 60.0)
    );
    says(
        &power,
        &[
            ("/duty/cores", 0.0011, 5e-5),
            ("/duty/card", 0.009_85, 5e-5),
            ("/logic_ma", 100.42, 0.01),
            ("/speaker_w", 0.375_94, 1e-4),
            ("/amplifier_ma", 91.08, 0.02),
            ("/mean_ma", 191.6, 0.02),
            ("/peak_ma", 271.68, 0.02),
            ("/states/0/mean_v", 4.6129, 2e-4),
            ("/states/0/least_v", 4.5873, 2e-4),
            ("/heat/regulator_w", 0.1323, 1e-4),
            ("/heat/regulator_c", 21.5, 0.05),
        ],
    );
}

/// USB, switching converter of 90 %, amplifier behind it, no diode, one core.
///
/// Logic in the mean: 70 + 15 + 0.00196 x 20 + 0.0176 x 40 = 85.74 mA; at the
/// worst instant 70 + 15 + 20 + 40 = 145 mA. Amplifier: 3.5935 V peak as above;
/// 11,235 / 32,768 of it is 1.2321 V: 0.18975 W in 8 ohms; from 3.3 V
/// 0.18975 / (0.92 x 3.3) + 2.5 mA = 65.00 mA.
/// Out of the converter 150.74 mA, 497.5 mW; through 90 % 552.7 mW. At 111.14 mA
/// the cable leaves 5 - 0.2 x 0.1111 = 4.9778 V: 552.7 / 4.9778 + 0.1 = 111.14 mA.
/// Worst: 210.00 mA, 693.0 mW, 770.0 mW; from 4.9690 V 154.96 + 0.1 = 155.06 mA.
/// Converter: 4.9778 x 111.14 - 497.5 = 55.8 mW; x 140 C/W + 25 C = 32.8 C.
#[test]
fn a_seeded_board_on_usb_with_a_converter() {
    let (board, power) = seeded(44);
    assert_eq!((board.power.base_ma, board.cpu.cores), (70.0, 1));
    says(
        &power,
        &[
            ("/duty/cores", 0.001_96, 1e-5),
            ("/duty/card", 0.0176, 1e-5),
            ("/logic_ma", 85.74, 0.01),
            ("/speaker_w", 0.189_75, 1e-4),
            ("/amplifier_ma", 65.0, 0.02),
            ("/mean_ma", 111.14, 0.02),
            ("/regulator_peak_ma", 210.0, 0.02),
            ("/peak_ma", 155.06, 0.02),
            ("/heat/regulator_w", 0.0558, 1e-4),
            ("/heat/regulator_c", 32.8, 0.05),
        ],
    );
}

/// A cell of 2,333 mAh and 0.11 ohms at 11 C, diode of 0.2 V at 200 mA, linear
/// regulator of 0.17 V dropout with the amplifier behind it.
///
/// Logic in the mean: 70 + 80 + 0.0008 x 20 + 0.00385 x 40 = 150.17 mA; worst
/// 70 + 80 + 2 x 20 + 40 = 230 mA. Amplifier: 2.1 + 12 = 14.1 dBV, 5.0699 V,
/// 7.1699 V peak; 2,976 / 32,768 of it is 0.65117 V: 0.10601 W in 4 ohms; from
/// 3.3 V 34.92 + 2.5 = 37.42 mA. With the regulator's 0.1 mA 187.69 mA at any
/// charge that holds the rail.
/// Capacity at 11 C: 0.88 + 0.12 x 11 / 25 = 0.9328, 2,176.2 mAh. Resistance:
/// exp(2,900 x (1 / 284.15 - 1 / 298.15)) = 1.6148, 0.17763 ohms half full.
/// The rail needs 3.3 + 0.17 = 3.47 V. The diode drops
/// 0.2 + 0.027158 x ln(187.69 / 200) = 0.1983 V. At 12.39 % of the charge, 0.1357
/// on the published scale (x 1.0952), the resistance is
/// (0.17099 + 0.1562 e^-3.307 + 0.3208 e^-3.954) / 0.17099 = 1.0694 of that,
/// 0.18996 ohms, 0.0357 V. So 3.47 + 0.1983 + 0.0357 = 3.7040 V without load, and
/// the published curve gives there -1.031 e^-4.7495 + 3.685 + 0.2156 x 0.1357 -
/// 0.1178 x 0.01841 + 0.3201 x 0.0025 = 3.7040 V: that is the end.
/// Hours: (1 - 0.1239) x 2,176.2 / 187.69 = 10.158.
/// Worst at a tenth of the charge, 3.6853 V: 0.20258 ohms x 0.268 A = 0.0543 V,
/// diode 0.2080 V: 3.4230 V, and the rail 3.2530 V: 106.01 / (0.92 x 3.2530) +
/// 2.5 = 37.92 mA, and 230 + 0.1 + 37.92 = 268.02 mA.
#[test]
fn a_seeded_board_on_a_cell() {
    let (board, power) = seeded(40);
    assert_eq!((board.power.cell_mah, board.power.cell_ohm), (2333.0, 0.11));
    says(
        &power,
        &[
            ("/duty/cores", 0.0008, 5e-5),
            ("/duty/card", 0.003_85, 1e-5),
            ("/logic_ma", 150.17, 0.01),
            ("/speaker_w", 0.106_01, 1e-4),
            ("/amplifier_ma", 37.42, 0.02),
            ("/mean_ma", 187.69, 0.02),
            ("/peak_ma", 268.02, 0.02),
            ("/run_time/charge_left", 0.1239, 5e-4),
            ("/run_time/open_v", 3.7040, 3e-4),
            ("/run_time/hours", 10.158, 0.01),
            ("/states/2/least_v", 3.4230, 3e-4),
        ],
    );
    assert_eq!(power["run_time"]["end"], "rail");
}
