/* Start-up of the Cortex-M4 board: the vector table. */
#include <stdint.h>

extern uint32_t stack_top[];
void bench_start(void);
void bench_exit(int code);

static void fault(void) { bench_exit(4); }

/* Of the system timer; a program that uses it has its own. */
void bench_tick(void);
__attribute__((weak)) void bench_tick(void) { bench_exit(4); }

typedef union {
    const uint32_t *stack;
    void (*handler)(void);
} vector;

__attribute__((section(".vectors"), used)) static const vector vectors[16] = {
    {.stack = stack_top},  {.handler = bench_start}, {.handler = fault}, {.handler = fault},
    {.handler = fault},    {.handler = fault},       {.handler = fault}, {.handler = fault},
    {.handler = fault},    {.handler = fault},       {.handler = fault}, {.handler = fault},
    {.handler = fault},    {.handler = fault},       {.handler = fault}, {.handler = bench_tick},
};
