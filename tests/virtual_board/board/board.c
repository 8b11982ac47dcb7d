#include "board.h"

#include <stdlib.h>
#include <string.h>

/* A call that does little. */
enum { CALL_NS = 2000 };

static const board_plan *plan;
static tbr_hooks inner; /* the glue's own */
static tbr_player player;
static int said;

int board_header(const file_bytes *reel, tbr_header *header)
{
    return reel->length < TBR_SECTOR ? TBR_TRUNCATED : tbr_header_read(reel->bytes, header);
}

uint32_t board_work(const tbr_header *header)
{
    const uint32_t tables = header->coding == TBR_JPEG ? header->tables_length : 0;
    return header->working_memory > tables ? header->working_memory : tables;
}

/* --- what the cores' work takes ----------------------------------------- */

static void work(uint64_t instructions)
{
    machine_spend((nanos)(instructions * 1000000000u / plan->instructions));
}

static int32_t timed_read(void *user, void *to, uint32_t n)
{
    const int32_t got = inner.read(user, to, n);
    work(1000 + (uint64_t)(got > 0 ? got : 0) * plan->per_byte);
    return got;
}

/* Decoding and conversion come before the pixels that they make. */
static void timed_window(void *user, const tbr_rect *r, const uint8_t *pixels, uint32_t bytes)
{
    work((uint64_t)bytes / 2 * plan->per_pixel);
    inner.window(user, r, pixels, bytes);
}

static int timed_jpeg(void *user, const tbr_jpeg *picture)
{
    return glue_jpeg(user, picture, timed_window);
}

static uint32_t timed_sound(void *user, const int16_t *samples, uint32_t n)
{
    work(40 * (uint64_t)n);
    return inner.sound(user, samples, n);
}

/* --- the maker's main loops --------------------------------------------- */

static void buttons(void)
{
    static const nanos never = INT64_MAX;
    static nanos pause_at, resume_at, seek_at, stop_at;
    const nanos now = machine_now();
    if (now < CALL_NS * 4) {
        pause_at = plan->pause_at ? plan->pause_at : never;
        resume_at = plan->resume_at ? plan->resume_at : never;
        seek_at = plan->seek_at ? plan->seek_at : never;
        stop_at = plan->stop_at ? plan->stop_at : never;
    }
    if (now >= pause_at) {
        pause_at = never;
        tbr_player_pause(&player, 1);
        machine_excuse(plan->resume_at);
    }
    if (now >= resume_at) {
        resume_at = never;
        tbr_player_pause(&player, 0);
    }
    if (now >= seek_at) {
        seek_at = never;
        tbr_player_seek(&player, 0, plan->seek_to);
    }
    if (now >= stop_at) {
        stop_at = never;
        tbr_player_stop(&player);
    }
}

static void show(void *user)
{
    buttons();
    glue_start();
    for (;;) {
        said = plan->cores == 2 ? tbr_player_present(&player) : tbr_player_step(&player);
        machine_spend(CALL_NS);
        buttons();
        if (said == TBR_PLAYER_ITEM) {
            port_rate(player.header.clock_rate);
        } else if (said == TBR_PLAYER_IDLE) {
            inner.yield(user, tbr_player_idle(&player));
        } else if (said != TBR_PLAYER_GOES_ON) {
            machine_spend(100 * MILLI);
            return;
        }
    }
}

static void fetch(void *user)
{
    for (;;) {
        const int did = tbr_player_fetch(&player);
        machine_spend(CALL_NS);
        if (!did) {
            inner.yield(user, 1000);
        }
    }
}

/* --- all of it ---------------------------------------------------------- */

static void open_devices(const file_bytes *reel, FILE *eye, FILE *ear)
{
    panel_open(&plan->glass, eye);
    bus_open(&plan->bus);
    card_open(&plan->card, reel, plan->seed);
    link_open(&plan->link, reel, plan->seed);
    port_open(plan->queue, plan->blocks, plan->by_blocks, ear);
}

static void open_player(uint8_t *ring, void *memory, uint32_t bytes)
{
    tbr_player_setup setup;
    tbr_hooks hooks;
    memset(&setup, 0, sizeof setup);
    setup.ring = ring;
    setup.ring_buffer_bytes = plan->ring;
    setup.work = memory;
    setup.work_bytes = bytes;
    setup.piece = plan->piece;
    glue_hooks(&plan->glue, &inner);
    hooks = inner;
    hooks.read = timed_read;
    hooks.window = timed_window;
    hooks.sound = timed_sound;
    hooks.jpeg = timed_jpeg;
    said = tbr_player_open(&player, &hooks, &setup);
}

static void note(board_result *result, int verdict)
{
    memset(result, 0, sizeof *result);
    result->verdict = verdict;
    result->said = said;
    result->header = player.header;
    result->counts = player.counts;
    result->heard = *port_ear();
    result->faults = *panel_complaints();
    result->ended = machine_now();
    result->longest_wait = machine_longest_wait();
    result->bus_bytes = bus_carried();
    result->frames = panel_frames();
    result->torn = panel_torn();
}

void board_play(const board_plan *p, const file_bytes *reel, FILE *eye, FILE *ear,
                board_result *result)
{
    const uint32_t bytes = p->work ? p->work : 4;
    uint8_t *ring = malloc(p->ring);
    void *memory = malloc(bytes);
    int verdict = MACHINE_ENDED;
    plan = p;
    open_devices(reel, eye, ear);
    open_player(ring, memory, bytes);
    if (said == TBR_OK) {
        verdict = machine_run(show, p->cores == 2 ? fetch : NULL, NULL, p->limit, p->patience);
        port_listen();
        panel_close(machine_now());
    }
    note(result, verdict);
    free(ring);
    free(memory);
}
