//! The model itself: a reel on a board over a link.

use serde::Serialize;

use super::cell::Cell;
use super::circuit::{Circuit, Rest};
use super::load::{Duty, LogicLoad, PartCurrent};
use super::programme::Programme;
use super::run_time::{End, RunTime, run_time};
use super::worst::{Carry, State, carrying_capacitor, worst};
use crate::board::{Board, PowerSource};
use crate::budget::{Link, PictureCoding, ReelFacts, Settings};
use crate::sound::gain::Supply;
use crate::units::Ratio;

/// Shares of charge at which the worst instant is shown.
const MIDDLE: f64 = 0.5;
const CHARGES: [(&str, f64); 3] = [
    ("full cell", 1.0),
    ("half full cell", MIDDLE),
    ("nearly empty cell", 0.1),
];
const PORT: [(&str, f64); 1] = [("USB", 1.0)];
/// What limits the current on USB.
pub const USB_PORT: &str = "USB port";

/// A reel on a board over a link, as its supply sees it.
#[derive(Clone, Debug)]
pub struct PowerModel<'a> {
    board: &'a Board,
    link: Link,
    programme: &'a Programme,
    sounds: bool,
    logic: LogicLoad,
    cell: Option<Cell>,
    gain: (f64, f64),
}

/// Temperatures and the power that makes them.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Heat {
    /// Power that the regulator turns into heat, W.
    pub regulator_w: f64,
    /// Temperature inside the regulator, degrees Celsius.
    pub regulator_c: f64,
    /// Power that the amplifier turns into heat, W.
    pub amplifier_w: f64,
    /// Temperature inside the amplifier, degrees Celsius.
    pub amplifier_c: f64,
}

/// What the model says; every figure is computed.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Power {
    /// The link.
    pub link: Link,
    /// The amplifier's gain, dB.
    pub gain_db: f64,
    /// The volume in software, dB.
    pub volume_db: f64,
    /// The sound is the reel's own; else a film mix is assumed.
    pub sound_measured: bool,
    /// Current from the source in the mean, mA: over the whole discharge of a
    /// cell.
    pub mean_ma: f64,
    /// Current from the source at the worst instant, mA.
    pub peak_ma: f64,
    /// Largest current that source and diode give for long, mA.
    pub limit_ma: f64,
    /// Which of them gives least.
    pub limited_by: &'static str,
    /// Where the worst instant draws more: the highest gain setting below the
    /// present one with which it does not.
    pub lower_gain_db: Option<f64>,
    /// Everything behind the regulator in the mean, mA.
    pub logic_ma: f64,
    /// Out of the regulator at the worst instant, mA.
    pub regulator_peak_ma: f64,
    /// The amplifier in the mean, mA of its own supply.
    pub amplifier_ma: f64,
    /// The amplifier at the worst instant, mA.
    pub amplifier_peak_ma: f64,
    /// Volts at the amplifier in the mean; from a full cell.
    pub amplifier_v: f64,
    /// Power in the speaker in the mean, W.
    pub speaker_w: f64,
    /// Part by part.
    pub parts: Vec<PartCurrent>,
    /// How busy the parts are.
    pub duty: Duty,
    /// Temperatures after a long time, of a cell while it is full.
    pub heat: Heat,
    /// USB, or the cell when full, half full and nearly empty.
    pub states: Vec<State>,
    /// How long a cell lasts; none on USB.
    pub run_time: Option<RunTime>,
}

impl<'a> PowerModel<'a> {
    /// The reel on the board, at the gain that is strapped.
    #[must_use]
    pub fn new(reel: &'a ReelFacts, board: &'a Board, link: Link) -> Self {
        let duty = Duty::of(reel, board, link);
        Self::with(&reel.programme, reel.sound.bits() > 0, board, link, duty)
    }

    /// A sound on a board whose parts are so busy.
    #[must_use]
    pub fn with(
        programme: &'a Programme,
        sounds: bool,
        board: &'a Board,
        link: Link,
        duty: Duty,
    ) -> Self {
        let cell = board.power.source == PowerSource::Cell;
        Self {
            board,
            link,
            programme,
            sounds,
            logic: LogicLoad::new(board, duty, link),
            cell: cell.then(|| Cell::new(&board.power)),
            gain: (board.sound.amplifier.gain_db, 0.0),
        }
    }

