//! Cuts coded pictures and samples into slices: small enough for a board's
//! memory, each with its sound, each beginning at a picture where it can.

use std::collections::VecDeque;

use crate::reel::{Picture, even_offset};

/// A slice before its sound is coded.
#[derive(Debug, PartialEq)]
pub(super) struct Cut {
    /// Tick of its first sample.
    pub(super) time: u64,
    /// Ticks it lasts.
    pub(super) ticks: u32,
    /// Its samples, one a tick; empty in a silent reel.
    pub(super) samples: Vec<i16>,
    /// Its pictures, offsets set.
    pub(super) pictures: Vec<Picture>,
}

/// How large slices may grow.
#[derive(Clone, Copy, Debug)]
pub(super) struct Measure {
    /// Bytes to aim at; one picture may be larger.
    pub(super) bytes: usize,
    /// Most ticks of a slice.
    pub(super) ticks: u32,
    /// Bytes of sixteen ticks of sound; 0 for a silent reel.
    pub(super) sound_bytes_16: usize,
}

struct Span {
    start: u64,
    end: u64,
    pictures: Vec<Picture>,
}

/// Takes pictures and samples in the order of their times, each at its own
/// pace, and gives slices when both are there.
pub(super) struct Cutter {
    measure: Measure,
    open: Span,
    open_bytes: usize,
    closed: VecDeque<Span>,
    samples: VecDeque<i16>,
    /// Tick of the first sample kept.
    heard: u64,
    /// Silence given out in place of samples that had not come; they are left
    /// out when they do.
    debt: usize,
    pending: usize,
}

impl Cutter {
    /// Bytes to hold back at most while picture or sound is missing. A file
    /// that stores them further apart loses the sound in between.
    const PATIENCE: usize = 64 << 20;

    pub(super) fn new(measure: Measure) -> Self {
        Self {
            measure,
            open: Span::at(0),
            open_bytes: 0,
            closed: VecDeque::new(),
            samples: VecDeque::new(),
            heard: 0,
            debt: 0,
            pending: 0,
        }
    }

    fn is_silent(&self) -> bool {
        self.measure.sound_bytes_16 == 0
    }

    fn sound_bytes(&self, ticks: u64) -> usize {
        (ticks as usize).saturating_mul(self.measure.sound_bytes_16) / 16
    }

    /// Takes a picture; a slice begins at it if `first` says so, or if the
    /// slice before would grow too large or too long with it.
    pub(super) fn picture(&mut self, tick: u64, mut picture: Picture, first: bool) {
        let size = picture.bytes.len() + crate::reel::PICTURE_OVERHEAD;
        self.cut_long(tick);
        // The slice lasts until the next picture, about as far as this one is
        // from the one before.
        let last = self.open.pictures.last();
        let last = self.open.start + last.map_or(0, |p| u64::from(p.tick_offset));
        let sound = self.sound_bytes(tick - self.open.start + (tick - last));
        let full = self.open_bytes + size + sound > self.measure.bytes
            || tick - self.open.start + (tick - last) > u64::from(self.measure.ticks);
        let begun = !self.open.pictures.is_empty() || tick > self.open.start;
        if begun && (first || full) {
            self.close(tick);
        }
        picture.tick_offset = (tick - self.open.start) as u32;
        self.open.pictures.push(picture);
        self.open_bytes += size;
        self.pending += size;
    }

    /// Takes samples that follow those before.
    pub(super) fn sound(&mut self, samples: &[i16]) {
        let late = self.debt.min(samples.len());
        self.debt -= late;
        self.samples.extend(&samples[late..]);
    }

    /// Ends the slice under way wherever it would last too long.
    fn cut_long(&mut self, tick: u64) {
        let most = u64::from(self.measure.ticks);
        while tick >= self.open.start + most {
            self.close(self.open.start + most);
        }
    }

    fn close(&mut self, end: u64) {
        if end > self.open.start {
            let done = std::mem::replace(&mut self.open, Span::at(end));
            self.closed.push_back(Span { end, ..done });
            self.open_bytes = 0;
        }
    }

