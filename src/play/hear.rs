//! Sound: slice after slice without a jump, fades at every break.

use super::present::{FULL, Presenter, State};
use super::queue::{Kind, Queue};
use super::{BLOCK, LONGEST_GAP, Span, Stage, Title};

/// What the sound is at.
#[derive(Debug)]
pub(super) struct Hearing {
    samples: [i16; BLOCK as usize],
    /// Samples made and not given yet.
    at: u32,
    end: u32,
    /// Samples left of the slice that is being heard.
    pub left: Option<u32>,
    /// Zeros to come; samples of a fall to zero to come.
    pub silence: u32,
    tail: u32,
    pub gain: i32,
    pub volume: i32,
    last: i32,
    /// What was given last may not be zero.
    pub sounded: bool,
}

impl Default for Hearing {
    fn default() -> Self {
        Self {
            samples: [0; BLOCK as usize],
            at: 0,
            end: 0,
            left: None,
            silence: 0,
            tail: 0,
            gain: FULL,
            volume: FULL,
            last: 0,
            sounded: false,
        }
    }
}

impl Hearing {
    pub const fn is_given(&self) -> bool {
        self.at == self.end
    }

    /// Forgets all that was made.
    pub fn drop_all(&mut self) {
        self.at = self.end;
        self.tail = 0;
        self.silence = 0;
        self.left = None;
        self.sounded = false;
    }

    pub fn end_with(&mut self, silence: u32) {
        self.left = None;
        self.tail = 0;
        self.silence = silence;
    }
}

impl Presenter {
    /// Breaks the sound off: from the last sample down to zero, then `silence`.
    fn breaks(&mut self, silence: u32) {
        let fade = self.fade();
        let h = &mut self.hearing;
        h.tail = if silence != 0 && silence < fade {
            silence
        } else {
            fade
        };
        h.silence = silence.saturating_sub(h.tail);
        h.gain = 0;
        h.sounded = false;
    }

    /// Begins to play somewhere else in time: by a seek, or as a reel begins.
    fn restart(&mut self, restart: bool, c: &Span) {
        self.skip = if restart && self.goal_tick > c.time {
            self.goal_tick - c.time
        } else {
            0
        };
        self.from = self.made;
        if self.title.silent {
            self.clock_time = self.made;
        }
        if self.skip > 0 {
            self.state = State::Catch;
        }
        self.expected = c.time;
        self.need_expected = false;
    }

    /// Time that is missing before the slice: silence, and pictures stand.
    fn gap(&mut self, c: &Span) -> bool {
        let mut gap = c.time.saturating_sub(self.expected);
        self.expected = c.time;
        if gap > u64::from(self.title.clock_rate) * LONGEST_GAP {
            gap = 0;
        }
        if gap == 0 {
            return false;
        }
        if self.title.silent {
            self.made += gap as i64;
            return false;
        }
        self.breaks(gap as u32);
        true
    }

    fn open_slice<B: Stage>(&mut self, board: &mut B, c: &Span, at: u32) {
        let left = c.ticks - self.skip as u32;
        if self.title.silent {
            self.made += i64::from(left);
            self.hear = self.hear.wrapping_add(1);
        } else if board.sound_open(at) {
            self.hearing.left = Some(c.ticks);
            self.pass_over(board, self.skip as u32);
        } else {
            // A block that breaks its coding is silent for as long.
            self.counts.broken += 1;
            self.breaks(left);
            self.hear = self.hear.wrapping_add(1);
        }
        self.skip = 0;
    }

    fn pass_over<B: Stage>(&mut self, board: &mut B, mut samples: u32) {
        while samples > 0 {
            let n = samples.min(BLOCK);
            board.sound_read(&mut self.hearing.samples[..n as usize]);
            samples -= n;
            self.hearing.left = self.hearing.left.map(|left| left - n);
        }
    }

