#include "board.h"

#include <string.h>

#include "bench.h"

uint8_t board_panel[BOARD_SIDE * BOARD_SIDE * 2];
static int16_t queue[BOARD_QUEUE];
static int16_t speaker[1024];

/* --- time and sound ----------------------------------------------------- */

/* Plays n samples to the speaker's recording; zeros when the queue is empty. */
static void play(board *b, uint32_t n)
{
    while (n > 0) {
        uint32_t i;
        const uint32_t part = n < 1024 ? n : 1024;
        for (i = 0; i < part; i++) {
            speaker[i] = 0;
            if (b->queue_count > 0) {
                speaker[i] = queue[b->queue_head];
                b->queue_head = (b->queue_head + 1) % BOARD_QUEUE;
                b->queue_count--;
                b->gaps += b->queue_count == 0;
            }
        }
        if (b->samples_file >= 0) {
            bench_write(b->samples_file, speaker, part * 2);
        }
        b->heard += part;
        n -= part;
    }
}

/* The transfer's pixels reach the panel at its end: memory that was changed
 * too early shows as a wrong picture. */
static void land(board *b)
{
    const uint8_t *from = b->moving;
    uint32_t pixels = b->moving_bytes / 2;
    b->moving = NULL;
    for (; from != NULL && pixels > 0; pixels--, from += 2) {
        uint8_t *to = board_panel + 2u * (b->row * b->width + b->column);
        if (b->row >= (uint32_t)b->window.y + b->window.h) {
            b->wrong++;
            continue;
        }
        to[0] = from[0];
        to[1] = from[1];
        if (++b->column == (uint32_t)b->window.x + b->window.w) {
            b->column = b->window.x;
            b->row++;
        }
    }
    if (b->landed != NULL) {
        b->landed();
    }
}

void board_pass(board *b, uint64_t microseconds)
{
    uint64_t samples;
    b->now += microseconds;
    if (b->moving != NULL && b->now >= b->bus_free && !b->late) {
        land(b);
    }
    b->sound_rest += microseconds * b->sound_rate;
    samples = b->sound_rest / 1000000u;
    b->sound_rest %= 1000000u;
    play(b, (uint32_t)samples);
}

/* Adds the time of the instructions since the last call. */
static void compute(board *b)
{
    const uint32_t count = bench_instructions();
    if (b->cpu > 0) {
        const uint32_t passed = (count - b->last_count) / b->cpu;
        b->busy += passed;
        board_pass(b, passed);
    }
    b->last_count = bench_instructions();
}

static void work(board *b, uint64_t microseconds)
{
    b->busy += microseconds;
    board_pass(b, microseconds);
}

uint32_t board_sound(void *user, const int16_t *samples, uint32_t n)
{
    board *b = (board *)user;
    uint32_t i;
    compute(b);
    for (i = 0; i < n && b->queue_count < b->queue_size; i++) {
        queue[(b->queue_head + b->queue_count) % BOARD_QUEUE] = samples[i];
        b->queue_count++;
    }
    if (i > 0 && !b->started) {
        b->started = 1;
        b->first_heard = b->heard;
    }
    return i;
}

uint32_t board_sound_left(void *user)
{
    compute((board *)user);
    return ((board *)user)->queue_count;
}

uint32_t board_clock(void *user)
{
    compute((board *)user);
    return (uint32_t)((board *)user)->now;
}

void board_yield(void *user, uint32_t microseconds)
{
    compute((board *)user);
    board_pass((board *)user, microseconds < 50 ? 50 : microseconds);
}

/* --- the card ----------------------------------------------------------- */

static int is_gone(const board *b)
{
    return b->now >= (uint64_t)b->gone_from * 1000 && b->now < (uint64_t)b->gone_until * 1000;
}

int board_seek(void *user, uint32_t item, uint64_t offset)
{
    board *b = (board *)user;
    compute(b);
    if (item >= b->items || is_gone(b)) {
        return -1;
    }
    b->ready = 0;
    b->item = item;
    b->offset = (uint32_t)offset;
    return 0;
}

