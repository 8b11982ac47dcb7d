//! The board in simulated time: what the playback loop reads from, sounds
//! into and shows on. Each core has a clock of its own; what a call takes is
//! added to the clock of the core that makes it.

use crate::play::{Found, Picture, Reach, Read, SECTOR, Source, Span, Stage, Title};
use crate::reel::{ALIGN, CHUNK_HEADER, FIRST_CHUNK};

use super::Rules;
use super::link::{Delay, LinkRun};
use super::outcome::{Cause, Fault, FaultKind, Run};
use super::random::{Dice, Stream, scale};
use super::script::{Script, Shot};

/// Memory kept from run to run.
#[derive(Default)]
pub(super) struct Scratch {
    /// When each slice was whole in the ring buffer, and what had delayed it.
    pub arrived: Vec<u64>,
    delays: Vec<Delay>,
    /// The slice that lies at each [`PLACE`] of the ring.
    lies: Vec<u32>,
    /// Bytes in the ring buffer over time, where that is asked for.
    pub levels: Vec<(u64, u64)>,
    pub segments: Vec<u64>,
}

/// Slices begin at multiples of so many bytes.
const PLACE: u32 = ALIGN as u32;
/// Bytes that tell what a chunk is.
const HEAD: u32 = CHUNK_HEADER as u32;

/// What the reader of chunks wants.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Wants {
    Header,
    /// The head of what lies before the first slice.
    Lead,
    Head,
    Place,
    Body,
    /// The head of the index behind the last slice, and that of the end.
    Index,
    Last,
    Nothing,
}

/// The clock of the core that reads, and of the one that presents.
pub(super) const READING: usize = 0;
pub(super) const PRESENTING: usize = 1;

pub(super) struct World<'a> {
    pub script: &'a Script,
    pub rules: Rules,
    pub link: LinkRun<'a>,
    pub scratch: &'a mut Scratch,
    pub run: Run,
    /// Clocks of the cores; with one core the second stands still.
    pub clocks: [u64; 2],
    /// The core that works.
    pub core: usize,
    decode_dice: Dice,
    scan_phase: u64,
    // the reader
    wants: Wants,
    part: usize,
    /// Where what is wanted begins, how much of it has been read, with what lies
    /// behind it in its last sector, and what the ring has room for there.
    base: u64,
    filled: u32,
    room: u32,
    position: u64,
    /// A read that goes on by itself: bytes and when they are there.
    pending: Option<(u32, u64)>,
    read_until: u64,
    /// What delayed reads since the last picture was shown.
    read_delay: Delay,
    // the sound queue
    queue_base: u64,
    queue_fed: u64,
    sample_rest: u64,
    started: bool,
    /// A silent reel's play stands still since.
    dry_since: Option<u64>,
    // the panel
    bus_free: u64,
    owed: u64,
    shown_until: u64,
    shown_by_bus: bool,
    /// The slice that began last.
    begun: Option<usize>,
    ended: bool,
    in_faults: bool,
}

impl<'a> World<'a> {
    pub(super) fn new(
        script: &'a Script,
        rules: Rules,
        link: LinkRun<'a>,
        scratch: &'a mut Scratch,
        seed: u64,
    ) -> Self {
        scratch.arrived.clear();
        scratch.delays.clear();
        scratch.levels.clear();
        let places = (rules.ring / u64::from(PLACE)) as usize + 2;
        scratch.lies.resize(places.max(scratch.lies.len()), 0);
        let phase = Dice::new(seed, Stream::Tearing).roll(0);
        Self {
            script,
            rules,
            link,
            scratch,
            run: Run::default(),
            clocks: [0; 2],
            core: READING,
            decode_dice: Dice::new(seed, Stream::Decode),
            scan_phase: script.scan.map_or(0, |period| scale(period, phase)),
            wants: Wants::Nothing,
            part: 0,
            base: 0,
            filled: 0,
            room: 0,
            position: 0,
            pending: None,
            read_until: 0,
            read_delay: Delay::default(),
            queue_base: 0,
            queue_fed: 0,
            sample_rest: 0,
            started: false,
            dry_since: None,
            bus_free: 0,
            owed: 0,
            shown_until: 0,
            shown_by_bus: false,
            begun: None,
            ended: false,
            in_faults: false,
        }
    }

