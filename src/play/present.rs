//! The side that presents: time, the queue as it sees it, and what is asked
//! of it.

use super::hear::Hearing;
use super::queue::{Kind, Queue, SLOTS};
use super::see::Seeing;
use super::{Counts, LONGEST_IDLE, Said, Stage, Title};

/// Full volume.
pub(super) const FULL: i32 = 32_768;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum State {
    /// Waits for enough to begin with.
    Fill,
    /// Decodes without sound up to the time that was asked for.
    Catch,
    On,
    Stop,
    Over,
}

/// Until a reel's header is there.
const NO_TITLE: Title = Title {
    reel: 0,
    part: 0,
    first_tick: 0,
    clock_rate: 8000,
    rate: (1, 1),
    prebuffer: 0,
    silent: false,
};

/// The side that presents.
#[derive(Debug)]
pub struct Presenter {
    pub(super) title: Title,
    /// The reel that is playing: its place in the list.
    pub(super) item: u32,
    pub(super) counts: Counts,
    pub(super) state: State,
    pub(super) hearing: Hearing,
    pub(super) seeing: Seeing,
    /// When each slot's first tick is heard.
    pub(super) starts: [i64; SLOTS as usize],
    /// The entries that sound and pictures are at.
    pub(super) hear: u32,
    pub(super) see: u32,
    /// Ticks made, given to the sound queue or not yet; and given.
    pub(super) made: i64,
    pub(super) taken: i64,
    /// Without sound: the tick that is being "heard".
    pub(super) clock_time: i64,
    clock_rest: u64,
    clock_last: u32,
    /// Only the last picture before this is sent: a seek.
    pub(super) from: i64,
    /// Reel time of the next slice.
    pub(super) expected: u64,
    pub(super) need_expected: bool,
    /// Ticks to pass over: a seek into a slice.
    pub(super) skip: u64,
    pub(super) goal_tick: u64,
    pub(super) is_open: bool,
    pub(super) says_item: bool,
    /// A transfer may be running, and from the ring.
    pub(super) window_open: bool,
    pub(super) from_ring: bool,
    pub(super) error: i32,
    pub(super) paused: bool,
    wants_seek: Option<(u32, u64)>,
    wants_stop: bool,
}

impl Presenter {
    /// Begins to present as soon as [`present`](Self::present) is called.
    #[must_use]
    pub fn new(clock: u32) -> Self {
        Self {
            title: NO_TITLE,
            item: 0,
            counts: Counts::default(),
            state: State::Fill,
            hearing: Hearing::default(),
            seeing: Seeing::default(),
            starts: [0; SLOTS as usize],
            hear: 0,
            see: 0,
            made: 0,
            taken: 0,
            clock_time: 0,
            clock_rest: 0,
            clock_last: clock,
            from: 0,
            expected: 0,
            need_expected: true,
            skip: 0,
            goal_tick: 0,
            is_open: false,
            says_item: false,
            window_open: false,
            from_ring: false,
            error: 0,
            paused: false,
            wants_seek: None,
            wants_stop: false,
        }
    }

    /// What was counted so far.
    #[must_use]
    pub const fn counts(&self) -> &Counts {
        &self.counts
    }

    /// The reel that is playing.
    #[must_use]
    pub const fn title(&self) -> &Title {
        &self.title
    }

    /// Its place in the list; after an error, that of the reel that failed if the
    /// presenting side refused it.
    #[must_use]
    pub const fn item(&self) -> u32 {
        self.item
    }

    /// Whether play is on: neither filling nor over.
    #[must_use]
    pub fn is_on(&self) -> bool {
        self.state == State::On
    }

    /// Goes to a tick of an item of the list.
    pub fn seek(&mut self, item: u32, tick: u64) {
        self.wants_seek = Some((item, tick));
    }

    /// Fades out and stands still; or goes on.
    pub fn pause(&mut self, paused: bool) {
        self.paused = paused;
    }

