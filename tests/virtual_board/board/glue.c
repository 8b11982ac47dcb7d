#include "glue.h"

#include <string.h>

#include "devices.h"

enum { SECTOR = 512, BLOCKS = 32, TRIES = 3 };

static glue_board board;
static machine_lock port; /* that card and panel share */

static void take_port(void)
{
    if (board.mutex) {
        machine_take(&port);
    }
}

static void give_port(void)
{
    if (board.mutex) {
        machine_give(&port);
    }
}

/* --- the panel ---------------------------------------------------------- */

static void command(uint8_t number, const uint8_t *parameters, uint32_t n)
{
    bus_command(number);
    if (n > 0) {
        bus_bytes(parameters, n);
    }
}

static void set_range(uint8_t number, uint32_t first, uint32_t count)
{
    const uint32_t last = first + count - 1;
    const uint8_t bytes[4] = {(uint8_t)(first >> 8), (uint8_t)first, (uint8_t)(last >> 8),
                              (uint8_t)last};
    command(number, bytes, sizeof bytes);
}

static void set_window(uint32_t x, uint32_t y, uint32_t w, uint32_t h)
{
    set_range(0x2A, x, w);
    set_range(0x2B, y, h);
    bus_command(0x2C);
}

static void clear(void)
{
    uint8_t black[3 * 64];
    const uint32_t bytes = (uint32_t)board.width * board.height * (board.bits == 16 ? 2 : 3);
    uint32_t done = 0;
    memset(black, board.black, sizeof black);
    set_window(board.x, board.y, board.width, board.height);
    while (done < bytes) {
        const uint32_t n = bytes - done < sizeof black ? bytes - done : (uint32_t)sizeof black;
        bus_bytes(black, n);
        done += n;
    }
}

void glue_start(void)
{
    const uint8_t format = board.bits == 16 ? 0x55 : 0x66;
    command(0x01, NULL, 0);
    machine_spend(120 * MILLI);
    command(0x11, NULL, 0);
    machine_spend(120 * MILLI);
    command(0x36, &board.address_mode, 1);
    command(0x3A, &format, 1);
    command(board.inverts ? 0x21 : 0x20, NULL, 0);
    command(0x13, NULL, 0);
    clear();
    command(0x29, NULL, 0);
}

/* Pixels of 16 bits as the bus wants them where it wants others. */
static void send_converted(const uint8_t *pixels, uint32_t bytes)
{
    uint8_t out[3 * 64];
    uint32_t n = 0, i;
    for (i = 0; i < bytes; i += 2) {
        const uint32_t v = pixels[i] * 256u + pixels[i + 1];
        const uint32_t red = v >> 11, green = v >> 5 & 63, blue = v & 31;
        out[n++] = (uint8_t)(red << 3 | red >> 2);
        out[n++] = (uint8_t)(green << 2);
        out[n++] = (uint8_t)(blue << 3 | blue >> 2);
        if (n == sizeof out || i + 2 == bytes) {
            bus_bytes(out, n);
            n = 0;
        }
    }
}

static void window(void *user, const tbr_rect *r, const uint8_t *pixels, uint32_t bytes)
{
    (void)user;
    take_port();
    bus_wait();
    if (r != NULL) {
        machine_spend(board.window_ns);
        set_window(r->x, r->y, r->w, r->h);
    }
    if (board.bits != 16) {
        send_converted(pixels, bytes);
    } else if (board.dma) {
        bus_dma(pixels, bytes);
    } else {
        bus_bytes(pixels, bytes);
    }
    if (board.mutex) {
        bus_wait(); /* nothing is left running on a port that others want */
    }
    give_port();
}

static void window_wait(void *user)
{
    (void)user;
    bus_wait();
}

/* --- the file ----------------------------------------------------------- */

static struct {
    uint64_t at;
    uint32_t seed, item;
    int open;
    uint8_t blocks[BLOCKS * SECTOR];
} file;

static int read_blocks(uint32_t first, uint32_t count, uint8_t *to)
{
    int tries;
    for (tries = 0; tries < TRIES; tries++) {
        int said;
        take_port();
        said = card_read(first, count, to);
        give_port();
        if (said != CARD_CHECKSUM) {
            return said;
        }
    }
    return CARD_CHECKSUM;
}

/* As a file system's read: any place, any length, through whole blocks. */
static int32_t read_card(uint8_t *to, uint32_t n)
{
    const uint32_t skip = (uint32_t)(file.at % SECTOR);
    const glue_file *f = &board.files[file.item];
    uint32_t count;
    if (file.at >= f->bytes) {
        return TBR_READ_END;
    }
    n = n < f->bytes - file.at ? n : (uint32_t)(f->bytes - file.at);
    count = (skip + n + SECTOR - 1) / SECTOR;
    count = count < BLOCKS ? count : BLOCKS;
    n = count * SECTOR - skip < n ? count * SECTOR - skip : n;
    if (read_blocks(f->block + (uint32_t)(file.at / SECTOR), count, file.blocks) != CARD_OK) {
        file.open = 0; /* the card may be another when it is back */
        return TBR_READ_FAILED;
    }
    memcpy(to, file.blocks + skip, n);
    file.at += n;
    return (int32_t)n;
}

static int32_t read_link(uint8_t *to, uint32_t n)
{
    const int32_t got = link_read(to, n);
    return got < 0 ? TBR_READ_END : got;
}

static int32_t read_some(void *user, void *to, uint32_t n)
{
    (void)user;
    if (board.short_reads) {
        if (chance(&file.seed, 1000) < board.fails_in_1000) {
            return board.from_link ? 0 : TBR_READ_FAILED;
        }
        n = 1 + chance(&file.seed, n);
    }
    return board.from_link ? read_link((uint8_t *)to, n) : read_card((uint8_t *)to, n);
}

static int seek(void *user, uint32_t item, uint64_t offset)
{
    (void)user;
    if (!file.open && card_there() != CARD_OK) {
        return TBR_READ_FAILED;
    }
    file.open = 1;
    if (item >= board.items) {
        return TBR_READ_END;
    }
    file.item = item;
    file.at = offset;
    return 0;
}

/* --- sound and time ----------------------------------------------------- */

static uint32_t sound(void *user, const int16_t *samples, uint32_t n)
{
    (void)user;
    return port_put(samples, n);
}

static uint32_t sound_left(void *user)
{
    (void)user;
    return port_left();
}

static uint32_t clock_now(void *user)
{
    (void)user;
    return (uint32_t)(machine_now() / MICRO);
}

static void rest(void *user, uint32_t microseconds)
{
    (void)user;
    machine_spend((microseconds ? microseconds : 1) * MICRO);
}

void glue_hooks(const glue_board *b, tbr_hooks *hooks)
{
    board = *b;
    memset(&port, 0, sizeof port);
    file.at = 0;
    file.item = 0;
    file.open = 0;
    file.seed = board.short_reads;
    memset(hooks, 0, sizeof *hooks);
    hooks->read = read_some;
    hooks->seek = board.from_link ? NULL : seek;
    hooks->window = window;
    hooks->window_wait = board.mutex ? NULL : window_wait;
    hooks->sound = sound;
    hooks->sound_left = sound_left;
    hooks->clock = clock_now;
    hooks->yield = rest;
}
