#include "panel.h"

#include <stdlib.h>
#include <string.h>

enum { PORCH = 8 }; /* lines of the scan that show nothing */

typedef struct colour {
    uint8_t red, green, blue; /* where the bus says red, green and blue go */
} colour;

static struct {
    panel_glass glass;
    FILE *eye;
    colour *memory;
    uint8_t command, parameters[4];
    uint32_t count; /* parameters or pixel bytes since the command */
    uint8_t mode, format, inverts, awake, on;
    uint8_t pixel[3];
    uint32_t part; /* bytes of a pixel or pair so far */
    int first_column, last_column, first_page, last_page, column, page;
    uint64_t written, wanted; /* pixels since write_memory_start */
    nanos ready;              /* the next command may come */
    panel_faults faults;
    /* the scan */
    int64_t lines; /* scanned since the start, porch included */
    nanos frame_at;
    uint8_t *frame, *last, *still;
    uint32_t frames, torn, wrote, wrote_at_top;
    int has_last;
} p;

/* --- the eye ------------------------------------------------------------ */

static int lines_in_all(void) { return p.glass.h + PORCH; }

static nanos line_time(int64_t line)
{
    return (nanos)((double)line * 1e9 / (p.glass.refresh_hz * lines_in_all()));
}

void panel_upright(int *w, int *h)
{
    *w = p.glass.turns & 1 ? p.glass.h : p.glass.w;
    *h = p.glass.turns & 1 ? p.glass.w : p.glass.h;
}

/* Where the viewer sees a place of the glass: mirrored back first, then turned
 * back, counter-clockwise. */
static size_t seen_at(int x, int y)
{
    int w = p.glass.w, h = p.glass.h, i;
    if (p.glass.mirror) {
        x = w - 1 - x;
    }
    for (i = 0; i < p.glass.turns; i++) {
        const int old = x, side = w;
        x = y;
        y = side - 1 - old;
        w = h;
        h = side;
    }
    return 3 * ((size_t)y * (size_t)w + (size_t)x);
}

static int is_hidden(int x, int y)
{
    const double u = (2.0 * x + 1 - p.glass.w) / p.glass.w;
    const double v = (2.0 * y + 1 - p.glass.h) / p.glass.h;
    return p.glass.ellipse && u * u + v * v > 1;
}

/* Light that leaves the glass at a place. */
static void look_at(int x, int y, uint8_t *to)
{
    const colour c = p.memory[(p.glass.y + y) * PANEL_MEMORY + p.glass.x + x];
    const int swapped = p.glass.blue_first ^ (p.mode >> 3 & 1);
    uint8_t light[3];
    int i;
    light[0] = swapped ? c.blue : c.red;
    light[1] = c.green;
    light[2] = swapped ? c.red : c.blue;
    for (i = 0; i < 3; i++) {
        to[i] = p.glass.complement ^ p.inverts ? (uint8_t)(255 - light[i]) : light[i];
        if (!p.on || !p.awake || is_hidden(x, y)) {
            to[i] = 0;
        }
    }
}

static void scan_line(int y, uint8_t *frame)
{
    int x;
    for (x = 0; x < p.glass.w; x++) {
        look_at(x, y, frame + seen_at(x, y));
    }
}

static size_t frame_bytes(void) { return 3 * (size_t)p.glass.w * (size_t)p.glass.h; }

static void end_frame(void)
{
    p.frames++;
    if (p.eye == NULL) {
        return;
    }
    if (!p.has_last || memcmp(p.frame, p.last, frame_bytes()) != 0) {
        uint8_t head[8];
        int i;
        for (i = 0; i < 8; i++) {
            head[i] = (uint8_t)((uint64_t)p.frame_at >> (8 * i));
        }
        fwrite(head, 1, sizeof head, p.eye);
        fwrite(p.frame, 1, frame_bytes(), p.eye);
        memcpy(p.last, p.frame, frame_bytes());
        p.has_last = 1;
    }
}

