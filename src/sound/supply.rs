//! Power and heat: what the sound draws from the supply, and what gets warm.

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
}

impl AmplifierLoad {
    /// Power in the load for a mean square of `square` volts², W.
    fn output_w(&self, square: f64) -> f64 {
        square / self.load_ohm
    }

    /// Supply current for that power, mA: the quiescent current and what the
    /// load takes, through the efficiency at high level.
    #[must_use]
    pub fn current_ma(&self, output_w: f64) -> f64 {
        self.quiescent_ma + 1000.0 * output_w / (self.efficiency * self.supply_v)
    }

    /// Efficiency at an output power, 0..=1: the quiescent power weighs most
    /// when it is soft.
    #[must_use]
    pub fn efficiency_at(&self, output_w: f64) -> f64 {
        output_w / (self.supply_v * self.current_ma(output_w) / 1000.0)
    }

    /// Output volts of one sample, clipped at the supply.
    fn volts(&self, sample: i16) -> f64 {
        let swing = self.supply_v * self.load_ohm / (self.load_ohm + self.output_ohm);
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
            self.square += self.load.volts(sample).powi(2);
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

/// Where the amplifier takes its power.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Tap {
    /// Before the regulator, behind the diode.
    Source,
    /// From the regulator.
    Regulator,
}

/// How the logic's voltage is made.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Conversion {
    /// Linear: the difference becomes heat.
    Linear {
        /// The regulator's own current, mA.
        quiescent_ma: f64,
    },
    /// Switching, with this efficiency.
    Switching {
        /// Share of the input power that comes out, 0..=1.
        efficiency: f64,
    },
}

/// The way of the current from the source to logic and amplifier.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Feed {
    /// Source voltage, V.
    pub source_v: f64,
    /// Inner resistance of the source, ohms.
    pub source_ohm: f64,
    /// Drop of the diode, V.
    pub diode_v: f64,
    /// How the logic's voltage is made.
    pub conversion: Conversion,
    /// The logic's voltage, V.
    pub logic_v: f64,
    /// Mean current of the logic (computer, panel, links), mA.
    pub logic_ma: f64,
    /// Where the amplifier takes its power.
    pub tap: Tap,
    /// Thermal resistance of the regulator, junction to ambient, °C per watt.
    pub regulator_theta: f64,
    /// Thermal resistance of the amplifier, junction to ambient, °C per watt.
    pub amplifier_theta: f64,
    /// Time in which a part comes within a third of its last temperature, s.
    pub thermal_s: f64,
    /// Temperature around the board, °C.
    pub ambient_c: f64,
}

/// Currents along the way, mA.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Currents {
    /// Out of the source and through the diode.
    pub source: f64,
    /// Out of the regulator.
    pub regulator: f64,
}

/// Temperatures after a time, °C.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Heat {
    /// Power that the regulator turns into heat, W.
    pub regulator_w: f64,
    /// Temperature inside the regulator.
    pub regulator_c: f64,
    /// Power that the amplifier turns into heat, W.
    pub amplifier_w: f64,
    /// Temperature inside the amplifier.
    pub amplifier_c: f64,
}

impl Feed {
    /// Volts behind the diode.
    #[must_use]
    pub fn board_v(&self) -> f64 {
        self.source_v - self.diode_v
    }

    /// Volts that reach the amplifier.
    #[must_use]
    pub fn amplifier_v(&self) -> f64 {
        match self.tap {
            Tap::Source => self.board_v(),
            Tap::Regulator => self.logic_v,
        }
    }

    /// Currents while the amplifier takes `amplifier_ma`.
    #[must_use]
    pub fn currents(&self, amplifier_ma: f64) -> Currents {
        let (regulator, direct) = match self.tap {
            Tap::Source => (self.logic_ma, amplifier_ma),
            Tap::Regulator => (self.logic_ma + amplifier_ma, 0.0),
        };
        let input = match self.conversion {
            Conversion::Linear { quiescent_ma } => regulator + quiescent_ma,
            Conversion::Switching { efficiency } => {
                regulator * self.logic_v / (efficiency * self.board_v())
            }
        };
        Currents {
            source: input + direct,
            regulator,
        }
    }

    /// Volts that are left of the source while `source_ma` flow.
    #[must_use]
    pub fn sagged_v(&self, source_ma: f64) -> f64 {
        self.source_v - source_ma / 1000.0 * self.source_ohm
    }

    /// Power that the regulator turns into heat while `amplifier_ma` flow, W:
    /// (Vin - Vout) I + Vin Iq for a linear one.
    #[must_use]
    pub fn regulator_w(&self, amplifier_ma: f64) -> f64 {
        let out = self.currents(amplifier_ma).regulator / 1000.0;
        match self.conversion {
            Conversion::Linear { quiescent_ma } => {
                (self.board_v() - self.logic_v) * out + self.board_v() * quiescent_ma / 1000.0
            }
            Conversion::Switching { efficiency } => self.logic_v * out * (1.0 / efficiency - 1.0),
        }
    }

    /// Temperatures after `seconds` of sound that draws `used` on average.
    #[must_use]
    pub fn heat(&self, used: &CurrentUse, seconds: f64) -> Heat {
        let warmed = 1.0 - (-seconds / self.thermal_s).exp();
        let regulator_w = self.regulator_w(used.mean_ma);
        let rise = |watts: f64, theta: f64| self.ambient_c + watts * theta * warmed;
        Heat {
            regulator_w,
            regulator_c: rise(regulator_w, self.regulator_theta),
            amplifier_w: used.loss_w,
            amplifier_c: rise(used.loss_w, self.amplifier_theta),
        }
    }

    /// Hours on a cell of `capacity_mah`, by mean current; a real cell gives
    /// less when it is old, cold, or loaded hard.
    #[must_use]
    pub fn hours(&self, capacity_mah: f64, amplifier_ma: f64) -> f64 {
        capacity_mah / self.currents(amplifier_ma).source
    }
}
