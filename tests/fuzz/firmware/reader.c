/* Fuzz target of the firmware header: reads the input as a reel, from memory and
 * in pieces, decodes all of it, and asks that both ways tell the same story.
 * Checksums agree (TBR_FUZZING), so that the parsers behind them are reached. */
#include <stdlib.h>
#include <string.h>

#define TBR_FUZZING
#define THUMBREEL_IMPLEMENTATION
#include "thumbreel.h"

enum { MOST_CHUNK = 1 << 16, MOST_WORK = 1 << 20 };

static uint32_t story; /* a digest of all events */
static tbr_decoder decoder;
static int opened;
static uint32_t left, top, side_w, side_h;
static int32_t budget; /* pixels that may still be decoded */

static void tell(uint64_t value)
{
    uint8_t bytes[8];
    memcpy(bytes, &value, sizeof bytes);
    story = tbr_crc32(story, bytes, sizeof bytes);
}

static void send_pixels(void *user, const tbr_rect *r, const uint8_t *pixels, uint32_t bytes)
{
    (void)user;
    if (r != NULL && (r->w == 0 || r->h == 0 || r->x < left || r->y < top ||
                      (uint32_t)r->x + r->w > left + side_w ||
                      (uint32_t)r->y + r->h > top + side_h)) {
        abort();
    }
    story = tbr_crc32(story, pixels, bytes);
}

static void decode_slice(const tbr_reader *r)
{
    static int16_t samples[256];
    tbr_slice slice;
    tbr_picture picture;
    tbr_sound sound;
    uint32_t n;
    tbr_slice_open(&slice, &r->header, &r->chunk, r->bytes);
    if (slice.sound_code == TBR_OK &&
        tbr_sound_open(&sound, r->header.sound, slice.sound, slice.sound_bytes,
                       r->chunk.ticks) == TBR_OK) {
        while ((n = tbr_sound_read(&sound, samples, 256)) > 0) {
            story = tbr_crc32(story, (const uint8_t *)samples, 2 * n);
        }
    }
    while (tbr_slice_picture(&slice, &picture)) {
        tell(picture.tick_offset);
        if (picture.code != TBR_OK) {
            continue;
        }
        budget -= (int32_t)(side_w * side_h);
        if (opened == TBR_OK && budget > 0) {
            tell((uint64_t)tbr_decode(&decoder, &picture, send_pixels, NULL));
        }
    }
}

static void note_event(const tbr_reader *r, int event, void *work)
{
    tell((uint64_t)event);
    if (event == TBR_EV_HEADER) {
        left = r->header.x_offset;
        top = r->header.y_offset;
        side_w = r->header.width;
        side_h = r->header.height;
        budget = 1 << 20;
        opened = tbr_decoder_open(&decoder, &r->header, work, MOST_WORK);
    } else if (event == TBR_EV_SLICE) {
        decode_slice(r);
    } else if (event == TBR_EV_DAMAGE) {
        tell(r->damage.offset);
        tell(r->damage.from);
        tell(r->damage.to);
    }
}

/* Reads the whole reel; `piece` 0: from memory. Returns the digest. */
static uint32_t read_reel(const uint8_t *reel, size_t size, uint32_t piece)
{
    static tbr_reader r;
    uint8_t *const buffer = (uint8_t *)malloc(MOST_CHUNK);
    void *const work = malloc(MOST_WORK);
    story = 0;
    if (piece == 0) {
        tbr_reader_map(&r, reel, size);
        r.capacity = r.size = MOST_CHUNK;
    } else {
        tbr_reader_open(&r, buffer, MOST_CHUNK);
    }
    for (;;) {
        const int event = tbr_reader_next(&r);
        uint8_t *to;
        uint32_t n;
        if (event != TBR_EV_MORE) {
            note_event(&r, event, work);
        }
        if (event < 0 || (event == TBR_EV_MORE && r.state == TBR_AT_END)) {
            break;
        }
        if (event == TBR_EV_MORE) {
            n = tbr_reader_room(&r, &to);
            n = n < piece ? n : piece;
            n = r.position >= size ? 0 : n < size - r.position ? n : (uint32_t)(size - r.position);
            memcpy(to, reel + r.position, n);
            tbr_reader_added(&r, n);
            if (n == 0) {
                tbr_reader_ended(&r);
            }
        }
    }
    free(buffer);
    free(work);
    return story;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    /* An exact copy, so that reading past the end is seen. */
    uint8_t *const reel = (uint8_t *)malloc(size + 1);
    uint32_t whole, pieces;
    memcpy(reel, data, size);
    whole = read_reel(reel, size, 0);
    pieces = read_reel(reel, size, size > 0 ? 1 + data[size / 2] * 3u : 1);
    if (whole != pieces) {
        abort();
    }
    free(reel);
    return 0;
}
