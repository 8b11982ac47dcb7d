//! Sag and drop-out against ngspice, a general-purpose circuit simulator. The
//! netlists are written from the board's parts and the published equations,
//! not from the model's code.

use std::fmt::Write as _;
use std::path::Path;
use std::process::Command;

use thumbreel::board::{AmplifierSupply, Board, PowerSource, RegulatorKind};
use thumbreel::budget::Link;
use thumbreel::budget::power::{Duty, End, PowerModel, Programme, ProgrammeMeter};

use crate::Luck;
use crate::extent::extent;

/// Circuits of each kind.
fn circuits() -> u64 {
    extent(10, 20, 250)
}
/// A burst of the radio: a frame of 1,536 bytes at 6 Mbit/s, seconds.
const BURST: f64 = 2.07e-3;

/// Runs a netlist and returns what it measured under each of `names`.
fn simulate(folder: &Path, netlist: &str, names: &[&str]) -> Vec<f64> {
    let file = folder.join("circuit.cir");
    std::fs::write(&file, netlist).unwrap();
    let run = Command::new("ngspice")
        .arg("-b")
        .arg(&file)
        .output()
        .expect("ngspice starts: run .ci/install test");
    let told = [run.stdout, run.stderr].concat();
    let told = String::from_utf8_lossy(&told).into_owned();
    let found = |name: &&str| {
        let line = told
            .lines()
            .find(|l| l.trim_start().starts_with(&format!("{name} ")))
            .unwrap_or_else(|| panic!("no {name} in:\n{netlist}\n{told}"));
        let value = line.split('=').nth(1).unwrap();
        value.split_whitespace().next().unwrap().parse().unwrap()
    };
    names.iter().map(found).collect()
}

/// A diode of the stated drop at the stated current: Shockley's saturation
/// current from one point of its datasheet, at ngspice's 27 °C.
fn diode(board: &Board) -> String {
    let power = &board.power;
    if power.diode_drop_v == 0.0 {
        return "Rd a n 1u\n".into();
    }
    let (n, thermal) = (1.05, 1.380_649e-23 * 300.15 / 1.602_177e-19);
    let amps = power.diode_at_ma / 1e3;
    let saturation = amps / ((power.diode_drop_v / (n * thermal)).exp() - 1.0);
    format!("D1 a n dx\n.model dx d(is={saturation:e} n={n})\n")
}

/// Everything behind the diode: capacitor, amplifier with `out` volts at the
/// speaker, regulator with `logic` amperes behind it.
fn board_parts(board: &Board, out: &str, logic: &str) -> String {
    let (power, amplifier) = (&board.power, &board.sound.amplifier);
    let regulator = &power.regulator;
    let ohms = board.sound.speaker.impedance_ohm;
    let share = ohms / (ohms + amplifier.output_ohm);
    let mut net = String::new();
    let _ = writeln!(
        net,
        "Cb n nb {}u\nRb nb 0 {}",
        power.bulk_uf,
        power.bulk_esr_ohm.max(1e-6)
    );
    let rail = match regulator.kind {
        RegulatorKind::Linear => {
            format!("min({},v(n)-{})", regulator.output_v, regulator.dropout_v)
        }
        RegulatorKind::Switching => format!("{}", regulator.output_v),
    };
    let feed = match amplifier.supply {
        AmplifierSupply::Source => "v(n)".to_owned(),
        AmplifierSupply::Regulator => rail.clone(),
    };
    let _ = writeln!(
        net,
        "Bf f 0 V={feed}\nBo o 0 V=max(-{share}*v(f),min({share}*v(f),{out}))"
    );
    let sound = format!(
        "({}+v(o)*v(o)/({ohms}*{}*max(v(f),0.5)))",
        amplifier.quiescent_ma / 1e3,
        amplifier.efficiency
    );
    let (inside, beside) = match amplifier.supply {
        AmplifierSupply::Source => (format!("({logic})"), sound),
        AmplifierSupply::Regulator => (format!("({logic}+{sound})"), "0".into()),
    };
    let through = match regulator.kind {
        RegulatorKind::Linear => inside,
        RegulatorKind::Switching => format!(
            "{inside}*{}/({}*max(v(n),0.5))",
            regulator.output_v, regulator.efficiency
        ),
    };
    let own = regulator.quiescent_ma / 1e3;
    let _ = writeln!(net, "Bl n 0 I={own}+{through}+{beside}");
    net
}

