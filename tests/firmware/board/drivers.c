/* The functions that the README's worked board leaves to the reader, for a card,
 * a panel and a sound port that are simulated: the panel understands the commands
 * of MIPI DCS for columns, rows and pixels, takes a transfer's pixels at its end,
 * and has more memory than glass; the port asks for blocks of 10 ms.
 * Arguments: reel0=FILE reel1=FILE ... samples=FILE panel=FILE, absent=N: there is
 * no card for so many microseconds. */
#include <stddef.h>
#include <string.h>

#include "bench.h"
#include "drivers.h"

enum { WIDTH = 320, HEIGHT = 240, BLOCK = 960 };

static uint8_t memory[WIDTH * HEIGHT * 2];
static uint64_t now, block_at, dma_end;
static uint32_t rate, column, row, left, right, top, bottom;
static const uint8_t *moving;
static uint32_t moving_bytes;
static uint32_t absent;
static int reel = -1, samples_file, wrong;

int play(void);

static void pixel(const uint8_t *both)
{
    if (column >= WIDTH || row >= HEIGHT || row > bottom) {
        wrong++;
        return;
    }
    memcpy(memory + 2u * (row * WIDTH + column), both, 2);
    if (++column > right) {
        column = left;
        row++;
    }
}

static void land(void)
{
    for (; moving_bytes > 1; moving_bytes -= 2, moving += 2) {
        pixel(moving);
    }
    moving = NULL;
}

static void pass(uint32_t n)
{
    now += n;
    if (moving != NULL && now >= dma_end) {
        land();
    }
    while (rate > 0 && now >= block_at) {
        int16_t block[BLOCK];
        sound_block(block, rate / 100);
        bench_write(samples_file, block, rate / 100 * 2);
        block_at += 10000;
    }
}

int card_open(uint32_t item)
{
    static const char *const names[] = {"reel0", "reel1", "reel2", "reel3"};
    char path[256];
    pass(1000);
    if (now < absent) {
        return -1;
    }
    if (item > 3 || !bench_word(names[item], path, sizeof path)) {
        return 0;
    }
    if (reel >= 0) {
        bench_close(reel);
    }
    reel = bench_open(path, 0);
    return reel < 0 ? -1 : 1;
}

int card_seek(uint32_t offset) { return bench_seek(reel, offset); }

int32_t card_read(void *to, uint32_t n)
{
    pass(300 + n / 2);
    return bench_read(reel, to, n);
}

void panel_command(uint8_t command, const uint8_t *bytes, uint32_t n)
{
    wrong += moving != NULL;
    pass(2 + n);
    if (command == 0x2A && n == 4) {
        left = (uint32_t)bytes[0] << 8 | bytes[1];
        right = (uint32_t)bytes[2] << 8 | bytes[3];
    } else if (command == 0x2B && n == 4) {
        top = (uint32_t)bytes[0] << 8 | bytes[1];
        bottom = (uint32_t)bytes[2] << 8 | bytes[3];
    } else if (command == 0x2C && n == 0) {
        column = left;
        row = top;
    } else {
        wrong++;
    }
}

void panel_dma(const uint8_t *pixels, uint32_t n)
{
    wrong += moving != NULL;
    moving = pixels;
    moving_bytes = n;
    dma_end = now + n / 5;
}

int panel_busy(void)
{
    pass(1);
    return moving != NULL;
}

void sound_port_set_rate(uint32_t samples_a_second)
{
    rate = samples_a_second;
    block_at = now + 10000;
}

uint32_t microseconds(void)
{
    pass(1);
    return (uint32_t)now;
}

void sleep_microseconds(uint32_t n) { pass(n); }

void watchdog_feed(void) {}

int bench_main(void)
{
    char path[256];
    int panel, said;
    samples_file = bench_word("samples", path, sizeof path) ? bench_open(path, 1) : -1;
    absent = bench_number("absent", 0);
    panel = bench_word("panel", path, sizeof path) ? bench_open(path, 1) : -1;
    if (samples_file < 0 || panel < 0) {
        return 2;
    }
    said = play();
    pass(100000);
    bench_write(panel, memory, sizeof memory);
    bench_close(panel);
    bench_close(samples_file);
    return said == 3 && wrong == 0 ? 0 : 1;
}
