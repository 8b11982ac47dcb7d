//! A small driver in its box: R. H. Small, "Closed-Box Loudspeaker Systems",
//! J. Audio Eng. Soc., 1972 (formulas from memory, checked by a test).
//!
//! ```text
//! fc = fs sqrt(1 + Vas/Vb)     Qtc = Qts sqrt(1 + Vas/Vb)
//! H(s) = s² / (s² + s/Qtc + 1), s = j f/fc
//! ```

use std::f64::consts::{FRAC_1_SQRT_2, PI, SQRT_2, TAU};

use super::biquad::Coefficients;
use super::error::{SoundError, in_range};
use super::shape::{HighPass, HighShelf};

/// Density of air at 20 °C, kg/m³.
const AIR: f64 = 1.204;
/// Speed of sound at 20 °C, m/s.
const SPEED: f64 = 343.2;
/// Sound pressure of 0 dB, Pa.
const ZERO_DB: f64 = 20e-6;

/// What is known of a driver; what is not is guessed from its size.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct DriverDatasheet {
    /// Diameter of the cone, or of the circle of equal area, mm.
    pub diameter_mm: f64,
    /// Nominal impedance, ohms.
    pub impedance_ohm: f64,
    /// Rated continuous power, W.
    pub rated_w: f64,
    /// Resonance in free air (fs), Hz.
    pub resonance_hz: Option<f64>,
    /// Total quality factor (Qts).
    pub q_total: Option<f64>,
    /// Volume of air as stiff as the suspension (Vas), litres.
    pub vas_litres: Option<f64>,
    /// Effective cone area (Sd), cm².
    pub cone_cm2: Option<f64>,
    /// Linear excursion one way (Xmax), mm.
    pub excursion_mm: Option<f64>,
    /// Sound pressure at 1 W and 1 m, dB.
    pub sensitivity_db: Option<f64>,
}

/// A driver with every figure, and the names of those that were guessed.
#[derive(Debug, Clone, PartialEq)]
pub struct Driver {
    /// Resonance in free air (fs), Hz.
    pub resonance_hz: f64,
    /// Total quality factor (Qts).
    pub q_total: f64,
    /// Volume of air as stiff as the suspension (Vas), litres.
    pub vas_litres: f64,
    /// Effective cone area (Sd), cm².
    pub cone_cm2: f64,
    /// Linear excursion one way (Xmax), mm.
    pub excursion_mm: f64,
    /// Sound pressure at 1 W and 1 m into half space, dB.
    pub sensitivity_db: f64,
    /// Nominal impedance, ohms.
    pub impedance_ohm: f64,
    /// Rated continuous power, W.
    pub rated_w: f64,
    /// Which figures were guessed, by name.
    pub guessed: Vec<&'static str>,
}

impl Driver {
    /// Fills what the sheet leaves open.
    ///
    /// The guesses are rules of thumb of ours for full-range drivers of 15 to
    /// 80 mm (no source): fs = 14000 Hz mm / d, a moving mass of 1 g at 40 mm
    /// that goes with the area, Qts = 1, Xmax = d/70. Vas then follows from fs,
    /// area and mass, the sensitivity from Small's reference efficiency with a
    /// mechanical Q of 4.
    ///
    /// # Errors
    /// A figure that no driver has.
    pub fn new(sheet: &DriverDatasheet) -> Result<Self, SoundError> {
        in_range("the cone's diameter", sheet.diameter_mm, (5.0, 500.0), "mm")?;
        in_range("the impedance", sheet.impedance_ohm, (1.0, 200.0), "ohms")?;
        in_range("the rated power", sheet.rated_w, (0.01, 1000.0), "W")?;
        let mut guessed = Vec::new();
        let mut or = |known: Option<f64>, name: &'static str, guess: f64| {
            known.unwrap_or_else(|| {
                guessed.push(name);
                guess
            })
        };
        let d = sheet.diameter_mm;
        let cone_cm2 = sheet.cone_cm2.unwrap_or(PI * (d / 20.0).powi(2));
        let resonance_hz = or(sheet.resonance_hz, "resonance", 14_000.0 / d);
        let q_total = or(sheet.q_total, "Qts", 1.0);
        let mass = 1e-3 * (d / 40.0).powi(2);
        let vas_litres = or(sheet.vas_litres, "Vas", vas(resonance_hz, cone_cm2, mass));
        let excursion_mm = or(sheet.excursion_mm, "Xmax", d / 70.0);
        let efficiency = reference_efficiency(resonance_hz, q_total, vas_litres);
        let sensitivity_db = or(sheet.sensitivity_db, "sensitivity", sensitivity(efficiency));
        let driver = Self {
            resonance_hz,
            q_total,
            vas_litres,
            cone_cm2,
            excursion_mm,
            sensitivity_db,
            impedance_ohm: sheet.impedance_ohm,
            rated_w: sheet.rated_w,
            guessed,
        };
        driver.check()?;
        Ok(driver)
    }

    fn check(&self) -> Result<(), SoundError> {
        in_range(
            "the driver's resonance",
            self.resonance_hz,
            (10.0, 10_000.0),
            "Hz",
        )?;
        in_range("Qts", self.q_total, (0.05, 20.0), "")?;
        in_range("Vas", self.vas_litres, (1e-5, 10_000.0), "litres")?;
        in_range("the cone's area", self.cone_cm2, (0.05, 5000.0), "cm²")?;
        in_range("Xmax", self.excursion_mm, (0.01, 100.0), "mm")?;
        in_range("the sensitivity", self.sensitivity_db, (30.0, 130.0), "dB")
    }

    /// The volume that gives the closed box this Q, in litres; `None` when the
    /// driver's own Q is too high for any box.
    #[must_use]
    pub fn volume_for(&self, q: f64) -> Option<f64> {
        let ratio = (q / self.q_total).powi(2) - 1.0;
        (ratio > 0.0).then(|| self.vas_litres / ratio)
    }
}

