//! The port of `sifive_u`: the third SPI controller with an SD card; time from the core-local
//! interruptor, which counts microseconds. Registers: SiFive FU540-C000 manual, from memory.

use core::arch::{asm, global_asm};
use core::sync::atomic::{AtomicU32, Ordering};

use super::{host, main, tick};

const SPI_CSMODE: usize = 0x1005_0018;
const SPI_FMT: usize = 0x1005_0040;
const SPI_TXDATA: usize = 0x1005_0048;
const SPI_RXDATA: usize = 0x1005_004C;
const MTIMECMP: usize = 0x0200_4000;
const MTIMECMPH: usize = 0x0200_4004;
const MTIME: usize = 0x0200_BFF8;
/// Microseconds.
const TICK: u32 = 10_000;

/// When the next tick is due; microseconds that stood still; since when they do.
static NEXT: AtomicU32 = AtomicU32::new(0);
static LOST: AtomicU32 = AtomicU32::new(0);
static SINCE: AtomicU32 = AtomicU32::new(0);

// Start-up, the trap with the registers that a function may use up, and the three
// instructions that the emulator takes for a semihosting call.
global_asm!(
    r#"
    .option push
    .option arch, +zicsr
    .section .vectors, "ax"
    .global _start
_start:
    csrr t0, mhartid
    bnez t0, 1f
    la sp, stack_top
    la t0, bss_start
    la t1, bss_end
2:  sw zero, 0(t0)
    addi t0, t0, 4
    bltu t0, t1, 2b
    la t0, trap_entry
    csrw mtvec, t0
    j enter
1:  wfi
    j 1b

    .balign 4
trap_entry:
    addi sp, sp, -64
    sw ra, 0(sp)
    sw t0, 4(sp)
    sw t1, 8(sp)
    sw t2, 12(sp)
    sw t3, 16(sp)
    sw t4, 20(sp)
    sw t5, 24(sp)
    sw t6, 28(sp)
    sw a0, 32(sp)
    sw a1, 36(sp)
    sw a2, 40(sp)
    sw a3, 44(sp)
    sw a4, 48(sp)
    sw a5, 52(sp)
    sw a6, 56(sp)
    sw a7, 60(sp)
    csrr a0, mcause
    call trap
    lw ra, 0(sp)
    lw t0, 4(sp)
    lw t1, 8(sp)
    lw t2, 12(sp)
    lw t3, 16(sp)
    lw t4, 20(sp)
    lw t5, 24(sp)
    lw t6, 28(sp)
    lw a0, 32(sp)
    lw a1, 36(sp)
    lw a2, 40(sp)
    lw a3, 44(sp)
    lw a4, 48(sp)
    lw a5, 52(sp)
    lw a6, 56(sp)
    lw a7, 60(sp)
    addi sp, sp, 64
    mret

    .option norelax
    .option norvc
    .balign 16
semihost_call:
    slli zero, zero, 0x1f
    ebreak
    srai zero, zero, 7
    ret
    .option pop
"#
);

unsafe extern "C" {
    fn semihost_call(operation: u32, block: *const u32) -> u32;
}

fn read(register: usize) -> u32 {
    // SAFETY: the registers above, all of them of 32 bits.
    unsafe { (register as *const u32).read_volatile() }
}

fn write(register: usize, value: u32) {
    // SAFETY: as above.
    unsafe { (register as *mut u32).write_volatile(value) }
}

#[unsafe(no_mangle)]
extern "C" fn enter() -> ! {
    main()
}

#[unsafe(no_mangle)]
extern "C" fn trap(cause: u32) {
    const TIMER: u32 = 0x8000_0007;
    if cause != TIMER {
        host::exit(4);
    }
    set_next(NEXT.load(Ordering::Relaxed).wrapping_add(TICK));
    tick();
}

fn set_next(at: u32) {
    NEXT.store(at, Ordering::Relaxed);
    write(MTIMECMP, at);
}

fn enable(on: bool) {
    const TIMER: u32 = 0x80;
    // SAFETY: switches the timer's interrupt.
    unsafe {
        if on {
            asm!(".option push", ".option arch, +zicsr", "csrs mie, {}", "csrsi mstatus, 8",
                 ".option pop", in(reg) TIMER);
        } else {
            asm!(
                ".option push",
                ".option arch, +zicsr",
                "csrci mstatus, 8",
                ".option pop"
            );
        }
    }
}

pub fn open() {
    write(SPI_FMT, 0x8_0000); // 8 bits, one line, highest first
    select(false);
    write(MTIMECMPH, 0);
    set_next(read(MTIME).wrapping_add(TICK));
    enable(true);
}

/// Held low, or left to the controller, which has it high between transfers; the emulated one
/// has it high always.
pub fn select(on: bool) {
    write(SPI_CSMODE, if on { 2 } else { 0 });
}

pub fn exchange(byte: u8) -> u8 {
    write(SPI_TXDATA, byte.into());
    loop {
        let said = read(SPI_RXDATA);
        if said >> 31 == 0 {
            return said as u8;
        }
    }
}

/// Microseconds.
pub fn clock() -> u32 {
    read(MTIME).wrapping_sub(LOST.load(Ordering::Relaxed))
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
    let now = read(MTIME);
    if on {
        enable(false);
        SINCE.store(now, Ordering::Relaxed);
    } else {
        let passed = now.wrapping_sub(SINCE.load(Ordering::Relaxed));
        LOST.store(
            LOST.load(Ordering::Relaxed).wrapping_add(passed),
            Ordering::Relaxed,
        );
        set_next(NEXT.load(Ordering::Relaxed).wrapping_add(passed));
        enable(true);
    }
}

pub fn call(operation: u32, block: &[u32]) -> u32 {
    // SAFETY: the host reads the block, and writes only where its words point.
    unsafe { semihost_call(operation, block.as_ptr()) }
}

pub fn stack_pointer() -> u32 {
    let sp: u32;
    // SAFETY: reads a register.
    unsafe { asm!("mv {}, sp", out(reg) sp, options(nomem, nostack)) };
    sp
}
