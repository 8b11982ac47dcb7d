//! Time stamps made usable: one origin, jumps bridged, sound without gaps.

use ffmpeg_next as ffmpeg;

use crate::units::Nanos;

pub(super) const SECOND: i64 = 1_000_000_000;

/// `stamp` in units of `base` as nanoseconds, saturating.
pub(super) fn nanos(stamp: i64, base: ffmpeg::Rational) -> i64 {
    let scaled = i128::from(stamp) * i128::from(SECOND) * i128::from(base.numerator());
    let value = scaled.div_euclid(i128::from(base.denominator().max(1)));
    value.clamp(i64::MIN.into(), i64::MAX.into()) as i64
}

/// Nanoseconds in units of `base`, rounded towards minus infinity.
fn stamps(nanos: i64, base: ffmpeg::Rational) -> i64 {
    let scaled = i128::from(nanos) * i128::from(base.denominator());
    scaled.div_euclid(i128::from(base.numerator().max(1)) * i128::from(SECOND)) as i64
}

/// Bridges jumps of the time stamps, as transport streams have them where two
/// recordings were joined. A jump seen in one stream serves the others too, so
/// that picture and sound of the second part keep their offset.
#[derive(Default)]
pub(super) struct JumpBridge {
    shared: i64,
    streams: Vec<StreamClock>,
    /// Jumps seen so far, each counted once.
    pub(super) jumps: u64,
}

#[derive(Clone, Copy, Default)]
struct StreamClock {
    offset: i64,
    end: Option<i64>,
}

impl JumpBridge {
    /// How far a stamp may step back or forward before it counts as a jump.
    const BACK: i64 = SECOND;
    const FORWARD: i64 = 10 * SECOND;

    /// Rewrites the packet's stamps onto one steady clock.
    pub(super) fn pass(&mut self, packet: &mut ffmpeg::Packet, base: ffmpeg::Rational) {
        let Some(stamp) = packet.dts().or(packet.pts()) else {
            return;
        };
        let raw = nanos(stamp, base);
        let stream = packet.stream();
        if self.streams.len() <= stream {
            self.streams.resize(stream + 1, StreamClock::default());
        }
        let clock = self.streams[stream];
        if let Some(end) = clock.end
            && jumps(raw + clock.offset - end)
        {
            self.streams[stream].offset = self.offset_after(raw, end);
        }
        let clock = &mut self.streams[stream];
        clock.end = Some(raw + clock.offset + nanos(packet.duration().max(0), base));
        if clock.offset != 0 {
            let add = stamps(clock.offset, base);
            packet.set_pts(packet.pts().map(|t| t + add));
            packet.set_dts(packet.dts().map(|t| t + add));
        }
    }

    /// The shared offset if it brings `raw` next to `end`, else a new one.
    fn offset_after(&mut self, raw: i64, end: i64) -> i64 {
        if jumps(raw + self.shared - end) {
            self.shared = end - raw;
            self.jumps += 1;
        }
        self.shared
    }
}

fn jumps(step: i64) -> bool {
    !(-JumpBridge::BACK..=JumpBridge::FORWARD).contains(&step)
}

/// Makes decoded sound one gapless run that begins at time 0.
pub(super) struct SoundRun {
    /// Samples a channel placed so far, at `rate`.
    done: u64,
    /// Time of sample 0 of this run; moves only if the rate changes.
    base: i64,
    rate: u32,
    started: bool,
    /// End of the wanted part.
    end: Option<i64>,
}

/// Where a block of sound belongs.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Place {
    /// Samples of silence to put before it.
    pub(super) silence: u64,
    /// Samples of the block to leave out at its front.
    pub(super) skip: u64,
    /// Samples of the block to keep after those.
    pub(super) keep: u64,
    /// Time at which the silence, or else the block, begins.
    pub(super) time: Nanos,
    /// Whether this mends a hole or an overlap inside the sound.
    pub(super) mends: bool,
}

impl SoundRun {
    /// Stamps are often rounded to a millisecond or drift by the encoder's
    /// clock; less than this is not a hole. About one picture, and below what
    /// is heard as out of step with the lips (ITU-R BT.1359, from memory: -125
    /// to +45 ms).
    const TOLERANCE: i64 = SECOND / 25;

    pub(super) fn new(end: Option<Nanos>) -> Self {
        Self {
            done: 0,
            base: 0,
            rate: 0,
            started: false,
            end: end.map(|n| n.0),
        }
    }

    fn now(&self) -> i64 {
        self.base + frames_to_nanos(self.done, self.rate)
    }

    /// Whether any sound was placed.
    pub(super) fn started(&self) -> bool {
        self.started
    }

