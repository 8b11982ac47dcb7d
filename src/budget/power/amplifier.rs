//! The amplifier as a consumer: what sound draws from its supply.

use crate::board::Board;

/// The amplifier as a consumer.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AmplifierLoad {
    /// Volts that reach the amplifier.
    pub supply_v: f64,
    /// Output volts of full scale 1.0, peak.
    pub full_scale_v: f64,
    /// Load, ohms.
    pub load_ohm: f64,
    /// Resistance of the output switches, ohms.
    pub output_ohm: f64,
    /// Efficiency at high level, 0..=1.
    pub efficiency: f64,
    /// Current with silence, mA.
    pub quiescent_ma: f64,
    /// Most power that it gives, W.
    pub max_w: f64,
}

impl AmplifierLoad {
    /// The profile's amplifier at a gain and a software volume, fed by
    /// `supply_v`.
    #[must_use]
    pub fn of(board: &Board, gain_db: f64, volume_db: f64, supply_v: f64) -> Self {
        let amplifier = &board.sound.amplifier;
        let dbv = amplifier.reference_dbv + gain_db + volume_db;
        Self {
            supply_v,
            full_scale_v: 10f64.powf(dbv / 20.0) * std::f64::consts::SQRT_2,
            load_ohm: board.sound.speaker.impedance_ohm,
            output_ohm: amplifier.output_ohm,
            efficiency: amplifier.efficiency,
            quiescent_ma: amplifier.quiescent_ma,
            max_w: amplifier.max_w,
        }
    }

    /// Power in the load for a mean square of `square` volts², W.
    #[must_use]
    pub fn output_w(&self, square: f64) -> f64 {
        square / self.load_ohm
    }

    /// Supply current for that power, mA: the quiescent current and what the
    /// load takes, through the efficiency at high level.
    #[must_use]
    pub fn current_ma(&self, output_w: f64) -> f64 {
        self.current_at(output_w, self.supply_v)
    }

    /// The same from another supply.
    #[must_use]
    pub fn current_at(&self, output_w: f64, supply_v: f64) -> f64 {
        self.quiescent_ma + 1000.0 * output_w / (self.efficiency * supply_v.max(0.1))
    }

    /// Efficiency at an output power, 0..=1: the quiescent power weighs most
    /// when it is soft.
    #[must_use]
    pub fn efficiency_at(&self, output_w: f64) -> f64 {
        output_w / (self.supply_v * self.current_ma(output_w) / 1000.0)
    }

    /// Highest output volts at a supply: a bridge swings by the supply both
    /// ways, less what its own resistance takes, and never beyond its power.
    #[must_use]
    pub fn swing_v(&self, supply_v: f64) -> f64 {
        let swing = supply_v.max(0.0) * self.load_ohm / (self.load_ohm + self.output_ohm);
        swing.min((2.0 * self.max_w * self.load_ohm).sqrt())
    }

    /// Output volts of one sample at a supply, clipped there.
    #[must_use]
    pub fn volts(&self, sample: i16, supply_v: f64) -> f64 {
        let swing = self.swing_v(supply_v);
        (f64::from(sample) / 32_768.0 * self.full_scale_v).clamp(-swing, swing)
    }
}

/// Length of one reading of the current, seconds: bass notes show as pulses,
/// and what is shorter comes from the capacitors.
const READING: f64 = 0.005;
/// Points of the kept curve at most; it gets coarser as the sound gets longer.
const POINTS: usize = 512;

/// Follows the amplifier's supply current over time.
#[derive(Debug)]
pub struct CurrentMeter {
    load: AmplifierLoad,
    window: u32,
    filled: u32,
    square: f64,
    readings: u64,
    output_w: f64,
    peak_ma: f64,
    curve: Curve,
}

/// The supply current of one piece of sound.
#[derive(Debug, Clone, PartialEq)]
pub struct CurrentUse {
    /// Mean current, mA.
    pub mean_ma: f64,
    /// Highest mean over 5 ms, mA.
    pub peak_ma: f64,
    /// Mean power in the speaker, W.
    pub output_w: f64,
    /// Power that stays in the amplifier, W.
    pub loss_w: f64,
    /// Seconds that one point of the curve stands for.
    pub step_seconds: f64,
    /// Highest current within each step, mA.
    pub curve_ma: Vec<f64>,
}

impl CurrentMeter {
    /// A meter for samples at `rate` Hz.
    #[must_use]
    pub fn new(load: AmplifierLoad, rate: u32) -> Self {
        let window = ((READING * f64::from(rate)) as u32).max(1);
        Self {
            load,
            window,
            filled: 0,
            square: 0.0,
            readings: 0,
            output_w: 0.0,
            peak_ma: load.quiescent_ma,
            curve: Curve::new(f64::from(window) / f64::from(rate)),
        }
    }

    /// Takes samples.
    pub fn push(&mut self, samples: &[i16]) {
        for &sample in samples {
            self.square += self.load.volts(sample, self.load.supply_v).powi(2);
            self.filled += 1;
            if self.filled == self.window {
                self.read();
            }
        }
    }

    fn read(&mut self) {
        let output_w = self.load.output_w(self.square / f64::from(self.filled));
        let current = self.load.current_ma(output_w);
        self.output_w += output_w;
        self.readings += 1;
        self.peak_ma = self.peak_ma.max(current);
        self.curve.push(current);
        (self.filled, self.square) = (0, 0.0);
    }

    /// The figures so far.
    #[must_use]
    pub fn finish(mut self) -> CurrentUse {
        if self.filled > 0 {
            self.read();
        }
        let output_w = self.output_w / self.readings.max(1) as f64;
        let mean_ma = self.load.current_ma(output_w);
        CurrentUse {
            mean_ma,
            peak_ma: self.peak_ma,
            output_w,
            loss_w: self.load.supply_v * mean_ma / 1000.0 - output_w,
            step_seconds: self.curve.step,
            curve_ma: self.curve.finish(),
        }
    }
}

/// Highest values over equal steps; the steps double when there are too many.
#[derive(Debug)]
struct Curve {
    step: f64,
    each: u32,
    filled: u32,
    open: f64,
    points: Vec<f64>,
}

impl Curve {
    fn new(step: f64) -> Self {
        Self {
            step,
            each: 1,
            filled: 0,
            open: 0.0,
            points: Vec::new(),
        }
    }

    fn push(&mut self, value: f64) {
        self.open = self.open.max(value);
        self.filled += 1;
        if self.filled == self.each {
            self.points.push(self.open);
            (self.filled, self.open) = (0, 0.0);
        }
        if self.points.len() == 2 * POINTS {
            self.points = self.points.chunks(2).map(|p| p[0].max(p[1])).collect();
            self.each *= 2;
            self.step *= 2.0;
        }
    }

    fn finish(mut self) -> Vec<f64> {
        if self.filled > 0 {
            self.points.push(self.open);
        }
        self.points
    }
}
