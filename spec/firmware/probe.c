/* probe.c - measures a board and prints what `thumbreel boards measure` reads.
 *
 * C99, no allocation, no libc. Fill in the hooks below, call
 * tbp_run(&probe) once, save what comes over the serial port to a file, and
 *
 *     thumbreel boards measure probe.csv --board my-board.toml -o my-board.toml
 *
 * turns it into the profile's figures, each marked "measured".
 *
 * What is measured, one line a sample (comma separated, times in microseconds):
 *
 *     thumbreel-probe,1               first line: the format and its version
 *     card,BYTES,US                   one read of BYTES in sequence
 *     bus,PIXELS,WINDOWS,US           pixels sent to the panel in windows
 *     wifi,BYTES,US                   BYTES received since the last line
 *     decode,INSTRUCTIONS,US          a loop of known length
 *     end,LINES                       last line: how many lines of samples
 *
 * Each hook that is NULL is left out. Keep everything else running that runs
 * while a reel plays: radio, sound, your firmware's own work. Ten minutes of card
 * reads see the rare stalls that ten seconds do not. The card is only read.
 */
#include <stddef.h>
#include <stdint.h>

typedef struct tbp_probe {
    void *user;
    /* Microseconds since any moment; may wrap. Required. */
    uint32_t (*now_us)(void *user);
    /* Sends one byte over the serial port. Required. */
    void (*put)(void *user, char byte);
    /* Reads the next `bytes` of a long file into `to`; 0 is good. Begin again
     * at the start of the file where it ends. */
    int (*read)(void *user, uint8_t *to, uint32_t bytes);
    /* Sends `pixels` pixels in `windows` windows of equal size and waits
     * until the panel has them. */
    void (*send)(void *user, uint32_t pixels, uint32_t windows);
    /* Receives up to `bytes` from a TCP connection to a server that sends
     * without end; returns how many, 0 when closed. */
    uint32_t (*receive)(void *user, uint8_t *to, uint32_t bytes);
    /* Runs about `instructions` instructions as a decoder does, on memory of
     * the kind that pictures will lie in; returns how many it really ran. */
    uint32_t (*work)(void *user, uint32_t instructions);
    /* Memory for reads, and its size: the player's read size. */
    uint8_t *buffer;
    uint32_t buffer_bytes;
    /* Pixels of the whole panel. */
    uint32_t panel_pixels;
    /* How many card reads and received pieces; 0 for 20000. */
    uint32_t samples;
} tbp_probe;

static void tbp_text(const tbp_probe *p, const char *text)
{
    while (*text != '\0') {
        p->put(p->user, *text++);
    }
}

static void tbp_number(const tbp_probe *p, uint32_t value)
{
    char digits[10];
    size_t n = 0;
    do {
        digits[n++] = (char)('0' + (char)(value % 10u));
        value /= 10u;
    } while (value > 0u);
    while (n > 0u) {
        p->put(p->user, digits[--n]);
    }
}

static void tbp_field(const tbp_probe *p, uint32_t value)
{
    p->put(p->user, ',');
    tbp_number(p, value);
}

static uint32_t tbp_card(const tbp_probe *p, uint32_t samples)
{
    uint32_t lines = 0;
    for (uint32_t i = 0; i < samples && p->read != NULL; i++) {
        const uint32_t start = p->now_us(p->user);
        if (p->read(p->user, p->buffer, p->buffer_bytes) != 0) {
            break;
        }
        const uint32_t time = p->now_us(p->user) - start;
        tbp_text(p, "card");
        tbp_field(p, p->buffer_bytes);
        tbp_field(p, time);
        tbp_text(p, "\n");
        lines++;
    }
    return lines;
}

/* Few and many pixels, one and many windows: two unknowns need both. */
static uint32_t tbp_bus(const tbp_probe *p)
{
    uint32_t lines = 0;
    for (uint32_t i = 0; i < 60u && p->send != NULL; i++) {
        const uint32_t pixels = p->panel_pixels / (1u + i % 4u * 3u);
        const uint32_t windows = 1u + i % 3u * 15u;
        const uint32_t start = p->now_us(p->user);
        p->send(p->user, pixels, windows);
        const uint32_t time = p->now_us(p->user) - start;
        tbp_text(p, "bus");
        tbp_field(p, pixels);
        tbp_field(p, windows);
        tbp_field(p, time);
        tbp_text(p, "\n");
        lines++;
    }
    return lines;
}

/* Printing is slower than receiving: samples are kept while they are taken,
 * and what piled up in the socket meanwhile is thrown away. */
#define TBP_BATCH 64u
#define TBP_STALE 32u

static uint32_t tbp_wifi(const tbp_probe *p, uint32_t samples)
{
    uint32_t bytes[TBP_BATCH];
    uint32_t times[TBP_BATCH];
    uint32_t lines = 0;
    uint32_t open = p->receive != NULL;
    while (lines < samples && open != 0u) {
        uint32_t taken = 0;
        for (uint32_t i = 0; i < TBP_STALE; i++) {
            (void)p->receive(p->user, p->buffer, p->buffer_bytes);
        }
        uint32_t last = p->now_us(p->user);
        while (taken < TBP_BATCH && open != 0u) {
            const uint32_t got = p->receive(p->user, p->buffer, p->buffer_bytes);
            const uint32_t now = p->now_us(p->user);
            open = got != 0u;
            if (open != 0u) {
                bytes[taken] = got;
                times[taken] = now - last;
                taken++;
                last = now;
            }
        }
        for (uint32_t i = 0; i < taken; i++) {
            tbp_text(p, "wifi");
            tbp_field(p, bytes[i]);
            tbp_field(p, times[i]);
            tbp_text(p, "\n");
        }
        lines += taken;
    }
    return lines;
}

static uint32_t tbp_decode(const tbp_probe *p)
{
    uint32_t lines = 0;
    for (uint32_t i = 0; i < 100u && p->work != NULL; i++) {
        const uint32_t start = p->now_us(p->user);
        const uint32_t done = p->work(p->user, 1000000u);
        const uint32_t time = p->now_us(p->user) - start;
        tbp_text(p, "decode");
        tbp_field(p, done);
        tbp_field(p, time);
        tbp_text(p, "\n");
        lines++;
    }
    return lines;
}

/* Runs every measurement whose hook is there. */
void tbp_run(const tbp_probe *p);

void tbp_run(const tbp_probe *p)
{
    const uint32_t samples = p->samples != 0u ? p->samples : 20000u;
    uint32_t lines = 0;
    tbp_text(p, "thumbreel-probe,1\n");
    lines += tbp_card(p, samples);
    lines += tbp_bus(p);
    lines += tbp_wifi(p, samples);
    lines += tbp_decode(p);
    tbp_text(p, "end");
    tbp_field(p, lines);
    tbp_text(p, "\n");
}