/* Microseconds of a read of n bytes from here, a stall included. */
static uint32_t read_time(board *b, uint32_t n)
{
    uint32_t time = b->card_access + (b->card_rate ? n * 1000u / b->card_rate : 0);
    if (b->stall_time > 0 && b->stall_offset >= b->offset && b->stall_offset < b->offset + n) {
        time += b->stall_time * 1000u;
        b->stall_time = 0;
    }
    return time;
}

int32_t board_read(void *user, void *to, uint32_t n)
{
    board *b = (board *)user;
    int32_t got;
    compute(b);
    if (is_gone(b)) {
        b->ready = 0;
        work(b, 1000);
        return -2;
    }
    if (b->background && b->ready == 0) {
        b->ready = b->now + read_time(b, n) + 1;
        return 0;
    }
    if (b->background && b->now < b->ready) {
        return 0;
    }
    if (!b->background) {
        work(b, read_time(b, n));
    }
    b->ready = 0;
    bench_seek(b->item_files[b->item], b->offset);
    got = bench_read(b->item_files[b->item], to, n);
    b->offset += got > 0 ? (uint32_t)got : 0;
    b->reads++;
    b->bytes_read += got > 0 ? (uint32_t)got : 0;
    return got > 0 ? got : -1;
}

/* --- the panel ---------------------------------------------------------- */

void board_window_wait(void *user)
{
    board *b = (board *)user;
    compute(b);
    if (b->bus_free > b->now) {
        work(b, b->bus_free - b->now);
    }
    land(b);
}

void board_window(void *user, const tbr_rect *window, const uint8_t *pixels, uint32_t bytes)
{
    board *b = (board *)user;
    const uint32_t sent = bytes + (window != NULL ? 11u : 0u);
    board_window_wait(b);
    if (window != NULL) {
        b->window = *window;
        b->window.x = (uint16_t)(window->x - b->x_offset);
        b->window.y = (uint16_t)(window->y - b->y_offset);
        b->wrong += window->x < b->x_offset || b->window.x + window->w > b->width ||
                    window->y < b->y_offset || b->window.y + window->h > b->height;
        b->column = b->window.x;
        b->row = b->window.y;
        b->windows++;
    }
    b->bus_bytes += sent;
    b->sent_at = b->now;
    b->moving = pixels;
    b->moving_bytes = bytes;
    b->bus_free = b->now + (b->bus_rate ? sent * 1000u / b->bus_rate : 0);
    if (!b->dma) {
        board_window_wait(b);
    }
}

/* --- setting up --------------------------------------------------------- */

static void open_items(board *b)
{
    static const char *const names[BOARD_ITEMS] = {"reel", "reel2", "reel3"};
    char path[256];
    while (b->items < BOARD_ITEMS && bench_word(names[b->items], path, sizeof path)) {
        b->item_files[b->items] = bench_open(path, 0);
        if (b->item_files[b->items] < 0) {
            bench_exit(2);
        }
        b->items++;
    }
}

void board_open(board *b)
{
    char path[256];
    memset(b, 0, sizeof *b);
    open_items(b);
    b->cpu = bench_number("cpu", 0);
    b->card_access = bench_number("access", 0);
    b->card_rate = bench_number("card", 0);
    b->stall_offset = bench_number("stall_at", 0);
    b->stall_time = bench_number("stall", 0);
    b->gone_from = bench_number("gone", 0);
    b->gone_until = bench_number("back", 0);
    b->background = bench_number("background", 0);
    b->bus_rate = bench_number("bus", 0);
    b->dma = bench_number("dma", 0);
    b->late = bench_number("late", 0);
    b->queue_size = bench_number("queue", 2048);
    b->sound_rate = 8000;
    b->samples_file = bench_word("samples", path, sizeof path) ? bench_open(path, 1) : -1;
    b->last_count = bench_instructions();
}
