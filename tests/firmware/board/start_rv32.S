/* Start-up of the rv32imc board: stack, trap vector, and on to C. */
    .option arch, +zicsr
    .section .vectors, "ax"
    .global _start
_start:
    la sp, stack_top
    la t0, trap
    csrw mtvec, t0
    j bench_start
    .balign 4
trap:
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
