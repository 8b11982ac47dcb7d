//! The player in simulated time. Each event's time follows from those before
//! it, so that the events are worked off in the order of the reel: bytes come
//! in as the ring buffer has room, sound is the clock, pictures are decoded as
//! memory and core are free and sent when they are due and the bus is free.

use crate::board::{LatePolicy, StarvePolicy};

use super::link::LinkRun;
use super::outcome::{Cause, Fault, FaultKind, Run};
use super::random::{Dice, Stream, scale};
use super::script::{Part, Script, Shot};

/// Buffers and policies of one rehearsal.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Rules {
    pub ring: u64,
    pub start: u64,
    pub late: LatePolicy,
    pub starve: StarvePolicy,
    pub tolerance: u64,
    /// Greatest extra decode time, of 2^32.
    pub jitter: u64,
}

/// Memory kept from run to run.
#[derive(Default)]
pub(super) struct Scratch {
    /// When each slice was whole in the ring buffer.
    pub arrived: Vec<u64>,
    /// When its sound began.
    pub began: Vec<u64>,
    /// When its bytes were given back.
    pub freed: Vec<u64>,
    pub segments: Vec<u64>,
}

pub(super) struct Stage<'a> {
    script: &'a Script,
    rules: Rules,
    link: LinkRun<'a>,
    scratch: &'a mut Scratch,
    decode_dice: Dice,
    scan_phase: u64,
    /// First slice whose bytes must still be given back for the next unit.
    oldest: usize,
    core_free: u64,
    bus_free: u64,
    /// When the last two pictures had been sent.
    sent: [u64; 2],
    /// Bus time of pictures that were decoded but left out.
    owed: u64,
    /// Bus and core time of the last picture.
    sent_last: u64,
    decoded_last: u64,
    in_faults: bool,
    pub run: Run,
}

impl<'a> Stage<'a> {
    pub(super) fn new(
        script: &'a Script,
        rules: Rules,
        link: LinkRun<'a>,
        scratch: &'a mut Scratch,
        seed: u64,
    ) -> Self {
        scratch.arrived.clear();
        scratch.began.clear();
        scratch.freed.clear();
        let phase = Dice::new(seed, Stream::Tearing).roll(0);
        Self {
            script,
            rules,
            link,
            scratch,
            decode_dice: Dice::new(seed, Stream::Decode),
            scan_phase: script.scan.map_or(0, |period| scale(period, phase)),
            oldest: 0,
            core_free: 0,
            bus_free: 0,
            sent: [0; 2],
            owed: 0,
            sent_last: 0,
            decoded_last: 0,
            in_faults: false,
            run: Run::default(),
        }
    }

    /// Plays the whole reel and gives back the link's memory.
    pub(super) fn play(mut self) -> Run {
        let script = self.script;
        let mut clock = self.fill(0) + self.first_pictures();
        self.run.start_ns = clock;
        for (number, part) in script.parts.iter().enumerate() {
            self.receive(number);
            clock = self.begin(number, part, clock);
            let decoded = self.pictures(number, part);
            let moved = (clock + part.length).saturating_sub(script.queue);
            let freed = decoded.max(moved).max(self.scratch.arrived[number]);
            self.scratch.freed.push(freed);
            clock += part.length;
            self.run.bytes_out = part.end;
        }
        self.run.end_ns = clock;
        self.low_water();
        self.scratch.segments = self.link.into_memory();
        self.run
    }

    /// Bytes before a slice.
    fn before(&self, number: usize) -> u64 {
        number
            .checked_sub(1)
            .map_or(0, |n| self.script.parts[n].end)
    }

    /// Takes in slices until slice `number` and the start level after it are
    /// there; when that is.
    fn fill(&mut self, number: usize) -> u64 {
        let goal = self.before(number) + self.rules.start;
        let last = self.script.parts.len() - 1;
        let mut at = number;
        while at < last && self.script.parts[at].end < goal {
            at += 1;
        }
        self.receive(at);
        self.scratch.arrived[at]
    }

    /// Time to decode the pictures that are held ahead: the clock starts that
    /// long after the fill, whatever was decoded while bytes came in, so that
    /// a faster fill does not cost the first pictures their time.
    fn first_pictures(&self) -> u64 {
        let held = if self.script.ahead { 2 } else { 0 };
        let longest = |shot: &Shot| {
            shot.decode + ((u128::from(shot.decode) * u128::from(self.rules.jitter)) >> 32) as u64
        };
        self.script.shots.iter().take(held).map(longest).sum()
    }

    /// Core time to decode a picture in this run.
    fn decode_time(&self, index: usize) -> u64 {
        let decode = self.script.shots[index].decode;
        let roll = u64::from(self.decode_dice.roll(index as u64));
        decode + scale(decode, ((roll * self.rules.jitter) >> 32) as u32)
    }