    /// The next slice that is complete.
    pub(super) fn next(&mut self) -> Option<Cut> {
        let end = self.closed.front()?.end;
        if !self.is_silent() && self.heard + (self.samples.len() as u64) < end {
            if self.pending < Self::PATIENCE {
                return None;
            }
            self.fill_with_silence(end);
        }
        let mut span = self.closed.pop_front()?;
        span.settle();
        let ticks = (span.end - span.start) as u32;
        let samples = match self.is_silent() {
            true => Vec::new(),
            false => self.samples.drain(..ticks as usize).collect(),
        };
        self.heard = span.end;
        let sizes = span
            .pictures
            .iter()
            .map(|p| p.bytes.len() + crate::reel::PICTURE_OVERHEAD);
        self.pending -= sizes.sum::<usize>();
        Some(Cut {
            time: span.start,
            ticks,
            samples,
            pictures: span.pictures,
        })
    }

    fn fill_with_silence(&mut self, end: u64) {
        let missing = (end - self.heard) as usize - self.samples.len();
        self.samples.extend(std::iter::repeat_n(0, missing));
        self.debt += missing;
    }

    /// Tick at which the sound so far ends.
    pub(super) fn sound_end(&self) -> u64 {
        self.heard + self.samples.len() as u64
    }

    /// Ends the reel at `end` or with its sound, whichever is later.
    pub(super) fn finish(&mut self, end: u64) {
        let last = self.open.pictures.last();
        let shown = last.map_or(0, |p| self.open.start + u64::from(p.tick_offset) + 1);
        let end = end.max(self.sound_end()).max(shown);
        self.cut_long(end);
        self.close(end);
        if !self.is_silent() {
            self.samples.resize((end - self.heard) as usize, 0);
        }
    }
}

impl Span {
    /// Moves pictures that are a tick off an even spread onto it: their times then need no
    /// bytes. A tick is what a rate like 30000/1001 is rounded to anyway.
    fn settle(&mut self) {
        let (ticks, n) = ((self.end - self.start) as u32, self.pictures.len() as u16);
        let even = |i: usize| even_offset(i as u16, ticks, n);
        let near = |(i, p): (usize, &Picture)| p.tick_offset.abs_diff(even(i)) <= 1;
        if self.pictures.iter().enumerate().all(near) {
            for (i, picture) in self.pictures.iter_mut().enumerate() {
                picture.tick_offset = even(i);
            }
        }
    }

