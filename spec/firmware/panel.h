/* panel.h - drives a panel with the commands of MIPI DCS over SPI, 16 bits per pixel.
 *
 * C99, no allocation. Commands and their parameters from memory of the MIPI Display
 * Command Set, version 1.3, chapter 6; waiting times from memory of it and from common
 * practice. The panel's datasheet is what counts: some want commands of their own first.
 *
 * Nothing is turned, inverted or shifted here: thumbreel does that to the pixels, by
 * the board's profile, and the rectangles of a reel are in panel memory already.
 */
#ifndef THUMBREEL_PANEL_H
#define THUMBREEL_PANEL_H

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* Longest wait for a transfer, in microseconds: a whole panel takes less. */
#ifndef TBR_PANEL_WAIT
#define TBR_PANEL_WAIT 200000u
#endif

typedef struct tbr_panel_setup {
    /* What is cleared: panel memory up to the far edges of the glass, so the profile's
     * x_offset + width and y_offset + height, or all of the memory. */
    uint16_t columns, rows;
    /* set_address_mode (36h): 0, unless the profile was made for another value. */
    uint8_t address_mode;
    /* 1 sends enter_invert_mode (21h), 0 exit_invert_mode (20h): 0, unless the profile
     * was made for it. */
    uint8_t invert_mode;
    /* The two bytes of a black pixel: FFh if the profile says `inverted`, else 0. */
    uint8_t black;
} tbr_panel_setup;

typedef struct tbr_panel {
    uint32_t gave_up; /* transfers that did not end in time, for a status page */
    uint8_t moving;   /* a transfer was started */
} tbr_panel;

/* Resets the panel, wakes it, sets it, clears it and switches it on: 0.3 s and the time
 * of one picture. The backlight stays as it is. */
void tbr_panel_start(tbr_panel *panel, const tbr_panel_setup *setup);
/* Begins to send pixels, 16 bits each, once the transfer before is over: into this
 * window, or with w = 0 on into the one before. */
void tbr_panel_send(tbr_panel *panel, uint16_t x, uint16_t y, uint16_t w, uint16_t h,
                    const uint8_t *pixels, uint32_t bytes);
/* Waits until the last transfer is over. */
void tbr_panel_wait(tbr_panel *panel);

#ifdef __cplusplus
}
#endif

#endif /* THUMBREEL_PANEL_H */