    /// The same at another gain and volume.
    #[must_use]
    pub fn at_gain(self, gain_db: f64, volume_db: f64) -> Self {
        Self {
            gain: (gain_db, volume_db),
            ..self
        }
    }

    /// The supply while the cell holds this share of its charge, or USB.
    #[must_use]
    pub fn circuit(&self, charge: f64) -> Circuit {
        let power = &self.board.power;
        let (open_v, ohm) = match &self.cell {
            Some(cell) => (cell.open_v(charge), cell.ohm(charge)),
            None => (power.usb_v, power.usb_ohm),
        };
        Circuit::new(self.board, open_v, ohm, self.gain)
    }

    /// Power in the speaker in the mean, from an amplifier at `supply_v`.
    fn speaker_w(&self, circuit: &Circuit, supply_v: f64) -> f64 {
        if !self.sounds {
            return 0.0;
        }
        let amplifier = &circuit.amplifier;
        let swing = amplifier.swing_v(supply_v);
        amplifier.output_w(self.programme.mean_square(amplifier.full_scale_v, swing))
    }

    /// Circuit and currents in the mean.
    pub(super) fn rest(&self, charge: f64) -> (Circuit, Rest) {
        let circuit = self.circuit(charge);
        let rest = circuit.rest(self.logic.mean_ma(), &|v| self.speaker_w(&circuit, v));
        (circuit, rest)
    }

    /// The worst moments of the sound that is played.
    fn excerpts(&self) -> &[super::Excerpt] {
        self.programme.excerpts()
    }

    /// What ends the run at this share of charge, if anything does.
    pub(super) fn ends(&self, charge: f64) -> Option<End> {
        let (circuit, rest) = self.rest(charge);
        self.ends_at_rest(&circuit, &rest)
            .or_else(|| self.ends_at_worst(&circuit, &rest))
    }

    /// What ends it already at the mean current.
    pub(super) fn ends_in_the_mean(&self, charge: f64) -> Option<End> {
        let (circuit, rest) = self.rest(charge);
        self.ends_at_rest(&circuit, &rest)
    }

    /// The amplifier gets less than it needs, with sound, at these volts behind
    /// the diode.
    fn starves(&self, circuit: &Circuit, node_v: f64) -> bool {
        self.sounds && circuit.amplifier_v(node_v) < self.board.sound.amplifier.supply_min_v
    }

    fn ends_at_rest(&self, circuit: &Circuit, rest: &Rest) -> Option<End> {
        let terminal = circuit.open_v - rest.source_ma * circuit.ohm / 1e3;
        if rest.node_v < circuit.mean_need_v() {
            return Some(End::Rail);
        }
        if terminal < self.board.power.cell_empty_v {
            return Some(End::Cell);
        }
        self.starves(circuit, rest.node_v).then_some(End::Amplifier)
    }

    fn ends_at_worst(&self, circuit: &Circuit, rest: &Rest) -> Option<End> {
        let demand = self.logic.demand(self.board);
        let least_v = worst(circuit, self.excerpts(), demand, rest.node_v).least_v;
        if least_v < circuit.need_v() {
            Some(End::RailAtPeak)
        } else {
            self.starves(circuit, least_v).then_some(End::Amplifier)
        }
    }

    /// How long the cell lasts; none on USB.
    pub(super) fn run_time(&self) -> Option<RunTime> {
        let cell = self.cell.as_ref();
        cell.map(|cell| run_time(self, cell.capacity_mah()))
    }

