/* Start-up of the rv32imc board: stack, trap vector, and on to C. */
    .option arch, +zicsr
    .section .vectors, "ax"
    .global _start
_start:
    csrr t0, mhartid
    bnez t0, park
    la sp, stack_top
    la t0, machine_trap
    csrw mtvec, t0
    j bench_start
park: /* all cores but the first */
    wfi
    j park
    /* A program that uses interrupts has a routine of its own. */
    .weak machine_trap
    .balign 4
machine_trap:
    li a0, 4
    j bench_exit

    /* The emulator knows a semihosting call by these three instructions,
     * uncompressed and on one page. */
    .global semihost_call
    .option norelax
    .option norvc
    .balign 16
semihost_call:
    slli zero, zero, 0x1f
    ebreak
    srai zero, zero, 7
    ret