/// The same parts whose load fades out around 0.1 V below `need_v`, by less than
/// 0.01 % at it: an emptier cell could not feed it, and the circuit would have no
/// solution.
fn shedding(parts: &str, need_v: f64) -> String {
    let (before, load) = parts.split_once("Bl n 0 I=").unwrap();
    let fade = format!("(0.5+0.5*tanh((v(n)-{need_v}+0.1)/0.02))");
    format!("{before}Bl n 0 I=({})*{fade}\n", load.trim_end())
}

/// A board with seeded parts; a cell's curve is flat, so that its state is
/// known.
fn seeded(luck: &mut Luck) -> Board {
    let mut board = Board::find("lantern-room").unwrap();
    let power = &mut board.power;
    let open = luck.between(3.9, 4.2);
    power.source = luck.pick(&[PowerSource::Cell, PowerSource::Usb]);
    power.cell_curve = vec![(0.0, open), (1.0, open)];
    power.usb_v = luck.between(4.75, 5.25);
    power.usb_ohm = luck.between(0.1, 0.5);
    power.cell_ohm = luck.between(0.08, 0.4);
    power.diode_drop_v = luck.pick(&[0.0, 0.25, 0.3, 0.4]);
    power.diode_at_ma = luck.between(100.0, 500.0);
    power.bulk_uf = luck.pick(&[10.0, 47.0, 220.0, 1000.0, 4700.0]);
    power.bulk_esr_ohm = luck.between(0.005, 0.15);
    power.base_ma = luck.between(20.0, 90.0);
    power.backlight_ma = luck.between(10.0, 60.0);
    power.wifi_send_ma = luck.between(150.0, 350.0);
    power.regulator.kind = luck.pick(&[RegulatorKind::Linear, RegulatorKind::Switching]);
    let amplifier = &mut board.sound.amplifier;
    amplifier.supply = luck.pick(&[
        AmplifierSupply::Source,
        AmplifierSupply::Source,
        AmplifierSupply::Regulator,
    ]);
    amplifier.gain_db = luck.pick(&[6.0, 9.0, 12.0]);
    amplifier.max_w = 50.0;
    board.sound.speaker.impedance_ohm = luck.pick(&[4.0, 8.0]);
    board
}

/// A tone of a quarter of a second.
fn tone(hz: f64, share: f64) -> Programme {
    let mut meter = ProgrammeMeter::new(24_000);
    let wave = |i: i32| {
        let phase = std::f64::consts::TAU * hz * f64::from(i) / 24_000.0;
        (share * 32_767.0 * phase.sin()).round() as i16
    };
    meter.push(&(0..6_000).map(wave).collect::<Vec<i16>>());
    meter.finish()
}

/// Peak volts of a full-scale sine at the strapped gain.
fn full_scale(board: &Board) -> f64 {
    let amplifier = &board.sound.amplifier;
    10f64.powf((amplifier.reference_dbv + amplifier.gain_db) / 20.0) * 2f64.sqrt()
}

/// Root mean square of a sine of `peak` volts that the amplifier's supply `f`
/// clips, as a formula of the netlist: the integral over a quarter of a period
/// of the sine up to the angle where it clips and of the clipped rest.
fn clipped_rms(board: &Board, peak: f64) -> String {
    let ohms = board.sound.speaker.impedance_ohm;
    let share = ohms / (ohms + board.sound.amplifier.output_ohm);
    let ratio = format!("min(1,{share}*max(v(f),0.5)/{peak})");
    let angle = format!("asin({ratio})");
    format!("{peak}*sqrt(2/pi*({angle}/2-sin(2*{angle})/4+{ratio}*{ratio}*(pi/2-{angle})))")
}