    pub(super) fn now(&self) -> u64 {
        self.clocks[self.core]
    }

    fn pass(&mut self, ns: u64) {
        self.clocks[self.core] += ns;
    }

    /// The loop has nothing to do: a nap, which a read that ends cuts short.
    pub(super) fn nap(&mut self, microseconds: u32) {
        let until = self.now() + u64::from(microseconds.max(1)) * 1000;
        let now = self.now();
        let woken = self.pending.map_or(until, |(_, at)| until.min(at.max(now)));
        self.clocks[self.core] = woken.max(now + 1000);
    }

    /// The memory underran.
    pub(super) fn ran_dry(&mut self) {
        if self.script.title.silent {
            self.dry_since = Some(self.now());
        }
    }

    /// All has been seen and heard.
    pub(super) fn finish(&mut self) {
        self.ended = true;
        self.run.end_ns = self.now();
    }

    fn lying(&self, at: u32) -> usize {
        self.scratch.lies[(at / PLACE) as usize] as usize
    }

    fn want(&self) -> u32 {
        match self.wants {
            Wants::Header => SECTOR,
            Wants::Lead | Wants::Head | Wants::Index | Wants::Last => HEAD,
            Wants::Body => self.body(),
            Wants::Place | Wants::Nothing => 0,
        }
    }

    /// Bytes to read at once: on to the end of a sector.
    fn wanted(&self) -> u32 {
        let need = self.want() - self.filled;
        let end = self.position + u64::from(need);
        let whole = end.next_multiple_of(SECTOR.into()) - self.position;
        whole.min((self.room - self.filled).into()) as u32
    }

    /// Wants what lies at `base`; what has been read of it is kept.
    fn go(&mut self, base: u64, wants: Wants) {
        let passed = base
            .checked_sub(self.base)
            .filter(|&ahead| ahead <= self.filled.into())
            .map_or(self.filled, |ahead| ahead as u32);
        self.filled -= passed;
        if self.wants == Wants::Body {
            self.room -= passed;
        }
        self.base = base;
        self.wants = wants;
    }

    fn body(&self) -> u32 {
        self.script.parts[self.part].bytes
    }

    /// Goes to slice `part`, or to what lies behind the last.
    fn go_to(&mut self, part: usize) {
        self.part = part;
        match self.script.parts.get(part) {
            Some(p) => self.go(self.script.lead + p.begin, Wants::Head),
            None => self.go(self.script.lead + self.script.bytes, Wants::Index),
        }
    }

    /// Time that is due at a place of the reel, in nanoseconds from its start.
    fn place_of(&self, part: usize) -> u64 {
        self.script
            .parts
            .get(part)
            .map_or(0, |p| self.script.ns(p.tick))
    }

    // --- what is noticed ---

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

    fn gap(&mut self, length: u64) {
        let at = self.begun.map_or(0, |part| self.place_of(part));
        let cause = self.gap_cause(length);
        self.fault(FaultKind::SoundGap, at, length, cause);
        self.run.gaps += 1;
        self.run.gap_ns += length;
    }

    fn gap_cause(&self, length: u64) -> Cause {
        // A core that decoded, or read, for longer than the queue lasts.
        let since = self.now().saturating_sub(length);
        if self.script.one_core && self.read_until > since && self.read_until > self.shown_until {
            return link_cause(self.read_delay, length);
        }
        let arrived = self.begun.map_or(0, |part| self.scratch.arrived[part]);
        if self.shown_until > since && arrived < since {
            return Cause::Core;
        }
        let delay = self
            .begun
            .map_or(Delay::default(), |part| self.scratch.delays[part]);
        link_cause(delay, length)
    }