    /// Starts the slice at `hear`, or what must be heard before it.
    fn hear_slice<B: Stage>(&mut self, queue: &Queue, board: &mut B) -> bool {
        let entry = queue.entry(self.hear);
        let c = board.slice(entry.at);
        if (entry.restart && self.seeing.restarted != Some(self.hear)) || self.need_expected {
            if self.hearing.sounded {
                self.breaks(0);
                return true;
            }
            self.restart(entry.restart, &c);
            self.seeing.restarted = Some(self.hear);
        }
        if self.gap(&c) {
            return true;
        }
        self.starts[(self.hear % super::SLOTS) as usize] = self.made - self.skip as i64;
        self.expected = c.time + u64::from(c.ticks);
        if self.skip >= u64::from(c.ticks) {
            self.skip -= u64::from(c.ticks);
            self.hear = self.hear.wrapping_add(1);
        } else {
            self.open_slice(board, &c, entry.at);
        }
        true
    }

    /// Whether the reel's sound follows in the queue without a break. If not, what
    /// is in the queue is heard first, and the port can be set to another rate.
    fn joins(&self, title: &Title) -> bool {
        let sounds = !self.title.silent && !title.silent;
        sounds && title.clock_rate == self.title.clock_rate
    }

    /// Makes the reel at `at` the one that is played, unless it is a part that
    /// goes on.
    fn take<B: Stage>(&mut self, board: &mut B, title: Title, at: u32) -> Result<(), i32> {
        let goes_on = self.is_open
            && title.reel == self.title.reel
            && title.first_tick == self.expected
            && title.part > 1;
        self.title = title;
        self.is_open = true;
        self.taken = self.made;
        self.clock_time = self.made;
        if goes_on {
            return Ok(());
        }
        self.need_expected = true;
        board.open(at)
    }

    /// Begins a reel, once everything of the one before has been seen.
    fn hear_item<B: Stage>(&mut self, queue: &Queue, board: &mut B) -> bool {
        if self.see != self.hear || !self.hearing.is_given() {
            return false;
        }
        let at = queue.at(self.hear);
        let title = board.title(at);
        if title.is_ok_and(|t| !self.joins(&t)) {
            if self.hearing.sounded {
                self.breaks(0);
                return true;
            }
            if self.now(board) < self.made {
                return false;
            }
        }
        self.settle(board);
        self.item = queue.entry(self.hear).code as u32;
        if let Err(code) = title.and_then(|t| self.take(board, t, at)) {
            // Said when the sound before it is over.
            queue.refuse(self.hear, code);
            return true;
        }
        self.says_item = true;
        self.hear = self.hear.wrapping_add(1);
        self.see = self.hear;
        true
    }

    /// The end, once everything has been seen and heard.
    fn hear_end<B: Stage>(&mut self, queue: &Queue, board: &mut B) -> bool {
        if self.hearing.sounded {
            self.breaks(0);
            return true;
        }
        if self.see == self.hear && self.now(board) >= self.made {
            self.error = queue.entry(self.hear).code;
            self.state = State::Over;
        }
        false
    }

    /// Nothing more lies ready: if it is still so when the queue is nearly
    /// played, play stops to fill up.
    fn runs_dry<B: Stage>(&mut self, board: &mut B) -> bool {
        if self.now(board) + 2 * i64::from(self.fade()) < self.made {
            return false;
        }
        if self.title.silent && self.clock_time < self.made {
            return false;
        }
        self.counts.dry += 1;
        self.state = State::Fill;
        if self.hearing.sounded {
            self.breaks(0);
        }
        true
    }

    /// Goes on to what lies at `hear`; whether something could be done.
    pub(super) fn hear_next<B: Stage>(&mut self, queue: &Queue, board: &mut B) -> bool {
        if self.says_item {
            return false; // it has to be heard of first
        }
        if !Self::has(queue, self.hear) {
            return self.state == State::On && self.runs_dry(board);
        }
        match queue.entry(self.hear).kind {
            Kind::Item => self.hear_item(queue, board),
            Kind::Slice => self.hear_slice(queue, board),
            Kind::End | Kind::Error | Kind::Refused => self.hear_end(queue, board),
        }
    }

