/* The port of a desk computer: a simulated SD card, in time that is simulated too.
 * Written apart from card.c, from memory of the SD "Physical Layer Simplified
 * Specification", version 6, chapter 7. It complains, with code 6 and a line on what,
 * of a host that breaks the protocol.
 *
 * Arguments: image=FILE; kind=1, 2, 3: a card of version 1, of version 2 with addresses
 * in bytes, with addresses in blocks; flips=N: one byte in N from or to the card has a
 * bit wrong; lose=N: one block in N does not come; out=US,back=US: it is out of its
 * socket between these times; seed=N. */
#include "port.h"

#include <stdio.h>
#include <string.h>

#include "bench.h"

enum { BLOCK = 512, NATIVE, IDLE, READY };

static void (*ticked)(void);
static uint64_t now_ns, next_tick;
static uint32_t hz, chance = 1, blocks;
static int image;
static uint32_t kind, flips, lose, out_at, back_at;

/* The card. */
static int state = NATIVE, selected, checks, app, reading, silent, was_out;
static uint32_t clocks_high, polls, filled, block;
static uint8_t frame[6], answer[1024];
static uint32_t answer_at, answer_end;

static void complain(const char *what)
{
    fprintf(stderr, "the host breaks the protocol: %s\n", what);
    bench_exit(6);
}

/* 0 to below - 1. */
static uint32_t random_below(uint32_t below)
{
    chance ^= chance << 13;
    chance ^= chance >> 17;
    chance ^= chance << 5;
    return chance % below;
}

static void pass(uint64_t ns)
{
    now_ns += ns;
    while (now_ns >= next_tick) {
        next_tick += 10000000;
        ticked();
    }
}

void port_open(void (*tick)(void))
{
    char path[256];
    ticked = tick;
    next_tick = 10000000;
    image = bench_word("image", path, sizeof path) ? bench_open(path, 0) : -1;
    if (image < 0) {
        bench_exit(2);
    }
    blocks = (uint32_t)bench_length(image) / BLOCK;
    kind = bench_number("kind", 3);
    flips = bench_number("flips", 0);
    lose = bench_number("lose", 0);
    out_at = bench_number("out", UINT32_MAX);
    back_at = bench_number("back", UINT32_MAX);
    chance = bench_number("seed", 1) * 2654435761u | 1;
}

uint32_t port_clock(void)
{
    pass(1000);
    return (uint32_t)(now_ns / 1000);
}

void port_sleep(uint32_t microseconds) { pass(1000 * (uint64_t)microseconds); }

void port_freeze(int on) { (void)on; }

void port_speed(uint32_t value) { hz = value; }

void port_select(int on)
{
    if (!on && selected && reading && flips == 0) {
        complain("deselected while a block is read");
    }
    selected = on;
    filled = 0;
}

/* --- what the card says ------------------------------------------------- */

static void say(uint32_t byte)
{
    if (answer_end < sizeof answer) {
        answer[answer_end++] = (uint8_t)byte;
    }
}

/* The bit-wise division of the standard, for both checksums. */
static uint32_t divide(const uint8_t *bytes, uint32_t n, uint32_t width, uint32_t by)
{
    uint32_t rest = 0, i;
    for (i = 0; i < 8 * n; i++) {
        const uint32_t bit = bytes[i / 8] >> (7 - i % 8) & 1;
        const uint32_t top = rest >> (width - 1) & 1;
        rest = (rest << 1 & ((1u << width) - 1)) ^ (top != bit ? by : 0);
    }
    return rest;
}

static void say_block(void)
{
    uint8_t bytes[BLOCK];
    uint32_t crc, i;
    answer_at = answer_end = 0;
    for (i = random_below(20); i > 0; i--) {
        say(0xFF);
    }
    if (lose != 0 && random_below(lose) == 0) {
        silent = 1; /* until it is stopped */
        return;
    }
    if (block >= blocks) {
        say(0x08); /* out of range */
        return;
    }
    bench_seek(image, block * BLOCK);
    if (bench_read(image, bytes, BLOCK) != BLOCK) {
        bench_exit(2);
    }
    block++;
    crc = divide(bytes, BLOCK, 16, 0x1021);
    say(0xFE);
    for (i = 0; i < BLOCK; i++) {
        say(bytes[i]);
    }
    say(crc >> 8);
    say(crc & 0xFF);
}

/* The answer R1 comes 1 to 8 bytes later. */
static void say_r1(uint32_t bits)
{
    uint32_t i;
    answer_at = answer_end = 0;
    for (i = 1 + random_below(8); i > 0; i--) {
        say(0xFF);
    }
    say(bits | (state == IDLE ? 1 : 0));
}