    fn late_cause(&self, due: u64, late: u64, part: usize) -> Cause {
        if self.script.one_core && self.read_until > due {
            link_cause(self.read_delay, late)
        } else if self.scratch.arrived[part] > due {
            link_cause(self.scratch.delays[part], late)
        } else if self.shown_until > due && self.shown_by_bus {
            Cause::Bus
        } else if self.script.scan.is_some() && self.shown_until <= due {
            Cause::Tearing
        } else {
            Cause::Core
        }
    }

    /// A slice begins to be heard, or on a silent reel to be seen.
    fn begin(&mut self, part: usize) {
        if self.begun == Some(part) {
            return;
        }
        self.begun = Some(part);
        let now = self.now();
        if self.script.title.silent {
            if !self.started {
                self.started = true;
                self.run.start_ns = now;
            }
            if let Some(since) = self.dry_since.take() {
                self.gap(now - since);
            }
        }
        let left = self.left();
        let due = now + self.script.ns(left);
        if part > 0 {
            let ahead = due.saturating_sub(self.scratch.arrived[part]);
            self.run.least_ahead_ns = self.run.least_ahead_ns.min(ahead);
        }
        // The last slices leave nothing behind them to wait for.
        let whole = self.scratch.arrived.len();
        if let Some(next) = self.script.parts.get(whole) {
            let level = next.begin - self.script.parts[part].begin;
            self.run.low_water_bytes = self.run.low_water_bytes.min(level);
        }
        let end = &self.script.parts[part];
        self.run.bytes_out = end.begin + u64::from(end.bytes);
    }

    /// Samples in the sound queue.
    fn left(&self) -> u64 {
        let since = self.now().saturating_sub(self.queue_base);
        let rate = u64::from(self.script.title.clock_rate);
        let played = if since < 100_000_000_000_000 {
            since * rate / 1_000_000_000
        } else {
            self.queue_fed
        };
        self.queue_fed - played.min(self.queue_fed)
    }

    // --- the panel ---

    fn decode_time(&self, index: usize, shot: &Shot) -> u64 {
        if self.rules.jitter == 0 {
            return shot.decode;
        }
        let roll = u64::from(self.decode_dice.roll(index as u64));
        shot.decode + scale(shot.decode, ((roll * self.rules.jitter) >> 32) as u32)
    }

    /// The panel's next scan start at or after `t`.
    fn scan(&self, t: u64) -> u64 {
        self.script.scan.map_or(t, |period| {
            let since = (t + period - self.scan_phase) % period;
            if since == 0 { t } else { t + period - since }
        })
    }

    /// Decodes and sends from `begin` on; when all of it is on the panel.
    fn draw(&mut self, begin: u64, decode: u64, send: u64, strips: u64) -> u64 {
        if !self.script.dma {
            let end = begin + decode + send;
            self.clocks[self.core] = end;
            self.bus_free = end;
            return end;
        }
        // One buffer: its sending is over before the core writes to it again.
        let ready = if strips == 1 {
            begin + decode
        } else {
            begin + decode / strips
        };
        let sent = self.bus_free.max(ready) + send;
        let all = decode.max(send) + decode.min(send) / strips;
        let end = sent.max(begin + if strips == 1 { decode + send } else { all });
        self.clocks[self.core] = (end - send / strips).max(begin + decode);
        self.bus_free = end;
        end
    }
}

/// What made bytes late by so much.
fn link_cause(delay: Delay, late: u64) -> Cause {
    if delay.stall.max(delay.loss) < late / 2 {
        Cause::Link
    } else if delay.stall >= delay.loss {
        Cause::Stall
    } else {
        Cause::Loss
    }
}

