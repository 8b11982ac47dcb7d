//! Frame rate conversion: from the source's frame times to the panel's.

use serde::{Deserialize, Serialize};

use crate::units::{Nanos, Ratio};

/// How panel frames are made from source frames.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "program", derive(clap::ValueEnum))]
#[serde(rename_all = "kebab-case")]
pub enum Pace {
    /// The source frame at the panel frame's time.
    #[default]
    Nearest,
    /// The mean of all source frames during the panel frame, weighted by
    /// duration.
    Blend,
}

/// One panel picture and what it is made of.
#[derive(Debug, PartialEq)]
pub struct Shown<'a, P> {
    /// Number of the panel picture.
    pub number: u64,
    /// Source pictures and their weights, which add up to one. One entry
    /// unless pictures are blended.
    pub parts: Vec<(&'a P, f32)>,
    /// True if it is made of the same parts as the panel picture before it.
    pub repeat: bool,
}

struct Held<P> {
    time: i64,
    number: u64,
    item: P,
}

/// Assigns source pictures, pushed in order of time, to panel pictures at
/// `start + n / rate`. Holds back what the next picture's time decides: one
/// picture, or with [`Pace::Blend`] as many as one panel picture spans.
pub struct FramePacer<P> {
    rate: Ratio,
    start: Nanos,
    pace: Pace,
    held: Vec<Held<P>>,
    pushed: u64,
    next: u64,
    last: Vec<(u64, f32)>,
    steps: Steps,
}

/// How even motion is: source time may not advance by one panel interval from
/// picture to picture. Zero where every step is the same.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Judder {
    /// Root mean square of the deviations, in milliseconds.
    pub rms: f64,
    /// Largest deviation, in milliseconds.
    pub worst: f64,
}

/// Steps of source time, summed up.
#[derive(Default)]
struct Steps {
    last: Option<f64>,
    count: u64,
    squares: f64,
    worst: f64,
}

impl Steps {
    fn take(&mut self, source_time: f64, interval: f64) {
        if let Some(last) = self.last {
            let off = source_time - last - interval;
            self.count += 1;
            self.squares += off * off;
            self.worst = self.worst.max(off.abs());
        }
        self.last = Some(source_time);
    }
}

impl<P> FramePacer<P> {
    /// A pacer for panel frames at `rate` frames per second from `start`.
    #[must_use]
    pub fn new(rate: Ratio, start: Nanos, pace: Pace) -> Self {
        Self {
            rate,
            start,
            pace,
            held: Vec::new(),
            pushed: 0,
            next: 0,
            last: Vec::new(),
            steps: Steps::default(),
        }
    }

    /// When panel picture `number` begins.
    #[must_use]
    pub fn time_of(&self, number: u64) -> Nanos {
        let offset = self.rate.tick_of(number, 1_000_000_000);
        Nanos(self.start.0.saturating_add_unsigned(offset))
    }

    /// Unevenness of motion in what was handed out so far.
    #[must_use]
    pub fn judder(&self) -> Judder {
        let count = self.steps.count.max(1) as f64;
        Judder {
            rms: (self.steps.squares / count).sqrt() / 1e6,
            worst: self.steps.worst / 1e6,
        }
    }