void panel_look(nanos until)
{
    while (line_time(p.lines) <= until) {
        int y = (int)(p.lines % lines_in_all());
        if (y == 0) {
            p.frame_at = line_time(p.lines);
            p.wrote_at_top = p.wrote;
        }
        if (y < p.glass.h && p.eye != NULL) {
            /* set_address_mode bit 4: from the last line up */
            scan_line(p.mode & 0x10 ? p.glass.h - 1 - y : y, p.frame);
        }
        if (y == p.glass.h - 1) {
            p.torn += p.wrote != p.wrote_at_top;
            end_frame();
        }
        p.lines++;
    }
}

const uint8_t *panel_still(void)
{
    int y;
    for (y = 0; y < p.glass.h; y++) {
        scan_line(y, p.still);
    }
    return p.still;
}

nanos panel_next_blank(nanos from)
{
    const int all = lines_in_all();
    int64_t line = (int64_t)((double)from * p.glass.refresh_hz * all / 1e9);
    line += (p.glass.h - line % all + all) % all;
    return line_time(line) < from ? line_time(line + all) : line_time(line);
}

uint32_t panel_frames(void) { return p.frames; }
uint32_t panel_torn(void) { return p.torn; }
const panel_faults *panel_complaints(void) { return &p.faults; }

/* --- the controller ----------------------------------------------------- */

static void reset(void)
{
    p.mode = 0;
    p.format = 0x06; /* 18 bits: what most sheets give after a reset */
    p.inverts = 0;
    p.awake = 0;
    p.on = 0;
    p.first_column = p.first_page = 0;
    p.last_column = p.glass.columns - 1;
    p.last_page = p.glass.pages - 1;
}

/* set_address_mode: bit 5 exchanges columns and pages, bits 6 and 7 turn the
 * order of columns and pages round. */
static void write_pixel(colour c)
{
    const int swaps = p.mode >> 5 & 1;
    int x = swaps ? p.page : p.column, y = swaps ? p.column : p.page;
    if (p.mode & 0x40) {
        x = p.glass.columns - 1 - x;
    }
    if (p.mode & 0x80) {
        y = p.glass.pages - 1 - y;
    }
    p.faults.overruns += p.written == p.wanted;
    if (x >= 0 && y >= 0 && x < p.glass.columns && y < p.glass.pages) {
        colour *to = &p.memory[y * PANEL_MEMORY + x];
        p.wrote += memcmp(to, &c, sizeof c) != 0;
        *to = c;
    }
    p.written++;
    if (++p.column > p.last_column) {
        p.column = p.first_column;
        if (++p.page > p.last_page) {
            p.page = p.first_page;
        }
    }
}

static uint8_t light(unsigned value, unsigned most)
{
    return (uint8_t)((value * 255u + most / 2) / most);
}

static colour rgb(unsigned red, unsigned green, unsigned blue, unsigned most, unsigned most_green)
{
    colour c;
    c.red = light(red, most);
    c.green = light(green, most_green);
    c.blue = light(blue, most);
    return c;
}

static void pixel_byte(uint8_t byte)
{
    const uint8_t *b = p.pixel;
    p.pixel[p.part++] = byte;
    switch (p.format & 7) {
    case 3:
        if (p.part == 2) {
            write_pixel(rgb(b[0] >> 4, b[0] & 15, b[1] >> 4, 15, 15));
        } else if (p.part == 3) {
            write_pixel(rgb(b[1] & 15, b[2] >> 4, b[2] & 15, 15, 15));
            p.part = 0;
        }
        break;
    case 5:
        if (p.part == 2) {
            const unsigned v =
                p.glass.low_first ? b[1] * 256u + b[0] : b[0] * 256u + b[1];
            write_pixel(rgb(v >> 11, v >> 5 & 63, v & 31, 31, 63));
            p.part = 0;
        }
        break;
    default:
        if (p.part == 3) {
            write_pixel(rgb(b[0] >> 2, b[1] >> 2, b[2] >> 2, 63, 63));
            p.part = 0;
        }
        break;
    }
}

