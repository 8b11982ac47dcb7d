//! The board that the tests emulate: a card on the machine's own SPI port; the wires of
//! panel and sound port are recorded in files of the computer that emulates it.
//!
//! Two machines of the emulator QEMU: `lm3s6965evb`, a Cortex-M3 with 64 KB of memory, and
//! `sifive_u` with 32 bits, for the largest panel.
//!
//! Arguments: `ring=BYTES` uses less of the ring buffer; `pull=N`: after N pictures the file
//! "pull" is made and time stands still until the file "pulled" is there; 0.7 s after
//! that was met with, the same with "put" and "back".
#![no_std]
#![no_main]

mod host;
#[cfg_attr(target_arch = "arm", path = "lm3s.rs")]
#[cfg_attr(target_arch = "riscv32", path = "sifive.rs")]
mod port;
mod record;

use core::convert::Infallible;
use core::sync::atomic::{AtomicU32, Ordering};

use embedded_hal::delay::DelayNs;
use embedded_hal::digital::{self, OutputPin};
use embedded_hal::spi::{self, SpiBus};
use mipidsi::interface::SpiInterface;
use record::{DataCommand, PanelWires, Reset};
use thumbreel::play::{Memory, Now};
use thumbreel_board::{Card, CardBus, Machine, Panel, PanelSetup, SoundQueue, play_card};

/// Memory of the loop; of the small machine what a panel of 64x48 needs.
#[cfg(target_arch = "arm")]
mod sizes {
    pub const RING: usize = 16 << 10;
    pub const CHUNK: usize = 8 << 10;
    pub const WORK: usize = 12 << 10;
    pub const QUEUE: usize = 4096;
}
#[cfg(target_arch = "riscv32")]
mod sizes {
    pub const RING: usize = 512 << 10;
    pub const CHUNK: usize = 256 << 10;
    pub const WORK: usize = 256 << 10;
    pub const QUEUE: usize = 1 << 15;
}
use sizes::{CHUNK, QUEUE, RING, WORK};

/// Bytes of pixels that are sent at a time.
const PIXELS: usize = 512;
/// Samples of the longest block: 10 ms at 48 kHz.
const LONGEST_BLOCK: usize = 480;
/// How long the card stays away, and how long all may take, in microseconds.
const ABSENT: u32 = 700_000;
const LONGEST_PLAY: u32 = 120_000_000;

static SOUND: SoundQueue<QUEUE> = SoundQueue::new();
/// Of the sound port.
static RATE: AtomicU32 = AtomicU32::new(0);

/// The sound port's interrupt, every 10 ms.
fn tick() {
    let mut block = [0; LONGEST_BLOCK];
    let samples = RATE.load(Ordering::Relaxed) as usize / 100;
    if let Some(block) = block.get_mut(..samples) {
        SOUND.fill(block);
        record::heard(block);
    }
}

/// The card's wires.
#[derive(Default)]
struct Wires {
    /// The answer to READ_OCR comes next.
    ocr: bool,
}

const READ_OCR: u8 = 0x40 | 58;

impl spi::ErrorType for Wires {
    type Error = Infallible;
}

impl SpiBus for Wires {
    fn read(&mut self, to: &mut [u8]) -> Result<(), Infallible> {
        to.fill_with(|| port::exchange(0xFF));
        Ok(())
    }

    fn write(&mut self, from: &[u8]) -> Result<(), Infallible> {
        self.ocr = from.len() == 6 && from[0] == READ_OCR;
        for &byte in from {
            port::exchange(byte);
        }
        Ok(())
    }

    fn transfer(&mut self, to: &mut [u8], from: &[u8]) -> Result<(), Infallible> {
        let sent = from.iter().copied().chain(core::iter::repeat(0xFF));
        for (to, byte) in to.iter_mut().zip(sent) {
            *to = port::exchange(byte);
        }
        self.write(from.get(to.len()..).unwrap_or(&[]))
    }

    fn transfer_in_place(&mut self, bytes: &mut [u8]) -> Result<(), Infallible> {
        for byte in bytes {
            *byte = port::exchange(*byte);
            if self.ocr && *byte != 0xFF {
                // The emulated card says that it is idle still; the driver believes it.
                self.ocr = false;
                *byte &= 0xFE;
            }
        }
        Ok(())
    }

    fn flush(&mut self) -> Result<(), Infallible> {
        Ok(())
    }
}

impl CardBus for Wires {
    fn set_hz(&mut self, _: u32) {}
}

/// The card's select line.
struct Select;

impl digital::ErrorType for Select {
    type Error = Infallible;
}