    /// Takes the next source picture and hands out the panel pictures that
    /// are now decided.
    ///
    /// # Errors
    /// What `emit` returns.
    pub fn push<E>(
        &mut self,
        time: Nanos,
        item: P,
        mut emit: impl FnMut(Shown<'_, P>) -> Result<(), E>,
    ) -> Result<(), E> {
        self.emit_until(time, &mut emit)?;
        if self.pace == Pace::Nearest {
            self.held.clear();
        } else {
            let due = self.time_of(self.next).0;
            let ended = |pair: &[Held<P>]| pair[1].time <= due;
            let done = self.held.windows(2).take_while(|pair| ended(pair)).count();
            self.held.drain(..done);
        }
        let number = self.pushed;
        self.pushed += 1;
        self.held.push(Held {
            time: time.0,
            number,
            item,
        });
        Ok(())
    }

    /// Hands out the panel pictures that begin before `end`, when the source
    /// has no more.
    ///
    /// # Errors
    /// What `emit` returns.
    pub fn finish<E>(
        &mut self,
        end: Nanos,
        mut emit: impl FnMut(Shown<'_, P>) -> Result<(), E>,
    ) -> Result<(), E> {
        if self.held.is_empty() {
            return Ok(());
        }
        while self.time_of(self.next).0 < end.0 {
            let parts = match self.pace {
                Pace::Nearest => self.chosen(),
                Pace::Blend => self.blended(i64::MAX),
            };
            self.hand_out(parts, &mut emit)?;
        }
        Ok(())
    }

    fn emit_until<E>(
        &mut self,
        upcoming: Nanos,
        emit: &mut impl FnMut(Shown<'_, P>) -> Result<(), E>,
    ) -> Result<(), E> {
        let Some(last) = self.held.last() else {
            return Ok(());
        };
        let slack = self.slack(upcoming.0 - last.time);
        loop {
            let decided = match self.pace {
                Pace::Nearest => self.time_of(self.next).0 + slack < upcoming.0,
                Pace::Blend => self.time_of(self.next + 1).0 <= upcoming.0,
            };
            if !decided {
                return Ok(());
            }
            let parts = match self.pace {
                Pace::Nearest => self.chosen(),
                Pace::Blend => self.blended(upcoming.0),
            };
            self.hand_out(parts, emit)?;
        }
    }

    /// How much later than a panel picture's time its source picture may
    /// start: a quarter of the shorter interval. It keeps time stamps that
    /// were rounded to milliseconds from tipping the choice to and fro.
    fn slack(&self, source_interval: i64) -> i64 {
        let panel_interval = self.time_of(self.next + 1).0 - self.time_of(self.next).0;
        source_interval.clamp(0, panel_interval) / 4
    }

    /// The latest held picture, by its place.
    fn chosen(&self) -> Vec<(usize, f32)> {
        vec![(self.held.len() - 1, 1.0)]
    }

    /// Held pictures by the share of the panel picture's time they are on
    /// show; the last one ends at `end`.
    fn blended(&self, end: i64) -> Vec<(usize, f32)> {
        let (from, to) = (self.time_of(self.next).0, self.time_of(self.next + 1).0);
        let span = (to - from) as f32;
        let mut parts = Vec::new();
        for (place, held) in self.held.iter().enumerate() {
            let starts = if place == 0 { i64::MIN } else { held.time };
            let ends = self.held.get(place + 1).map_or(end, |next| next.time);
            let shared = ends.min(to).saturating_sub(starts.max(from));
            if shared > 0 {
                parts.push((place, shared as f32 / span));
            }
        }
        without_crumbs(parts)
    }

    fn hand_out<E>(
        &mut self,
        parts: Vec<(usize, f32)>,
        emit: &mut impl FnMut(Shown<'_, P>) -> Result<(), E>,
    ) -> Result<(), E> {
        let made_of: Vec<(u64, f32)> = parts
            .iter()
            .map(|&(place, weight)| (self.held[place].number, weight))
            .collect();
        let repeat = made_of == self.last;
        let time =
            |&(place, weight): &(usize, f32)| self.held[place].time as f64 * f64::from(weight);
        let source_time = parts.iter().map(time).sum();
        let interval = self.time_of(self.next + 1).0 - self.time_of(self.next).0;
        self.steps.take(source_time, interval as f64);
        self.last = made_of;
        let number = self.next;
        self.next += 1;
        let parts = parts
            .iter()
            .map(|&(place, weight)| (&self.held[place].item, weight));
        emit(Shown {
            number,
            parts: parts.collect(),
            repeat,
        })
    }
}

/// Drops parts under a sixteenth, which only rounded time stamps make, and
/// scales the rest to add up to one.
fn without_crumbs(mut parts: Vec<(usize, f32)>) -> Vec<(usize, f32)> {
    parts.retain(|&(_, weight)| weight >= 1.0 / 16.0);
    let sum: f32 = parts.iter().map(|&(_, weight)| weight).sum();
    parts.iter_mut().for_each(|(_, weight)| *weight /= sum);
    parts
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What 24, 25, ... source frames per second, time stamps rounded to
    /// milliseconds, become at `rate`: the source picture of every panel
    /// picture and whether it repeats the one before.
    fn chosen(source_rate: (u64, u64), rate: (u32, u32), count: u64) -> Vec<(u64, bool)> {
        let mut seen = Vec::new();
        let mut pacer =
            FramePacer::new(Ratio::new(rate.0, rate.1).unwrap(), Nanos(0), Pace::Nearest);
        let time = |n: u64| Nanos((n * source_rate.1 * 1000 / source_rate.0) as i64 * 1_000_000);
        let mut keep = |shown: Shown<'_, u64>| {
            seen.push((*shown.parts[0].0, shown.repeat));
            Ok::<(), ()>(())
        };
        for n in 0..count {
            pacer.push(time(n), n, &mut keep).unwrap();
        }
        pacer.finish(time(count), &mut keep).unwrap();
        seen
    }

    #[test]
    fn equal_rates_show_every_picture_once() {
        let seen = chosen((24000, 1001), (24000, 1001), 100);
        assert!(
            seen.iter()
                .enumerate()
                .all(|(n, &s)| s == (n as u64, false))
        );
        assert_eq!(seen.len(), 100);
    }

    #[test]
    fn halving_takes_every_other_picture() {
        let seen = chosen((30, 1), (15, 1), 60);
        assert!(
            seen.iter()
                .enumerate()
                .all(|(n, &s)| s == (2 * n as u64, false))
        );
        assert_eq!(seen.len(), 30);
    }

    #[test]
    fn doubling_repeats_and_says_so() {
        let seen = chosen((12, 1), (24, 1), 50);
        let wanted = |n: usize| (n as u64 / 2, n % 2 == 1);
        assert!(seen.iter().enumerate().all(|(n, &s)| s == wanted(n)));
    }

    /// Judder of `source_rate` frames per second shown at `rate` for ten
    /// seconds.
    fn judder(source_rate: i64, rate: u32, pace: Pace) -> Judder {
        let mut pacer = FramePacer::new(Ratio::new(rate, 1).unwrap(), Nanos(0), pace);
        let time = |n: i64| Nanos(n * 1_000_000_000 / source_rate);
        let mut ignore = |_: Shown<'_, ()>| Ok::<(), ()>(());
        for n in 0..10 * source_rate {
            pacer.push(time(n), (), &mut ignore).unwrap();
        }
        pacer.finish(time(10 * source_rate), &mut ignore).unwrap();
        pacer.judder()
    }

    #[test]
    fn blending_is_evener_than_choosing() {
        assert!(judder(30, 15, Pace::Nearest).worst < 0.001);
        for (source_rate, rate) in [(24, 30), (25, 15), (30, 24), (60, 25)] {
            let choose = judder(source_rate, rate, Pace::Nearest);
            let blend = judder(source_rate, rate, Pace::Blend);
            assert!(
                blend.rms < 0.7 * choose.rms,
                "{source_rate} to {rate}: {blend:?} {choose:?}"
            );
            // Choosing is never off by more than one source interval.
            assert!(
                choose.worst <= 1000.0 / source_rate as f64 + 0.001,
                "{choose:?}"
            );
        }
    }

    #[test]
    fn blending_weighs_by_time_on_show() {
        let mut seen = Vec::new();
        let mut pacer = FramePacer::new(Ratio::new(10, 1).unwrap(), Nanos(0), Pace::Blend);
        let mut keep = |shown: Shown<'_, u64>| {
            seen.push(
                shown
                    .parts
                    .iter()
                    .map(|&(n, w)| (*n, w))
                    .collect::<Vec<_>>(),
            );
            Ok::<(), ()>(())
        };
        // 25 frames per second to 10: two and a half each.
        for n in 0..10 {
            pacer
                .push(Nanos(n as i64 * 40_000_000), n, &mut keep)
                .unwrap();
        }
        pacer.finish(Nanos(400_000_000), &mut keep).unwrap();
        assert_eq!(seen.len(), 4);
        assert_eq!(seen[0], [(0, 0.4), (1, 0.4), (2, 0.2)]);
        assert_eq!(seen[1], [(2, 0.2), (3, 0.4), (4, 0.4)]);
        assert_eq!(seen[3], [(7, 0.2), (8, 0.4), (9, 0.4)]);
    }
}
