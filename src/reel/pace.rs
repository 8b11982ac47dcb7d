//! How a reel spends a link: mean rate, worst second, and the bytes to have
//! before play starts.

use std::collections::VecDeque;

/// Mean and worst bytes per second. Holds the slices of one second.
pub(crate) struct Rates {
    clock_rate: u32,
    bytes: u64,
    /// Slices that start within the last second.
    window: VecDeque<(u64, u32)>,
    window_bytes: u64,
    worst_window: u64,
}

impl Rates {
    pub(crate) fn new(clock_rate: u32) -> Self {
        Self {
            clock_rate,
            bytes: 0,
            window: VecDeque::new(),
            window_bytes: 0,
            worst_window: 0,
        }
    }

    pub(crate) fn slice(&mut self, time: u64, length: u32) {
        self.bytes += u64::from(length);
        self.window.push_back((time, length));
        self.window_bytes += u64::from(length);
        while let Some(&(t, l)) = self.window.front()
            && time - t >= u64::from(self.clock_rate)
        {
            self.window.pop_front();
            self.window_bytes -= u64::from(l);
        }
        self.worst_window = self.worst_window.max(self.window_bytes);
    }

    /// Bytes per second over `duration` ticks, rounded up.
    pub(crate) fn mean(&self, duration: u64) -> u32 {
        let scaled = u128::from(self.bytes) * u128::from(self.clock_rate);
        saturate(scaled.div_ceil(u128::from(duration.max(1))))
    }

    /// Most bytes of slices that start within one second.
    pub(crate) fn worst(&self) -> u32 {
        saturate(self.worst_window.into())
    }
}

/// Rates, and what must be there before play starts. Memory does not grow with
/// the reel's length but with how unevenly its bytes fall.
pub(crate) struct Pace {
    pub(crate) rates: Rates,
    first: u64,
    /// Upper hull of (ticks since the start, bytes up to and with the slice):
    /// the slices that can run dry at some rate.
    hull: Vec<(i128, i128)>,
}

impl Pace {
    pub(crate) fn new(clock_rate: u32, first: u64) -> Self {
        Self {
            rates: Rates::new(clock_rate),
            first,
            hull: Vec::new(),
        }
    }

    pub(crate) fn slice(&mut self, time: u64, length: u32) {
        self.rates.slice(time, length);
        let bytes = self.rates.bytes;
        let time = i128::from(time) - i128::from(self.first);
        self.extend_hull((time, bytes.into()));
    }

    fn extend_hull(&mut self, p: (i128, i128)) {
        while let [.., a, b] = self.hull[..]
            && (b.0 - a.0) * (p.1 - a.1) >= (p.0 - a.0) * (b.1 - a.1)
        {
            self.hull.pop();
        }
        self.hull.push(p);
    }

    /// The least lead in bytes with which a link of the mean rate
    /// has every slice there when its time comes.
    pub(crate) fn prebuffer(&self, duration: u64) -> u32 {
        let rate = i128::from(self.rates.mean(duration));
        let clock = i128::from(self.rates.clock_rate);
        let lead = self.hull.iter().map(|&(t, b)| b - rate * t / clock).max();
        saturate(lead.unwrap_or(0).max(0) as u128)
    }
}

fn saturate(n: u128) -> u32 {
    u32::try_from(n).unwrap_or(u32::MAX)
}

#[cfg(test)]
mod tests {
    use super::Pace;

    #[test]
    fn even_slices_need_only_the_first() {
        let mut pace = Pace::new(1000, 0);
        for i in 0..100 {
            pace.slice(i * 100, 512);
        }
        assert_eq!(pace.rates.mean(10_000), 5120);
        assert_eq!(pace.rates.worst(), 5120);
        assert_eq!(pace.prebuffer(10_000), 512);
    }

    #[test]
    fn prebuffer_is_the_least_that_never_runs_dry() {
        let slices: Vec<(u64, u32)> = (0..400_u64)
            .map(|i| (i * 50, 512 * (1 + (i * i * 7 % 31) as u32)))
            .collect();
        let mut pace = Pace::new(1000, 0);
        slices.iter().for_each(|&(t, l)| pace.slice(t, l));
        let rate = i64::from(pace.rates.mean(20_000));
        let mut sum = 0;
        let lead = slices.iter().map(|&(t, l)| {
            sum += i64::from(l);
            sum - rate * t as i64 / 1000
        });
        assert_eq!(i64::from(pace.prebuffer(20_000)), lead.max().unwrap());
    }
}