    /// Takes in all units up to the end of slice `number`.
    fn receive(&mut self, number: usize) {
        for n in self.scratch.arrived.len()..=number {
            let end = self.script.parts[n].end;
            let mut done = self.scratch.arrived.last().copied().unwrap_or(0);
            while self.run.bytes_in < end {
                let unit_end = self.link.next_end();
                let space = self.space(unit_end);
                done = self.link.fetch(space);
                self.run.bytes_in = unit_end;
            }
            self.scratch.arrived.push(done);
        }
    }

    /// When the ring buffer has room for bytes up to `end`.
    fn space(&mut self, end: u64) -> u64 {
        let Some(gone) = end.checked_sub(self.rules.ring).filter(|gone| *gone > 0) else {
            return 0;
        };
        while self.script.parts[self.oldest].end < gone {
            self.oldest += 1;
        }
        // Rings are never smaller than the largest slice and a unit, so what
        // must go has been played.
        self.scratch.freed[self.oldest]
    }

    /// Starts a slice's sound: on time, or after a gap. Returns when the
    /// slice's clock begins.
    fn begin(&mut self, number: usize, part: &Part, planned: u64) -> u64 {
        let ready = self.scratch.arrived[number] + if number == 0 { 0 } else { part.sound };
        let mut clock = planned;
        if ready > planned {
            let cause = self.link_cause(ready - planned);
            let gap = match self.rules.starve {
                StarvePolicy::Pause => {
                    clock = self.fill(number).max(ready);
                    clock - planned
                }
                StarvePolicy::Silence => (ready - planned).min(part.length),
            };
            self.fault(FaultKind::SoundGap, part.due, gap, cause);
            self.run.gaps += 1;
            self.run.gap_ns += gap;
        }
        // The first slice is there by definition of the start.
        if number > 0 {
            let ahead = clock.saturating_sub(ready);
            self.run.least_ahead_ns = self.run.least_ahead_ns.min(ahead);
        }
        self.scratch.began.push(clock);
        clock
    }

    fn link_cause(&self, late: u64) -> Cause {
        let delay = self.link.delay;
        if delay.stall.max(delay.loss) < late / 2 {
            Cause::Link
        } else if delay.stall >= delay.loss {
            Cause::Stall
        } else {
            Cause::Loss
        }
    }

    fn fault(&mut self, kind: FaultKind, at: u64, length: u64, cause: Cause) {
        let fault = Fault {
            kind,
            at_ns: at,
            length_ns: length,
            cause,
        };
        if !self.in_faults {
            self.run.causes[cause as usize] += 1;
        }
        self.in_faults = true;
        if self.run.first.is_none() {
            self.run.first = Some(fault);
        }
        let worst = match kind {
            FaultKind::SoundGap => &mut self.run.worst_gap,
            FaultKind::LatePicture | FaultKind::DroppedPicture => &mut self.run.worst_late,
        };
        if worst.is_none_or(|w| w.length_ns < length) {
            *worst = Some(fault);
        }
    }

    /// Decodes and sends the pictures of a slice; when the last was decoded.
    fn pictures(&mut self, number: usize, part: &Part) -> u64 {
        let began = self.scratch.began[number];
        let arrived = self.scratch.arrived[number];
        let mut decoded = arrived;
        for index in part.pictures.clone() {
            let shot = &self.script.shots[index];
            let due = began + shot.offset;
            let at = part.due + shot.offset;
            decoded = self.picture(index, arrived, due, at);
        }
        decoded
    }

    /// One picture; when its bytes are done with.
    fn picture(&mut self, index: usize, arrived: u64, due: u64, at: u64) -> u64 {
        if self.script.ahead {
            self.decoded_ahead(index, arrived, due, at)
        } else {
            self.in_strips(index, arrived, due, at)
        }
    }

    /// Decoded when it is due, and sent strip by strip meanwhile.
    fn in_strips(&mut self, index: usize, arrived: u64, due: u64, at: u64) -> u64 {
        let shot = &self.script.shots[index];
        let decode = self.decode_time(index);
        if decode == 0 && shot.send == 0 {
            self.run.shown += 1;
            return arrived;
        }
        let bus = if shot.strips == 1 { self.bus_free } else { 0 };
        let wanted = due.max(arrived).max(self.core_free).max(bus);
        let begin = self.scan(wanted);
        let cause = self.strip_cause(arrived, wanted, begin, begin - due);
        let superseded = self.rules.late == LatePolicy::Drop && begin >= due + shot.next;
        if superseded && shot.send > 0 {
            self.dropped(at, begin - due, cause);
            if shot.apart {
                return begin;
            }
            self.owed = (self.owed + shot.send).min(self.script.full_send);
            self.core_free = begin + decode;
            return self.core_free;
        }
        let send = (shot.send + self.owed).min(self.script.full_send.max(shot.send));
        self.owed = 0;
        let end = self.draw(begin, decode, send, shot.strips);
        self.sent_last = send;
        self.decoded_last = decode;
        self.shown(at, begin - due, end - due, cause);
        self.core_free
    }

