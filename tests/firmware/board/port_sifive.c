/* The port of QEMU's sifive_u: the third SPI controller with an SD card; time from the
 * core-local interruptor, which counts microseconds. Registers: SiFive FU540-C000
 * manual, from memory. */
#include "port.h"

#include "bench.h"

#define REG(at) (*(volatile uint32_t *)(at))
#define SPI_CSMODE REG(0x10050018u)
#define SPI_FMT REG(0x10050040u)
#define SPI_TXDATA REG(0x10050048u)
#define SPI_RXDATA REG(0x1005004Cu)
#define MTIMECMP REG(0x02004000u)
#define MTIMECMPH REG(0x02004004u)
#define MTIME REG(0x0200BFF8u)

static void (*ticked)(void);
static uint32_t next, lost; /* microseconds that stood still */

void machine_trap(void);

static void enable(int on)
{
    const uint32_t timer = 0x80;
    if (on) {
        __asm__ volatile(".option push\n .option arch, +zicsr\n"
                         " csrs mie, %0\n csrsi mstatus, 8\n .option pop" ::"r"(timer));
    } else {
        __asm__ volatile(".option push\n .option arch, +zicsr\n"
                         " csrci mstatus, 8\n .option pop");
    }
}

__attribute__((interrupt("machine"), aligned(4))) void machine_trap(void)
{
    uint32_t cause;
    __asm__ volatile(".option push\n .option arch, +zicsr\n"
                     " csrr %0, mcause\n .option pop"
                     : "=r"(cause));
    if (cause != 0x80000007u) {
        bench_exit(4);
    }
    next += 10000;
    MTIMECMP = next;
    ticked();
}

void port_open(void (*tick)(void))
{
    ticked = tick;
    SPI_FMT = 0x80000u; /* 8 bits, one line, highest first */
    port_select(0);
    next = MTIME + 10000;
    MTIMECMPH = 0;
    MTIMECMP = next;
    enable(1);
}

/* Held low, or left to the controller, which has it high between transfers; the
 * emulated one has it high always. */
void port_select(int on) { SPI_CSMODE = on ? 2 : 0; }

void port_speed(uint32_t hz) { (void)hz; }

uint8_t port_byte(uint8_t out)
{
    uint32_t in;
    SPI_TXDATA = out;
    do {
        in = SPI_RXDATA;
    } while (in >> 31);
    return (uint8_t)in;
}

uint32_t port_clock(void) { return MTIME - lost; }

void port_sleep(uint32_t microseconds)
{
    const uint32_t start = port_clock();
    while (port_clock() - start < microseconds) {
        if (microseconds >= 1000) {
            __asm__ volatile("wfi");
        }
    }
}

void port_freeze(int on)
{
    static uint32_t since;
    if (on) {
        enable(0);
        since = MTIME;
    } else {
        lost += MTIME - since;
        next += MTIME - since;
        MTIMECMP = next;
        enable(1);
    }
}