    fn at(start: u64) -> Self {
        Self {
            start,
            end: start,
            pictures: Vec::new(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reel::Slice;
    use proptest::prelude::*;

    fn picture(bytes: usize) -> Picture {
        Picture {
            bytes: vec![7; bytes],
            ..Picture::default()
        }
    }

    fn all(cutter: &mut Cutter) -> Vec<Cut> {
        std::iter::from_fn(|| cutter.next()).collect()
    }

    const MEASURE: Measure = Measure {
        bytes: 1000,
        ticks: 500,
        sound_bytes_16: 32,
    };

    #[test]
    fn slices_wait_for_their_sound_and_begin_at_pictures() {
        let mut cutter = Cutter::new(MEASURE);
        for tick in [0, 100, 200, 300] {
            cutter.picture(tick, picture(400), false);
        }
        assert!(cutter.next().is_none());
        cutter.sound(&[5; 250]);
        let cuts = all(&mut cutter);
        assert_eq!(cuts.len(), 2);
        assert_eq!(
            (cuts[0].time, cuts[0].ticks, cuts[0].pictures.len()),
            (0, 100, 1)
        );
        assert_eq!((cuts[1].time, cuts[1].ticks), (100, 100));
        assert_eq!(cuts[1].samples, [5; 100]);
    }

    #[test]
    fn a_slice_begins_where_it_is_asked_to() {
        let mut cutter = Cutter::new(Measure {
            sound_bytes_16: 0,
            ..MEASURE
        });
        (0..6).for_each(|n| cutter.picture(n * 50, picture(1), n == 4));
        cutter.finish(300);
        let spans: Vec<_> = all(&mut cutter)
            .iter()
            .map(|c| (c.time, c.pictures.len()))
            .collect();
        assert_eq!(spans, [(0, 4), (200, 2)]);
    }

    #[test]
    fn sound_that_never_comes_does_not_fill_the_memory() {
        let mut cutter = Cutter::new(Measure {
            bytes: 1,
            ..MEASURE
        });
        for n in 0..200 {
            cutter.picture(n * 10, picture(1 << 20), true);
            let waiting = all(&mut cutter).len();
            assert!(n < 65 || waiting > 0);
        }
        // What comes late is left out, what follows is in its place.
        let given = cutter.heard as usize;
        cutter.sound(&vec![9; given]);
        cutter.sound(&[3; 10]);
        assert_eq!(cutter.sound_end(), given as u64 + 10);
        assert_eq!(cutter.samples, [3; 10]);
    }

    /// 30000/1001 frames per second in ticks of 1/24,000 s: 800.8 to a picture.
    #[test]
    fn pictures_of_an_even_rate_are_spread_evenly() {
        let mut cutter = Cutter::new(Measure {
            bytes: 1 << 20, // so that the length alone ends a slice
            ..MEASURE
        });
        let tick = |n: u64| (n * 8008 + 5000) / 10_000;
        for n in 0..200 {
            cutter.picture(tick(n * 100), picture(1), n % 20 == 0);
        }
        let end = tick(200 * 100);
        cutter.sound(&vec![0; end as usize]);
        cutter.finish(end);
        for cut in all(&mut cutter) {
            let ticks = cut.ticks;
            assert!(
                Slice::new(cut.time, ticks, Vec::new(), cut.pictures).is_even(),
                "{ticks}"
            );
        }
    }

    proptest! {
        #[test]
        fn nothing_is_lost_and_nothing_moves_by_more_than_a_tick(
            steps in proptest::collection::vec((1_u64..900, 0_usize..1500, any::<bool>()), 1..60),
            sound in proptest::collection::vec(any::<i16>(), 0..20_000),
            piece in 1_usize..3000,
        ) {
            let mut cutter = Cutter::new(MEASURE);
            let mut cuts = Vec::new();
            let mut pieces = sound.chunks(piece);
            let (mut tick, mut ticks) = (0, Vec::new());
            for (step, size, first) in steps {
                cutter.picture(tick, picture(size), first);
                ticks.push(tick);
                tick += step;
                cutter.sound(pieces.next().unwrap_or_default());
                cuts.extend(all(&mut cutter));
            }
            pieces.for_each(|p| cutter.sound(p));
            cutter.finish(tick);
            cuts.extend(all(&mut cutter));
            let mut at = 0;
            for cut in &cuts {
                prop_assert_eq!(cut.time, at);
                prop_assert!(cut.ticks >= 1 && cut.ticks <= MEASURE.ticks);
                prop_assert_eq!(cut.samples.len(), cut.ticks as usize);
                prop_assert!(cut.pictures.iter().all(|p| p.tick_offset < cut.ticks));
                at += u64::from(cut.ticks);
            }
            prop_assert_eq!(at, tick.max(sound.len() as u64));
            let heard: Vec<i16> = cuts.iter().flat_map(|c| c.samples.clone()).collect();
            prop_assert_eq!(&heard[..sound.len()], &sound[..]);
            prop_assert!(heard[sound.len()..].iter().all(|s| *s == 0));
            let shown = cuts.iter().flat_map(|c| {
                c.pictures.iter().map(|p| c.time + u64::from(p.tick_offset))
            });
            let shown: Vec<u64> = shown.collect();
            prop_assert_eq!(shown.len(), ticks.len());
            prop_assert!(shown.iter().zip(&ticks).all(|(a, b)| a.abs_diff(*b) <= 1));
        }
    }
}
