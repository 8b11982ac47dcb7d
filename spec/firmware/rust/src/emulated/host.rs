//! The computer that emulates the board, by Arm's semihosting, which the RISC-V emulator speaks
//! as well ("Semihosting for AArch32 and AArch64", release 3.0).

use core::ffi::CStr;

use super::port;

const SYS_OPEN: u32 = 0x01;
const SYS_CLOSE: u32 = 0x02;
const SYS_WRITE: u32 = 0x05;
const SYS_GET_CMDLINE: u32 = 0x15;
const SYS_EXIT_EXTENDED: u32 = 0x20;
const APPLICATION_EXIT: u32 = 0x20026;
const READ: u32 = 1;
const WRITE: u32 = 5;
const NONE: u32 = u32::MAX;

fn word<T: ?Sized>(at: *const T) -> u32 {
    at.cast::<u8>() as usize as u32
}

fn open(path: &CStr, mode: u32) -> u32 {
    let name = path.to_bytes();
    port::call(SYS_OPEN, &[word(path.as_ptr()), mode, name.len() as u32])
}

/// Makes a file and gives its handle.
pub fn create(path: &CStr) -> u32 {
    let file = open(path, WRITE);
    if file == NONE {
        exit(2);
    }
    file
}

pub fn write(file: u32, bytes: &[u8]) {
    let said = port::call(SYS_WRITE, &[file, word(bytes.as_ptr()), bytes.len() as u32]);
    if said != 0 {
        exit(3);
    }
}

pub fn close(file: u32) {
    port::call(SYS_CLOSE, &[file, 0, 0]);
}

pub fn exit(code: u32) -> ! {
    loop {
        port::call(SYS_EXIT_EXTENDED, &[APPLICATION_EXIT, code, 0]);
    }
}

/// Has the other side do something, while time stands still.
pub fn ask(what: &CStr, until: &CStr) {
    port::freeze(true);
    close(create(what));
    loop {
        let file = open(until, READ);
        if file != NONE {
            close(file);
            break;
        }
    }
    port::freeze(false);
}

/// The command line: words of KEY=NUMBER behind the program's name.
pub struct Words([u8; 256]);

pub fn arguments() -> Words {
    let mut line = [0; 256];
    port::call(
        SYS_GET_CMDLINE,
        &[word(line.as_mut_ptr()), line.len() as u32 - 1, 0],
    );
    Words(line)
}

impl Words {
    pub fn number(&self, key: &str) -> Option<u32> {
        let line = self.0.split(|&b| b == 0).next()?;
        let mut words = core::str::from_utf8(line).ok()?.split(' ');
        words.find_map(|word| word.strip_prefix(key)?.strip_prefix('=')?.parse().ok())
    }
}

/// The stack, painted.
pub struct Painted {
    top: u32,
}

const PAINT: u32 = 0xA5A5_A5A5;
/// What this function itself may use, in words.
const MARGIN: u32 = 64;
/// As far down as is painted, where memory allows, in words.
const DEEPEST: u32 = 16 << 10;

fn stack_limit(top: u32) -> u32 {
    unsafe extern "C" {
        static bss_end: u32;
    }
    let end = word(&raw const bss_end);
    end.max(top.saturating_sub(4 * DEEPEST))
}

pub fn paint_stack() -> Painted {
    let top = port::stack_pointer();
    let mut at = stack_limit(top);
    while at < top - 4 * MARGIN {
        // SAFETY: this lies between all data and the stack in use.
        unsafe { (at as usize as *mut u32).write_volatile(PAINT) };
        at += 4;
    }
    Painted { top }
}

impl Painted {
    /// Bytes that were used since.
    pub fn measure(&self) -> u32 {
        let mut at = stack_limit(self.top);
        // SAFETY: as above.
        while at < self.top && unsafe { (at as usize as *const u32).read_volatile() } == PAINT {
            at += 4;
        }
        self.top - at
    }
}
