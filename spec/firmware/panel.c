/* panel.c - drives a panel with the commands of MIPI DCS. panel.h is its manual. */
#include "panel.h"

#include <stddef.h>
#include <string.h>

#include "pins.h"

enum {
    EXIT_SLEEP_MODE = 0x11,
    ENTER_NORMAL_MODE = 0x13,
    EXIT_INVERT_MODE = 0x20,
    ENTER_INVERT_MODE = 0x21,
    SET_DISPLAY_ON = 0x29,
    SET_COLUMN_ADDRESS = 0x2A,
    SET_PAGE_ADDRESS = 0x2B,
    WRITE_MEMORY_START = 0x2C,
    SET_ADDRESS_MODE = 0x36,
    SET_PIXEL_FORMAT = 0x3A
};

/* 16 bits per pixel, for both of the panel's interfaces. */
#define PIXELS_OF_16_BITS 0x55

void tbr_panel_wait(tbr_panel *panel)
{
    const uint32_t start = pins_clock();
    while (panel->moving && pins_panel_busy()) {
        if (pins_clock() - start > TBR_PANEL_WAIT) {
            pins_panel_stop();
            panel->gave_up++;
            break;
        }
    }
    panel->moving = 0;
}

/* First and last of a range, 16 bits each, high byte first. */
static void panel_range(uint8_t command, uint32_t first, uint32_t count)
{
    const uint32_t last = first + count - 1;
    uint8_t bytes[4];
    bytes[0] = (uint8_t)(first >> 8);
    bytes[1] = (uint8_t)first;
    bytes[2] = (uint8_t)(last >> 8);
    bytes[3] = (uint8_t)last;
    pins_panel_command(command, bytes, sizeof bytes);
}

void tbr_panel_send(tbr_panel *panel, uint16_t x, uint16_t y, uint16_t w, uint16_t h,
                    const uint8_t *pixels, uint32_t bytes)
{
    tbr_panel_wait(panel);
    if (w != 0) {
        panel_range(SET_COLUMN_ADDRESS, x, w);
        panel_range(SET_PAGE_ADDRESS, y, h);
        pins_panel_command(WRITE_MEMORY_START, NULL, 0);
    }
    panel->moving = 1;
    pins_panel_start(pixels, bytes);
}

/* Fills the memory with black, 32 pixels at a time. */
static void panel_clear(tbr_panel *panel, const tbr_panel_setup *setup)
{
    uint32_t left = 2u * setup->columns * setup->rows;
    uint16_t w = setup->columns;
    uint8_t black[64];
    memset(black, setup->black, sizeof black);
    while (left > 0) {
        const uint32_t n = left < sizeof black ? left : (uint32_t)sizeof black;
        tbr_panel_send(panel, 0, 0, w, setup->rows, black, n);
        w = 0;
        left -= n;
    }
    tbr_panel_wait(panel);
}

void tbr_panel_start(tbr_panel *panel, const tbr_panel_setup *setup)
{
    const uint8_t format = PIXELS_OF_16_BITS;
    memset(panel, 0, sizeof *panel);
    pins_panel_reset(1);
    pins_sleep(10000);
    pins_panel_reset(0);
    pins_sleep(120000);
    pins_panel_command(EXIT_SLEEP_MODE, NULL, 0);
    pins_sleep(120000);
    pins_panel_command(SET_PIXEL_FORMAT, &format, 1);
    pins_panel_command(SET_ADDRESS_MODE, &setup->address_mode, 1);
    pins_panel_command(setup->invert_mode ? ENTER_INVERT_MODE : EXIT_INVERT_MODE, NULL, 0);
    pins_panel_command(ENTER_NORMAL_MODE, NULL, 0);
    pins_sleep(10000);
    panel_clear(panel, setup);
    pins_panel_command(SET_DISPLAY_ON, NULL, 0);
}
