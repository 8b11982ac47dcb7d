//! Pictures: shown when the sample that they belong to is heard.

use super::present::Presenter;
use super::queue::{Kind, Queue};
use super::{Coding, Picture, Stage};

/// What the pictures are at.
#[derive(Debug, Default)]
pub(super) struct Seeing {
    /// Number of the next picture in the slice that is open.
    open: Option<u32>,
    pub picture: Option<Picture>,
    need_key: bool,
    /// The entry at which play was last begun anew.
    pub restarted: Option<u32>,
}

impl Presenter {
    /// Whether entry `number` is a slice whose time is known.
    fn is_started(&self, queue: &Queue, number: u32) -> bool {
        let ahead = number.wrapping_sub(self.hear) as i32;
        (ahead < 0 || (ahead == 0 && self.hearing.left.is_some()))
            && queue.entry(number).kind == Kind::Slice
    }

    pub(super) fn due(&self, number: u32, picture: &Picture) -> i64 {
        self.starts[(number % super::SLOTS) as usize] + i64::from(picture.offset)
    }

    /// Finds the next picture.
    fn find<B: Stage>(&mut self, queue: &Queue, board: &mut B) -> bool {
        while self.seeing.picture.is_none() {
            let Some(index) = self.seeing.open else {
                if !self.is_started(queue, self.see) {
                    return false;
                }
                self.seeing.need_key |= queue.entry(self.see).stale;
                self.seeing.open = Some(0);
                continue;
            };
            self.seeing.picture = board.picture(queue.at(self.see), index);
            if self.seeing.picture.is_none() {
                self.seeing.open = None;
                self.see = self.see.wrapping_add(1);
            } else {
                self.seeing.open = Some(index + 1);
            }
        }
        true
    }

    /// The picture after the present one and when it is due, if that is known.
    fn peek<B: Stage>(&self, queue: &Queue, board: &mut B) -> Option<(Picture, i64)> {
        let index = self.seeing.open.unwrap_or(0);
        if let Some(picture) = board.picture(queue.at(self.see), index) {
            return Some((picture, self.due(self.see, &picture)));
        }
        let next = self.see.wrapping_add(1);
        if !self.is_started(queue, next) {
            return None;
        }
        let picture = board.picture(queue.at(next), 0)?;
        Some((picture, self.due(next, &picture)))
    }

    /// Whether the next picture is due as well, so that this one need not be
    /// sent.
    fn is_superseded<B: Stage>(
        &self,
        queue: &Queue,
        board: &mut B,
        now: i64,
        coding: Coding,
    ) -> bool {
        match self.peek(queue, board) {
            Some((next, due)) if due <= now.max(self.from) && !next.unchanged => {
                coding == Coding::Patch || next.key
            }
            // Not due, or it shows this one.
            _ => false,
        }
    }

    /// How late a picture may be before pictures are passed over: less if they
    /// hold the memory that the sound to come needs.
    fn patience(&self, queue: &Queue) -> i64 {
        let clock = i64::from(self.title.clock_rate);
        let (num, den) = self.title.rate;
        if queue.is_stuck() && self.hearing.left.is_none() && !Self::has(queue, self.hear) {
            return clock * i64::from(den) / i64::from(num);
        }
        clock
    }

    /// Decodes and sends the next picture if it is due.
    pub(super) fn see<B: Stage>(&mut self, queue: &Queue, board: &mut B) -> bool {
        let now = self.now(board);
        if !self.find(queue, board) {
            return false;
        }
        let Some(picture) = self.seeing.picture else {
            return false;
        };
        let due = self.due(self.see, &picture);
        if due > now && due >= self.from {
            return false;
        }
        self.seeing.picture = None;
        self.seeing.need_key |= due >= self.from && now - due > self.patience(queue);
        if self.seeing.need_key && !picture.key {
            if !picture.unchanged {
                self.counts.waiting += 1;
                let index = self.seeing.open.unwrap_or(1) - 1;
                board.passed(queue.at(self.see), index, now - due);
            }
            return true;
        }
        self.seeing.need_key = false;
        let sends = !self.is_superseded(queue, board, now, picture.coding);
        self.decode(queue, board, &picture, sends, now - due);
        true
    }

    fn decode<B: Stage>(
        &mut self,
        queue: &Queue,
        board: &mut B,
        picture: &Picture,
        sends: bool,
        late: i64,
    ) {
        let changes = !picture.unchanged;
        let (at, index) = (queue.at(self.see), self.seeing.open.unwrap_or(1) - 1);
        if picture.coding != Coding::Patch && !sends {
            self.counts.late += u32::from(changes);
            if changes {
                board.passed(at, index, late);
            }
            return;
        }
        if picture.coding == Coding::Patch && changes {
            // The last strip lies where decoding writes.
            self.settle(board);
        }
        let whole = board.show(at, index, sends, late);
        if sends && (changes || picture.coding == Coding::Patch) {
            self.window_open = true;
            self.from_ring |= picture.coding == Coding::Raw;
        }
        if !whole {
            self.counts.broken += 1;
            self.seeing.need_key = true;
        } else if changes && sends {
            self.counts.shown += 1;
        } else if changes {
            self.counts.late += 1;
        }
    }
}