impl Source for World<'_> {
    fn open(&mut self, _at: u32, room: u32) {
        self.base = 0;
        self.filled = 0;
        self.room = room;
        self.wants = Wants::Header;
    }

    fn seeks(&self) -> bool {
        true
    }

    fn reach(&mut self, item: u32, offset: u64) -> Reach {
        if item > 0 {
            return Reach::End;
        }
        self.position = offset;
        self.link.request(self.now());
        Reach::There
    }

    fn has_header(&self) -> bool {
        self.wants != Wants::Header && self.wants != Wants::Nothing
    }

    fn next(&mut self) -> Found {
        if self.filled < self.want() {
            return Found::More;
        }
        match self.wants {
            Wants::Header => {
                // The sector stays where it is; its copy is passed over.
                if self.script.lead > FIRST_CHUNK {
                    self.go(FIRST_CHUNK, Wants::Lead);
                } else {
                    self.go_to(0);
                }
                Found::Header(0)
            }
            Wants::Lead => {
                self.go_to(0);
                self.next()
            }
            Wants::Head => {
                self.wants = Wants::Place;
                Found::Place(self.body().max(self.filled))
            }
            Wants::Place => Found::Place(self.body().max(self.filled)),
            Wants::Body => {
                let bytes = self.body();
                self.scratch.arrived.push(self.now());
                self.scratch.delays.push(self.link.delay);
                self.go_to(self.part + 1);
                Found::Slice(bytes, false)
            }
            Wants::Index => {
                self.go(self.base + self.script.behind, Wants::Last);
                self.next()
            }
            Wants::Last => {
                self.wants = Wants::Nothing;
                Found::End
            }
            Wants::Nothing => Found::More,
        }
    }

    fn lacks_place(&self) -> bool {
        self.filled == 0 || self.room < self.want()
    }

    fn place(&mut self, at: u32, room: u32) {
        self.room = room;
        if self.wants == Wants::Place {
            self.wants = Wants::Body;
            self.scratch.lies[(at / PLACE) as usize] = self.part as u32;
        }
    }

    fn ahead(&mut self) -> Option<u64> {
        let wanted = self.base + u64::from(self.filled);
        (wanted != self.position).then_some(wanted)
    }

    fn position(&self) -> u64 {
        self.position
    }

    fn read(&mut self, most: u32) -> Read {
        let now = self.now();
        let (bytes, done) = match self.pending {
            Some((_, done)) if done > now => return Read::Bytes(0),
            Some(pending) => pending,
            None => {
                let most = most.min(self.wanted());
                let begin = if self.script.shares_bus {
                    now.max(self.bus_free)
                } else {
                    now
                };
                let from = self.position.checked_sub(self.script.lead);
                let before = self.link.delay;
                let (bytes, done) = self.link.fetch(begin, from, most);
                self.read_delay.stall += self.link.delay.stall - before.stall;
                self.read_delay.loss += self.link.delay.loss - before.loss;
                if self.script.shares_bus {
                    self.bus_free = self.bus_free.max(done);
                }
                if self.script.one_core && !self.script.read_blocks && done > now {
                    self.pending = Some((bytes, done));
                    return Read::Bytes(0);
                }
                (bytes, done)
            }
        };
        if self.pending.take().is_some() {
            self.pass((f64::from(bytes) * self.script.intake) as u64);
        } else {
            self.clocks[self.core] = done.max(now);
            self.read_until = self.now();
        }
        self.filled += bytes;
        self.position += u64::from(bytes);
        self.run.bytes_in += u64::from(bytes);
        Read::Bytes(bytes)
    }

    fn ended(&mut self) {}

    fn seek(&mut self, _tick: u64) -> bool {
        false
    }

    fn clock(&mut self) -> u32 {
        (self.now() / 1000) as u32
    }
}