/// Vas in litres, from resonance, cone area and moving mass (kg):
/// Vas = rho c² Sd² Cms, Cms = 1 / ((2 pi fs)² Mms).
fn vas(resonance_hz: f64, cone_cm2: f64, mass: f64) -> f64 {
    let compliance = 1.0 / ((TAU * resonance_hz).powi(2) * mass);
    AIR * SPEED.powi(2) * (cone_cm2 * 1e-4).powi(2) * compliance * 1000.0
}

/// Small's reference efficiency into half space: 4 pi² fs³ Vas / (c³ Qes).
fn reference_efficiency(resonance_hz: f64, q_total: f64, vas_litres: f64) -> f64 {
    const Q_MECHANICAL: f64 = 4.0;
    let q_electric = 1.0 / (1.0 / q_total - 1.0 / Q_MECHANICAL).max(0.05);
    4.0 * PI.powi(2) / SPEED.powi(3) * resonance_hz.powi(3) * vas_litres * 1e-3 / q_electric
}

/// Pressure at 1 W and 1 m in dB, from the efficiency into half space.
fn sensitivity(efficiency: f64) -> f64 {
    let pressure = (efficiency * AIR * SPEED / TAU).sqrt();
    20.0 * (pressure / ZERO_DB).log10()
}

/// How the driver is mounted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Mounting {
    /// In a closed box of this many litres of air.
    Closed(f64),
    /// In free air: the back of the cone cancels its front.
    FreeAir,
}

/// A driver as it is mounted.
#[derive(Debug, Clone, PartialEq)]
pub struct Enclosure {
    /// The driver.
    pub driver: Driver,
    /// How it is mounted.
    pub mounting: Mounting,
    /// System resonance (fc), Hz.
    pub resonance_hz: f64,
    /// System Q (Qtc).
    pub q: f64,
}

impl Enclosure {
    /// The driver in its box, or in free air.
    ///
    /// # Errors
    /// A volume that is out of range.
    pub fn new(driver: Driver, mounting: Mounting) -> Result<Self, SoundError> {
        let rise = match mounting {
            Mounting::Closed(litres) => {
                in_range("the box", litres, (1e-4, 10_000.0), "litres")?;
                (1.0 + driver.vas_litres / litres).sqrt()
            }
            Mounting::FreeAir => 1.0,
        };
        let (resonance_hz, q) = (driver.resonance_hz * rise, driver.q_total * rise);
        Ok(Self {
            driver,
            mounting,
            resonance_hz,
            q,
        })
    }

    /// Response at `hz` against the driver's level far above resonance, dB.
    #[must_use]
    pub fn response_db(&self, hz: f64) -> f64 {
        20.0 * (second_order(hz / self.resonance_hz, self.q) * self.baffle(hz)).log10()
    }

    /// Where the response is 3 dB down, Hz. For a closed box
    /// f3/fc = sqrt((a + sqrt(a² + 4)) / 2) with a = 1/Qtc² - 2.
    #[must_use]
    pub fn cutoff_hz(&self) -> f64 {
        if self.mounting == Mounting::FreeAir {
            let down = |hz: f64| self.response_db(hz) < -3.0103;
            let top = (0..=4000)
                .rev()
                .map(|i| self.resonance_hz * 2f64.powf(f64::from(i - 2000) / 200.0));
            return top
                .take_while(|&hz| !down(hz))
                .last()
                .unwrap_or(self.resonance_hz);
        }
        let a = 1.0 / self.q.powi(2) - 2.0;
        self.resonance_hz * ((a + (a * a + 4.0).sqrt()) / 2.0).sqrt()
    }