    /// The worst instant at a share of charge.
    #[must_use]
    pub fn state(&self, name: &'static str, charge: f64) -> State {
        let (circuit, rest) = self.rest(charge);
        let demand = self.logic.demand(self.board);
        let course = worst(&circuit, self.excerpts(), demand, rest.node_v);
        let need_v = circuit.need_v();
        let in_the_mean = rest.node_v < circuit.mean_need_v();
        let drops_out = in_the_mean || course.least_v < need_v;
        let carry = if !drops_out {
            Carry::NotNeeded
        } else if in_the_mean {
            Carry::NotByCapacitor
        } else {
            carrying_capacitor(&circuit, self.excerpts(), demand, rest.node_v, need_v)
                .map_or(Carry::TooLarge, |uf| Carry::Capacitor { uf })
        };
        State {
            name,
            charge: self.cell.is_some().then_some(charge),
            open_v: circuit.open_v,
            mean_v: rest.node_v,
            mean_ma: rest.source_ma,
            least_v: course.least_v,
            need_v,
            mean_need_v: circuit.mean_need_v(),
            rail_v: circuit.rail_v(course.least_v),
            peak_ma: course.peak_ma,
            regulator_peak_ma: course.regulator_ma,
            amplifier_peak_ma: course.amplifier_ma,
            drops_out,
            carry,
        }
    }

    /// States that are looked at, by name and share of charge.
    fn looks(&self) -> &'static [(&'static str, f64)] {
        match self.cell {
            Some(_) => &CHARGES,
            None => &PORT,
        }
    }

    fn states(&self) -> Vec<State> {
        let looks = self.looks().iter();
        looks
            .map(|&(name, charge)| self.state(name, charge))
            .collect()
    }

    /// The highest current at the worst instant of all states, mA.
    fn peak_ma(&self) -> f64 {
        let demand = self.logic.demand(self.board);
        let peak = |&(_, charge): &(&str, f64)| {
            let (circuit, rest) = self.rest(charge);
            worst(&circuit, self.excerpts(), demand, rest.node_v).peak_ma
        };
        self.looks().iter().map(peak).fold(0.0, f64::max)
    }

    /// The highest gain setting below the present one with which no instant draws
    /// more than `limit_ma`.
    fn gain_within(&self, limit_ma: f64) -> Option<f64> {
        let settings = self.board.sound.amplifier.gains_db.iter().copied();
        let lower = settings.filter(|gain_db| *gain_db < self.gain.0);
        let within = |gain_db: &f64| {
            let other = self.clone().at_gain(*gain_db, self.gain.1);
            other.peak_ma() <= limit_ma
        };
        lower.filter(within).max_by(f64::total_cmp)
    }

    /// Current from the source while a piece of sound plays, mA: of a cell at
    /// the middle of its charge.
    #[must_use]
    pub fn source_ma(&self, samples: &[i16]) -> f64 {
        let circuit = self.circuit(MIDDLE);
        let amplifier = &circuit.amplifier;
        let mean_square = |supply_v: f64| {
            let square = |&s: &i16| amplifier.volts(s, supply_v).powi(2);
            samples.iter().map(square).sum::<f64>() / samples.len().max(1) as f64
        };
        let watts = |v: f64| amplifier.output_w(mean_square(v));
        circuit.rest(self.logic.mean_ma(), &watts).source_ma
    }

    /// Temperatures after `seconds` of play from cold; of a cell while it is full.
    #[must_use]
    pub fn heat(&self, seconds: f64) -> Heat {
        let (circuit, rest) = self.rest(1.0);
        let power = &self.board.power;
        let warmed = 1.0 - (-seconds / power.regulator.settle_s).exp();
        let rise = |watts: f64, theta: f64| power.ambient_c + watts * theta * warmed;
        let regulator_w = circuit.regulator_w(&rest);
        let supply = circuit.amplifier_v(rest.node_v) * rest.amplifier_ma / 1e3;
        let amplifier_w = (supply - rest.speaker_w).max(0.0);
        Heat {
            regulator_w,
            regulator_c: rise(regulator_w, power.regulator.theta_ja),
            amplifier_w,
            amplifier_c: rise(amplifier_w, self.board.sound.amplifier.theta_ja),
        }
    }

    /// Everything that the model says.
    #[must_use]
    pub fn power(&self) -> Power {
        let (circuit, rest) = self.rest(1.0);
        let states = self.states();
        let most = |of: fn(&State) -> f64| states.iter().map(of).fold(0.0, f64::max);
        let (limit_ma, limited_by) = self.limit();
        let peak_ma = most(|s| s.peak_ma);
        let over = peak_ma > limit_ma;
        let run_time = self.run_time();
        Power {
            link: self.link,
            gain_db: self.gain.0,
            volume_db: self.gain.1,
            sound_measured: self.programme.measured,
            mean_ma: run_time.as_ref().map_or(rest.source_ma, |run| run.mean_ma),
            peak_ma,
            limit_ma,
            limited_by,
            lower_gain_db: over.then(|| self.gain_within(limit_ma)).flatten(),
            logic_ma: self.logic.mean_ma(),
            regulator_peak_ma: most(|s| s.regulator_peak_ma),
            amplifier_ma: rest.amplifier_ma,
            amplifier_peak_ma: most(|s| s.amplifier_peak_ma),
            amplifier_v: circuit.amplifier_v(rest.node_v),
            speaker_w: rest.speaker_w,
            parts: self.logic.parts.clone(),
            duty: self.logic.duty,
            heat: self.heat(f64::INFINITY),
            states,
            run_time,
        }
    }

    fn limit(&self) -> (f64, &'static str) {
        let power = &self.board.power;
        let source = match self.cell {
            Some(_) => (power.cell_limit_ma, "cell"),
            None => (power.usb_limit_ma, USB_PORT),
        };
        if power.diode_drop_v > 0.0 && power.diode_limit_ma < source.0 {
            (power.diode_limit_ma, "diode")
        } else {
            source
        }
    }
}

