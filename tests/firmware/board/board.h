/* A fake board for the player: a card with access times, stalls and removal, a
 * panel that honours windows, and a sound output that keeps time. Time is
 * simulated, in microseconds. */
#ifndef BOARD_H
#define BOARD_H

#include "thumbreel.h"

enum { BOARD_ITEMS = 3, BOARD_QUEUE = 65536, BOARD_SIDE = 320 };

typedef struct board {
    uint64_t now;           /* microseconds */
    uint64_t busy;          /* of them, spent in hooks and instructions */
    uint32_t cpu;           /* instructions a microsecond; 0: they cost nothing */
    uint32_t last_count;
    /* the card */
    int item_files[BOARD_ITEMS];
    uint32_t items, item, offset;
    uint32_t card_access;   /* microseconds a read */
    uint32_t card_rate;     /* bytes per millisecond */
    uint32_t stall_offset, stall_time;
    uint32_t gone_from, gone_until; /* milliseconds */
    uint32_t background;    /* reads go on while the core does other work */
    uint64_t ready;         /* when such a read is over; 0: none */
    uint32_t reads;
    uint64_t bytes_read;
    /* the panel */
    uint16_t width, height;
    uint16_t x_offset, y_offset; /* of the visible part in its memory */
    tbr_rect window;
    uint32_t column, row;
    uint32_t bus_rate;      /* bytes per millisecond */
    uint32_t dma;           /* transfers run on after the hook has returned */
    uint32_t late;          /* with dma: pixels are taken as late as the contract allows */
    uint64_t bus_free;      /* when the transfer is over */
    uint64_t sent_at;       /* when the last one began */
    const uint8_t *moving;  /* its pixels, taken at its end */
    uint32_t moving_bytes;
    uint64_t bus_bytes;
    uint32_t windows, wrong; /* windows outside the panel, pixels outside a window */
    void (*landed)(void);    /* told when a transfer is over */
    /* the sound output */
    uint32_t sound_rate;
    uint32_t queue_size, queue_head, queue_count;
    uint64_t sound_rest;
    uint64_t heard;         /* samples played since the start, silence included */
    uint64_t first_heard;   /* of them, before the first one from the queue */
    uint32_t gaps;          /* times the queue ran empty after it was in use */
    int started, samples_file;
} board;

extern uint8_t board_panel[BOARD_SIDE * BOARD_SIDE * 2];

/* Sets the board up as the command line says. */
void board_open(board *b);
/* Lets time go by; sound plays meanwhile. */
void board_pass(board *b, uint64_t microseconds);

/* The eight hooks; `user` is the board. */
int32_t board_read(void *user, void *to, uint32_t n);
int board_seek(void *user, uint32_t item, uint64_t offset);
void board_window(void *user, const tbr_rect *window, const uint8_t *pixels, uint32_t bytes);
void board_window_wait(void *user);
uint32_t board_sound(void *user, const int16_t *samples, uint32_t n);
uint32_t board_sound_left(void *user);
uint32_t board_clock(void *user);
void board_yield(void *user, uint32_t microseconds);

#endif
