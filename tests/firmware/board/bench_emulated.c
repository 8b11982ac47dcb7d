/* The bench on an emulated core: Arm semihosting, which the RISC-V emulator
 * speaks as well ("Semihosting for AArch32 and AArch64", release 3.0). */
#include "bench.h"

#include <stddef.h>

enum {
    SYS_OPEN = 0x01,
    SYS_CLOSE = 0x02,
    SYS_WRITE = 0x05,
    SYS_READ = 0x06,
    SYS_SEEK = 0x0a,
    SYS_FLEN = 0x0c,
    SYS_GET_CMDLINE = 0x15,
    SYS_EXIT_EXTENDED = 0x20,
    APPLICATION_EXIT = 0x20026,
    OPEN_READ_BINARY = 1,
    OPEN_WRITE_BINARY = 5
};

static char line[1024];
static const char *arguments;

#if defined(__arm__)

static int32_t call(uint32_t operation, const void *block)
{
    register uint32_t r0 __asm__("r0") = operation;
    register const void *r1 __asm__("r1") = block;
    __asm__ volatile("bkpt 0xab" : "+r"(r0) : "r"(r1) : "memory");
    return (int32_t)r0;
}

/* SysTick counts down in 40 ns steps of the 25 MHz core clock; the emulator
 * is told to take 2^6 = 64 ns an instruction, so instructions = ticks x 5/8. */
#define SYST_CSR (*(volatile uint32_t *)0xE000E010u)
#define SYST_RVR (*(volatile uint32_t *)0xE000E014u)
#define SYST_CVR (*(volatile uint32_t *)0xE000E018u)
/* Bit 3: a word that is not aligned is a fault, as on smaller cores. */
#define SCB_CCR (*(volatile uint32_t *)0xE000ED14u)

static uint32_t *stack_pointer(void)
{
    uint32_t *sp;
    __asm__ volatile("mov %0, sp" : "=r"(sp));
    return sp;
}

static void counter_start(void)
{
    SYST_RVR = 0xFFFFFFu;
    SYST_CVR = 0;
    SYST_CSR = 5;
#ifdef BENCH_ALIGNED
    SCB_CCR |= 8u;
#endif
}

uint32_t bench_instructions(void)
{
    /* The counter has 24 bits; their wraps are summed as long as readings are
     * less than ten million instructions apart. */
    static uint32_t last, ticks, rest, total;
    const uint32_t now = 0xFFFFFFu - SYST_CVR;
    ticks = (now - last) & 0xFFFFFFu;
    last = now;
    rest += ticks * 5u;
    total += rest / 8u;
    rest %= 8u;
    return total;
}

#else

int32_t semihost_call(uint32_t operation, const void *block); /* start_rv32.S */

static int32_t call(uint32_t operation, const void *block)
{
    return semihost_call(operation, block);
}

static uint32_t *stack_pointer(void)
{
    uint32_t *sp;
    __asm__ volatile("mv %0, sp" : "=r"(sp));
    return sp;
}

static void counter_start(void) {}

uint32_t bench_instructions(void)
{
    uint32_t count;
    __asm__ volatile(".option push\n .option arch, +zicsr\n"
                     " csrr %0, minstret\n .option pop"
                     : "=r"(count));
    return count;
}

#endif

int bench_open(const char *path, int for_writing)
{
    uint32_t n = 0;
    while (path[n] != '\0') {
        n++;
    }
    const uint32_t block[3] = {(uint32_t)(uintptr_t)path,
                               for_writing ? OPEN_WRITE_BINARY : OPEN_READ_BINARY, n};
    return call(SYS_OPEN, block);
}

int32_t bench_read(int file, void *to, uint32_t n)
{
    const uint32_t block[3] = {(uint32_t)file, (uint32_t)(uintptr_t)to, n};
    const int32_t left = call(SYS_READ, block);
    return left < 0 || (uint32_t)left > n ? -1 : (int32_t)n - left;
}

int bench_seek(int file, uint32_t offset)
{
    const uint32_t block[2] = {(uint32_t)file, offset};
    return call(SYS_SEEK, block) == 0 ? 0 : -1;
}

void bench_write(int file, const void *from, uint32_t n)
{
    const uint32_t block[3] = {(uint32_t)file, (uint32_t)(uintptr_t)from, n};
    if (call(SYS_WRITE, block) != 0) {
        bench_exit(3);
    }
}

void bench_close(int file)
{
    const uint32_t block[1] = {(uint32_t)file};
    call(SYS_CLOSE, block);
}

int32_t bench_length(int file)
{
    const uint32_t block[1] = {(uint32_t)file};
    return call(SYS_FLEN, block);
}

const char *bench_arguments(void) { return arguments; }

void bench_exit(int code)
{
    const uint32_t block[2] = {APPLICATION_EXIT, (uint32_t)code};
    call(SYS_EXIT_EXTENDED, block);
    for (;;) {
    }
}

extern uint32_t stack_limit[];

__attribute__((noipa)) uint32_t bench_stack_of(void (*task)(void *user), void *user)
{
    uint32_t *const top = stack_pointer();
    volatile uint32_t *word = stack_limit;
    while (word < top) {
        *word++ = 0xA5A5A5A5u;
    }
    task(user);
    word = stack_limit;
    while (word < top && *word == 0xA5A5A5A5u) {
        word++;
    }
    return (uint32_t)((const char *)top - (const char *)(uintptr_t)word);
}

/* The first word of the command line is the program itself. */
static void take_arguments(void)
{
    const uint32_t block[2] = {(uint32_t)(uintptr_t)line, sizeof line - 1u};
    if (call(SYS_GET_CMDLINE, block) != 0) {
        line[0] = '\0';
    }
    while (*arguments != '\0' && *arguments != ' ') {
        arguments++;
    }
}

void bench_start(void);

/* Entered from the start-up code with a stack and nothing else. */
void bench_start(void)
{
    extern uint32_t bss_start[], bss_end[];
    for (uint32_t *word = bss_start; word < bss_end; word++) {
        *word = 0;
    }
    arguments = line;
    counter_start();
    take_arguments();
    bench_exit(bench_main());
}