/// The worst instant of tone and radio burst: the whole sag below the source's
/// open voltage, and the dip below the rest, each within 5 %.
#[test]
fn sag_agrees_with_a_circuit_simulator() {
    let folder = tempfile::tempdir().unwrap();
    for seed in 0..circuits() {
        let mut luck = Luck::new(seed + 1);
        let board = seeded(&mut luck);
        let (hz, share) = (luck.between(60.0, 250.0), luck.between(0.3, 0.9));
        let sound = tone(hz, share);
        let duty = Duty {
            cores: 1.0,
            card: 0.0,
            radio: 1.0,
            radio_sends: 0.0,
        };
        let model = PowerModel::with(&sound, true, &board, Link::Wifi, duty);
        let state = model.state("seeded", 0.5);
        let power = &board.power;
        let (open, ohm) = match power.source {
            PowerSource::Usb => (power.usb_v, power.usb_ohm),
            PowerSource::Cell => (power.cell_curve[0].1, power.cell_ohm),
        };
        let calm = power.base_ma + power.backlight_ma + 2.0 * power.core_ma + power.wifi_ma;
        let more = (power.wifi_send_ma - power.wifi_ma) / 1e3;
        let source = format!("* seeded supply {seed}\nVs s 0 {open}\n");
        let series = format!("Rs s a {ohm}\n{}", diode(&board));
        let wave = format!("{}*sin(2*pi*{hz}*time)", share * full_scale(&board));
        // The burst's place against the tone's peak is luck: the worst of some, each
        // on a board of its own.
        const PLACES: [&str; 6] = ["least0", "least1", "least2", "least3", "least4", "least5"];
        let logic = format!("{}+{more}*v(b)", calm / 1e3);
        let mut net = format!(
            "{source}.subckt board s b\n{series}{}.ends\n.options reltol=1e-4\n.tran 20u 0.09 0 20u\n",
            board_parts(&board, &wave, &logic)
        );
        for (place, least) in PLACES.iter().enumerate() {
            let peak = ((0.06 * hz).floor() + 0.25) / hz;
            let begin = peak + place as f64 / 12.0 / hz - BURST;
            let _ = writeln!(
                net,
                "X{place} s b{place} board\nVb{place} b{place} 0 PULSE(0 1 {begin} 1u 1u {BURST} 10)\n.measure tran {least} MIN v(x{place}.n) from=0.04 to=0.09"
            );
        }
        let least = simulate(folder.path(), &(net + ".end\n"), &PLACES);
        let least = least.into_iter().fold(f64::MAX, f64::min);
        let busy = power.base_ma + power.backlight_ma + power.core_ma + power.wifi_ma;
        let net = format!(
            "{source}{series}{}.tran 1m 0.5\n.measure tran rest FIND v(n) AT=0.5\n.end\n",
            board_parts(
                &board,
                &clipped_rms(&board, share * full_scale(&board)),
                &format!("{}", busy / 1e3)
            )
        );
        let rest = simulate(folder.path(), &net, &["rest"])[0];
        let sag = (open - state.least_v) / (open - least);
        assert!(
            (sag - 1.0).abs() < 0.05,
            "seed {seed}: {sag} {state:?} for {least}"
        );
        let dip = (state.mean_v - state.least_v) / (rest - least);
        assert!(
            (dip - 1.0).abs() < 0.05,
            "seed {seed}: dip {dip} {state:?} for {rest} {least}"
        );
    }
}

