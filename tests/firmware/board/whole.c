/* A whole board: play_card.c with the card of a machine's port and with a panel and a
 * sound port whose wires are recorded. Arguments: trace=FILE samples=FILE columns=N rows=N
 * ring=BYTES work=BYTES queue=SAMPLES; pull=N: after N pictures the file "pull" is made
 * and time stands still until the file "pulled" is there; 0.7 s after that
 * was met with, the same with "put" and "back"; loop=1; save=SECONDS: the position is kept
 * in the file "position"; stop=N: after N pictures power goes off; until=US: then.
 *
 * A record of the trace: a letter, a byte, 16 bits of 0, microseconds, the number of
 * bytes that follow, 32 bits each, low byte first. R reset line; C command, with its
 * parameters; P pixels; B backlight; A amplifier; S rate; M picture: its tick, 8 bytes;
 * L a line of the list that was passed over; X a reel that was passed over: its byte is the
 * item, then why in words; K bytes of stack, interrupts included; E the end: tbr_player_counts; its byte
 * is 1 if the panel was talked to in a transfer, or on a shared port the card.
 *
 * GENERATED: what `thumbreel firmware` wrote is played as it stands, with these functions
 * in place of its pins.c. */
#include <stddef.h>
#include <string.h>

#include "bench.h"
#include "play_card.h"
#include "pins.h"
#include "port.h"

#ifdef GENERATED
#include "config.h"
#include "skeleton.h"
int firmware_main(void); /* its main */
#else
#define BOARD_SHARED_PORT 0
#ifndef RING
enum { RING = 1 << 20, WORK = 1 << 19, QUEUE = 1 << 15 };
#endif
static uint8_t ring[RING];
static uint32_t work[WORK / 4];
static int16_t queue[QUEUE];
#endif
enum { LONGEST_BLOCK = 480, ABSENT = 700000 };

static int trace_file, samples_file;
static volatile uint32_t rate;
static uint32_t wrong;
static const uint8_t *moving;
static uint32_t moving_bytes, moving_end;
static uint8_t mark[8], mark_waits;
static tbr_player_counts counts;

static void record(char kind, uint8_t detail, const void *bytes, uint32_t n)
{
    const uint32_t now = port_clock();
    uint8_t head[12] = {(uint8_t)kind, detail};
    memcpy(head + 4, &now, 4);
    memcpy(head + 8, &n, 4);
    bench_write(trace_file, head, sizeof head);
    if (n > 0) {
        bench_write(trace_file, bytes, n);
    }
}

/* --- pins --------------------------------------------------------------- */

static int card_selected;

void pins_card_select(int on)
{
    wrong += BOARD_SHARED_PORT && on && moving != NULL;
    card_selected = on;
    port_select(on);
}

void pins_card_speed(uint32_t hz) { port_speed(hz); }

void pins_card_exchange(const uint8_t *out, uint8_t *in, uint32_t n)
{
    uint32_t i;
    for (i = 0; i < n; i++) {
        const uint8_t byte = port_byte(out != NULL ? out[i] : 0xFF);
        if (in != NULL) {
            in[i] = byte;
        }
    }
#if defined(GENERATED) && BOARD_TASKS
    task_sleep(0); /* the other task may be due */
#endif
}

void pins_panel_reset(int on) { record('R', (uint8_t)on, NULL, 0); }

void pins_panel_command(uint8_t command, const uint8_t *parameters, uint32_t n)
{
    wrong += moving != NULL;
    record('C', command, parameters, n);
}

static void record_mark(void)
{
    if (mark_waits && moving == NULL) {
        mark_waits = 0;
        record('M', 0, mark, sizeof mark);
    }
}

/* The bytes are taken at the end of the transfer: by then they must not have changed. */
static void land(void)
{
    if (moving != NULL && (int32_t)(port_clock() - moving_end) >= 0) {
        record('P', 0, moving, moving_bytes);
        moving = NULL;
        record_mark();
    }
}

void pins_panel_start(const uint8_t *pixels, uint32_t n)
{
    wrong += moving != NULL || (BOARD_SHARED_PORT && card_selected);
    moving = pixels;
    moving_bytes = n;
    moving_end = port_clock() + n / 5; /* 40 MHz */
}

int pins_panel_busy(void)
{
    land();
    return moving != NULL;
}

void pins_panel_stop(void) { moving = NULL; }

void pins_backlight(int on) { record('B', (uint8_t)on, NULL, 0); }

void pins_sound_rate(uint32_t samples_a_second)
{
    rate = samples_a_second;
    record('S', 0, (const void *)&samples_a_second, 4);
}

void pins_amplifier(int on)
{
    static int told, last;
    if (!told || on != last) {
        record('A', (uint8_t)on, NULL, 0);
    }
    told = 1;
    last = on;
}

uint32_t pins_clock(void) { return port_clock(); }

void pins_sleep(uint32_t microseconds) { port_sleep(microseconds); }

void pins_watchdog(void) { land(); }

