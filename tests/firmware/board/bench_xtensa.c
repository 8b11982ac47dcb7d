/* The bench on an emulated Xtensa LX106 of the emulator's machine "sim": its simcall
 * (numbers and registers from memory of the emulator's xtensa-semi.c). The core has no
 * divider; the routines that the compiler calls instead lie in the ROM of chips with
 * this core, and so are not in Debian's libgcc: plain ones are below. */
#include "bench.h"

#include <stddef.h>

enum { SYS_EXIT = 1, SYS_READ = 3, SYS_WRITE = 4, SYS_OPEN = 5, SYS_CLOSE = 6, SYS_LSEEK = 19 };
enum { SYS_ARGC = 1000, SYS_ARGV = 1002 };
enum { READ_ONLY = 0, WRITE_CREATE_TRUNCATE = 0x241, MODE = 0644, FROM_START = 0, FROM_END = 2 };

static char line[1024];
static uint32_t words[512];

static int32_t call(uint32_t number, uint32_t a, uint32_t b, uint32_t c)
{
    register uint32_t a2 __asm__("a2") = number;
    register uint32_t a3 __asm__("a3") = a;
    register uint32_t a4 __asm__("a4") = b;
    register uint32_t a5 __asm__("a5") = c;
    __asm__ volatile("simcall" : "+r"(a2), "+r"(a3) : "r"(a4), "r"(a5) : "memory");
    return (int32_t)a2;
}

int bench_open(const char *path, int for_writing)
{
    const uint32_t flags = for_writing ? WRITE_CREATE_TRUNCATE : READ_ONLY;
    return call(SYS_OPEN, (uint32_t)path, flags, MODE);
}

int32_t bench_read(int file, void *to, uint32_t n)
{
    return call(SYS_READ, (uint32_t)file, (uint32_t)to, n);
}

int bench_seek(int file, uint32_t offset)
{
    return call(SYS_LSEEK, (uint32_t)file, offset, FROM_START) < 0 ? -1 : 0;
}

void bench_write(int file, const void *from, uint32_t n)
{
    if (call(SYS_WRITE, (uint32_t)file, (uint32_t)from, n) != (int32_t)n) {
        bench_exit(3);
    }
}

void bench_close(int file) { call(SYS_CLOSE, (uint32_t)file, 0, 0); }

int32_t bench_length(int file)
{
    const int32_t n = call(SYS_LSEEK, (uint32_t)file, 0, FROM_END);
    return bench_seek(file, 0) < 0 ? -1 : n;
}

const char *bench_arguments(void) { return line; }

void bench_exit(int code)
{
    call(SYS_EXIT, (uint32_t)code, 0, 0);
    for (;;) {
    }
}

/* The counter goes at 40 MHz of the emulator's time, which is told to take 2^7 = 128 ns
 * an instruction: 5.12 steps. */
uint32_t bench_instructions(void)
{
    uint32_t count;
    __asm__ volatile("rsr %0, ccount" : "=r"(count));
    return (uint32_t)((uint64_t)count * 25u / 128u);
}

uint32_t bench_stack_of(void (*task)(void *user), void *user)
{
    task(user);
    return 0;
}

static void take_arguments(void)
{
    const int32_t n = call(SYS_ARGC, 0, 0, 0);
    uint32_t at = 0;
    int32_t i;
    call(SYS_ARGV, (uint32_t)words, 0, 0);
    for (i = 1; i < n; i++) {
        const char *word = (const char *)words[i];
        while (*word != '\0' && at < sizeof line - 2) {
            line[at++] = *word++;
        }
        line[at++] = i + 1 < n ? ' ' : '\0';
    }
}

void bench_start(void);
void bench_start(void)
{
    extern uint32_t bss_start[], bss_end[];
    uint32_t *word;
    for (word = bss_start; word < bss_end; word++) {
        *word = 0;
    }
    take_arguments();
    bench_exit(bench_main());
}

/* --- what the compiler wants ------------------------------------------------- */

typedef union {
    uint64_t both;
    struct {
        uint32_t low, high;
    } half;
} wide;

typedef struct {
    uint64_t quotient, rest;
} divided;

static uint64_t twice(uint64_t value, uint32_t bit)
{
    wide v, r;
    v.both = value;
    r.half.high = v.half.high << 1 | v.half.low >> 31;
    r.half.low = v.half.low << 1 | bit;
    return r.both;
}

static divided divide(uint64_t value, uint64_t by)
{
    divided d = {0, 0};
    wide v;
    int i;
    v.both = value;
    for (i = 63; i >= 0; i--) {
        const uint32_t bit = (i >= 32 ? v.half.high >> (i - 32) : v.half.low >> i) & 1;
        const uint32_t fits = (d.rest = twice(d.rest, bit)) >= by;
        d.rest -= fits ? by : 0;
        d.quotient = twice(d.quotient, fits);
    }
    return d;
}

static uint64_t size_of(int64_t v) { return v < 0 ? 0 - (uint64_t)v : (uint64_t)v; }

uint64_t __udivdi3(uint64_t a, uint64_t b);
uint64_t __udivdi3(uint64_t a, uint64_t b) { return divide(a, b).quotient; }

uint64_t __umoddi3(uint64_t a, uint64_t b);
uint64_t __umoddi3(uint64_t a, uint64_t b) { return divide(a, b).rest; }

int64_t __divdi3(int64_t a, int64_t b);
int64_t __divdi3(int64_t a, int64_t b)
{
    const uint64_t q = divide(size_of(a), size_of(b)).quotient;
    return (int64_t)((a < 0) != (b < 0) ? 0 - q : q);
}

uint32_t __udivsi3(uint32_t a, uint32_t b);
uint32_t __udivsi3(uint32_t a, uint32_t b)
{
    uint32_t quotient = 0, rest = 0;
    int i;
    for (i = 31; i >= 0; i--) {
        rest = rest << 1 | (a >> i & 1);
        quotient = quotient << 1 | (rest >= b);
        rest -= rest >= b ? b : 0;
    }
    return quotient;
}

uint32_t __umodsi3(uint32_t a, uint32_t b);
uint32_t __umodsi3(uint32_t a, uint32_t b) { return a - __udivsi3(a, b) * b; }

int32_t __divsi3(int32_t a, int32_t b);
int32_t __divsi3(int32_t a, int32_t b)
{
    const uint32_t q = __udivsi3((uint32_t)size_of(a), (uint32_t)size_of(b));
    return (int32_t)((a < 0) != (b < 0) ? 0 - q : q);
}

int32_t __modsi3(int32_t a, int32_t b);
int32_t __modsi3(int32_t a, int32_t b) { return a - __divsi3(a, b) * b; }

uint64_t __muldi3(uint64_t a, uint64_t b);
uint64_t __muldi3(uint64_t a, uint64_t b)
{
    wide x, y, r;
    uint32_t al, ah, bl, bh, middle;
    x.both = a;
    y.both = b;
    al = x.half.low & 0xFFFF;
    ah = x.half.low >> 16;
    bl = y.half.low & 0xFFFF;
    bh = y.half.low >> 16;
    middle = (al * bl >> 16) + (al * bh & 0xFFFF) + (ah * bl & 0xFFFF);
    r.half.low = (al * bl & 0xFFFF) | middle << 16;
    r.half.high = ah * bh + (al * bh >> 16) + (ah * bl >> 16) + (middle >> 16) +
                  x.half.low * y.half.high + x.half.high * y.half.low;
    return r.both;
}
