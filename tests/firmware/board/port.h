/* port.h - what a machine with a card on its SPI port offers to whole.c. */
#ifndef PORT_H
#define PORT_H

#include <stdint.h>

/* Sets up the port and the timer; `tick` is called every 10 ms from then on, on
 * emulated machines from an interrupt. */
void port_open(void (*tick)(void));
void port_select(int on);
void port_speed(uint32_t hz);
uint8_t port_byte(uint8_t out);
/* Microseconds. */
uint32_t port_clock(void);
void port_sleep(uint32_t microseconds);
/* 1: time stands still and nothing ticks, 0: on. */
void port_freeze(int on);

#endif