void pins_position_save(const pins_position *position)
{
    const int file = bench_open("position", 1);
    bench_write(file, position, sizeof *position);
    bench_close(file);
}

int pins_position_load(pins_position *position)
{
    const int file = bench_open("position", 0);
    const int there = file >= 0 && bench_read(file, position, sizeof *position) == 16;
    if (file >= 0) {
        bench_close(file);
    }
    return there;
}

/* The sound port's interrupt. */
static void tick(void)
{
    int16_t block[LONGEST_BLOCK];
    const uint32_t n = rate / 100;
    if (n > 0) {
        play_card_sound(block, n, 1);
        bench_write(samples_file, block, 2 * n);
    }
}

/* --- the person at the card --------------------------------------------- */

static int exists(const char *path)
{
    const int file = bench_open(path, 0);
    if (file >= 0) {
        bench_close(file);
    }
    return file >= 0;
}

/* Has the other side do something, while time stands still. */
static void ask(const char *what, const char *until)
{
    port_freeze(1);
    bench_close(bench_open(what, 1));
    while (!exists(until)) {
    }
    port_freeze(0);
}

static uint32_t deepest;

/* Writes what comes last, and closes the files. */
static void finish(void)
{
    port_sleep(50000);
    land();
    record('K', 0, &deepest, sizeof deepest);
    record('E', wrong != 0, &counts, sizeof counts);
    bench_close(trace_file);
    bench_close(samples_file);
}

/* Power goes off; the amplifier's resistor holds it off then. */
static void off(void)
{
    pins_amplifier(0);
    finish();
    bench_exit(0);
}

static void every_step(tbr_player *player)
{
    static uint32_t shown, asked, pull, lost_at, passed, stop, until, line, skipped;
    uint32_t item;
    int why;
    pull = pull != 0 ? pull : bench_number("pull", UINT32_MAX);
    if (player->counts.shown != shown) {
        shown = player->counts.shown;
        memcpy(mark, &player->position, sizeof mark);
        mark_waits = 1;
        record_mark();
    }
    if (asked == 0 && shown >= pull) {
        asked = 1;
        ask("pull", "pulled");
    }
    if (asked == 1 && player->counts.lost > 0) {
        asked = 2;
        lost_at = port_clock();
    }
    if (asked == 2 && port_clock() - lost_at > ABSENT) {
        asked = 3;
        ask("put", "back");
    }
    if (play_card_passed_over(&line) != passed) {
        passed = play_card_passed_over(&line);
        record('L', 0, &line, sizeof line);
    }
    if (play_card_skipped(&item, &why) != skipped) {
        skipped = play_card_skipped(NULL, NULL);
        record('X', (uint8_t)item, play_card_reason(why), (uint32_t)strlen(play_card_reason(why)));
    }
    if (port_clock() > 120000000u) {
        bench_exit(5);
    }
    counts = player->counts;
    stop = stop != 0 ? stop : bench_number("stop", UINT32_MAX);
    until = until != 0 ? until : bench_number("until", UINT32_MAX);
    if (shown >= stop || port_clock() >= until) {
        off();
    }
}

static int said;

#ifdef GENERATED
void board_start(void) {}

void board_step(tbr_player *player) { every_step(player); }

static void play(void *setup)
{
    (void)setup;
    said = firmware_main() == 0 ? TBR_PLAYER_ENDED : 0;
}
#else
static void play(void *setup) { said = play_card((const play_card_setup *)setup); }
#endif

/* Opens the files of trace and samples: 1 if both are there. */
static int open_files(void)
{
    char path[256];
    trace_file = bench_word("trace", path, sizeof path) ? bench_open(path, 1) : -1;
    samples_file = bench_word("samples", path, sizeof path) ? bench_open(path, 1) : -1;
    return trace_file >= 0 && samples_file >= 0;
}

#ifdef GENERATED
static void *arguments(void) { return NULL; }
#else
static void *arguments(void)
{
    static play_card_setup setup;
    setup.panel.columns = (uint16_t)bench_number("columns", 320);
    setup.panel.rows = (uint16_t)bench_number("rows", 240);
    setup.panel.black = (uint8_t)bench_number("black", 0);
    setup.card_hz = 20000000;
    setup.ring = ring;
    setup.ring_buffer_bytes = bench_number("ring", sizeof ring);
    setup.work = work;
    setup.work_bytes = bench_number("work", sizeof work);
    setup.queue = queue;
    setup.queue_samples = bench_number("queue", QUEUE);
    setup.loop = (uint8_t)bench_number("loop", 0);
    setup.save_seconds = (uint16_t)bench_number("save", 0);
    setup.every_step = every_step;
    if (setup.ring_buffer_bytes > sizeof ring || setup.work_bytes > sizeof work ||
        setup.queue_samples > QUEUE) {
        bench_exit(2);
    }
    return &setup;
}
#endif

int bench_main(void)
{
    void *const setup = arguments();
    if (!open_files()) {
        return 2;
    }
    port_open(tick);
    deepest = bench_stack_of(play, setup);
    finish();
    return said == TBR_PLAYER_ENDED ? 0 : 1;
}
