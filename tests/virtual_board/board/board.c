#include "board.h"

#include <stdlib.h>
#include <string.h>

/* A call that does little. */
enum { CALL_NS = 2000 };

static const board_plan *plan;
static tbr_hooks inner; /* the glue's own */
static tbr_player player;
static int said;
static board_item items[BOARD_ITEMS];
static uint32_t told, rate;
static nanos core_free; /* of tasks: when the one core is */

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
    const nanos time = (nanos)(instructions * 1000000000u / plan->instructions);
    if (plan->tasks) {
        core_free = (core_free > machine_now() ? core_free : machine_now()) + time;
        machine_until(core_free);
    } else {
        machine_spend(time);
    }
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

static void note_item(int error)
{
    const tbr_header *h = &player.header;
    const board_item item = {player.item, h->clock_rate,       h->sound,     port_left(),
                             player.counts.shown, error, machine_now()};
    if (told < BOARD_ITEMS) {
        items[told] = item;
    }
    told++;
}

/* A reel begins: the port is set if it has to be, a reel for another panel is
 * passed over. */
static void begin_item(void)
{
    const tbr_header *h = &player.header;
    const int fits = h->x_offset >= plan->glue.x && h->y_offset >= plan->glue.y &&
                     h->x_offset + h->width <= plan->glue.x + plan->glue.width &&
                     h->y_offset + h->height <= plan->glue.y + plan->glue.height;
    note_item(TBR_OK);
    if (plan->checks && !fits) {
        tbr_player_seek(&player, player.item + 1, 0);
    } else if (h->sound != TBR_NO_SOUND && h->clock_rate != rate) {
        rate = h->clock_rate;
        port_rate(rate);
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
            begin_item();
        } else if (said < 0 && plan->skips) {
            note_item(said);
            tbr_player_seek(&player, player.item + 1, 0);
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
    card_open(&plan->card, reel, plan->items, plan->seed);
    link_open(&plan->link, reel, plan->seed);
    port_open(plan->queue, plan->blocks, plan->by_blocks, ear);
}

static void open_player(const file_bytes *reels, uint8_t *ring, void *memory, uint32_t bytes)
{
    tbr_player_setup setup;
    tbr_hooks hooks;
    glue_board glue = plan->glue;
    uint32_t i, block = 0;
    glue.items = plan->items;
    for (i = 0; i < plan->items && i < GLUE_FILES; i++) {
        glue.files[i].block = block;
        glue.files[i].bytes = reels[i].length;
        block += (reels[i].length + 511u) / 512;
    }
    memset(&setup, 0, sizeof setup);
    setup.ring = ring;
    setup.ring_buffer_bytes = plan->ring;
    setup.work = memory;
    setup.work_bytes = bytes;
    setup.piece = plan->piece;
    glue_hooks(&glue, &inner);
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
    memcpy(result->items, items, sizeof items);
    result->told = told;
}

void board_play(const board_plan *p, const file_bytes *reels, FILE *eye, FILE *ear,
                board_result *result)
{
    const uint32_t bytes = p->work ? p->work : 4;
    uint8_t *ring = malloc(p->ring);
    void *memory = malloc(bytes);
    int verdict = MACHINE_ENDED;
    plan = p;
    told = rate = 0;
    core_free = 0;
    open_devices(reels, eye, ear);
    open_player(reels, ring, memory, bytes);
    if (said == TBR_OK) {
        verdict = machine_run(show, p->cores == 2 ? fetch : NULL, NULL, p->limit, p->patience);
        port_listen();
        panel_close(machine_now());
    }
    note(result, verdict);
    free(ring);
    free(memory);
}