    /// 0 to 32768, reached by a ramp of 10 ms.
    pub fn volume(&mut self, volume: i32) {
        self.hearing.volume = volume.clamp(0, FULL);
    }

    /// Fades out, plays a moment of silence, and ends.
    pub fn stop(&mut self) {
        self.wants_stop = true;
    }

    /// The tick that is being heard, on the player's own endless time line.
    pub(super) fn now<B: Stage>(&self, board: &mut B) -> i64 {
        if self.title.silent {
            self.clock_time
        } else {
            self.taken - i64::from(board.sound_left())
        }
    }

    /// Ticks of a fade: 10 ms.
    pub(super) fn fade(&self) -> u32 {
        (self.title.clock_rate / 100).max(1)
    }

    /// Whether sound is to fade out now.
    pub(super) fn hushes(&self) -> bool {
        self.paused || self.wants_seek.is_some() || self.wants_stop
    }

    /// Without sound, time goes by the clock, but not past what has been read.
    fn tick<B: Stage>(&mut self, board: &mut B) {
        let clock = board.clock();
        let passed = clock.wrapping_sub(self.clock_last);
        self.clock_last = clock;
        if !self.title.silent || self.state != State::On || self.paused {
            return;
        }
        self.clock_rest += u64::from(passed) * u64::from(self.title.clock_rate);
        self.clock_time += (self.clock_rest / 1_000_000) as i64;
        self.clock_rest %= 1_000_000;
        self.clock_time = self.clock_time.min(self.made);
    }

    pub(super) fn has(queue: &Queue, number: u32) -> bool {
        number != queue.put() && !queue.is_old(number)
    }

    /// Waits for a transfer that may still read from memory to be changed.
    pub(super) fn settle<B: Stage>(&mut self, board: &mut B) {
        if self.window_open {
            board.settle();
        }
        self.window_open = false;
        self.from_ring = false;
    }

    /// Gives back the entries that neither sound nor pictures need. A raw
    /// picture is sent from the ring buffer itself: its entry is kept while the
    /// transfer may run, unless there is no other room to read into.
    fn release<B: Stage>(&mut self, queue: &Queue, board: &mut B) {
        let got = queue.got();
        let done = if self.hear.wrapping_sub(got) < self.see.wrapping_sub(got) {
            self.hear
        } else {
            self.see
        };
        if done == got {
            return;
        }
        if self.window_open && self.from_ring {
            if !queue.is_stuck() {
                return;
            }
            self.settle(board);
        }
        queue.give_back(done);
    }

    /// Drops what was read before a seek.
    fn discard(&mut self, queue: &Queue) {
        while self.hear != queue.put() && queue.is_old(self.hear) {
            self.hear = self.hear.wrapping_add(1);
            self.see = self.hear;
        }
    }

    /// Whether enough lies ready to begin.
    fn is_filled(&self, queue: &Queue) -> bool {
        if queue.is_stuck() {
            return true;
        }
        let (mut bytes, mut number) = (0u32, self.hear);
        while Self::has(queue, number) {
            let entry = queue.entry(number);
            if entry.kind != Kind::Slice {
                return true;
            }
            bytes += entry.bytes;
            number = number.wrapping_add(1);
        }
        bytes > 0 && bytes >= self.title.prebuffer
    }

    /// Waits for enough to begin with. Pictures that are due are seen, so that
    /// they give their memory back.
    fn fill<B: Stage>(&mut self, queue: &Queue, board: &mut B) -> bool {
        let fed = self.feed(queue, board);
        let did = (self.is_open && self.see(queue, board)) | fed;
        if !Self::has(queue, self.hear) {
            return did;
        }
        if queue.entry(self.hear).kind == Kind::Item {
            return self.hear_next(queue, board) | did;
        }
        if self.is_filled(queue) {
            self.state = State::On;
            return true;
        }
        did
    }

