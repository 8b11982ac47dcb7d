/* Plays reels with player.c on a board whose hooks take no time, and writes one
 * line each: all that was sent to the panel and all samples, as two numbers.
 * Nothing here depends on the core, so every build of every compiler must write
 * the same. Arguments: list=FILE (paths, one a line), log=FILE. */
#include <stddef.h>

#define THUMBREEL_IMPLEMENTATION
#include "thumbreel.h"

#include "player.h"

#include "bench.h"

enum { QUEUE = 2048, MOST_RING = 256 << 10, MOST_WORK = 512 << 10 };

static uint8_t ring[MOST_RING];
static uint32_t work[MOST_WORK / 4];
static char list[4096];
static tbr_player player;
static int reel, log_file;
static uint64_t now;
static uint32_t queued, rest;
static uint32_t pixels, windows, samples, heard;

static int32_t read_some(void *user, void *to, uint32_t n)
{
    const int32_t got = bench_read(reel, to, n);
    (void)user;
    return got > 0 ? got : TBR_READ_END;
}

static int seek_to(void *user, uint32_t item, uint64_t offset)
{
    (void)user;
    return item > 0 ? -1 : bench_seek(reel, (uint32_t)offset);
}

/* Windows count in the order of a rectangle, 16 bits each, low byte first. */
static void show(void *user, const tbr_rect *window, const uint8_t *bytes, uint32_t n)
{
    (void)user;
    if (window != NULL) {
        const uint16_t sides[4] = {window->x, window->y, window->w, window->h};
        uint32_t i;
        for (i = 0; i < 4; i++) {
            const uint8_t both[2] = {(uint8_t)(sides[i] & 255u), (uint8_t)(sides[i] >> 8)};
            pixels = tbr_crc32(pixels, both, 2);
        }
        windows++;
    }
    pixels = tbr_crc32(pixels, bytes, n);
}

/* The film's own samples count; what fades out after them does not. */
static uint32_t play(void *user, const int16_t *from, uint32_t n)
{
    uint32_t i;
    (void)user;
    n = n < QUEUE - queued ? n : QUEUE - queued;
    queued += n;
    for (i = 0; i < n && heard < player.header.duration; i++, heard++) {
        const uint16_t sample = (uint16_t)from[i];
        const uint8_t both[2] = {(uint8_t)(sample & 255u), (uint8_t)(sample >> 8)};
        samples = tbr_crc32(samples, both, 2);
    }
    return n;
}

static uint32_t left(void *user)
{
    (void)user;
    return queued;
}

static uint32_t clock_now(void *user)
{
    (void)user;
    return (uint32_t)now;
}

static void idle(void *user, uint32_t microseconds)
{
    uint32_t played;
    (void)user;
    microseconds = microseconds < 50 ? 50 : microseconds;
    now += microseconds;
    rest += microseconds * (player.header.clock_rate / 50);
    played = rest / 20000u;
    rest %= 20000u;
    queued -= played < queued ? played : queued;
}

static void line(const char *path, int said)
{
    bench_text(log_file, path);
    bench_decimal(log_file, " said ", (uint32_t)(said < 0 ? -said : said));
    bench_decimal(log_file, " windows ", windows);
    bench_decimal(log_file, " pixels ", pixels);
    bench_decimal(log_file, " heard ", heard);
    bench_decimal(log_file, " samples ", samples);
    bench_text(log_file, "\n");
}

static void play_file(const char *path)
{
    const tbr_hooks hooks = {NULL, read_some, seek_to,   show, NULL,
                             play, left,      clock_now, idle, NULL};
    const tbr_player_setup setup = {ring, sizeof ring, work, sizeof work, 4096, 0};
    int said;
    reel = bench_open(path, 0);
    if (reel < 0) {
        bench_exit(2);
    }
    pixels = windows = samples = heard = queued = 0;
    said = tbr_player_open(&player, &hooks, &setup);
    while (said == TBR_OK || said == TBR_PLAYER_ITEM) {
        said = tbr_player_run(&player);
    }
    line(path, said);
    bench_close(reel);
}

int bench_main(void)
{
    char path[256];
    int32_t i, length, start = 0;
    int file;
    log_file = bench_word("log", path, sizeof path) ? bench_open(path, 1) : -1;
    file = bench_word("list", path, sizeof path) ? bench_open(path, 0) : -1;
    if (log_file < 0 || file < 0) {
        return 2;
    }
    length = bench_read(file, list, sizeof list - 1);
    bench_close(file);
    for (i = 0; i < length; i++) {
        if (list[i] == '\n') {
            list[i] = '\0';
            play_file(list + start);
            start = i + 1;
        }
    }
    bench_close(log_file);
    return 0;
}