    /// Occupies core and bus with a picture; when all of it is on the panel.
    fn draw(&mut self, begin: u64, decode: u64, send: u64, strips: u64) -> u64 {
        if !self.script.dma {
            self.core_free = begin + decode + send;
            self.bus_free = self.core_free;
            return self.core_free;
        }
        let all = decode.max(send) + decode.min(send) / strips;
        let end = (begin + all).max(self.bus_free + send);
        self.core_free = (end - send / strips).max(begin + decode);
        self.bus_free = end;
        end
    }

    fn strip_cause(&self, arrived: u64, wanted: u64, begin: u64, late: u64) -> Cause {
        if begin > wanted && wanted <= begin - late {
            Cause::Tearing
        } else if wanted == arrived {
            self.link_cause(late)
        } else if self.sent_last > self.decoded_last {
            Cause::Bus
        } else {
            Cause::Core
        }
    }

    /// Counts a picture that was shown.
    fn shown(&mut self, at: u64, late: u64, sync: u64, cause: Cause) {
        self.run.shown += 1;
        self.run.late_sum_ns += late;
        self.run.worst_sync_ns = self.run.worst_sync_ns.max(sync);
        if late > self.rules.tolerance {
            self.run.late += 1;
            self.fault(FaultKind::LatePicture, at, late, cause);
        } else {
            self.in_faults = false;
        }
    }

    /// Decoded as soon as one of two buffers is free; when that was done.
    fn decoded_ahead(&mut self, index: usize, arrived: u64, due: u64, at: u64) -> u64 {
        let shot = &self.script.shots[index];
        let drop = self.rules.late == LatePolicy::Drop;
        let memory_free = self.sent[0];
        let start = arrived.max(self.core_free).max(memory_free);
        if drop && shot.apart && start >= due + shot.next && shot.send > 0 {
            let cause = self.wait_cause(arrived, memory_free, start, start - due);
            self.dropped(at, start - due, cause);
            return start;
        }
        let decoded = start + self.decode_time(index);
        self.core_free = decoded;
        if drop && decoded >= due + shot.next && shot.send > 0 {
            let cause = self.wait_cause(arrived, memory_free, start, decoded - due);
            self.dropped(at, decoded - due, cause);
            self.owed = (self.owed + shot.send).min(self.script.full_send);
            return decoded;
        }
        self.send(index, arrived, due, at, [memory_free, start, decoded]);
        decoded
    }

    fn send(
        &mut self,
        index: usize,
        arrived: u64,
        due: u64,
        at: u64,
        [memory_free, start, decoded]: [u64; 3],
    ) {
        let shot = &self.script.shots[index];
        let length = (shot.send + self.owed).min(self.script.full_send.max(shot.send));
        self.owed = 0;
        let wanted = due.max(decoded);
        let free = wanted.max(self.bus_free);
        let begin = if length > 0 { self.scan(free) } else { free };
        let end = begin + length;
        if length > 0 {
            self.bus_free = end;
        }
        self.sent = [self.sent[1], end];
        let late = begin - due;
        let cause = if free > wanted {
            Cause::Bus
        } else if begin > free && decoded <= due {
            Cause::Tearing
        } else {
            self.wait_cause(arrived, memory_free, start, late)
        };
        self.shown(at, late, end - due, cause);
    }

    /// The panel's next scan start at or after `t`.
    fn scan(&self, t: u64) -> u64 {
        self.script.scan.map_or(t, |period| {
            let since = (t + period - self.scan_phase) % period;
            if since == 0 { t } else { t + period - since }
        })
    }

    fn wait_cause(&self, arrived: u64, memory_free: u64, start: u64, late: u64) -> Cause {
        if start == arrived && arrived > 0 {
            self.link_cause(late)
        } else if start == memory_free {
            Cause::Turns
        } else {
            Cause::Core
        }
    }

    fn dropped(&mut self, at: u64, late: u64, cause: Cause) {
        self.run.dropped += 1;
        self.fault(FaultKind::DroppedPicture, at, late, cause);
    }

    /// The least that lay in the ring buffer just as a slice's sound began.
    fn low_water(&mut self) {
        let mut whole = 0;
        for (number, began) in self.scratch.began.iter().enumerate() {
            while whole < self.scratch.arrived.len() && self.scratch.arrived[whole] <= *began {
                whole += 1;
            }
            // The last slices leave nothing behind them to wait for.
            if whole == self.scratch.arrived.len() {
                break;
            }
            let level = self.before(whole).saturating_sub(self.before(number));
            self.run.low_water_bytes = self.run.low_water_bytes.min(level);
        }
    }
}
