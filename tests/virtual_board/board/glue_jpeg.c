/* The ninth hook: JPEG by a general-purpose library. */
#include <setjmp.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <jpeglib.h>

#include "glue.h"

enum { ROWS = 16, MOST_WIDE = 512 };

typedef struct trouble {
    struct jpeg_error_mgr manager;
    jmp_buf out;
} trouble;

/* One half is on its way to the panel while the other is filled. */
static uint8_t strips[2][ROWS * MOST_WIDE * 2];
static uint8_t row[MOST_WIDE * 3];

static void fails(j_common_ptr info) { longjmp(((trouble *)(void *)info->err)->out, 1); }
static void says_nothing(j_common_ptr info) { (void)info; }

/* A whole file: the tables come after the picture's first marker. */
static uint8_t *whole(const tbr_jpeg *p, unsigned long *length)
{
    uint8_t *file = malloc(p->length + p->tables_length);
    *length = p->length + p->tables_length;
    memcpy(file, p->bytes, 2);
    memcpy(file + 2, p->tables, p->tables_length);
    memcpy(file + 2 + p->tables_length, p->bytes + 2, p->length - 2);
    return file;
}

static void put_row(const tbr_jpeg *p, uint8_t *to)
{
    uint32_t x;
    for (x = 0; x < p->panel.w; x++) {
        const uint8_t *c = row + 3 * x;
        /* To the nearest of 32 and 64 equal steps. */
        const unsigned red = (c[0] * 31u + 127) / 255, green = (c[1] * 63u + 127) / 255;
        const unsigned blue = (c[2] * 31u + 127) / 255;
        const unsigned v = red << 11 | green << 5 | blue;
        to[2 * x + (p->low_first ? 1 : 0)] = (uint8_t)(v >> 8);
        to[2 * x + (p->low_first ? 0 : 1)] = (uint8_t)v;
    }
}

static void send_rows(const tbr_jpeg *p, struct jpeg_decompress_struct *from, tbr_send send,
                      void *user)
{
    JSAMPROW line = row;
    uint32_t y, second = 0;
    for (y = 0; y < p->panel.h; second ^= 1) {
        const uint32_t n = p->panel.h - y < ROWS ? p->panel.h - y : ROWS;
        uint32_t i;
        for (i = 0; i < n; i++) {
            jpeg_read_scanlines(from, &line, 1);
            put_row(p, strips[second] + 2u * i * p->panel.w);
        }
        send(user, y == 0 ? &p->panel : NULL, strips[second], 2u * n * p->panel.w);
        y += n;
    }
}

int glue_jpeg(void *user, const tbr_jpeg *picture, tbr_send send)
{
    struct jpeg_decompress_struct from;
    trouble errors;
    unsigned long length;
    uint8_t *file = whole(picture, &length);
    from.err = jpeg_std_error(&errors.manager);
    errors.manager.error_exit = fails;
    errors.manager.output_message = says_nothing;
    if (setjmp(errors.out)) {
        jpeg_destroy_decompress(&from);
        free(file);
        return -1;
    }
    jpeg_create_decompress(&from);
    jpeg_mem_src(&from, file, length);
    jpeg_read_header(&from, TRUE);
    from.out_color_space = JCS_RGB;
    jpeg_start_decompress(&from);
    if (from.output_width != picture->panel.w || from.output_height != picture->panel.h ||
        from.output_width > MOST_WIDE) {
        fails((j_common_ptr)&from);
    }
    send_rows(picture, &from, send, user);
    jpeg_finish_decompress(&from);
    jpeg_destroy_decompress(&from);
    free(file);
    return 0;
}
