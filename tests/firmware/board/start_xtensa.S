/* Start-up of the Xtensa board: the reset vector, a stack, and on to C. */
    .section .reset, "ax"
    .global _reset
_reset:
    j 1f
    .align 4
    .literal_position
    .align 4
1:  movi a0, start
    jx a0

    .section .vectors, "ax"
    .literal_position
    .align 4
start:
    movi a0, 0
    wsr a0, ps
    rsync
    movi a1, stack_top
    call0 bench_start
