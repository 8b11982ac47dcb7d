/* A board on a simulated clock around player.c: what a read, a transfer and a
 * sample take is added up; nothing waits. Arguments: reel, ring bytes, piece,
 * cores, queue samples, ns per block, ns per pixel, ns per window, first slice,
 * and pairs of stalls: bytes into the slices, ns. Prints what came of it. */
#include <stdio.h>
#include <stdlib.h>
#define THUMBREEL_IMPLEMENTATION
#include "thumbreel.h"
#include "player.c"

#define READ_IDLE 1000000u

typedef unsigned long long u64;

static struct {
    FILE *reel;
    u64 clocks[2], at, first, length;
    u64 queue_base, queue_fed, start, gaps, gap_ns;
    u64 block, pixel, window, stalls[512][2];
    uint32_t queue, rate;
    int core, started, count, next;
} b;

static u64 *now(void) { return &b.clocks[b.core]; }

static u64 ticks_ns(u64 ticks)
{
    return (u64)(((unsigned __int128)ticks * 2000000000u / b.rate + 1) / 2);
}

static int32_t board_read(void *user, void *to, uint32_t n)
{
    u64 place;
    (void)user;
    n = b.at + n > b.length ? (uint32_t)(b.length - b.at) : n;
    if (n == 0) {
        return TBR_READ_END;
    }
    fseek(b.reel, (long)b.at, SEEK_SET);
    if (fread(to, 1, n, b.reel) != n) {
        return TBR_READ_FAILED;
    }
    *now() += (n + 511) / 512 * b.block;
    place = b.at - b.first;
    while (b.at >= b.first && b.next < b.count && b.stalls[b.next][0] < place + n) {
        *now() += b.stalls[b.next++][1];
    }
    b.at += n;
    return (int32_t)n;
}

static int board_seek(void *user, uint32_t item, uint64_t offset)
{
    (void)user;
    b.at = offset;
    return item == 0 ? 0 : -1;
}

static void board_window(void *user, const tbr_rect *r, const uint8_t *pixels, uint32_t bytes)
{
    (void)user;
    (void)r;
    (void)pixels;
    *now() += bytes / 2 * b.pixel + b.window;
}

static u64 left(void)
{
    const u64 since = *now() > b.queue_base ? *now() - b.queue_base : 0;
    const u64 played = since * b.rate / 1000000000u;
    return b.queue_fed - (played < b.queue_fed ? played : b.queue_fed);
}

static uint32_t board_sound(void *user, const int16_t *samples, uint32_t n)
{
    const u64 there = left(), empty = b.queue_base + ticks_ns(b.queue_fed);
    const uint32_t room = b.queue - (uint32_t)there;
    (void)user;
    (void)samples;
    n = n < room ? n : room;
    if (n == 0) {
        return 0;
    }
    if (there > 0) {
        b.queue_fed += n;
        return n;
    }
    if (!b.started) {
        b.started = 1;
        b.start = *now();
    } else if (*now() > empty) {
        b.gaps++;
        b.gap_ns += *now() - empty;
    }
    b.queue_base = *now() > empty ? *now() : empty;
    b.queue_fed = n;
    return n;
}

static uint32_t board_left(void *user)
{
    (void)user;
    return (uint32_t)left();
}

static uint32_t board_clock(void *user)
{
    (void)user;
    return (uint32_t)(*now() / 1000);
}

static void board_yield(void *user, uint32_t microseconds)
{
    (void)user;
    *now() += (u64)(microseconds > 1 ? microseconds : 1) * 1000;
}

static int one_core(tbr_player *p)
{
    int said;
    do {
        said = tbr_player_run(p);
    } while (said == TBR_PLAYER_ITEM);
    return said;
}

static int two_cores(tbr_player *p)
{
    u64 since = 0;
    int parked = 0;
    for (;;) {
        const uint32_t got = p->got;
        int said;
        if (!parked && b.clocks[0] <= b.clocks[1]) {
            b.core = 0;
            parked = !tbr_player_fetch(p);
            since = b.clocks[0];
            continue;
        }
        b.core = 1;
        said = tbr_player_present(p);
        if (said == TBR_PLAYER_IDLE) {
            board_yield(NULL, tbr_player_idle(p));
        } else if (said != TBR_PLAYER_GOES_ON && said != TBR_PLAYER_ITEM) {
            return said;
        }
        if (parked && got != p->got) {
            const u64 passed = b.clocks[1] > since ? b.clocks[1] - since : 0;
            b.clocks[0] = since + (passed / READ_IDLE + 1) * READ_IDLE;
            parked = 0;
        }
    }
}

int main(int argc, char **argv)
{
    static tbr_player p;
    tbr_hooks hooks = {0};
    tbr_player_setup setup = {0};
    int i, said;
    if (argc < 10 || (b.reel = fopen(argv[1], "rb")) == NULL) {
        return 2;
    }
    fseek(b.reel, 0, SEEK_END);
    b.length = (u64)ftell(b.reel);
    setup.ring_buffer_bytes = (uint32_t)atoi(argv[2]);
    setup.ring = malloc(setup.ring_buffer_bytes);
    setup.work_bytes = 1 << 20;
    setup.work = malloc(setup.work_bytes);
    setup.piece = (uint32_t)atoi(argv[3]);
    b.queue = (uint32_t)atoi(argv[5]);
    b.block = strtoull(argv[6], NULL, 10);
    b.pixel = strtoull(argv[7], NULL, 10);
    b.window = strtoull(argv[8], NULL, 10);
    b.first = strtoull(argv[9], NULL, 10);
    b.rate = 8000;
    for (i = 10; i + 1 < argc && b.count < 512; i += 2) {
        b.stalls[b.count][0] = strtoull(argv[i], NULL, 10);
        b.stalls[b.count++][1] = strtoull(argv[i + 1], NULL, 10);
    }
    hooks.read = board_read;
    hooks.seek = board_seek;
    hooks.window = board_window;
    hooks.sound = board_sound;
    hooks.sound_left = board_left;
    hooks.clock = board_clock;
    hooks.yield = board_yield;
    if (tbr_player_open(&p, &hooks, &setup) != TBR_OK) {
        return 3;
    }
    said = atoi(argv[4]) == 1 ? one_core(&p) : two_cores(&p);
    printf("%d %llu %llu %llu %llu %u %u %u %u\n", said, b.start, *now(), b.gaps, b.gap_ns,
           p.counts.shown, p.counts.late + p.counts.waiting, p.counts.dry, p.counts.starved);
    return 0;
}
