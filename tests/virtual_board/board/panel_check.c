/* The virtual panel against examples worked out by hand. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "panel.h"

static nanos now;
static panel_glass glass;

static void expect(int holds, const char *what)
{
    if (!holds) {
        printf("wrong: %s\n", what);
        exit(1);
    }
}

static void send(uint8_t command, const uint8_t *bytes, uint32_t n)
{
    uint32_t i;
    now += 10 * MILLI;
    panel_command(now, command);
    for (i = 0; i < n; i++) {
        panel_data(++now, bytes[i]);
    }
}

static void open_glass(int w, int h)
{
    memset(&glass, 0, sizeof glass);
    glass.columns = 12;
    glass.pages = 10;
    glass.x = 2;
    glass.y = 1;
    glass.w = w;
    glass.h = h;
    glass.refresh_hz = 60;
}

static void start(uint8_t mode, uint8_t format)
{
    now = 0;
    panel_open(&glass, NULL);
    send(0x01, NULL, 0);
    send(0x11, NULL, 0);
    send(0x36, &mode, 1);
    send(0x3A, &format, 1);
    send(0x29, NULL, 0);
}

static void window(uint8_t x0, uint8_t x1, uint8_t y0, uint8_t y1)
{
    const uint8_t columns[4] = {0, x0, 0, x1}, pages[4] = {0, y0, 0, y1};
    send(0x2A, columns, 4);
    send(0x2B, pages, 4);
    send(0x2C, NULL, 0);
}

static void pixels(const uint8_t *bytes, uint32_t n)
{
    while (n-- > 0) {
        panel_data(++now, *bytes++);
    }
}

/* What the viewer sees at a place. */
static int is(int x, int y, int red, int green, int blue)
{
    int w, h;
    const uint8_t *at;
    panel_upright(&w, &h);
    at = panel_still() + 3 * (y * w + x);
    if (at[0] != red || at[1] != green || at[2] != blue) {
        printf("at %d,%d: %d %d %d\n", x, y, at[0], at[1], at[2]);
        return 0;
    }
    return 1;
}

static const uint8_t red_green[4] = {0xF8, 0x00, 0x07, 0xE0};

static void formats(void)
{
    /* 16 bits: F800h is full red; 8410h is 16/31, 32/63, 16/31. */
    static const uint8_t sixteen[4] = {0xF8, 0x00, 0x84, 0x10};
    /* 18 bits: FCh, 80h, 04h are 63, 32 and 1 of 63. */
    static const uint8_t eighteen[6] = {0xFC, 0x00, 0x00, 0x80, 0x04, 0xFC};
    /* 12 bits: two pixels F08h and 0A5h are the bytes F0h, 80h, A5h. */
    static const uint8_t twelve[3] = {0xF0, 0x80, 0xA5};
    open_glass(4, 3);
    start(0, 0x55);
    window(2, 3, 1, 1);
    pixels(sixteen, 4);
    expect(is(0, 0, 255, 0, 0) && is(1, 0, 132, 130, 132), "16 bits");
    start(0, 0x66);
    window(2, 3, 1, 1);
    pixels(eighteen, 6);
    expect(is(0, 0, 255, 0, 0) && is(1, 0, 130, 4, 255), "18 bits");
    start(0, 0x33);
    window(2, 3, 1, 1);
    pixels(twelve, 3);
    expect(is(0, 0, 255, 0, 136) && is(1, 0, 0, 170, 85), "12 bits");
    glass.low_first = 1;
    start(0, 0x55);
    window(2, 3, 1, 1);
    pixels(sixteen, 4);
    /* 00F8h: green 7 of 63, blue 24 of 31 */
    expect(is(0, 0, 0, 28, 197), "low byte first");
}

static void windows(void)
{
    static const uint8_t four[8] = {0xF8, 0, 0x07, 0xE0, 0, 0x1F, 0xFF, 0xFF};
    open_glass(4, 3);
    start(0, 0x55);
    window(3, 4, 2, 3);
    pixels(four, 8);
    expect(is(1, 1, 255, 0, 0) && is(2, 1, 0, 255, 0), "the first row of a window");
    expect(is(1, 2, 0, 0, 255) && is(2, 2, 255, 255, 255), "the second row");
    expect(panel_complaints()->overruns == 0, "no more than the window holds");
    pixels(four, 2);
    expect(panel_complaints()->overruns == 1, "one pixel too many");
    expect(is(1, 1, 255, 0, 0), "which goes to the window's start");
    send(0x2C, NULL, 0);
    pixels(four, 2);
    send(0x3C, NULL, 0);
    expect(panel_complaints()->cut == 1, "a window that is left unfilled");
    pixels(four + 2, 2);
    expect(is(2, 1, 0, 255, 0), "write_memory_continue goes on");
}

