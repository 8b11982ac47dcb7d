//! What goes over the wires of panel and sound port, in files. A record of the trace: a
//! letter, a byte, 16 bits of 0, microseconds, the number of bytes that follow, 32 bits each,
//! low byte first. R reset line; C command, with its parameters; P pixels; B backlight; A
//! amplifier; S rate; M picture: its tick, 8 bytes; K bytes of stack; E the end: counts.

use core::convert::Infallible;
use core::sync::atomic::{AtomicBool, AtomicU32, Ordering};

use embedded_hal::digital::{self, OutputPin};
use embedded_hal::spi::{self, Operation, SpiDevice};

use super::{host, port};

static TRACE: AtomicU32 = AtomicU32::new(0);
static SAMPLES: AtomicU32 = AtomicU32::new(0);
/// The level of the data/command line: high for data.
static IS_DATA: AtomicBool = AtomicBool::new(false);

pub fn open() {
    TRACE.store(host::create(c"trace"), Ordering::Relaxed);
    SAMPLES.store(host::create(c"samples"), Ordering::Relaxed);
}

pub fn close() {
    host::close(TRACE.load(Ordering::Relaxed));
    host::close(SAMPLES.load(Ordering::Relaxed));
}

pub fn write(kind: u8, detail: u8, bytes: &[u8]) {
    let mut head = [kind, detail, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0];
    head[4..8].copy_from_slice(&port::clock().to_le_bytes());
    head[8..].copy_from_slice(&(bytes.len() as u32).to_le_bytes());
    let trace = TRACE.load(Ordering::Relaxed);
    host::write(trace, &head);
    if !bytes.is_empty() {
        host::write(trace, bytes);
    }
}

/// A block of the sound port.
pub fn heard(block: &[i16]) {
    let mut bytes = [0; 2 * super::LONGEST_BLOCK];
    for (to, sample) in bytes.chunks_exact_mut(2).zip(block) {
        to.copy_from_slice(&sample.to_le_bytes());
    }
    host::write(SAMPLES.load(Ordering::Relaxed), &bytes[..2 * block.len()]);
}

/// The panel's reset line.
pub struct Reset;

impl digital::ErrorType for Reset {
    type Error = Infallible;
}

impl OutputPin for Reset {
    fn set_low(&mut self) -> Result<(), Infallible> {
        write(b'R', 1, &[]);
        Ok(())
    }

    fn set_high(&mut self) -> Result<(), Infallible> {
        write(b'R', 0, &[]);
        Ok(())
    }
}

/// The panel's data/command line.
pub struct DataCommand;

impl digital::ErrorType for DataCommand {
    type Error = Infallible;
}

impl OutputPin for DataCommand {
    fn set_low(&mut self) -> Result<(), Infallible> {
        IS_DATA.store(false, Ordering::Relaxed);
        Ok(())
    }

    fn set_high(&mut self) -> Result<(), Infallible> {
        IS_DATA.store(true, Ordering::Relaxed);
        Ok(())
    }
}

const WRITE_MEMORY_START: u8 = 0x2C;

/// The panel's other wires. A command is recorded when its parameters are whole.
#[derive(Default)]
pub struct PanelWires {
    command: u8,
    parameters: [u8; 4],
    count: usize,
}

/// Parameters of a command, by MIPI DCS 1.3, chapter 6, from memory.
const fn parameters(command: u8) -> usize {
    match command {
        0x2A | 0x2B => 4,
        0x36 | 0x3A => 1,
        _ => 0,
    }
}

impl PanelWires {
    fn byte(&mut self, byte: u8) {
        if IS_DATA.load(Ordering::Relaxed) {
            if let Some(to) = self.parameters.get_mut(self.count) {
                *to = byte;
            }
            self.count += 1;
        } else {
            (self.command, self.count) = (byte, 0);
        }
        if self.count == parameters(self.command) {
            write(b'C', self.command, &self.parameters[..self.count]);
        }
    }

    fn take(&mut self, bytes: &[u8]) {
        let pixels = IS_DATA.load(Ordering::Relaxed) && self.command == WRITE_MEMORY_START;
        if !pixels {
            bytes.iter().for_each(|&byte| self.byte(byte));
        } else if !bytes.is_empty() {
            port::sleep(bytes.len() as u32 / 5); // 40 MHz
            write(b'P', 0, bytes);
        }
    }
}

impl spi::ErrorType for PanelWires {
    type Error = Infallible;
}

impl SpiDevice for PanelWires {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), Infallible> {
        for operation in operations {
            if let Operation::Write(bytes) = operation {
                self.take(bytes);
            }
        }
        Ok(())
    }
}