/* Start and end, two bytes each, high byte first. */
static void range(int *first, int *last, int most)
{
    const int a = p.parameters[0] * 256 + p.parameters[1];
    const int b = p.parameters[2] * 256 + p.parameters[3];
    if (a > b || b >= most) {
        p.faults.windows++;
        return;
    }
    *first = a;
    *last = b;
}

static void parameter(uint8_t byte)
{
    const int swaps = p.mode >> 5 & 1;
    if (p.count < 4) {
        p.parameters[p.count] = byte;
    }
    p.count++;
    if (p.command == 0x2A && p.count == 4) {
        range(&p.first_column, &p.last_column, swaps ? p.glass.pages : p.glass.columns);
    } else if (p.command == 0x2B && p.count == 4) {
        range(&p.first_page, &p.last_page, swaps ? p.glass.columns : p.glass.pages);
    } else if (p.command == 0x36) {
        p.mode = byte;
    } else if (p.command == 0x3A) {
        p.format = byte;
    }
}

void panel_data(nanos at, uint8_t byte)
{
    panel_look(at);
    if (p.command == 0x2C || p.command == 0x3C) {
        pixel_byte(byte);
    } else {
        parameter(byte);
    }
}

/* A window must be left only when all of its pixels are there. */
static void leave_window(void)
{
    if (p.command == 0x2C || p.command == 0x3C) {
        p.faults.cut += p.part != 0 || p.written < p.wanted;
    }
}

static void start_window(void)
{
    p.column = p.first_column;
    p.page = p.first_page;
    p.written = 0;
    p.wanted = (uint64_t)(p.last_column - p.first_column + 1) *
               (uint64_t)(p.last_page - p.first_page + 1);
    p.part = 0;
}

void panel_command(nanos at, uint8_t command)
{
    panel_look(at);
    leave_window();
    p.faults.early += at < p.ready;
    p.command = command;
    p.count = 0;
    switch (command) {
    case 0x00:
    case 0x13:
    case 0x2A:
    case 0x2B:
    case 0x34:
    case 0x35:
    case 0x36:
    case 0x3A:
    case 0x3C:
        break;
    case 0x01:
        reset();
        p.ready = at + 5 * MILLI;
        break;
    case 0x10:
    case 0x11:
        p.awake = command == 0x11;
        p.ready = at + 5 * MILLI;
        break;
    case 0x20:
    case 0x21:
        p.inverts = command == 0x21;
        break;
    case 0x28:
    case 0x29:
        p.on = command == 0x29;
        break;
    case 0x2C:
        start_window();
        break;
    default:
        p.faults.unknown++;
        break;
    }
}

void panel_open(const panel_glass *glass, FILE *eye)
{
    uint32_t noise = 12345, i;
    free(p.memory);
    free(p.frame);
    free(p.last);
    free(p.still);
    memset(&p, 0, sizeof p);
    p.glass = *glass;
    p.eye = eye;
    p.memory = calloc((size_t)PANEL_MEMORY * PANEL_MEMORY, sizeof *p.memory);
    p.frame = calloc(1, frame_bytes());
    p.last = calloc(1, frame_bytes());
    p.still = calloc(1, frame_bytes());
    for (i = 0; i < (uint32_t)PANEL_MEMORY * PANEL_MEMORY; i++) {
        noise = noise * 1664525u + 1013904223u;
        p.memory[i].red = (uint8_t)(noise >> 24);
        p.memory[i].green = (uint8_t)(noise >> 16);
        p.memory[i].blue = (uint8_t)(noise >> 8);
    }
    reset();
}

void panel_close(nanos at)
{
    panel_look(at);
    leave_window();
}
