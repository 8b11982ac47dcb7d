/* The port of QEMU's lm3s6965evb: a PL022 with an SD card, selected by a GPIO line.
 * Registers: Arm's PrimeCell PL022 and PL061 manuals, Armv7-M's SysTick. */
#include "port.h"

#define REG(at) (*(volatile uint32_t *)(at))
#define SSI_CR0 REG(0x40008000u)
#define SSI_CR1 REG(0x40008004u)
#define SSI_DR REG(0x40008008u)
#define SSI_SR REG(0x4000800Cu)
#define GPIO_SELECT REG(0x40007004u) /* port D, line 0 alone */
#define GPIO_DIR REG(0x40007400u)
#define GPIO_DEN REG(0x4000751Cu)
#define SYST_CSR REG(0xE000E010u)
#define SYST_RVR REG(0xE000E014u)
#define SYST_CVR REG(0xE000E018u)

enum { TICK = 125000 }; /* of the core's 12.5 MHz */

static void (*ticked)(void);
static volatile uint32_t ticks;

void bench_tick(void);
void bench_tick(void)
{
    ticks++;
    ticked();
}

void port_open(void (*tick)(void))
{
    ticked = tick;
    SSI_CR0 = 7; /* 8 bits, mode 0 */
    SSI_CR1 = 2; /* on */
    GPIO_DIR |= 1;
    GPIO_DEN |= 1;
    port_select(0);
    SYST_CSR = 0;
    SYST_RVR = TICK - 1;
    SYST_CVR = 0;
    SYST_CSR = 7;
}

void port_select(int on) { GPIO_SELECT = on ? 0 : 1; }

void port_speed(uint32_t hz) { (void)hz; }

uint8_t port_byte(uint8_t out)
{
    SSI_DR = out;
    while (!(SSI_SR & 4)) {
    }
    return (uint8_t)SSI_DR;
}

uint32_t port_clock(void)
{
    static uint32_t last;
    uint32_t before, now;
    do {
        before = ticks;
        now = before * 10000 + (TICK - 1 - SYST_CVR) * 2 / 25;
    } while (before != ticks);
    /* The counter may have begun anew a moment before its interrupt comes. */
    last = (int32_t)(now - last) > 0 ? now : last;
    return last;
}

void port_sleep(uint32_t microseconds)
{
    const uint32_t start = port_clock();
    while (port_clock() - start < microseconds) {
        if (microseconds >= 1000) {
            __asm__ volatile("wfi");
        }
    }
}

void port_freeze(int on) { SYST_CSR = on ? 4 : 7; }