    /// Whether the wanted part is complete.
    pub(super) fn complete(&self) -> bool {
        self.end
            .is_some_and(|end| self.started && self.left(end) == 0)
    }

    fn left(&self, end: i64) -> u64 {
        nanos_to_frames((end - self.now()).max(0), self.rate)
    }

    /// Places the next `frames` samples, stamped `stamp`: silence goes into a
    /// hole before them; overlaps and samples after the end are dropped.
    pub(super) fn place(&mut self, frames: u64, rate: u32, stamp: Option<i64>) -> Place {
        if self.rate != rate {
            (self.base, self.done, self.rate) = (self.now(), 0, rate);
        }
        let off = stamp.map_or(0, |stamp| stamp - self.now());
        let tolerance = if self.started { Self::TOLERANCE } else { 0 };
        let off = if off.abs() > tolerance { off } else { 0 };
        let time = Nanos(self.now());
        let silence = self.advance(nanos_to_frames(off.max(0), rate));
        let skip = nanos_to_frames((-off).max(0), rate).min(frames);
        let keep = self.advance(frames - skip);
        let mends = self.started && off != 0;
        self.started |= keep > 0;
        Place {
            silence,
            skip,
            keep,
            time,
            mends,
        }
    }

    /// Moves on by `frames`, or by what is left of the wanted part.
    fn advance(&mut self, frames: u64) -> u64 {
        let step = self.end.map_or(frames, |end| frames.min(self.left(end)));
        self.done += step;
        step
    }
}

pub(super) fn frames_to_nanos(frames: u64, rate: u32) -> i64 {
    if rate == 0 {
        return 0;
    }
    (u128::from(frames) * SECOND as u128 / u128::from(rate)) as i64
}

/// Nearest number of samples in a span that is not negative.
fn nanos_to_frames(span: i64, rate: u32) -> u64 {
    let scaled = span as u128 * u128::from(rate);
    ((scaled + SECOND as u128 / 2) / SECOND as u128) as u64
}

#[cfg(test)]
mod tests {
    use super::*;

    const MS: i64 = 1_000_000;

    fn place(run: &mut SoundRun, frames: u64, ms: i64) -> (u64, u64, u64) {
        let place = run.place(frames, 1000, Some(ms * MS));
        (place.silence, place.skip, place.keep)
    }

    #[test]
    fn a_late_start_becomes_silence_and_an_early_one_is_cut() {
        assert_eq!(place(&mut SoundRun::new(None), 10, 5), (5, 0, 10));
        let mut run = SoundRun::new(None);
        assert_eq!(place(&mut run, 10, -24), (0, 10, 0));
        assert_eq!(place(&mut run, 10, -14), (0, 10, 0));
        assert_eq!(place(&mut run, 10, -4), (0, 4, 6));
    }

    #[test]
    fn jitter_is_left_alone_and_holes_are_filled() {
        let mut run = SoundRun::new(None);
        assert_eq!(place(&mut run, 100, 0), (0, 0, 100));
        assert_eq!(place(&mut run, 100, 101), (0, 0, 100));
        let late = run.place(100, 1000, Some(300 * MS));
        assert_eq!((late.silence, late.keep, late.mends), (100, 100, true));
        assert_eq!(late.time, Nanos(200 * MS));
        assert_eq!(place(&mut run, 100, 340), (0, 60, 40));
    }

    #[test]
    fn the_end_is_exact() {
        let mut run = SoundRun::new(Some(Nanos(150 * MS)));
        assert_eq!(place(&mut run, 100, 0), (0, 0, 100));
        assert_eq!(place(&mut run, 100, 100), (0, 0, 50));
        assert!(run.complete());
        assert_eq!(place(&mut run, 100, 200), (0, 0, 0));
    }

    #[test]
    fn a_jump_back_is_bridged_once_for_all_streams() {
        let base = ffmpeg::Rational(1, 1000);
        let mut bridge = JumpBridge::default();
        let mut send = |stream: usize, stamp: i64| {
            let mut packet = ffmpeg::Packet::empty();
            packet.set_stream(stream);
            packet.set_dts(Some(stamp));
            packet.set_pts(Some(stamp));
            packet.set_duration(40);
            bridge.pass(&mut packet, base);
            packet.dts().unwrap()
        };
        assert_eq!(send(0, 60_000), 60_000);
        assert_eq!(send(1, 60_010), 60_010);
        assert_eq!(send(0, 0), 60_040);
        assert_eq!(send(1, 25), 60_065); // keeps its 25 ms to stream 0
        assert_eq!(bridge.jumps, 1);
    }
}
