//! An axis: its ends, its numbers and the minor marks between them.

/// One direction of a chart.
#[derive(Clone, Debug, PartialEq)]
pub struct Axis {
    /// Unit of its values.
    pub unit: String,
    /// Least value.
    pub from: f64,
    /// Greatest value; below `from` until it is filled in.
    pub to: f64,
    /// Values stand at their logarithms.
    pub logarithmic: bool,
}

impl Axis {
    /// An axis in `unit` whose ends follow from what is drawn.
    #[must_use]
    pub fn new(unit: &str) -> Self {
        Self {
            unit: unit.into(),
            from: 0.0,
            to: -1.0,
            logarithmic: false,
        }
    }

    /// The same from `from` to `to`.
    #[must_use]
    pub fn between(self, from: f64, to: f64) -> Self {
        Self { from, to, ..self }
    }

    /// The same with logarithms.
    #[must_use]
    pub fn logarithmic(self) -> Self {
        Self {
            logarithmic: true,
            ..self
        }
    }

    /// Ends around the values, if none are given: from zero or the least value below
    /// it to the greatest, or to the next whole step if it is to be `round`.
    pub(super) fn around(&self, values: impl Iterator<Item = f64> + Clone, round: bool) -> Self {
        if self.to > self.from {
            return self.clone();
        }
        let least = values.clone().fold(f64::INFINITY, f64::min);
        let most = values.fold(f64::NEG_INFINITY, f64::max);
        let mut axis = self.clone();
        if !least.is_finite() {
            return axis.between(0.0, 1.0);
        }
        if self.logarithmic {
            // To the next mark, so that no curve ends on the frame.
            let digit = |v: f64| 10f64.powf(v.log10().floor());
            axis.from = (least / digit(least)).floor() * digit(least);
            axis.to = (most / digit(most)).ceil() * digit(most);
            if axis.to <= axis.from {
                axis.to = axis.from * 10.0;
            }
            return axis;
        }
        axis.from = least.min(0.0);
        axis.to = most.max(axis.from + 1e-6);
        if round {
            let step = axis.step();
            axis.from = (axis.from / step + 1e-9).floor() * step;
            axis.to = (axis.to / step - 1e-9).ceil() * step;
        }
        axis
    }

    /// Where a value stands, in the axis's own measure.
    pub(super) fn place(&self, value: f64) -> f64 {
        if self.logarithmic {
            value.log10()
        } else {
            value
        }
    }

    /// Where a value stands, as a share of the axis.
    pub(super) fn share(&self, value: f64) -> f64 {
        let (from, to) = (self.place(self.from), self.place(self.to));
        (self.place(value) - from) / (to - from)
    }

    /// Distance of the numbers: 1, 2 or 5 times a power of ten, for at most six.
    pub(super) fn step(&self) -> f64 {
        let raw = ((self.to - self.from) / 5.0).max(f64::MIN_POSITIVE);
        let power = 10f64.powf(raw.log10().floor());
        let times = [1.0, 2.0, 5.0, 10.0];
        let times = times.into_iter().find(|t| t * power >= raw * 0.999_999);
        times.unwrap_or(10.0) * power
    }

    /// The values with a number, and the numbers.
    pub(super) fn numbers(&self) -> Vec<(f64, String)> {
        if self.logarithmic {
            let decades = (self.to / self.from).log10();
            let all = decade_marks(self.from, self.to);
            let shown = |(digit, _): &(u32, f64)| match decades {
                d if d > 3.0 => *digit == 1,
                _ => [1, 2, 5].contains(digit),
            };
            let shown = all.into_iter().filter(shown);
            return shown.map(|(_, at)| (at, number(at, at))).collect();
        }
        let step = self.step();
        let first = (self.from / step - 1e-6).ceil() as i64;
        let last = (self.to / step + 1e-6).floor() as i64;
        let values = (first..=last).map(|n| n as f64 * step);
        values.map(|at| (at, number(at, step))).collect()
    }

    /// The values with a mark and no number.
    pub(super) fn minor(&self) -> Vec<f64> {
        if self.logarithmic {
            let all = decade_marks(self.from, self.to);
            return all.into_iter().map(|(_, at)| at).collect();
        }
        let step = self.step() / 5.0;
        let first = (self.from / step - 1e-6).ceil() as i64;
        let last = (self.to / step + 1e-6).floor() as i64;
        (first..=last).map(|n| n as f64 * step).collect()
    }

    /// The unit, and what must be known of the axis to read it.
    pub(super) fn words(&self) -> String {
        if self.logarithmic {
            return format!("{}, logarithmic axis", self.unit);
        }
        match self.from == 0.0 {
            true => self.unit.clone(),
            false => format!(
                "{}, axis from {}",
                self.unit,
                number(self.from, self.step())
            ),
        }
    }
}

/// One to nine times each power of ten.
fn decade_marks(from: f64, to: f64) -> Vec<(u32, f64)> {
    let decades = from.log10().floor() as i32..=to.log10().floor() as i32;
    let all = decades.flat_map(|d| (1..10).map(move |n| (n, f64::from(n) * 10f64.powi(d))));
    all.filter(|(_, at)| *at >= from * 0.999_999 && *at <= to * 1.000_001)
        .collect()
}

/// A value with the digits that tell it from the next at a distance of `step`.
#[must_use]
pub fn number(value: f64, step: f64) -> String {
    let digits = (-(step.abs().max(1e-9)).log10() + 1e-9).ceil().max(0.0) as usize;
    let text = format!("{value:.digits$}");
    if text
        .trim_start_matches('-')
        .chars()
        .all(|c| c == '0' || c == '.')
    {
        return text.trim_start_matches('-').to_owned();
    }
    text
}