    /// Height of the peak above the flat part, dB; 0 without one. It is
    /// Qtc² / sqrt(Qtc² - 1/4).
    #[must_use]
    pub fn response_peak_db(&self) -> f64 {
        if self.q <= FRAC_1_SQRT_2 {
            return 0.0;
        }
        20.0 * (self.q.powi(2) / (self.q.powi(2) - 0.25).sqrt()).log10()
    }

    /// Peak excursion for a sine of `watts` at `hz`, mm, from the pressure that
    /// the sensitivity promises: a piston in half space whose acceleration is
    /// a = 2 pi r p / (rho Sd).
    #[must_use]
    pub fn excursion_mm(&self, hz: f64, watts: f64) -> f64 {
        let pressure = ZERO_DB * 10f64.powf(self.driver.sensitivity_db / 20.0) * watts.sqrt();
        let acceleration = TAU * pressure / (AIR * self.driver.cone_cm2 * 1e-4);
        let moved = second_order(hz / self.resonance_hz, self.q);
        SQRT_2 * acceleration * moved / (TAU * hz).powi(2) * 1000.0
    }

    /// Most power of a sine at `hz` that stays within excursion and rating, W.
    #[must_use]
    pub fn power_limit_w(&self, hz: f64) -> f64 {
        let excursion = (self.driver.excursion_mm / self.excursion_mm(hz, 1.0)).powi(2);
        excursion.min(self.driver.rated_w)
    }

    /// Loudest sine at `hz` and `metres`, dB SPL.
    #[must_use]
    pub fn loudest_db(&self, hz: f64, metres: f64) -> f64 {
        self.level_db(hz, self.power_limit_w(hz), metres)
    }

    /// Level of a sine of `watts` at `hz` and `metres`, dB SPL.
    #[must_use]
    pub fn level_db(&self, hz: f64, watts: f64, metres: f64) -> f64 {
        self.driver.sensitivity_db + 10.0 * watts.log10() - 20.0 * metres.log10()
            + self.response_db(hz)
    }

    /// The high-pass for this speaker: at its -3 dB point, or higher where
    /// `watts` would else move the cone too far. Its Q flattens the box's peak.
    #[must_use]
    pub fn high_pass(&self, watts: f64) -> HighPass {
        let q = if self.q > 1.0 { 0.58 } else { FRAC_1_SQRT_2 };
        let lowest = self.cutoff_hz().min(self.resonance_hz * 1.2);
        let mut hz = lowest;
        while hz < 8.0 * lowest && self.worst_excursion(hz, q, watts) > self.driver.excursion_mm {
            hz *= 1.02;
        }
        HighPass { hz, order: 2, q }
    }

    /// Largest excursion over all frequencies behind a second-order high-pass, mm.
    fn worst_excursion(&self, corner: f64, q: f64, watts: f64) -> f64 {
        let frequencies = (0..200).map(|i| 20.0 * 2f64.powf(f64::from(i) / 20.0));
        let moved =
            frequencies.map(|hz| self.excursion_mm(hz, watts) * second_order(hz / corner, q));
        moved.fold(0.0, f64::max)
    }

    /// A high shelf that balances missing bass: one dB less presence for each octave
    /// that the cut-off lies above 200 Hz, four at most (a rule of thumb of ours).
    #[must_use]
    pub fn high_shelf(&self) -> Option<HighShelf> {
        let db = -(self.cutoff_hz() / 200.0).log2().clamp(0.0, 4.0);
        (db < -0.25).then_some(HighShelf {
            hz: HighShelf::PRESENCE_HZ,
            db,
        })
    }

    /// Filters that make sound as this speaker renders it, at `rate` Hz.
    #[must_use]
    pub fn rendering(&self, rate: f64) -> Vec<Coefficients> {
        let below = |hz: f64| hz.min(0.4 * rate);
        let mut sections = vec![Coefficients::high_pass(
            below(self.resonance_hz),
            self.q,
            rate,
        )];
        if self.mounting == Mounting::FreeAir {
            sections.push(Coefficients::high_pass_first_order(
                below(self.cancelling_hz()),
                rate,
            ));
        }
        sections
    }

    /// In free air the back cancels the front below about c / (pi d), 6 dB an
    /// octave (the first-order approximation of a dipole; from memory).
    fn cancelling_hz(&self) -> f64 {
        let diameter = 2.0 * (self.driver.cone_cm2 * 1e-4 / PI).sqrt();
        SPEED / (PI * diameter)
    }

    fn baffle(&self, hz: f64) -> f64 {
        match self.mounting {
            Mounting::Closed(_) => 1.0,
            Mounting::FreeAir => {
                let x = hz / self.cancelling_hz();
                x / (1.0 + x * x).sqrt()
            }
        }
    }
}

/// Magnitude of s² / (s² + s/Q + 1) at s = j x.
fn second_order(x: f64, q: f64) -> f64 {
    x * x / (1.0 - x * x).hypot(x / q)
}