impl Stage for World<'_> {
    const HEARD: bool = false;

    fn title(&mut self, _at: u32) -> Result<Title, i32> {
        Ok(Title {
            prebuffer: self.rules.start.min(u64::from(u32::MAX)) as u32,
            ..self.script.title
        })
    }

    fn open(&mut self, _at: u32) -> Result<(), i32> {
        Ok(())
    }

    fn slice(&mut self, at: u32) -> Span {
        let part = self.lying(at);
        self.begin(part);
        let part = &self.script.parts[part];
        Span {
            time: part.tick,
            ticks: part.ticks,
        }
    }

    fn sound_open(&mut self, _at: u32) -> bool {
        true
    }

    fn sound_read(&mut self, to: &mut [i16]) {
        self.sample_rest += to.len() as u64 * self.script.sample;
        self.pass(self.sample_rest / 1000);
        self.sample_rest %= 1000;
    }

    fn sound(&mut self, samples: &[i16]) -> u32 {
        let left = self.left();
        let took = (samples.len() as u64).min(u64::from(self.script.queue) - left);
        if took == 0 {
            return 0;
        }
        let now = self.now();
        if left > 0 {
            self.queue_fed += took;
            return took as u32;
        }
        let empty = self.queue_base + self.script.ns(self.queue_fed);
        if !self.started {
            self.started = true;
            self.run.start_ns = now;
        } else if now > empty {
            self.gap(now - empty);
        }
        self.queue_base = now.max(empty);
        self.queue_fed = took;
        took as u32
    }

    fn sound_left(&mut self) -> u32 {
        self.left() as u32
    }

    fn clock(&mut self) -> u32 {
        (self.now() / 1000) as u32
    }

    fn picture(&mut self, at: u32, index: u32) -> Option<Picture> {
        let part = &self.script.parts[self.lying(at)];
        if index >= part.pictures {
            return None;
        }
        let shot = &self.script.shots[(part.first + index) as usize];
        Some(Picture {
            offset: shot.offset,
            key: shot.key,
            unchanged: shot.unchanged,
            coding: self.script.coding,
        })
    }

    fn show(&mut self, at: u32, index: u32, sends: bool, late: i64) -> bool {
        let lying = self.lying(at);
        let part = &self.script.parts[lying];
        let number = (part.first + index) as usize;
        let shot = &self.script.shots[number];
        if shot.unchanged {
            self.run.shown += 1;
            return true;
        }
        let late = self.script.ns(late.max(0) as u64);
        let due = self.now().saturating_sub(late);
        let place = self.script.ns(part.tick + u64::from(shot.offset));
        let decode = self.decode_time(number, shot);
        if !sends {
            let cause = self.late_cause(due, late, lying);
            self.run.dropped += 1;
            self.fault(FaultKind::DroppedPicture, place, late, cause);
            self.owed = (self.owed + shot.send).min(self.script.full_send);
            self.pass(decode);
            self.shown_until = self.now();
            return true;
        }
        let now = self.now();
        let begin = self.scan(if self.script.shares_bus {
            now.max(self.bus_free)
        } else {
            now
        });
        let late = begin - due;
        let cause = self.late_cause(due, late, lying);
        let send = (shot.send + self.owed).min(self.script.full_send.max(shot.send));
        self.owed = 0;
        let end = self.draw(begin, decode, send, shot.strips);
        self.shown_until = self.now();
        self.shown_by_bus = send > decode;
        self.read_delay = Delay::default();
        self.run.shown += 1;
        self.run.late_sum_ns += late;
        self.run.worst_sync_ns = self.run.worst_sync_ns.max(end - due);
        if late > self.rules.tolerance {
            self.run.late += 1;
            self.fault(FaultKind::LatePicture, place, late, cause);
        } else {
            self.in_faults = false;
        }
        true
    }

    fn passed(&mut self, at: u32, index: u32, late: i64) {
        let lying = self.lying(at);
        let part = &self.script.parts[lying];
        let shot = &self.script.shots[(part.first + index) as usize];
        let place = self.script.ns(part.tick + u64::from(shot.offset));
        let late = self.script.ns(late.max(0) as u64);
        let due = self.now().saturating_sub(late);
        let cause = self.late_cause(due, late, lying);
        self.run.dropped += 1;
        self.fault(FaultKind::DroppedPicture, place, late, cause);
    }

    fn settle(&mut self) {
        if self.script.dma {
            let free = self.bus_free;
            let clock = &mut self.clocks[self.core];
            *clock = (*clock).max(free);
        }
    }
}
