//! The playback loop driven in simulated time, on one core or two.

use crate::play::{Fetcher, Presenter, Queue, Said, Setup, step};

use super::Rules;
use super::link::LinkRun;
use super::outcome::Run;
use super::script::Script;
use super::stage::{PRESENTING, READING, Scratch, World};

/// The side that reads looks for room so often, in nanoseconds.
const READ_IDLE: u64 = 1_000_000;
/// Play that takes so many times its length and so many nanoseconds more does
/// not end.
const PATIENCE: u64 = 20;
const LONGEST: u64 = 600_000_000_000;

/// One play of a reel.
pub(super) struct Play<'a> {
    world: World<'a>,
    queue: Queue,
    fetcher: Fetcher,
    presenter: Presenter,
    dry: u32,
    traced: bool,
    limit: u64,
}

impl<'a> Play<'a> {
    pub(super) fn new(
        script: &'a Script,
        rules: Rules,
        link: LinkRun<'a>,
        scratch: &'a mut Scratch,
        seed: u64,
        traced: bool,
    ) -> Self {
        let setup = Setup {
            ring_buffer_bytes: (rules.ring / 512 * 512).min(u64::from(u32::MAX)) as u32,
            piece: rules.piece,
            repeat: false,
        };
        Self {
            world: World::new(script, rules, link, scratch, seed),
            queue: Queue::default(),
            fetcher: Fetcher::new(setup),
            presenter: Presenter::new(0),
            dry: 0,
            traced,
            limit: script.ns(script.ticks) * PATIENCE + LONGEST,
        }
    }

    /// Plays the whole reel.
    pub(super) fn play(mut self) -> Run {
        // The first generation is what the fetcher was made with.
        if self.world.script.one_core {
            self.on_one_core();
        } else {
            self.on_two_cores();
        }
        self.world.finish();
        self.world.scratch.segments = self.world.link.into_memory();
        self.world.run
    }

    fn on_one_core(&mut self) {
        loop {
            let said = step(
                &mut self.fetcher,
                &mut self.presenter,
                &self.queue,
                &mut self.world,
            );
            if self.goes_on(said) {
                continue;
            }
            break;
        }
    }

    /// The two sides by turns, the one whose clock is behind first.
    fn on_two_cores(&mut self) {
        let mut parked = None;
        loop {
            let [reading, presenting] = self.world.clocks;
            if parked.is_none() && reading <= presenting {
                parked = self.fetch();
                continue;
            }
            self.world.core = PRESENTING;
            let (got, generation) = (self.queue.got(), self.queue.generation());
            let said = self.presenter.present(&self.queue, &mut self.world);
            if !self.goes_on(said) {
                break;
            }
            // What it gave back is seen at the reader's next look.
            if let Some(since) = parked
                && (got, generation) != (self.queue.got(), self.queue.generation())
            {
                let looks = (self.world.clocks[PRESENTING].saturating_sub(since)) / READ_IDLE + 1;
                self.world.clocks[READING] = since + looks * READ_IDLE;
                parked = None;
            }
        }
    }

    /// One piece of reading; since when it waits for room, or has no more to do.
    fn fetch(&mut self) -> Option<u64> {
        self.world.core = READING;
        let did = self.fetcher.fetch(&self.queue, &mut self.world);
        if self.queue.is_stuck() {
            self.world.link.delay = super::link::Delay::default();
        }
        self.note();
        (!did).then(|| self.world.clocks[READING])
    }

    /// After a round of presenting: whether there is another.
    fn goes_on(&mut self, said: Said) -> bool {
        if self.presenter.counts().dry != self.dry {
            self.dry = self.presenter.counts().dry;
            self.world.ran_dry();
        }
        self.note();
        match said {
            Said::Ended | Said::Failed(_) => return false,
            Said::Idle => {
                let idle = self.presenter.idle(&mut self.world);
                self.world.nap(idle);
            }
            Said::GoesOn | Said::Item => {}
        }
        if self.world.script.one_core && self.queue.is_stuck() {
            self.world.link.delay = super::link::Delay::default();
        }
        self.world.now() < self.limit
    }

    /// Notes the level of the ring.
    fn note(&mut self) {
        if !self.traced {
            return;
        }
        let level = self.queue.bytes();
        let now = self.world.now();
        let levels = &mut self.world.scratch.levels;
        if levels.last().is_none_or(|last| last.1 != level) {
            levels.push((now, level));
        }
    }
}
