//! A whole board: plays the reels on a card, one after the other.
//!
//! The card is read by `embedded-sdmmc`, the panel driven by `mipidsi`'s interface, the
//! loop is [`thumbreel::play::run`]. What is left to a chip's own package are the traits
//! of `embedded-hal` and the two small ones here: [`CardBus`] and [`Machine`].
//!
//! Nothing is allocated, and nothing here is `unsafe`.
#![no_std]
#![forbid(unsafe_code)]
#![warn(missing_docs)]

mod card;
mod panel;
mod sound;

pub use card::{Card, CardBus, CardFault};
pub use panel::{Panel, PanelSetup};
pub use sound::SoundQueue;

use embedded_hal::delay::DelayNs;
use mipidsi::interface::Interface;
use thumbreel::play::{self, Fault, Memory, Now, Reach, Read};
use thumbreel::reel::{Header, SoundCoding};
use thumbreel::units::Rect;

/// What no trait of `embedded-hal` has.
pub trait Machine {
    /// Microseconds of a free-running timer; may wrap.
    fn microseconds(&mut self) -> u32;
    /// Lets so many microseconds pass.
    fn sleep(&mut self, microseconds: u32);
    /// Starts the I2S port, or starts it again, at so many samples per second, 16 bits
    /// each. From then on its interrupt has each block filled by [`SoundQueue::fill`].
    fn set_sound_rate(&mut self, samples_per_second: u32);
    /// The amplifier's enable line.
    fn set_amplifier(&mut self, on: bool);
    /// The backlight; a panel without one: nothing.
    fn set_backlight(&mut self, on: bool);
    /// Called once a round: a watchdog, buttons, a status page.
    fn between(&mut self, now: &mut Now<'_>);
    /// Why there is no play just now, or why an item was passed over.
    fn failed(&mut self, why: Failure) {
        let _ = why;
    }
}

/// Why there is no play.
#[derive(Clone, Copy, Debug)]
pub enum Failure {
    /// The card or its file system; it is tried again every quarter of a second.
    Card(CardFault),
    /// A reel of the list, passed over.
    Reel(u32, Fault),
}

/// Plays the reels on the card in the order of their names, once, or with `repeat` in a loop.
/// The panel has been started.
///
/// Played are the files in the root folder whose names end in ".tbr" and do not begin with
/// a dot; capitals count as small letters. A reel for another panel, or one that cannot be
/// played, is passed over. A card that is missing or pulled is tried again every quarter of
/// a second; play goes on where it was, if the same file is there again.
///
/// # Panics
/// If `memory.chunk` is smaller than 512 bytes.
pub fn play_card<BUS, CS, DELAY, DI, M, const QUEUE: usize>(
    card: &mut Card<BUS, CS, DELAY>,
    panel: &mut Panel<DI>,
    sound: &SoundQueue<QUEUE>,
    machine: &mut M,
    memory: Memory<'_>,
    repeat: bool,
) where
    BUS: CardBus,
    CS: embedded_hal::digital::OutputPin,
    DELAY: DelayNs,
    DI: Interface<Word = u8>,
    M: Machine,
{
    const FIRST_RATE: u32 = 16_000;
    machine.set_amplifier(false);
    machine.set_backlight(false);
    machine.set_sound_rate(FIRST_RATE); // zeros, until the amplifier is on
    let mut board = Board {
        card,
        panel,
        sound,
        machine,
        rate: FIRST_RATE,
        is_lit: false,
    };
    play::run(&mut board, memory, repeat);
    machine.set_amplifier(false);
}

struct Board<'a, BUS, CS, DELAY, DI, M, const QUEUE: usize>
where
    BUS: CardBus,
    CS: embedded_hal::digital::OutputPin,
    DELAY: DelayNs,
{
    card: &'a mut Card<BUS, CS, DELAY>,
    panel: &'a mut Panel<DI>,
    sound: &'a SoundQueue<QUEUE>,
    machine: &'a mut M,
    rate: u32,
    is_lit: bool,
}

impl<BUS, CS, DELAY, DI, M, const QUEUE: usize> play::Board
    for Board<'_, BUS, CS, DELAY, DI, M, QUEUE>
where
    BUS: CardBus,
    CS: embedded_hal::digital::OutputPin,
    DELAY: DelayNs,
    DI: Interface<Word = u8>,
    M: Machine,
{
    fn read(&mut self, to: &mut [u8]) -> Read {
        match self.card.read(to) {
            Ok(0) => Read::End,
            Ok(n) => Read::Bytes(n as u32),
            Err(fault) => {
                self.machine.failed(Failure::Card(fault));
                Read::Failed
            }
        }
    }

    fn reach(&mut self, item: u32, offset: u64) -> Reach {
        match self.card.reach(item, offset) {
            Ok(true) => Reach::There,
            Ok(false) => Reach::End,
            Err(fault) => {
                self.machine.failed(Failure::Card(fault));
                Reach::Failed
            }
        }
    }

    fn window(&mut self, window: Option<Rect>, pixels: impl Iterator<Item = [u8; 2]>) {
        self.panel.send(window, pixels);
    }

    fn sound(&mut self, samples: &[i16]) -> u32 {
        self.sound.put(samples)
    }

    fn sound_left(&mut self) -> u32 {
        self.sound.left()
    }

    fn clock(&mut self) -> u32 {
        self.machine.microseconds()
    }

    fn begin(&mut self, _: u32, header: &Header) -> bool {
        let setup = self.panel.setup();
        let right = u32::from(header.x_offset) + u32::from(header.width);
        let bottom = u32::from(header.y_offset) + u32::from(header.height);
        if right > setup.columns.into() || bottom > setup.rows.into() {
            return false; // made for another panel
        }
        if header.sound != SoundCoding::None && header.clock_rate != self.rate {
            self.rate = header.clock_rate;
            self.machine.set_sound_rate(self.rate); // the queue is empty now
        }
        self.machine.set_amplifier(true);
        true
    }

    fn refused(&mut self, item: u32, fault: Fault) {
        self.machine.failed(Failure::Reel(item, fault));
    }

    fn between(&mut self, mut now: Now<'_>) {
        if now.counts().shown > 0 && !self.is_lit {
            self.is_lit = true;
            self.machine.set_backlight(true);
        }
        self.machine.between(&mut now);
        if now.idle > 0 {
            self.machine.sleep(now.idle.min(1000));
        }
    }
}
