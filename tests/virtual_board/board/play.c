/* Plays one reel on the virtual board and writes what is seen and heard.
 *
 * play reel=FILE reel2=FILE ... eye=FILE ear=FILE log=FILE KEY=NUMBER... */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "board.h"
#include "load.h"
#include "words.h"

enum { MOST_REELS = 4 };

static FILE *written(const char *key)
{
    const char *path = word(key, NULL);
    FILE *out = path == NULL ? NULL : fopen(path, "wb");
    if (path != NULL && out == NULL) {
        fprintf(stderr, "cannot write %s\n", path);
        exit(2);
    }
    return out;
}

static uint32_t small(const char *key, uint32_t otherwise)
{
    return (uint32_t)number(key, otherwise);
}

static void plan_panel(board_plan *p)
{
    p->glass.w = (int)small("width", 240);
    p->glass.h = (int)small("height", 240);
    p->glass.x = (int)small("x", 0);
    p->glass.y = (int)small("y", 0);
    /* The memory reaches beyond the glass. */
    p->glass.columns = (int)small("columns", (uint32_t)(p->glass.x + p->glass.w + 3));
    p->glass.pages = (int)small("pages", (uint32_t)(p->glass.y + p->glass.h + 5));
    p->glass.ellipse = (int)small("ellipse", 0);
    p->glass.blue_first = (int)small("blue_first", 0);
    p->glass.complement = (int)small("complement", 0);
    p->glass.low_first = (int)small("low_first", 0);
    p->glass.turns = (int)small("turns", 0);
    p->glass.mirror = (int)small("mirror", 0);
    p->glass.refresh_hz = (double)number("refresh_mhz", 60000) / 1000;
    p->bus.clock_hz = small("bus_clock", 40000000);
    p->bus.lines = small("bus_lines", 1);
}

static void plan_source(board_plan *p)
{
    p->card.clock_hz = small("card_clock", 20000000);
    p->card.lines = small("card_lines", 1);
    p->card.shares_bus = small("card_shares_bus", 0);
    p->card.access = small("card_access_us", 500) * MICRO;
    p->card.gone_from = small("gone_from_ms", 0) * MILLI;
    p->card.gone_until = small("gone_until_ms", 0) * MILLI;
    p->card.stall_every = p->link.stall_every = small("stall_every_ms", 0) * MILLI;
    p->card.stall_least = p->link.stall_least = small("stall_least_ms", 30) * MILLI;
    p->card.stall_most = p->link.stall_most = small("stall_most_ms", 100) * MILLI;
    p->link.bytes_per_second = number("link_rate", 500000);
    p->link.window = small("link_window", 5760);
    p->glue.from_link = (uint8_t)small("link", 0);
    p->glue.mutex = (uint8_t)small("mutex", 0);
    p->glue.short_reads = small("short_reads", 0);
}

static void plan_glue(board_plan *p)
{
    const int turned = (int)small("address_mode", 0) >> 5 & 1;
    p->glue.address_mode = (uint8_t)small("address_mode", 0);
    p->glue.inverts = (uint8_t)small("invert_mode", 0);
    p->glue.black = p->glass.complement != p->glue.inverts ? 0xFF : 0;
    p->glue.bits = (uint8_t)small("bits", 16);
    p->glue.x = (uint16_t)small("host_x", (uint32_t)p->glass.x);
    p->glue.y = (uint16_t)small("host_y", (uint32_t)p->glass.y);
    p->glue.width = (uint16_t)(turned ? p->glass.h : p->glass.w);
    p->glue.height = (uint16_t)(turned ? p->glass.w : p->glass.h);
    p->glue.dma = (uint8_t)small("dma", 1);
    p->glue.window_ns = small("window_ns", 20000);
}