static void say_word(uint32_t word)
{
    say(word >> 24);
    say(word >> 16 & 0xFF);
    say(word >> 8 & 0xFF);
    say(word & 0xFF);
}

static void start_up(uint32_t argument)
{
    if (kind == 3 && !(argument >> 30 & 1)) {
        polls = 0; /* never ready for a host that does not take addresses of blocks */
    } else if (++polls > 5) {
        state = READY;
    }
    say_r1(0);
}

static void read_from(uint32_t argument)
{
    if (kind != 3 && argument % BLOCK != 0) {
        say_r1(0x20);
        return;
    }
    block = kind == 3 ? argument : argument / BLOCK;
    if (block >= blocks) {
        say_r1(0x40);
        return;
    }
    if (!checks) {
        complain("reads with the card's checks off");
    }
    if (hz < 1000000) {
        complain("reads at the clock for starting");
    }
    say_r1(0);
    reading = 1;
    silent = 0;
}

static void obey(uint32_t command, uint32_t argument)
{
    const int was_app = app;
    app = 0;
    if (command == 0) {
        state = IDLE;
        checks = 0;
        polls = 0;
        reading = 0;
        say_r1(0);
    } else if (command == 12 && reading) {
        uint32_t i;
        reading = 0;
        answer_at = answer_end = 0;
        say(0x7F & random_below(256)); /* a byte of the block that it stops */
        say(0xFF);
        say(0);
        for (i = random_below(30); i > 0; i--) {
            say(0); /* busy */
        }
    } else if (command == 8 && kind != 1 && state == IDLE) {
        say_r1(0);
        say_word(0x100 | (argument & 0xFF));
    } else if (command == 55) {
        say_r1(0);
        app = 1;
    } else if (command == 41 && was_app) {
        start_up(argument);
    } else if (command == 59) {
        checks = argument & 1;
        say_r1(0);
    } else if (command == 58) {
        say_r1(0);
        say_word(0x00FF8000u | (state == READY ? 0x80000000u : 0) | (kind == 3 ? 1u << 30 : 0));
    } else if (command == 16 && state == READY && argument == BLOCK) {
        say_r1(0);
    } else if (command == 18 && state == READY) {
        read_from(argument);
    } else {
        say_r1(0x04);
    }
}

static void take_frame(void)
{
    const uint32_t command = frame[0] & 0x3F;
    const uint32_t argument = (uint32_t)frame[1] << 24 | (uint32_t)frame[2] << 16 |
                              (uint32_t)frame[3] << 8 | frame[4];
    const int right = divide(frame, 5, 7, 0x09) == frame[5] >> 1 && (frame[5] & 1);
    const int checked = checks || command == 0 || command == 8;
    if (!right && flips == 0) {
        complain("a wrong CRC7");
    }
    if (state == NATIVE && (command != 0 || !right)) {
        return; /* its other interface hears nothing of this */
    }
    if (state != READY && hz > 400000) {
        complain("faster than 400 kHz before it has started");
    }
    if (!right && checked) {
        app = 0;
        say_r1(0x08);
        return;
    }
    obey(command, argument);
}

/* A byte each way on a card that is there. */
static uint8_t card(uint8_t in)
{
    uint8_t byte = 0xFF;
    if (answer_at < answer_end) {
        byte = answer[answer_at++];
    } else if (reading && !silent) {
        say_block();
    }
    if (filled == 0 && in >> 6 != 1) {
        return byte;
    }
    frame[filled++] = in;
    if (filled == sizeof frame) {
        filled = 0;
        take_frame();
    }
    return byte;
}

static uint8_t damaged(uint8_t byte)
{
    const uint32_t wrong = flips != 0 && random_below(flips) == 0 ? 1u << random_below(8) : 0;
    return (uint8_t)(byte ^ wrong);
}

uint8_t port_byte(uint8_t out)
{
    const uint32_t now = (uint32_t)(now_ns / 1000);
    pass(8000000000u / (hz ? hz : 400000));
    if (now >= out_at && now < back_at) {
        was_out = 1;
        return 0xFF;
    }
    if (was_out) { /* another start from nothing */
        was_out = 0;
        state = NATIVE;
        reading = checks = 0;
        clocks_high = 0;
        answer_at = answer_end = 0;
    }
    if (!selected) {
        clocks_high += 8;
        answer_at = answer_end = 0;
        return 0xFF;
    }
    if (state == NATIVE && clocks_high < 74) {
        complain("fewer than 74 clocks before the first command");
    }
    return damaged(card(damaged(out)));
}
