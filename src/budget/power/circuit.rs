//! The way of the current: source, series resistance, diode, capacitor,
//! regulator and amplifier, at rest and in time.

use super::amplifier::AmplifierLoad;
use super::programme::Excerpt;
use crate::board::{AmplifierSupply, Board, RegulatorKind};

/// Emission coefficient of a Schottky diode times the thermal voltage at 27 °C,
/// volts (Shockley's equation; the coefficient is common practice, no source).
const DIODE_NVT: f64 = 1.05 * 0.025_865;
/// Share of the logic's voltage that a short dip may leave (parts are made for
/// supplies of ±5 %; common practice, no source).
const DIP: f64 = 0.95;
/// Below this voltage the node counts as broken down.
const COLLAPSED_V: f64 = 0.5;

/// A diode by its drop at one current.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Diode {
    drop_v: f64,
    at_ma: f64,
}

/// A board's supply at one state of its source.
#[derive(Clone, Debug, PartialEq)]
pub struct Circuit {
    /// Source voltage without load, V.
    pub open_v: f64,
    /// Series resistance of the source, ohms.
    pub ohm: f64,
    /// Capacitor behind the diode, farads.
    pub bulk_f: f64,
    /// Its series resistance, ohms.
    pub esr_ohm: f64,
    /// The amplifier.
    pub amplifier: AmplifierLoad,
    diode: Option<Diode>,
    tap: AmplifierSupply,
    kind: RegulatorKind,
    output_v: f64,
    dropout_v: f64,
    input_min_v: f64,
    quiescent_ma: f64,
    efficiency: f64,
    logic_min_v: Option<f64>,
}

/// What hangs on the circuit for a while.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Demand {
    /// Current of everything behind the regulator but the amplifier, mA.
    pub logic_ma: f64,
    /// The same while the radio sends, mA.
    pub burst_ma: f64,
    /// Length of such a burst, seconds.
    pub burst_s: f64,
}

/// The circuit at rest.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Rest {
    /// Volts behind the diode.
    pub(super) node_v: f64,
    /// Current out of the source, mA.
    pub(super) source_ma: f64,
    /// Power in the speaker, W.
    pub(super) speaker_w: f64,
    /// Current of the amplifier from its own supply, mA.
    pub(super) amplifier_ma: f64,
    /// Current out of the regulator, mA.
    pub(super) regulator_ma: f64,
    /// Current into the regulator, mA.
    pub(super) into_regulator_ma: f64,
}

/// What one excerpt does to the circuit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Course {
    /// Lowest volts behind the diode.
    pub(super) least_v: f64,
    /// Highest current that all parts together draw there, mA.
    pub(super) peak_ma: f64,
    /// Highest current out of the regulator, mA.
    pub(super) regulator_ma: f64,
    /// Highest current of the amplifier from its own supply, mA.
    pub(super) amplifier_ma: f64,
}

impl Circuit {
    /// The board's supply from a source of `open_v` behind `ohm`, with the
    /// amplifier at this gain and volume.
    #[must_use]
    pub fn new(board: &Board, open_v: f64, ohm: f64, (gain_db, volume_db): (f64, f64)) -> Self {
        let (power, regulator) = (&board.power, &board.power.regulator);
        Self {
            open_v,
            ohm,
            bulk_f: power.bulk_uf * 1e-6,
            esr_ohm: power.bulk_esr_ohm,
            amplifier: AmplifierLoad::of(board, gain_db, volume_db, open_v),
            diode: (power.diode_drop_v > 0.0).then_some(Diode {
                drop_v: power.diode_drop_v,
                at_ma: power.diode_at_ma,
            }),
            tap: board.sound.amplifier.supply,
            kind: regulator.kind,
            output_v: regulator.output_v,
            dropout_v: regulator.dropout_v,
            input_min_v: regulator.input_min_v,
            quiescent_ma: regulator.quiescent_ma,
            efficiency: regulator.efficiency,
            logic_min_v: power.logic_min_v,
        }
    }

    /// Volts that the diode drops at a current.
    fn diode_v(&self, ma: f64) -> f64 {
        self.diode.map_or(0.0, |d| {
            (d.drop_v + DIODE_NVT * (ma.max(1e-3) / d.at_ma).ln()).max(0.0)
        })
    }

    /// Volts behind the diode while the source gives `ma`.
    fn node_v(&self, ma: f64) -> f64 {
        self.open_v - ma * self.ohm / 1e3 - self.diode_v(ma)
    }

    /// The regulator's output from an input.
    #[must_use]
    pub fn rail_v(&self, node_v: f64) -> f64 {
        match self.kind {
            RegulatorKind::Linear => self.output_v.min(node_v - self.dropout_v).max(0.0),
            RegulatorKind::Switching if node_v < self.input_min_v => 0.0,
            RegulatorKind::Switching => self.output_v,
        }
    }

    /// Lowest volts behind the diode at which the logic still has its supply at
    /// an instant: its stated minimum, else 95 % of the regulator's output.
    #[must_use]
    pub fn need_v(&self) -> f64 {
        self.needed_for(self.logic_min_v.unwrap_or(DIP * self.output_v))
    }

    /// The same for long: its stated minimum, else the regulator's full output.
    #[must_use]
    pub fn mean_need_v(&self) -> f64 {
        self.needed_for(self.logic_min_v.unwrap_or(self.output_v))
    }

    fn needed_for(&self, rail_v: f64) -> f64 {
        match self.kind {
            RegulatorKind::Linear => rail_v + self.dropout_v,
            RegulatorKind::Switching => self.input_min_v,
        }
    }