static void plan_cores(board_plan *p)
{
    p->queue = small("queue", 2048);
    p->blocks = small("blocks", 8);
    p->by_blocks = (int)small("by_blocks", 1);
    p->cores = small("cores", 2);
    p->tasks = (int)small("tasks", 0);
    p->checks = (int)small("checks", 0);
    p->skips = (int)small("skips", 0);
    p->instructions = number("instructions", 160000000);
    p->per_pixel = small("per_pixel", 40);
    p->per_byte = small("per_byte", 8);
    p->piece = small("piece", 4096);
    p->seed = small("seed", 1);
    p->patience = small("patience_ms", 15000) * MILLI;
    p->limit = small("limit_ms", 120000) * MILLI;
}

/* What the reel that needs the most needs. */
static void plan_memory(board_plan *p, const file_bytes *reels)
{
    tbr_header header;
    uint32_t ring = 0, i;
    for (i = 0; i < p->items; i++) {
        if (board_header(&reels[i], &header) == TBR_OK) {
            const uint32_t work = board_work(&header);
            ring = 3 * header.largest_chunk > ring ? 3 * header.largest_chunk : ring;
            ring = header.prebuffer > ring ? header.prebuffer : ring;
            p->work = work > p->work ? work : p->work;
        }
    }
    p->ring = small("ring", ring ? ring : 3 * 65536);
    p->work = small("work", p->work);
}

static void load_reels(board_plan *p, file_bytes *reels)
{
    static const char *const more[] = {"reel2", "reel3", "reel4"};
    const char *path;
    reels[p->items++] = load(word("reel", "reel.tbr"));
    while (p->items < MOST_REELS && (path = word(more[p->items - 1], NULL)) != NULL) {
        reels[p->items++] = load(path);
    }
}

static void report(FILE *log, const board_result *r)
{
    uint32_t i;
    fprintf(log, "verdict %d\nsaid %d\n", r->verdict, r->said);
    fprintf(log, "shown %u\nlate %u\nwaiting %u\ndamaged %u\ndry %u\nlost %u\n", r->counts.shown,
            r->counts.late, r->counts.waiting, r->counts.damaged, r->counts.dry, r->counts.lost);
    fprintf(log, "rate %u\nsamples %llu\nheard_from %lld\nport_dry %u\nexcused %u\nstep %d\n",
            r->header.clock_rate, (unsigned long long)r->heard.samples, (long long)r->heard.from,
            r->heard.dry, r->heard.excused, r->heard.step);
    fprintf(log, "unknown %u\nwindows %u\noverruns %u\nearly %u\ncut %u\n", r->faults.unknown,
            r->faults.windows, r->faults.overruns, r->faults.early, r->faults.cut);
    fprintf(log, "ended %lld\nlongest_wait %lld\nbus_bytes %llu\nframes %u\ntorn %u\n",
            (long long)r->ended, (long long)r->longest_wait, (unsigned long long)r->bus_bytes,
            r->frames, r->torn);
    fprintf(log, "broken %u\nstarved %u\ngiven %llu\nthrown %llu\nrates %u\npeak %d\n",
            r->counts.broken, r->counts.starved, (unsigned long long)r->heard.given,
            (unsigned long long)r->heard.thrown, r->heard.rates, r->heard.peak);
    fprintf(log, "told %u\n", r->told);
    for (i = 0; i < r->told && i < BOARD_ITEMS; i++) {
        const board_item *t = &r->items[i];
        fprintf(log, "item%u %u\nrate%u %u\nleft%u %u\nshown%u %u\nerror%u %d\nat%u %lld\n", i,
                t->item, i, t->rate, i, t->left, i, t->shown, i, t->error, i, (long long)t->at);
    }
}

int main(int argc, char **argv)
{
    board_plan plan;
    board_result result;
    file_bytes reels[MOST_REELS];
    FILE *eye, *ear, *log;
    words_are(argc, argv);
    memset(&plan, 0, sizeof plan);
    load_reels(&plan, reels);
    plan_panel(&plan);
    plan_source(&plan);
    plan_glue(&plan);
    plan_cores(&plan);
    plan_memory(&plan, reels);
    eye = written("eye");
    ear = written("ear");
    log = written("log");
    words_end();
    board_play(&plan, reels, eye, ear, &result);
    report(log != NULL ? log : stdout, &result);
    return 0;
}