/* Sends red at host 0,0 and green beside it, in an address mode. */
static void red_and_green(uint8_t mode)
{
    start(mode, 0x55);
    window(0, 1, 0, 0);
    pixels(red_green, 4);
}

/* Where they come to lie. */
static void orders(void)
{
    open_glass(12, 10);
    glass.x = glass.y = 0;
    red_and_green(0x40); /* columns from the right */
    expect(is(11, 0, 255, 0, 0) && is(10, 0, 0, 255, 0), "column order");
    red_and_green(0x80); /* pages from below */
    expect(is(0, 9, 255, 0, 0) && is(1, 9, 0, 255, 0), "page order");
    red_and_green(0x20); /* columns for pages */
    expect(is(0, 0, 255, 0, 0) && is(0, 1, 0, 255, 0), "exchanged");
    red_and_green(0x08); /* blue for red */
    expect(is(0, 0, 0, 0, 255) && is(1, 0, 0, 255, 0), "blue first");
    send(0x21, NULL, 0);
    expect(is(0, 0, 255, 255, 0) && is(1, 0, 255, 0, 255), "inverted");
    send(0x20, NULL, 0);
    glass.blue_first = glass.complement = 1;
    red_and_green(0);
    expect(is(0, 0, 255, 255, 0), "a glass of blue first that shows the complement");
}

static void mountings(void)
{
    open_glass(4, 3);
    /* A picture of 3 columns and 4 rows with red at its upper left is turned
     * clockwise: red lies at the glass's upper right. */
    glass.turns = 1;
    start(0, 0x55);
    window(5, 5, 1, 1);
    pixels(red_green, 2);
    expect(is(0, 0, 255, 0, 0), "a quarter turn");
    glass.turns = 0;
    glass.mirror = 1;
    start(0, 0x55);
    window(5, 5, 1, 1);
    pixels(red_green, 2);
    expect(is(0, 0, 255, 0, 0), "a mirror");
    glass.turns = 3;
    start(0, 0x55);
    window(5, 5, 3, 3); /* lower right; mirrored: lower left */
    pixels(red_green, 2);
    expect(is(0, 0, 255, 0, 0), "three quarter turns and a mirror");
    glass.turns = glass.mirror = 0;
    glass.ellipse = 1;
    start(0, 0x55);
    window(2, 2, 1, 1);
    pixels(red_green, 2);
    expect(is(0, 0, 0, 0, 0), "a round glass hides its corners");
}

/* The scan goes over three lines of a 60 Hz picture while they change: the eye
 * gets the old first line and the new last one. */
static void scanning(void)
{
    static const uint8_t white[8] = {255, 255, 255, 255, 255, 255, 255, 255};
    uint8_t frame[8 + 3 * 4 * 3], before[sizeof frame];
    FILE *eye = tmpfile();
    int y;
    open_glass(4, 3);
    now = 0;
    panel_open(&glass, eye);
    send(0x01, NULL, 0);
    send(0x11, NULL, 0);
    {
        static const uint8_t format = 0x55;
        send(0x3A, &format, 1);
    }
    send(0x29, NULL, 0);
    for (y = 1; y < 4; y++) {
        static const uint8_t black[8];
        window(2, 5, (uint8_t)y, (uint8_t)y);
        pixels(black, 8);
    }
    panel_look(now + 40 * MILLI);
    /* Lines of 1/(60 * 11) s: behind line 0 of the next frame. */
    now = panel_next_blank(now + 40 * MILLI) + 8 * SECOND / 660 + SECOND / 1320 + SECOND / 1320;
    for (y = 1; y < 4; y++) {
        const uint8_t columns[4] = {0, 2, 0, 5}, pages[4] = {0, (uint8_t)y, 0, (uint8_t)y};
        int i;
        panel_command(now, 0x2A);
        for (i = 0; i < 4; i++) {
            panel_data(now, columns[i]);
        }
        panel_command(now, 0x2B);
        for (i = 0; i < 4; i++) {
            panel_data(now, pages[i]);
        }
        panel_command(now, 0x2C);
        for (i = 0; i < 8; i++) {
            panel_data(now, white[i]);
        }
    }
    panel_close(now + 40 * MILLI);
    rewind(eye);
    memset(before, 0, sizeof before);
    while (fread(frame, 1, sizeof frame, eye) == sizeof frame) {
        if (frame[8] == 0 && frame[8 + 24] == 255) {
            expect(frame[8 + 12] == 255, "torn between the first line and the second");
            expect(before[8 + 24] == 0, "after a black frame");
            fclose(eye);
            return;
        }
        memcpy(before, frame, sizeof frame);
    }
    expect(0, "a torn frame");
}

int main(void)
{
    formats();
    windows();
    orders();
    mountings();
    scanning();
    printf("all as worked out\n");
    return 0;
}
