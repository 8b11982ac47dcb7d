/* Reads reels with thumbreel.h and writes down every event, one line each, in
 * the words that the Rust side uses for its own: the two must be equal.
 * Arguments: list=FILE (paths, one a line) or reel=FILE; log=FILE; piece=BYTES
 * (0: the reel lies in memory); seek=TICK; decode=1 (pixels as well). */
#include <string.h>

#define THUMBREEL_IMPLEMENTATION
#include "thumbreel.h"

#include "bench.h"

enum { MOST_REEL = 1 << 20, MOST_CHUNK = 1 << 19, MOST_WORK = 1 << 20, SIDE = 1024 };

static uint8_t reel[MOST_REEL];
static uint8_t buffer[MOST_CHUNK];
static uint32_t work[MOST_WORK / 4];
static uint8_t panel[SIDE * SIDE * 2];
static int16_t samples[MOST_CHUNK];
static char list[1 << 16];
static int log_file;
static tbr_reader reader;
static tbr_decoder decoder;
static int decodes, opened;
static tbr_rect window;
static uint32_t column, row;

static void word(const char *name, uint64_t value) { bench_decimal(log_file, name, value); }

static void word_signed(const char *name, int value)
{
    bench_text(log_file, name);
    word(value < 0 ? "-" : "", (uint64_t)(value < 0 ? -(int64_t)value : value));
}

static void show(void *user, const tbr_rect *where, const uint8_t *pixels, uint32_t bytes)
{
    (void)user;
    if (where != NULL) {
        window = *where;
        window.x = (uint16_t)(where->x - reader.header.x_offset);
        window.y = (uint16_t)(where->y - reader.header.y_offset);
        column = window.x;
        row = window.y;
        word(" ", where->x);
        word(",", where->y);
        word(",", where->w);
        word(",", where->h);
    }
    for (; bytes > 1; bytes -= 2, pixels += 2) {
        memcpy(panel + 2u * (row * reader.header.width + column), pixels, 2);
        if (++column == (uint32_t)window.x + window.w) {
            column = window.x;
            row++;
        }
    }
}

static void say_header(void)
{
    const tbr_header *h = &reader.header;
    word("header ", h->reel_id);
    word(" ", h->width);
    word("x", h->height);
    word("+", h->x_offset);
    word("+", h->y_offset);
    word(" ", h->duration);
    word(" ", h->largest_chunk);
    word(" ", h->working_memory);
    word(" ", h->rate_num);
    word("/", h->rate_den);
    word(" ", h->clock_rate);
    bench_text(log_file, " ");
    bench_text(log_file, h->title);
    if (decodes) {
        opened = tbr_decoder_open(&decoder, h, work, sizeof work);
        word_signed(" ", opened);
        memset(panel, 0, 2u * h->width * h->height);
    }
}

/* A part of a slice that is lost. */
static void say_lost(int code, uint64_t from, uint64_t to)
{
    word_signed("damage ", code);
    word(" at ", reader.base);
    word(" + ", 0);
    word(" ticks ", from);
    word(" to ", to);
    word(" chunk ", reader.chunk.number);
    bench_text(log_file, "\n");
}

static void say_picture(const tbr_picture *p, uint64_t number)
{
    const uint64_t tick = reader.chunk.time + p->tick_offset;
    if (p->code != TBR_OK) {
        reader.stale = 1;
        say_lost(p->code, tick, tick);
        return;
    }
    if (p->flags & TBR_PICTURE_KEY) {
        reader.stale = 0;
    }
    word(reader.stale ? "stale " : "picture ", tick);
    word(" ", number & 0xFFFFFFFFu);
    if (!reader.stale) {
        word(" ", p->flags);
        word(" ", p->length);
        word(" ", tbr_crc32(0, p->bytes, p->length));
    }
    if (decodes && !reader.stale) {
        bench_text(log_file, " :");
        word_signed(" ", opened == TBR_OK ? tbr_decode(&decoder, p, show, NULL) : opened);
        word(" ", opened != TBR_OK ? 0 : tbr_crc32(0, panel, 2u * reader.header.width * reader.header.height));
    }
    bench_text(log_file, "\n");
}

static void say_sound(const tbr_slice *slice)
{
    tbr_sound sound;
    uint32_t n = 0, part = 7, got = 1;
    if (reader.header.sound == TBR_NO_SOUND) {
        return;
    }
    if (slice->sound_code != TBR_OK) {
        say_lost(slice->sound_code, reader.chunk.time, reader.chunk.time + reader.chunk.ticks);
        return;
    }
    word("sound ", reader.chunk.time);
    word(" ", reader.chunk.ticks);
    if (tbr_sound_open(&sound, reader.header.sound, slice->sound, slice->sound_bytes,
                       reader.chunk.ticks) != TBR_OK) {
        bench_text(log_file, " broken\n");
        return;
    }
    for (; got > 0; part = part % 61 + 7) {
        got = tbr_sound_read(&sound, samples + n, part);
        n += got;
    }
    word(" ", tbr_crc32(0, (const uint8_t *)samples, n * 2));
    bench_text(log_file, "\n");
}