    /// Samples of the slice that is being heard, at their volume.
    fn block<B: Stage>(&mut self, board: &mut B, left: u32) -> u32 {
        let hush = self.hushes();
        let goal = if hush { 0 } else { self.hearing.volume };
        let step = FULL / self.fade() as i32 + 1;
        let h = &mut self.hearing;
        let mut n = BLOCK.min(left);
        if hush && h.gain > 0 {
            // No further than to silence.
            n = n.min((h.gain / step + 1) as u32);
        }
        board.sound_read(&mut h.samples[..n as usize]);
        if B::HEARD {
            for sample in &mut h.samples[..n as usize] {
                h.gain += (goal - h.gain).clamp(-step, step);
                *sample = (i32::from(*sample) * h.gain / FULL) as i16;
            }
            h.last = i32::from(h.samples[n as usize - 1]);
        } else {
            let way = step.saturating_mul(n as i32);
            h.gain += (goal - h.gain).clamp(-way, way);
        }
        h.left = Some(left - n);
        h.sounded = true;
        n
    }

    fn falls(&mut self) -> u32 {
        let fade = self.fade() as i32;
        let h = &mut self.hearing;
        let n = h.tail.min(BLOCK);
        for sample in &mut h.samples[..n as usize] {
            h.tail -= 1;
            *sample = (h.last * h.tail as i32 / fade) as i16;
        }
        n
    }

    /// Makes the next few samples; 0 if there are none now.
    fn make<B: Stage>(&mut self, queue: &Queue, board: &mut B) -> u32 {
        loop {
            if self.hearing.tail > 0 {
                return self.falls();
            }
            if self.hearing.silence > 0 {
                let n = self.hearing.silence.min(BLOCK);
                self.hearing.samples[..n as usize].fill(0);
                self.hearing.silence -= n;
                return n;
            }
            if self.state != State::On || (self.hushes() && self.hearing.gain == 0) {
                return 0;
            }
            match self.hearing.left {
                Some(left) if left > 0 => return self.block(board, left),
                Some(_) => {
                    self.hearing.left = None;
                    self.hear = self.hear.wrapping_add(1);
                }
                None => {
                    if !self.hear_next(queue, board) {
                        return 0;
                    }
                }
            }
        }
    }

    /// Whether the queue ran empty in the middle of sound, as when a read took
    /// longer than it lasted. Zeros are being heard: what comes next rises from
    /// there.
    fn starve<B: Stage>(&mut self, board: &mut B) {
        let step = FULL / self.fade() as i32 + 1;
        let h = &mut self.hearing;
        let falls = !h.sounded && (h.tail > 0 || h.at != h.end);
        let sounds = falls || (h.sounded && h.gain > 0);
        if !sounds || board.sound_left() > 0 {
            return;
        }
        self.counts.starved += 1;
        h.last = 0;
        let mut rise = 0;
        for sample in &mut h.samples[h.at as usize..h.end as usize] {
            rise = if falls { 0 } else { FULL.min(rise + step) };
            h.last = i32::from(*sample) * rise / FULL;
            *sample = h.last as i16;
        }
        h.gain = h.gain * rise / FULL;
    }

    /// Fills the sound queue as far as it takes samples.
    pub(super) fn feed<B: Stage>(&mut self, queue: &Queue, board: &mut B) -> bool {
        let mut did = false;
        self.starve(board);
        loop {
            if self.hearing.is_given() {
                self.hearing.at = 0;
                self.hearing.end = 0;
                let made = self.make(queue, board);
                self.hearing.end = made;
                self.made += i64::from(made);
            }
            let h = &mut self.hearing;
            let waiting = &h.samples[h.at as usize..h.end as usize];
            let took = if waiting.is_empty() {
                0
            } else {
                board.sound(waiting)
            };
            if took == 0 {
                return did;
            }
            h.at += took;
            self.taken += i64::from(took);
            did = true;
        }
    }

    /// Without sound: looks an eighth of a second ahead.
    fn follow<B: Stage>(&mut self, queue: &Queue, board: &mut B) -> bool {
        let mut did = false;
        let ahead = i64::from(self.title.clock_rate / 8);
        while self.state == State::On
            && self.made - self.clock_time <= ahead
            && self.hear_next(queue, board)
        {
            did = true;
        }
        did
    }

    pub(super) fn hear<B: Stage>(&mut self, queue: &Queue, board: &mut B) -> bool {
        if self.title.silent && self.is_open {
            self.follow(queue, board)
        } else {
            self.feed(queue, board)
        }
    }
}