    /// Volts at the amplifier.
    #[must_use]
    pub fn amplifier_v(&self, node_v: f64) -> f64 {
        match self.tap {
            AmplifierSupply::Source => node_v,
            AmplifierSupply::Regulator => self.rail_v(node_v),
        }
    }

    /// Currents at a node voltage with this logic current and speaker power.
    fn drawn(&self, node_v: f64, logic_ma: f64, speaker_w: f64) -> Rest {
        let amplifier_ma = self
            .amplifier
            .current_at(speaker_w, self.amplifier_v(node_v));
        let (regulator_ma, beside) = match self.tap {
            AmplifierSupply::Source => (logic_ma, amplifier_ma),
            AmplifierSupply::Regulator => (logic_ma + amplifier_ma, 0.0),
        };
        let through = match self.kind {
            RegulatorKind::Linear => regulator_ma,
            RegulatorKind::Switching => {
                regulator_ma * self.output_v / (node_v.max(COLLAPSED_V) * self.efficiency)
            }
        };
        let into_regulator_ma = through + self.quiescent_ma;
        Rest {
            node_v,
            source_ma: into_regulator_ma + beside,
            speaker_w,
            amplifier_ma,
            regulator_ma,
            into_regulator_ma,
        }
    }

    /// The circuit at rest with this logic current, and the speaker power that
    /// `speaker_w` gives for the amplifier's supply voltage.
    pub(super) fn rest(&self, logic_ma: f64, speaker_w: &dyn Fn(f64) -> f64) -> Rest {
        let at = |node_v: f64| {
            let watts = speaker_w(self.amplifier_v(node_v));
            self.drawn(node_v, logic_ma, watts)
        };
        let mut found = at(self.open_v);
        for _ in 0..100 {
            let node_v = self.node_v(found.source_ma).max(0.0);
            let moved = (node_v - found.node_v).abs();
            found = at(node_v);
            if moved < 1e-9 {
                break;
            }
        }
        found
    }

    /// Heat in the regulator at rest, W: what goes in less what comes out.
    pub(super) fn regulator_w(&self, rest: &Rest) -> f64 {
        let out = rest.regulator_ma * self.rail_v(rest.node_v);
        ((rest.into_regulator_ma * rest.node_v - out) / 1e3).max(0.0)
    }

    /// Plays an excerpt through the circuit, from the node voltage `start_v`;
    /// the radio's burst ends with the loudest sample. Implicit Euler steps,
    /// a quarter of the capacitor's time constant or one sample long.
    pub(super) fn play(&self, excerpt: &Excerpt, demand: Demand, start_v: f64) -> Course {
        let dt = 1.0 / f64::from(excerpt.rate);
        let tau = self.bulk_f * (self.ohm + self.esr_ohm);
        let steps = (dt / (tau / 4.0)).clamp(1.0, 4.0).ceil() as u32;
        let steps = if tau < dt / 20.0 { 1 } else { steps };
        let k = self.esr_ohm + dt / f64::from(steps) / self.bulk_f;
        let burst = (demand.burst_s / dt).ceil() as usize;
        let bursting = excerpt.loudest.saturating_sub(burst)..=excerpt.loudest;
        // Without a capacitor's charge the node stands at `start_v`.
        let mut state = Euler {
            capacitor_v: start_v,
            node_v: start_v,
            source_a: 0.1,
        };
        let mut course = Course {
            least_v: start_v,
            peak_ma: 0.0,
            regulator_ma: 0.0,
            amplifier_ma: 0.0,
        };
        for (i, &sample) in excerpt.samples.iter().enumerate() {
            let logic_ma = if bursting.contains(&i) {
                demand.burst_ma
            } else {
                demand.logic_ma
            };
            for _ in 0..steps {
                let drawn = self.step(&mut state, k, dt / f64::from(steps), logic_ma, sample);
                // What has broken down draws nothing that can be told.
                if state.node_v <= COLLAPSED_V {
                    continue;
                }
                course.peak_ma = course.peak_ma.max(drawn.source_ma);
                course.regulator_ma = course.regulator_ma.max(drawn.regulator_ma);
                course.amplifier_ma = course.amplifier_ma.max(drawn.amplifier_ma);
            }
            course.least_v = course.least_v.min(state.node_v);
        }
        course
    }

    /// One implicit step: the source's current by Newton's method.
    fn step(&self, state: &mut Euler, k: f64, dt: f64, logic_ma: f64, sample: i16) -> Rest {
        let draw = |node_v: f64| {
            let out_v = self.amplifier.volts(sample, self.amplifier_v(node_v));
            self.drawn(node_v, logic_ma, self.amplifier.output_w(out_v * out_v))
        };
        let mut amps = state.source_a.max(1e-4);
        let mut drawn = draw(state.node_v);
        for _ in 0..8 {
            let node_v = self.node_v(amps * 1e3);
            drawn = draw(node_v.max(COLLAPSED_V));
            let left = node_v - state.capacitor_v - k * (amps - drawn.source_ma / 1e3);
            let slope = -self.ohm - self.diode.map_or(0.0, |_| DIODE_NVT / amps) - k;
            let next = (amps - left / slope).max(amps / 20.0);
            let moved = (next - amps).abs();
            amps = next;
            if moved < 1e-6 {
                break;
            }
        }
        state.source_a = amps;
        state.node_v = self.node_v(amps * 1e3).max(0.0);
        let into_capacitor = amps - drawn.source_ma / 1e3;
        state.capacitor_v += into_capacitor * dt / self.bulk_f;
        drawn
    }
}

/// The circuit's state between two steps.
struct Euler {
    capacitor_v: f64,
    node_v: f64,
    source_a: f64,
}