static void say_slice(void)
{
    tbr_slice slice;
    tbr_picture picture;
    uint64_t number = reader.chunk.first_picture;
    word("slice ", reader.chunk.number);
    word(" ", reader.chunk.flags);
    word(" ", reader.chunk.time);
    word(" ", reader.chunk.ticks);
    bench_text(log_file, "\n");
    tbr_slice_open(&slice, &reader.header, &reader.chunk, reader.bytes);
    say_sound(&slice);
    if (slice.code != TBR_OK) {
        reader.stale |= (uint8_t)(reader.chunk.pictures > 0);
        say_lost(slice.code, reader.chunk.time, reader.chunk.time);
    }
    while (tbr_slice_picture(&slice, &picture)) {
        say_picture(&picture, number++);
    }
}

static void say_damage(void)
{
    const tbr_damage *d = &reader.damage;
    word_signed("damage ", d->code);
    word(" at ", d->offset);
    word(" + ", d->length);
    word(" ticks ", d->from);
    word(" to ", d->to);
    if (d->has_chunk) {
        word(" chunk ", d->chunk);
    }
    bench_text(log_file, "\n");
}

static void say(int event)
{
    switch (event) {
    case TBR_EV_HEADER:
        say_header();
        break;
    case TBR_EV_CHUNK:
        word("chunk ", reader.chunk.number);
        word(" ", reader.chunk.kind);
        word(" ", tbr_crc32(0, reader.bytes + TBR_CHUNK_HEADER, reader.chunk.bytes));
        break;
    case TBR_EV_SLICE:
        say_slice();
        return;
    case TBR_EV_DAMAGE:
        say_damage();
        return;
    case TBR_EV_END:
        word("end ", reader.has_end);
        break;
    default:
        word_signed("error ", event);
        break;
    }
    bench_text(log_file, "\n");
}

/* Gives the reader up to `piece` bytes; 0 at the end. */
static uint32_t supply(uint32_t length, uint32_t piece)
{
    uint8_t *to;
    uint32_t n = tbr_reader_room(&reader, &to);
    const uint64_t at = reader.position;
    n = n < piece ? n : piece;
    n = at >= length ? 0 : n < length - at ? n : (uint32_t)(length - at);
    memcpy(to, reel + at, n);
    tbr_reader_added(&reader, n);
    return n;
}

static void read_reel(uint32_t length, uint32_t piece)
{
    const uint32_t seek = bench_number("seek", UINT32_MAX);
    int event;
    if (piece == 0) {
        tbr_reader_map(&reader, reel, length);
    } else {
        tbr_reader_open(&reader, buffer, sizeof buffer);
    }
    for (;;) {
        event = tbr_reader_next(&reader);
        if (event == TBR_EV_MORE && reader.state == TBR_AT_END) {
            return;
        }
        if (event != TBR_EV_MORE) {
            say(event);
        }
        if (event < 0) {
            return;
        }
        if (event == TBR_EV_HEADER && seek != UINT32_MAX) {
            tbr_reader_seek(&reader, seek);
        }
        if (seek != UINT32_MAX) {
            tbr_reader_jump(&reader);
        }
        if (event == TBR_EV_MORE && supply(length, piece) == 0) {
            tbr_reader_ended(&reader);
        }
    }
}

static void read_file(const char *path)
{
    const int file = bench_open(path, 0);
    int32_t length;
    if (file < 0) {
        bench_exit(2);
    }
    length = bench_read(file, reel, sizeof reel);
    bench_close(file);
    bench_text(log_file, "reel ");
    bench_text(log_file, path);
    bench_text(log_file, "\n");
    read_reel((uint32_t)(length < 0 ? 0 : length), bench_number("piece", 512));
}

/* Every path of a list, one a line. */
static void read_list(const char *path)
{
    const int file = bench_open(path, 0);
    int32_t i, length, start = 0;
    if (file < 0) {
        bench_exit(2);
    }
    length = bench_read(file, list, sizeof list - 1);
    bench_close(file);
    for (i = 0; i < length; i++) {
        if (list[i] == '\n') {
            list[i] = '\0';
            read_file(list + start);
            start = i + 1;
        }
    }
}

int bench_main(void)
{
    char path[256];
    decodes = (int)bench_number("decode", 1);
    log_file = bench_word("log", path, sizeof path) ? bench_open(path, 1) : -1;
    if (log_file < 0) {
        return 2;
    }
    if (bench_word("list", path, sizeof path)) {
        read_list(path);
    } else if (bench_word("reel", path, sizeof path)) {
        read_file(path);
    }
    bench_close(log_file);
    return 0;
}