    /// After a seek: decodes without sound up to the time that was asked for.
    fn catch_up<B: Stage>(&mut self, queue: &Queue, board: &mut B) -> bool {
        if self.skip > 0 {
            let heard = self.hear_next(queue, board);
            return self.see(queue, board) | heard;
        }
        if !self.see(queue, board) {
            self.state = State::On;
        }
        true
    }

    fn halt<B: Stage>(&mut self, queue: &Queue, board: &mut B) -> bool {
        let did = self.feed(queue, board);
        let played = self.hearing.silence == 0 && self.hearing.is_given();
        if played && (self.title.silent || self.now(board) >= self.made) {
            self.state = State::Over;
        }
        did
    }

    fn round<B: Stage>(&mut self, queue: &Queue, board: &mut B) -> bool {
        match self.state {
            State::Fill => self.fill(queue, board),
            State::Catch => self.catch_up(queue, board),
            State::On => {
                let heard = self.hear(queue, board);
                self.see(queue, board) | heard
            }
            State::Stop => self.halt(queue, board),
            State::Over => false,
        }
    }

    /// Lets go of everything that was read, and sends the other side off.
    fn jump<B: Stage>(&mut self, queue: &Queue, board: &mut B, item: u32, tick: u64) {
        self.settle(board);
        self.goal_tick = tick;
        self.made = self.taken;
        self.hearing.drop_all();
        self.seeing = Seeing::default();
        self.see = self.hear;
        self.skip = 0;
        self.need_expected = true;
        self.wants_seek = None;
        self.error = 0;
        self.state = State::Fill;
        queue.send_to(item, tick);
    }

    /// Does what was asked for, once the sound has faded out.
    fn obey<B: Stage>(&mut self, queue: &Queue, board: &mut B) {
        let quiet = self.title.silent
            || self.state != State::On
            || ((self.hearing.gain == 0 || !self.hearing.sounded) && self.hearing.is_given());
        if !quiet {
            return;
        }
        if self.wants_stop {
            self.wants_stop = false;
            self.state = State::Stop;
            let silence = if self.title.silent {
                0
            } else {
                2 * self.fade()
            };
            self.hearing.end_with(silence);
        } else if let Some((item, tick)) = self.wants_seek {
            self.jump(queue, board, item, tick);
        }
    }

    /// What is due of sound and pictures.
    pub fn present<B: Stage>(&mut self, queue: &Queue, board: &mut B) -> Said {
        self.tick(board);
        self.obey(queue, board);
        self.discard(queue);
        let did = self.round(queue, board);
        self.release(queue, board);
        if self.says_item && self.state != State::Over {
            self.says_item = false;
            return Said::Item;
        }
        if self.state == State::Over {
            self.settle(board);
            return if self.error < 0 {
                Said::Failed(self.error)
            } else {
                Said::Ended
            };
        }
        if did { Said::GoesOn } else { Said::Idle }
    }

    /// One core, between two reads: sound must not wait.
    pub fn keep_sounding<B: Stage>(&mut self, queue: &Queue, board: &mut B) {
        if self.state == State::On {
            self.hear(queue, board);
        }
    }

    /// Whether a picture is due now, and enough lies ready to hear.
    pub fn is_due<B: Stage>(&self, queue: &Queue, board: &mut B) -> bool {
        queue.put().wrapping_sub(self.hear) >= 2
            && self
                .seeing
                .picture
                .is_some_and(|p| self.due(self.see, &p) <= self.now(board))
    }

    /// Microseconds until something is due, at most 5000.
    pub fn idle<B: Stage>(&self, board: &mut B) -> u32 {
        let Some(picture) = self.seeing.picture.filter(|_| self.state == State::On) else {
            return LONGEST_IDLE;
        };
        let ticks = self.due(self.see, &picture) - self.now(board);
        if ticks <= 0 {
            return 0;
        }
        if ticks > i64::from(self.title.clock_rate / 200) {
            return LONGEST_IDLE;
        }
        ticks as u32 * 1000 / (self.title.clock_rate / 1000)
    }
}
