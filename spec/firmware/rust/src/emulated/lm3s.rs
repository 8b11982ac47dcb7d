//! The port of `lm3s6965evb`: a PL022 with an SD card, selected by a GPIO line. Registers: Arm's
//! PrimeCell PL022 and PL061 manuals, Armv7-M's SysTick.

use core::arch::asm;
use core::sync::atomic::{AtomicU32, Ordering};

use super::{host, main, tick};

const SSI_CR0: usize = 0x4000_8000;
const SSI_CR1: usize = 0x4000_8004;
const SSI_DR: usize = 0x4000_8008;
const SSI_SR: usize = 0x4000_800C;
/// Port D, line 0 alone.
const GPIO_SELECT: usize = 0x4000_7004;
const GPIO_DIR: usize = 0x4000_7400;
const GPIO_DEN: usize = 0x4000_751C;
const SYST_CSR: usize = 0xE000_E010;
const SYST_RVR: usize = 0xE000_E014;
const SYST_CVR: usize = 0xE000_E018;
/// 10 ms of the core's 12.5 MHz.
const TICK: u32 = 125_000;

static TICKS: AtomicU32 = AtomicU32::new(0);
static LAST: AtomicU32 = AtomicU32::new(0);

fn read(register: usize) -> u32 {
    // SAFETY: the registers above, all of them of 32 bits.
    unsafe { (register as *const u32).read_volatile() }
}

fn write(register: usize, value: u32) {
    // SAFETY: as above.
    unsafe { (register as *mut u32).write_volatile(value) }
}

#[repr(C)]
union Vector {
    stack: *const u32,
    handler: extern "C" fn(),
}

// SAFETY: never written.
unsafe impl Sync for Vector {}

unsafe extern "C" {
    static stack_top: u32;
    static mut bss_start: u32;
    static bss_end: u32;
}

const FAULT: Vector = Vector { handler: fault };

#[unsafe(link_section = ".vectors")]
#[used]
static VECTORS: [Vector; 16] = {
    let mut vectors = [const { FAULT }; 16];
    vectors[0] = Vector {
        stack: &raw const stack_top,
    };
    vectors[1] = Vector { handler: start };
    vectors[15] = Vector { handler: on_tick };
    vectors
};

extern "C" fn fault() {
    host::exit(4)
}

extern "C" fn on_tick() {
    let ticks = TICKS.load(Ordering::Relaxed);
    TICKS.store(ticks + 1, Ordering::Relaxed);
    tick();
}

#[unsafe(no_mangle)]
extern "C" fn start() {
    let mut at = &raw mut bss_start;
    while at.cast_const() < &raw const bss_end {
        // SAFETY: nothing of it has been used yet.
        unsafe {
            at.write_volatile(0);
            at = at.add(1);
        }
    }
    main()
}

pub fn open() {
    write(SSI_CR0, 7); // 8 bits, mode 0
    write(SSI_CR1, 2); // on
    write(GPIO_DIR, read(GPIO_DIR) | 1);
    write(GPIO_DEN, read(GPIO_DEN) | 1);
    select(false);
    write(SYST_CSR, 0);
    write(SYST_RVR, TICK - 1);
    write(SYST_CVR, 0);
    write(SYST_CSR, 7);
}

pub fn select(on: bool) {
    write(GPIO_SELECT, u32::from(!on));
}

pub fn exchange(byte: u8) -> u8 {
    write(SSI_DR, byte.into());
    while read(SSI_SR) & 4 == 0 {}
    read(SSI_DR) as u8
}

/// Microseconds.
pub fn clock() -> u32 {
    let now = loop {
        let before = TICKS.load(Ordering::SeqCst);
        let now = before
            .wrapping_mul(10_000)
            .wrapping_add((TICK - 1 - read(SYST_CVR)) * 2 / 25);
        if before == TICKS.load(Ordering::SeqCst) {
            break now;
        }
    };
    // The counter may have begun anew a moment before its interrupt comes.
    let last = LAST.load(Ordering::Relaxed);
    if now.wrapping_sub(last) as i32 > 0 {
        LAST.store(now, Ordering::Relaxed);
        return now;
    }
    last
}

pub fn sleep(microseconds: u32) {
    let start = clock();
    while clock().wrapping_sub(start) < microseconds {
        if microseconds >= 1000 {
            // SAFETY: waits for an interrupt.
            unsafe { asm!("wfi", options(nomem, nostack)) };
        }
    }
}

/// Time stands still and nothing ticks, or goes on.
pub fn freeze(on: bool) {
    write(SYST_CSR, if on { 4 } else { 7 });
}

pub fn call(operation: u32, block: &[u32]) -> u32 {
    let mut said = operation;
    // SAFETY: the host reads the block, and writes only where its words point.
    unsafe { asm!("bkpt 0xab", inout("r0") said, in("r1") block.as_ptr(), options(nostack)) };
    said
}

pub fn stack_pointer() -> u32 {
    let sp: u32;
    // SAFETY: reads a register.
    unsafe { asm!("mov {}, sp", out(reg) sp, options(nomem, nostack)) };
    sp
}
