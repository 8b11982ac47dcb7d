/* panel.h - a display controller with its glass, and an eye in front of it.
 *
 * Commands and their parameters: MIPI Display Command Set (DCS) 1.3, chapter 6,
 * from memory: soft_reset 01h, enter_sleep_mode 10h, exit_sleep_mode 11h,
 * enter_normal_mode 13h, exit_invert_mode 20h, enter_invert_mode 21h,
 * set_display_off 28h, set_display_on 29h, set_column_address 2Ah,
 * set_page_address 2Bh, write_memory_start 2Ch, set_tear_off 34h, set_tear_on
 * 35h, set_address_mode 36h, set_pixel_format 3Ah, write_memory_continue 3Ch.
 * Pixels over a serial line: MIPI DBI-2, type C: 12 bits are two pixels in
 * three bytes, 16 bits R5 G6 B5 with red first, 18 bits three bytes with the
 * value in the upper six bits.
 *
 * The memory keeps each component as light of 0 to 255, in equal steps from
 * none to full. Real controllers hold six bits; the step between is not
 * modelled. It is larger than the glass, and begins as noise. */
#ifndef PANEL_H
#define PANEL_H

#include <stdint.h>
#include <stdio.h>

#include "machine.h"

enum { PANEL_MEMORY = 512 }; /* most columns and pages */

typedef struct panel_glass {
    int columns, pages;   /* the controller's memory */
    int x, y, w, h;       /* what of it has glass in front, upright or not */
    int ellipse;          /* only the inscribed ellipse can be seen */
    int blue_first;       /* the stripes of the glass lie blue, green, red */
    int complement;       /* the glass is dark where the memory is bright */
    int low_first;        /* the bus carries the low byte of 16 bits first */
    int turns, mirror;    /* the picture had to be turned clockwise and then
                             mirrored to stand upright on this glass */
    double refresh_hz;
} panel_glass;

/* What went wrong at the interface: none of it is ever right. */
typedef struct panel_faults {
    uint32_t unknown;  /* commands that are not of the set above */
    uint32_t windows;  /* windows outside the memory or backwards */
    uint32_t overruns; /* pixels past the last of a window */
    uint32_t early;    /* commands less than 5 ms after a reset or a wake */
    uint32_t cut;      /* windows left with part of a pixel, or not filled */
} panel_faults;

/* Frames go to `eye` (NULL for none): nanoseconds of the first line, 8 bytes,
 * low byte first; then rows of 3 bytes per pixel, as the viewer sees them. A
 * frame that looks like the one before is left out. */
void panel_open(const panel_glass *glass, FILE *eye);
/* A byte with the data/command line low (command) or high, at a time. */
void panel_command(nanos at, uint8_t command);
void panel_data(nanos at, uint8_t byte);
/* Lets the scan go on up to a time. */
void panel_look(nanos until);
void panel_close(nanos at);
/* Size as the viewer sees it. */
void panel_upright(int *w, int *h);
/* When the scan next leaves the last line of the glass. */
nanos panel_next_blank(nanos from);
const panel_faults *panel_complaints(void);
/* Frames scanned, and those in which pixels changed behind the scan's back
 * while it went over them. */
uint32_t panel_frames(void);
uint32_t panel_torn(void);
/* What the viewer sees at this moment if nothing moves: 3 bytes per pixel. */
const uint8_t *panel_still(void);

#endif