impl OutputPin for Select {
    fn set_low(&mut self) -> Result<(), Infallible> {
        port::select(true);
        Ok(())
    }

    fn set_high(&mut self) -> Result<(), Infallible> {
        port::select(false);
        Ok(())
    }
}

struct Delay;

impl DelayNs for Delay {
    fn delay_ns(&mut self, ns: u32) {
        port::sleep(ns.div_ceil(1000));
    }
}

/// What the person at the card does next.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Person {
    Pulls,
    Waits,
    /// Since then.
    PutsBack(u32),
    Rests,
}

struct Emulated {
    shown: u32,
    amplifier: Option<bool>,
    pull: u32,
    person: Person,
    /// shown, late, waiting, damaged, broken, dry, starved, lost.
    counts: [u32; 8],
}

impl Machine for Emulated {
    fn microseconds(&mut self) -> u32 {
        port::clock()
    }

    fn sleep(&mut self, microseconds: u32) {
        port::sleep(microseconds);
    }

    fn set_sound_rate(&mut self, samples_per_second: u32) {
        RATE.store(samples_per_second, Ordering::Relaxed);
        record::write(b'S', 0, &samples_per_second.to_le_bytes());
    }

    fn set_amplifier(&mut self, on: bool) {
        if self.amplifier != Some(on) {
            self.amplifier = Some(on);
            record::write(b'A', on.into(), &[]);
        }
    }

    fn set_backlight(&mut self, on: bool) {
        record::write(b'B', on.into(), &[]);
    }

    fn between(&mut self, now: &mut Now<'_>) {
        let counts = *now.counts();
        if let Some(tick) = now.position.filter(|_| counts.shown != self.shown) {
            record::write(b'M', 0, &tick.to_le_bytes());
        }
        self.shown = counts.shown;
        self.counts = [
            counts.shown,
            counts.late,
            counts.waiting,
            now.damaged,
            counts.broken,
            counts.dry,
            counts.starved,
            now.lost,
        ];
        let time = port::clock();
        self.person = match self.person {
            Person::Pulls if counts.shown >= self.pull => {
                host::ask(c"pull", c"pulled");
                Person::Waits
            }
            Person::Waits if now.lost > 0 => Person::PutsBack(time),
            Person::PutsBack(since) if time.wrapping_sub(since) > ABSENT => {
                host::ask(c"put", c"back");
                Person::Rests
            }
            person => person,
        };
        if time > LONGEST_PLAY {
            host::exit(5);
        }
    }
}

/// Entered from the start-up code, once.
fn main() -> ! {
    let words = host::arguments();
    let deepest = host::paint_stack();
    record::open();
    port::open();
    let setup = PanelSetup {
        columns: 320,
        rows: 240,
        ..PanelSetup::default()
    };
    let mut pixels = [0; PIXELS];
    let wires = SpiInterface::new(PanelWires::default(), DataCommand, &mut pixels);
    let Ok(mut panel) = Panel::start(wires, setup, &mut Reset, &mut Delay);
    let mut card = Card::new(Wires::default(), Select, Delay, 20_000_000);
    let mut machine = Emulated {
        shown: 0,
        amplifier: None,
        pull: words.number("pull").unwrap_or(u32::MAX),
        person: Person::Pulls,
        counts: [0; 8],
    };
    static mut RING_BUFFER: [u8; RING] = [0; RING];
    static mut CHUNK_BUFFER: [u8; CHUNK] = [0; CHUNK];
    static mut WORK_BUFFER: [u8; WORK] = [0; WORK];
    // SAFETY: `main` runs once, and nothing else names these.
    let (ring, chunk, work) = unsafe {
        (
            &mut *(&raw mut RING_BUFFER),
            &mut *(&raw mut CHUNK_BUFFER),
            &mut *(&raw mut WORK_BUFFER),
        )
    };
    let bytes = words.number("ring").map_or(RING, |n| RING.min(n as usize));
    let memory = Memory {
        ring: &mut ring[..bytes],
        chunk,
        work,
    };
    play_card(&mut card, &mut panel, &SOUND, &mut machine, memory, false);
    port::sleep(50_000);
    record::write(b'K', 0, &deepest.measure().to_le_bytes());
    let mut counts = [0; 32];
    for (to, count) in counts.chunks_exact_mut(4).zip(machine.counts) {
        to.copy_from_slice(&count.to_le_bytes());
    }
    record::write(b'E', 0, &counts);
    record::close();
    host::exit(0)
}

#[panic_handler]
fn panic(_: &core::panic::PanicInfo<'_>) -> ! {
    host::exit(4)
}
