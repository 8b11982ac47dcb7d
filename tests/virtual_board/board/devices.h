/* devices.h - what hangs on the microcontroller: the panel's bus with its DMA,
 * a sound port, a card and a link. Figures come from the board's profile. */
#ifndef DEVICES_H
#define DEVICES_H

#include <stdint.h>
#include <stdio.h>

#include "machine.h"

/* --- the panel's bus ---------------------------------------------------- */

typedef struct bus_profile {
    uint32_t clock_hz;
    uint32_t lines; /* data lines: 1 for SPI, 8 for a parallel bus */
} bus_profile;

void bus_open(const bus_profile *profile);
/* A command, or bytes with the data line high, by the core itself. */
void bus_command(uint8_t command);
void bus_bytes(const uint8_t *bytes, uint32_t n);
/* Hands memory to the DMA, which reads it as late as it may: only when
 * bus_wait returns does the panel get what lies there. */
void bus_dma(const uint8_t *bytes, uint32_t n);
/* Until the last transfer is over. */
void bus_wait(void);
/* Takes the bus for another device for so long, from when it is free on. */
void bus_borrow(nanos time);
uint64_t bus_carried(void); /* bytes */

/* --- the sound port ----------------------------------------------------- */

/* 16-bit words go out at the rate, for ever (I2S bus specification, 1996: the
 * word clock never stops); a DMA ring of blocks feeds it. A block's room comes
 * back when all of it has gone out. With nothing in the ring buffer it sends zeros.
 * Some ports tell how far they are to the sample, some by blocks alone: these
 * count a block until all of it has gone out. */
void port_open(uint32_t samples, uint32_t blocks, int by_blocks, FILE *ear);
/* Starts anew at a rate, with the ring buffer empty: what was in it is lost. */
void port_rate(uint32_t hz);
uint32_t port_put(const int16_t *samples, uint32_t n);
uint32_t port_left(void);
/* Lets sound go out up to now. */
void port_listen(void);

typedef struct port_heard {
    uint64_t samples; /* gone out since the rate was set, zeros too */
    uint64_t given;   /* put into the ring buffer, ever */
    uint64_t thrown;  /* of them, lost where a rate was set */
    uint32_t rates;   /* times that one was set */
    nanos from;       /* when the first of them went out */
    uint32_t dry;     /* times the ring buffer ran empty */
    uint32_t excused; /* of these, while the core that fills it was held up */
    int32_t step;     /* largest from one sample to the next */
    int32_t peak;
    uint64_t step_at; /* sample after the largest step */
} port_heard;

const port_heard *port_ear(void);

/* --- the card ----------------------------------------------------------- */

/* SD Physical Layer Simplified Specification: blocks of 512 bytes; a command
 * and its answer take 48 bits each; a block comes with a start bit or token
 * and 16 bits of checksum for each line. Times by the profile. */
typedef struct card_profile {
    uint32_t clock_hz;
    uint32_t lines;        /* 1 or 4 */
    uint32_t shares_bus;   /* it hangs on the panel's bus */
    nanos access;          /* from a command to the first block */
    /* Stalls: mean distance between two, and length from..to; 0 for none. */
    nanos stall_every, stall_least, stall_most;
    uint32_t bad_in_1000;  /* blocks that come with a wrong checksum */
    nanos gone_from, gone_until; /* out of its slot */
} card_profile;

typedef struct file_bytes {
    const uint8_t *bytes;
    uint32_t length;
} file_bytes;

enum { CARD_OK = 0, CARD_CHECKSUM = -1, CARD_GONE = -2 };

/* A card with files one behind the other, each from a whole block on. */
void card_open(const card_profile *profile, const file_bytes *files, uint32_t count, uint32_t seed);
/* CARD_GONE while it is out of its slot. */
int card_there(void);
/* Reads whole blocks; past a file's end they hold zeros. */
int card_read(uint32_t block, uint32_t count, uint8_t *to);

/* --- the link ----------------------------------------------------------- */

/* A TCP connection over which the file comes as fast as the link and the
 * receive window allow. */
typedef struct link_profile {
    uint64_t bytes_per_second;
    uint32_t window; /* bytes that may wait to be read */
    nanos stall_every, stall_least, stall_most;
} link_profile;

void link_open(const link_profile *profile, const file_bytes *file, uint32_t seed);
/* What is there, up to n; 0 for nothing yet, -1 at the end. */
int32_t link_read(uint8_t *to, uint32_t n);

/* --- chance ------------------------------------------------------------- */

uint32_t chance(uint32_t *state, uint32_t below);

#endif
