/* pins.c - the pins, ports and clocks of your chip. Fill in what is marked FILL IN, a line
 * or two each with most chips' driver libraries; as it stands it compiles, and does
 * nothing. pins.h says what each function must do. */
#include "pins.h"

#include <string.h>

#include "config.h"
#include "play_card.h"
#include "skeleton.h"

void board_start(void)
{
    /* FILL IN: the chip's clocks and external memory; a free-running timer; the card's SPI
     * port in mode 0 and the panel's port at BOARD_PANEL_HZ, highest bit first; the I2S
     * port; all select lines high; amplifier and backlight off. */
}

void board_step(tbr_player *player)
{
    /* FILL IN, or leave empty: buttons. tbr_player_pause(player, 1) stands still,
     * tbr_player_seek(player, player->item + 1, 0) goes to the next reel,
     * tbr_player_volume(player, 16384) halves the sound. player->counts,
     * play_card_fault() and play_card_skipped() are for a status page. */
    (void)player;
}

/* --- the card's SPI port ------------------------------------------------ */

void pins_card_select(int on)
{
    /* FILL IN: card select low (on is 1) or high (0). On a port shared with the panel,
     * set the card's clock here when it is selected, and the panel's when it is not. */
    (void)on;
}

void pins_card_speed(uint32_t hz)
{
    /* FILL IN: the fastest clock of the port that is not above `hz`. */
    (void)hz;
}

void pins_card_exchange(const uint8_t *out, uint8_t *in, uint32_t n)
{
    uint32_t i;
    for (i = 0; i < n; i++) {
        uint8_t byte = out != NULL ? out[i] : 0xFF;
        /* FILL IN: send `byte`, wait, and put what has come into it. A driver that takes
         * a whole range at once is faster. */
        if (in != NULL) {
            in[i] = byte;
        }
    }
}

/* --- the panel's port --------------------------------------------------- */

void pins_panel_reset(int on)
{
    /* FILL IN: panel reset low (on is 1) or high (0). */
    (void)on;
}

void pins_panel_command(uint8_t command, const uint8_t *parameters, uint32_t n)
{
    /* FILL IN: panel select low; data/command low, send `command`; data/command high,
     * send n parameters; wait until the last bit is out; panel select high. */
    (void)command;
    (void)parameters;
    (void)n;
}

#if BOARD_COPIES
/* The pixels may lie where the DMA does not reach: half of this is sent while the other
 * half is filled. */
static uint8_t send_buffer[2][BOARD_SEND_BYTES / 2];
#endif

/* Begins to send n bytes from where the DMA reaches. */
static void start_dma(const uint8_t *pixels, uint32_t n)
{
    /* FILL IN: panel select low, data/command high, start the DMA. Without DMA: send all
     * n bytes here. A DMA that takes fewer bytes at once is started again from its own
     * interrupt. With a data cache: write the range back first. */
    (void)pixels;
    (void)n;
}

void pins_panel_start(const uint8_t *pixels, uint32_t n)
{
#if BOARD_COPIES
    uint32_t half = 0;
    while (n > 0) {
        const uint32_t part = n < sizeof send_buffer[0] ? n : (uint32_t)sizeof send_buffer[0];
        const uint32_t start = pins_clock();
        memcpy(send_buffer[half], pixels, part);
        while (pins_panel_busy() && pins_clock() - start < 100000u) {
        }
        start_dma(send_buffer[half], part);
        half ^= 1;
        pixels += part;
        n -= part;
    }
#else
    start_dma(pixels, n);
#endif
}

int pins_panel_busy(void)
{
    /* FILL IN: 1 while the DMA or the port still sends; then panel select high, and 0.
     * Without DMA: 0. */
    return 0;
}

void pins_panel_stop(void)
{
    /* FILL IN: stop the DMA, panel select high. Without DMA: nothing. */
}

void pins_backlight(int on)
{
    /* FILL IN: the backlight's line. A panel without one: nothing. */
    (void)on;
}

/* --- the sound port ----------------------------------------------------- */

/* FILL IN: have the sound port's interrupt call this each time a block is over. The port
 * plays left and right, with the same sample in both. */
void sound_interrupt(void);
void sound_interrupt(void)
{
    static int16_t samples[2 * BOARD_BLOCK_SAMPLES];
    play_card_sound(samples, BOARD_BLOCK_SAMPLES, 2);
    /* FILL IN: copy `samples` to the DMA block that has just been played. In slots of 32
     * bits (BOARD_SLOT_BITS) each sample is the upper half of its slot. */
}

void pins_sound_rate(uint32_t samples_a_second)
{
    /* FILL IN: stop the port, fill its blocks with zeros, and start it at this rate, in
     * blocks of BOARD_BLOCK_SAMPLES. */
    (void)samples_a_second;
}

void pins_amplifier(int on)
{
    /* FILL IN: the amplifier's enable line. */
    (void)on;
}

/* --- time --------------------------------------------------------------- */

uint32_t pins_clock(void)
{
    /* FILL IN: the timer's count in microseconds. It must wrap at 2^32 only. */
    return 0;
}

void pins_sleep(uint32_t microseconds)
{
    const uint32_t start = pins_clock();
    /* FILL IN, or leave it: wait for an interrupt in the loop to save power. Take the 0
     * out of this condition once pins_clock counts. */
    while (0 && pins_clock() - start < microseconds) {
    }
}

void pins_watchdog(void)
{
    /* FILL IN: feed the watchdog, if there is one. */
}

/* --- going on after power-off ------------------------------------------- */

void pins_position_save(const pins_position *position)
{
    /* FILL IN, or leave it: keep these 16 bytes where they outlast power-off. */
    (void)position;
}

int pins_position_load(pins_position *position)
{
    /* FILL IN, or leave it: get them back, 1; there are none, 0. */
    (void)position;
    return 0;
}