/// The time at which the rail drops out of regulation, within 2 %: by the
/// published curve and resistance, and by curves of their own.
#[test]
fn drop_out_time_agrees_with_a_circuit_simulator() {
    let folder = tempfile::tempdir().unwrap();
    for seed in 0..circuits() {
        let mut luck = Luck::new(1000 + seed);
        let mut board = seeded(&mut luck);
        let own = seed % 2 == 0;
        board.power.source = PowerSource::Cell;
        board.power.regulator.kind = RegulatorKind::Linear;
        board.power.regulator.dropout_v = luck.between(0.05, 0.3);
        board.power.diode_drop_v = luck.pick(&[0.0, 0.15, 0.25]);
        board.power.cell_mah = luck.between(300.0, 2000.0);
        board.power.logic_min_v = luck.pick(&[None, Some(3.0)]);
        board.power.cell_curve = if own {
            let low = luck.between(3.0, 3.2);
            let knee = luck.between(3.5, 3.7);
            vec![(0.0, low), (0.15, knee), (0.8, knee + 0.35), (1.0, 4.15)]
        } else {
            Vec::new()
        };
        // Level sound that clips nowhere, all parts busy all the time: the mean
        // is the worst instant.
        let volts = luck.between(0.5, 1.5);
        let level = (volts / full_scale(&board) * 32_768.0).round() as i16;
        let mut meter = ProgrammeMeter::new(16_000);
        meter.push(&vec![level; 4_000]);
        let sound = meter.finish();
        let duty = Duty {
            cores: 2.0,
            card: 1.0,
            radio: 0.0,
            radio_sends: 0.0,
        };
        let run = PowerModel::with(&sound, true, &board, Link::Card, duty).power();
        let run = run.run_time.unwrap();
        assert!(
            matches!(run.end, End::Rail | End::RailAtPeak),
            "seed {seed}: {run:?}"
        );
        let power = &board.power;
        let stretch = 1.0952;
        let share = |at: &str| format!("({stretch}*max({at},0))");
        // The paper's equations, in its own figures.
        let paper_ohm = |at: &str| {
            let s = share(at);
            format!("(0.17099+0.1562*exp(-24.37*{s})+0.3208*exp(-29.14*{s})+6.603*exp(-155.2*{s}))")
        };
        let open = if own {
            let points: Vec<String> = power
                .cell_curve
                .iter()
                .map(|(x, y)| format!("{x},{y}"))
                .collect();
            format!("pwl(v(q),{})", points.join(","))
        } else {
            let s = share("v(q)");
            format!("-1.031*exp(-35*{s})+3.685+0.2156*{s}-0.1178*{s}*{s}+0.3201*{s}*{s}*{s}")
        };
        let logic = power.base_ma + power.backlight_ma + 2.0 * power.core_ma + power.card_ma;
        let need =
            power.logic_min_v.unwrap_or(power.regulator.output_v) + power.regulator.dropout_v;
        let volts = f64::from(level) / 32_768.0 * full_scale(&board);
        // Until the logic alone has emptied the cell.
        let last = 3600.0 * power.cell_mah / logic;
        let net = format!(
            "* seeded discharge {seed}\nCq q 0 1 ic=1\nBq q 0 I=i(Vm)/{}\nBs s 0 V={open}\nVm s m 0\nBr m a V=i(Vm)*{}*{}/{}\n{}{}.ic v(q)=1\n.options reltol=1e-4\n.tran 20 {last} 0 20 uic\n.measure tran gone WHEN v(n)={need} FALL=1\n.end\n",
            3.6 * power.cell_mah,
            power.cell_ohm,
            paper_ohm("v(q)"),
            paper_ohm("0.5"),
            diode(&board),
            shedding(
                &board_parts(&board, &format!("{volts}"), &format!("{}", logic / 1e3)),
                need
            )
        );
        let gone = simulate(folder.path(), &net, &["gone"])[0];
        let ratio = run.hours * 3600.0 / gone;
        assert!(
            (ratio - 1.0).abs() < 0.02,
            "seed {seed}: {ratio} {run:?} for {gone} s"
        );
    }
}
