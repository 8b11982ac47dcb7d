/* Counts instructions: what a reel's slices, sound and pictures cost the core.
 * Arguments: reel=FILE log=FILE. The reel lies in memory, as in flash. */
#include <string.h>

#define THUMBREEL_IMPLEMENTATION
#include "thumbreel.h"

#include "bench.h"

enum { MOST_REEL = 12 << 20, MOST_WORK = 1 << 20, MOST_TICKS = 1 << 19 };

static uint8_t reel[MOST_REEL];
static uint32_t work[MOST_WORK / 4];
static int16_t samples[MOST_TICKS];
static int log_file;
static tbr_reader reader;
static tbr_decoder decoder;
static tbr_picture picture;

/* Sums, and the worst. */
static struct {
    uint64_t decode, send, check, sound, bus;
    uint32_t worst, pictures, changed, slices, samples, faults;
} sum;

static void number(const char *name, uint64_t value)
{
    bench_decimal(log_file, name, value);
    bench_text(log_file, "\n");
}

/* A DMA transfer costs the core nothing but its start. */
static void transfer(void *user, const tbr_rect *window, const uint8_t *pixels, uint32_t bytes)
{
    (void)user;
    (void)pixels;
    sum.bus += bytes + (window != NULL ? 11u : 0u);
}

/* Decoding, then what goes to the panel: an unchanged picture sends what the
 * one before left unsent. Raw pictures are sent from where they lie. */
static void count_picture(void)
{
    tbr_picture rest;
    uint32_t start = bench_instructions(), middle, end;
    if (reader.header.coding == TBR_RAW) {
        tbr_decode(&decoder, &picture, transfer, NULL);
        end = middle = bench_instructions();
    } else {
        tbr_decode(&decoder, &picture, NULL, NULL);
        middle = bench_instructions();
        memset(&rest, 0, sizeof rest);
        rest.flags = TBR_PICTURE_UNCHANGED;
        tbr_decode(&decoder, &rest, transfer, NULL);
        end = bench_instructions();
    }
    sum.decode += middle - start;
    sum.send += end - middle;
    sum.worst = end - start > sum.worst ? end - start : sum.worst;
    sum.pictures++;
    sum.changed += !(picture.flags & TBR_PICTURE_UNCHANGED);
}

static void count_slice(void)
{
    tbr_slice slice;
    tbr_sound sound;
    uint32_t start = bench_instructions();
    tbr_slice_open(&slice, &reader.header, &reader.chunk, reader.bytes);
    while (tbr_slice_picture(&slice, &picture)) {
        sum.faults += picture.code != TBR_OK;
    }
    sum.faults += (uint32_t)((slice.sound_code != TBR_OK) + (slice.code != TBR_OK));
    sum.check += bench_instructions() - start;
    sum.slices++;
    tbr_slice_open(&slice, &reader.header, &reader.chunk, reader.bytes);
    if (tbr_sound_open(&sound, reader.header.sound, slice.sound, slice.sound_bytes,
                       reader.chunk.ticks) == TBR_OK) {
        start = bench_instructions();
        sum.samples += tbr_sound_read(&sound, samples, MOST_TICKS);
        sum.sound += bench_instructions() - start;
    }
    while (tbr_slice_picture(&slice, &picture)) {
        count_picture();
    }
}

int bench_main(void)
{
    char path[256];
    int file, event;
    int32_t length = 0, got = 1;
    if (!bench_word("reel", path, sizeof path) || (file = bench_open(path, 0)) < 0) {
        return 2;
    }
    while (got > 0 && (uint32_t)length < MOST_REEL) {
        got = bench_read(file, reel + length, MOST_REEL - (uint32_t)length);
        length += got > 0 ? got : 0;
    }
    log_file = bench_word("log", path, sizeof path) ? bench_open(path, 1) : -1;
    if (log_file < 0) {
        return 2;
    }
    tbr_reader_map(&reader, reel, (uint64_t)length);
    while ((event = tbr_reader_next(&reader)) > 0) {
        if (event == TBR_EV_HEADER &&
            tbr_decoder_open(&decoder, &reader.header, work, sizeof work) != TBR_OK) {
            return 2;
        }
        if (event == TBR_EV_SLICE) {
            count_slice();
        }
    }
    number("pixels ", (uint32_t)reader.header.width * reader.header.height);
    number("bytes ", (uint64_t)length);
    number("pictures ", sum.pictures);
    number("changed ", sum.changed);
    number("decode ", sum.decode);
    number("send ", sum.send);
    number("worst ", sum.worst);
    number("bus ", sum.bus);
    number("slices ", sum.slices);
    number("check ", sum.check);
    number("samples ", sum.samples);
    number("sound ", sum.sound);
    number("working_memory ", reader.header.working_memory);
    number("largest_chunk ", reader.header.largest_chunk);
    return event < 0 || sum.faults > 0 ? 1 : 0;
}