/// Typical pictures with a typical sound, for questions about a board alone.
pub(in crate::budget) fn stand_in(board: &Board) -> ReelFacts {
    let (width, height) = board.panel.upright_size();
    let rate = Ratio { num: 24, den: 1 };
    let mut settings = Settings::typical(width, height, rate, PictureCoding::PatchFull);
    settings.seconds = 4.0;
    settings.facts()
}

/// What typical pictures with a sound of that mean (dB of a full-scale sine) and
/// that peak (dBFS) draw at a gain and a volume, over the link that takes most.
#[must_use]
pub fn assumed_at(
    board: &Board,
    (mean_db, peak_dbfs): (f64, f64),
    (gain_db, volume_db): (f64, f64),
) -> Option<Power> {
    let mut reel = stand_in(board);
    reel.programme = Programme::assumed(mean_db, peak_dbfs);
    let at = |link| PowerModel::new(&reel, board, link).at_gain(gain_db, volume_db);
    let all = Link::of(board).into_iter().map(|link| at(link).power());
    all.max_by(|a, b| a.peak_ma.total_cmp(&b.peak_ma))
}

/// Volts at the amplifier on USB, on a full cell and where the run on a cell
/// ends, at the mean current of typical pictures and sound.
#[must_use]
pub fn supplies(board: &Board) -> [Supply; 3] {
    let [usb, full] = [PowerSource::Usb, PowerSource::Cell].map(|s| supply(board, s, false));
    [
        Supply {
            name: "USB",
            volts: usb,
        },
        Supply {
            name: "full cell",
            volts: full,
        },
        run_end(board),
    ]
}

/// Volts at the amplifier from that source, of a cell when full or where its
/// run ends.
fn supply(board: &Board, source: PowerSource, at_end: bool) -> f64 {
    let reel = stand_in(board);
    let mut board = board.clone();
    board.power.source = source;
    let link = Link::of(&board).first().copied().unwrap_or(Link::Card);
    let model = PowerModel::new(&reel, &board, link);
    let run = at_end.then(|| model.run_time()).flatten();
    let (circuit, rest) = model.rest(run.map_or(1.0, |run| run.charge_left));
    circuit.amplifier_v(rest.node_v)
}

fn run_end(board: &Board) -> Supply {
    Supply {
        name: "cell at the end of its run",
        volts: supply(board, PowerSource::Cell, true),
    }
}

/// The weakest supply that the board meets: USB, or its cell at the end of a
/// run.
#[must_use]
pub fn weakest_supply(board: &Board) -> Supply {
    match board.power.source {
        PowerSource::Usb => Supply {
            name: "USB",
            volts: supply(board, PowerSource::Usb, false),
        },
        PowerSource::Cell => run_end(board),
    }
}
