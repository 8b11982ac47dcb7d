//! Look-ahead gain envelope: smooth, and never above the wanted gain of any
//! sample.

use std::collections::VecDeque;

/// Gains are counted in these steps, so that running sums are exact.
const ONE: u64 = 1 << 30;

/// Makes one smooth gain for each sample from wanted gains.
///
/// With `w` wanted gains for the samples (or windows) `t ..= t + reach - 1`,
/// the gain for sample `t` is at most the least of them. It is the mean, over
/// `smooth` places, of a sliding least value with slow release; so it begins to
/// fall `smooth` samples before it must.
#[derive(Debug)]
pub(super) struct Envelope {
    hold: usize,
    release: u64,
    least: VecDeque<(u64, u64)>,
    pushed: u64,
    released: u64,
    boxes: [RunningMean; 2],
    /// How many pushes in a row changed nothing.
    idle: usize,
    settled: usize,
}

impl Envelope {
    /// Reach and smoothing in samples, release as a time constant in samples.
    pub(super) fn new(reach: usize, smooth: usize, release: f64) -> Self {
        let half = (smooth / 2).max(1);
        Self {
            hold: reach + 2 * half - 2,
            release: ((1.0 - (-1.0 / release.max(1.0)).exp()) * ONE as f64) as u64,
            least: VecDeque::new(),
            pushed: 0,
            released: ONE,
            boxes: [RunningMean::new(half), RunningMean::new(half)],
            idle: 0,
            settled: reach + 4 * half,
        }
    }

    /// How many samples later the gain for a sample is known.
    pub(super) fn delay(&self) -> usize {
        self.hold - 1
    }

    /// Takes the wanted gain (0..=1) of one sample; returns the gain of the
    /// sample [`Envelope::delay`] earlier.
    pub(super) fn push(&mut self, wanted: f64) -> f64 {
        // Once everything inside is one, another one changes nothing.
        if wanted >= 1.0 && self.idle > self.settled {
            self.pushed += 1;
            return 1.0;
        }
        let least = self.slide((wanted.clamp(0.0, 1.0) * ONE as f64) as u64);
        // Both factors are at most 2^30; the last step of one makes it arrive.
        let risen = self.released + (ONE - self.released) * self.release / ONE + 1;
        self.released = least.min(risen).min(ONE);
        self.idle = if self.released == ONE {
            self.idle + 1
        } else {
            0
        };
        let [first, second] = &mut self.boxes;
        let mean = second.push(first.push(self.released));
        mean as f64 / ONE as f64
    }

    /// Least of the last `hold` values, by a queue of candidates.
    fn slide(&mut self, value: u64) -> u64 {
        while self.least.back().is_some_and(|&(_, v)| v >= value) {
            self.least.pop_back();
        }
        self.least.push_back((self.pushed, value));
        self.pushed += 1;
        if self.least[0].0 + (self.hold as u64) < self.pushed {
            self.least.pop_front();
        }
        self.least[0].1
    }
}

/// Mean of the last values, rounded down; before the first it was [`ONE`].
#[derive(Debug)]
struct RunningMean {
    values: VecDeque<u64>,
    sum: u64,
}

impl RunningMean {
    fn new(length: usize) -> Self {
        Self {
            values: VecDeque::from(vec![ONE; length]),
            sum: ONE * length as u64,
        }
    }

    fn push(&mut self, value: u64) -> u64 {
        let gone = self.values.pop_front().unwrap_or(0);
        self.values.push_back(value);
        self.sum = self.sum + value - gone;
        self.sum / self.values.len() as u64
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn never_more_than_wanted_within_reach_and_back_to_one() {
        for (reach, smooth) in [(1, 2), (1, 64), (5, 32), (100, 10)] {
            let mut envelope = Envelope::new(reach, smooth, 50.0);
            let wanted: Vec<f64> = (0..4000u32)
                .map(|i| {
                    if i < 2000 {
                        f64::from(i.wrapping_mul(2_654_435_761) >> 16) / 65_536.0
                    } else {
                        1.0
                    }
                })
                .collect();
            let delay = envelope.delay();
            let gains: Vec<f64> = wanted
                .iter()
                .map(|&w| envelope.push(w))
                .skip(delay)
                .collect();
            for (t, gain) in gains.iter().enumerate() {
                let least = wanted[t..(t + reach).min(wanted.len())]
                    .iter()
                    .fold(1.0f64, |m, w| m.min(*w));
                assert!(
                    *gain <= least,
                    "reach {reach}, smooth {smooth}, {t}: {gain} > {least}"
                );
            }
            assert!(gains.last().unwrap() > &0.999_999);
        }
    }
}
