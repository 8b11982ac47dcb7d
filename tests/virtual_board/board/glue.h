/* glue.h - what the maker of a board writes around player.c, by the firmware's
 * README alone. It knows the devices as a driver does: by commands, blocks and
 * samples. */
#ifndef GLUE_H
#define GLUE_H

#include <stdint.h>

#include "player.h"

enum { GLUE_FILES = 8 };

/* A file of the card, as the file system knows it. */
typedef struct glue_file {
    uint32_t block, bytes;
} glue_file;

typedef struct glue_board {
    /* the panel as the maker sets it up */
    uint8_t address_mode; /* set_address_mode's parameter */
    uint8_t inverts;      /* enter_invert_mode */
    uint8_t bits;         /* of a pixel: 16 or 18 */
    uint8_t black;        /* what every byte of a black pixel is on this glass */
    uint16_t x, y, width, height; /* glass, in the controller's memory */
    uint8_t dma;
    uint32_t window_ns; /* the driver's own time for a window */
    /* where reels come from */
    uint8_t from_link;
    glue_file files[GLUE_FILES];
    uint32_t items;
    uint8_t mutex; /* card and panel share a port, fetch and present are tasks */
    uint32_t short_reads; /* seed of reads that return less; 0 for none */
    uint32_t fails_in_1000;
} glue_board;

/* The eight functions for a board. */
void glue_hooks(const glue_board *board, tbr_hooks *hooks);
/* Decodes a JPEG picture and sends it strip by strip through `send`. */
int glue_jpeg(void *user, const tbr_jpeg *picture, tbr_send send);
/* Starts its panel and clears what can be seen. */
void glue_start(void);

#endif
