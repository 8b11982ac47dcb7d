/* pins.h - what you write for a board that plays with card.c, fat.c, panel.c, i2s.c
 * and play_card.c: sixteen short functions, one or two lines each with most chips'
 * driver libraries. Nothing else of those files depends on the chip. */
#ifndef THUMBREEL_PINS_H
#define THUMBREEL_PINS_H

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* --- the card's SPI port: mode 0, highest bit first --- */

/* Chip select: 1 low (selected), 0 high. */
void pins_card_select(int on);
/* The fastest clock that is allowed from now on, in Hz: 400,000 or less at first. */
void pins_card_speed(uint32_t hz);
/* Sends n bytes of `out` (NULL: FFh each time) and takes as many into `in` (NULL: drop
 * them). Returns when the last bit has been clocked. */
void pins_card_exchange(const uint8_t *out, uint8_t *in, uint32_t n);

/* --- the panel's SPI port --- */

/* The reset line: 1 low (the panel is held in reset), 0 high. */
void pins_panel_reset(int on);
/* One command: the data/command line low for `command`, high for its n parameters.
 * Returns when the last bit has been clocked. */
void pins_panel_command(uint8_t command, const uint8_t *parameters, uint32_t n);
/* Begins to send n bytes of pixels with the data/command line high, by DMA if there
 * is one, and returns at once; the bytes stay as they are until pins_panel_busy says
 * 0. Without DMA: send them all. Chip select may rise between two calls. */
void pins_panel_start(const uint8_t *pixels, uint32_t n);
/* Whether that still goes on. Without DMA: 0. */
int pins_panel_busy(void);
/* Gives a transfer up that has not ended in time. Without DMA: nothing. */
void pins_panel_stop(void);
/* The backlight: 1 on. A panel without one: nothing. */
void pins_backlight(int on);

/* --- the sound port --- */

/* Starts the port, or starts it again, at so many samples per second, 16 bits each.
 * From then on its interrupt calls play_card_sound (play_card.h) for each block. */
void pins_sound_rate(uint32_t samples_a_second);
/* The amplifier's enable line: 1 on. */
void pins_amplifier(int on);

/* --- time --- */

/* Microseconds of a free-running timer; may wrap. */
uint32_t pins_clock(void);
/* Lets so many microseconds pass. */
void pins_sleep(uint32_t microseconds);
/* Feeds the watchdog, if there is one. */
void pins_watchdog(void);

/* --- going on after power-off ------------------------------------------- */

/* Where play is. Keep it as it is; what comes back changed is not used. */
typedef struct pins_position {
    uint32_t item, name, ms, check;
} pins_position;

/* Keeps a position where it outlasts power-off, in place of the one before: memory with a
 * battery, or a page of flash (which bears some 10,000 to 100,000 writes; common practice,
 * no source). Nothing, if play need not go on. */
void pins_position_save(const pins_position *position);
/* Gets it back: 1; 0: there is none. */
int pins_position_load(pins_position *position);

#ifdef __cplusplus
}
#endif

#endif /* THUMBREEL_PINS_H */
