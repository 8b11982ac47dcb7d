//! Three worked examples by hand, the arithmetic beside the check, and the
//! lantern room on a cell.

use thumbreel::board::{AmplifierSupply, Board, PowerSource, RegulatorKind};
use thumbreel::budget::power::{Carry, Duty, End, PowerModel, Programme, ProgrammeMeter, changes};
use thumbreel::budget::{Link, PictureCoding, Settings};
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
