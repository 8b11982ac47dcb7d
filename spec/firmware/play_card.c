/* play_card.c - a whole board. play_card.h is its manual. */
#define THUMBREEL_IMPLEMENTATION
#include "thumbreel.h"

#include "play_card.h"

#include <string.h>

#include "pins.h"

static const play_card_setup *setup;
static tbr_card card;
static tbr_fat fat;
static tbr_fat_file file;
static tbr_panel panel;
static tbr_i2s i2s;
static tbr_player player;
static tbr_fat_entry entry, found;   /* while a file is looked for */
static char open_name[TBR_FAT_NAME]; /* of item open_item */
static uint32_t open_item;
static uint32_t rate; /* of the sound port */
static uint8_t is_open, is_mounted, is_lit;
static int fault;

int play_card_fault(void) { return fault; }

/* --- card --------------------------------------------------------------- */

/* Takes (1) or gives back (0) the port that card and panel share. */
static void lock(int on)
{
    if (setup->lock != NULL) {
        setup->lock(on);
    }
}

static int read_sectors(void *user, uint32_t sector, uint8_t *to, uint32_t count)
{
    int said;
    (void)user;
    lock(1);
    said = tbr_card_read(&card, sector, to, count);
    lock(0);
    return said;
}

/* After a failure everything is begun afresh: it may be another card. */
static int failed(int error)
{
    fault = error;
    is_open = is_mounted = 0;
    return TBR_READ_FAILED;
}

static int small(char c)
{
    return c >= 'A' && c <= 'Z' ? c + 32 : (unsigned char)c;
}

/* The order of names: below 0, 0, above 0. */
static int compare(const char *a, const char *b)
{
    while (*a != '\0' && small(*a) == small(*b)) {
        a++;
        b++;
    }
    return small(*a) - small(*b);
}

static int is_reel(const tbr_fat_entry *e)
{
    const size_t n = strlen(e->name);
    return !e->folder && e->name[0] != '.' && n >= 4 && compare(e->name + n - 4, ".tbr") == 0;
}

/* Finds the first reel whose name comes after `name`: 1 and it is in `found`; 0: none. */
static int find_after(const char *name)
{
    tbr_fat_folder folder;
    int said, any = 0;
    tbr_fat_root(&fat, &folder);
    while ((said = tbr_fat_list(&folder, &entry)) == 1) {
        if (is_reel(&entry) && compare(entry.name, name) > 0 &&
            (!any || compare(entry.name, found.name) < 0)) {
            found = entry;
            any = 1;
        }
    }
    return said < 0 ? said : any;
}

/* Finds item 0, 1, ... of the list; goes on from the one that was open before it. */
static int find_item(uint32_t item)
{
    const int goes_on = is_open && item > open_item;
    uint32_t i = goes_on ? open_item + 1 : 0;
    int said = find_after(goes_on ? open_name : "");
    for (; said == 1 && i < item; i++) {
        memcpy(open_name, found.name, sizeof open_name);
        said = find_after(open_name);
    }
    return said;
}

static int mount(void)
{
    int said;
    lock(1);
    said = tbr_card_start(&card, setup->card_hz);
    lock(0);
    if (said == TBR_CARD_OK) {
        said = tbr_fat_mount(&fat, read_sectors, NULL);
    }
    is_mounted = said == 0;
    return said;
}

static int seek_hook(void *user, uint32_t item, uint64_t offset)
{
    int said = is_mounted ? 0 : mount();
    (void)user;
    if (said == 0 && (!is_open || item != open_item)) {
        said = find_item(item);
        is_open = 0;
        if (said == 0) {
            return TBR_READ_END; /* past the last file */
        }
        if (said == 1) {
            said = tbr_fat_open(&fat, &file, &found);
            memcpy(open_name, found.name, sizeof open_name);
            open_item = item;
            is_open = said == 0;
        }
    }
    if (said < 0) {
        return failed(said);
    }
    tbr_fat_seek(&file, offset < UINT32_MAX ? (uint32_t)offset : UINT32_MAX);
    return 0;
}

static int32_t read_hook(void *user, void *to, uint32_t n)
{
    const int32_t got = is_open ? tbr_fat_read(&file, to, n) : TBR_CARD_NONE;
    (void)user;
    if (got < 0) {
        return failed(got);
    }
    fault = 0;
    return got > 0 ? got : TBR_READ_END;
}

/* --- panel, sound, time ------------------------------------------------- */

static void window_hook(void *user, const tbr_rect *w, const uint8_t *pixels, uint32_t bytes)
{
    (void)user;
    lock(1);
    if (w != NULL) {
        tbr_panel_send(&panel, w->x, w->y, w->w, w->h, pixels, bytes);
    } else {
        tbr_panel_send(&panel, 0, 0, 0, 0, pixels, bytes);
    }
    if (setup->shared_port) {
        tbr_panel_wait(&panel);
    }
    lock(0);
}

static void window_wait_hook(void *user)
{
    (void)user;
    tbr_panel_wait(&panel);
}

static uint32_t sound_hook(void *user, const int16_t *samples, uint32_t n)
{
    (void)user;
    return tbr_i2s_put(&i2s, samples, n);
}

static uint32_t sound_left_hook(void *user)
{
    (void)user;
    return tbr_i2s_left(&i2s);
}

void play_card_sound(int16_t *block, uint32_t n, uint32_t channels)
{
    tbr_i2s_block(&i2s, block, n, channels);
}

static uint32_t clock_hook(void *user)
{
    (void)user;
    return pins_clock();
}

/* --- playing ------------------------------------------------------------ */

/* A reel begins: player.header and player.item say which. */
static int begin(void)
{
    const tbr_header *h = &player.header;
    if (h->x_offset + h->width > setup->panel.columns ||
        h->y_offset + h->height > setup->panel.rows) {
        return tbr_player_seek(&player, player.item + 1, 0); /* made for another panel */
    }
    if (h->sound != TBR_NO_SOUND && h->clock_rate != rate) {
        rate = h->clock_rate;
        pins_sound_rate(rate); /* the queue is empty now */
    }
    pins_amplifier(1);
    return TBR_OK;
}

void play_card_open(const play_card_setup *s)
{
    const tbr_hooks hooks = {NULL,       read_hook,       seek_hook,  window_hook, window_wait_hook,
                             sound_hook, sound_left_hook, clock_hook, NULL,        NULL};
    tbr_player_setup memory;
    setup = s;
    memory.ring = setup->ring;
    memory.ring_buffer_bytes = setup->ring_buffer_bytes;
    memory.work = setup->work;
    memory.work_bytes = setup->work_bytes;
    memory.piece = setup->read_bytes != 0 ? setup->read_bytes : 4096;
    memory.loop = setup->loop;
    is_open = is_mounted = is_lit = 0;
    fault = 0;
    pins_amplifier(0);
    pins_backlight(0);
    tbr_panel_start(&panel, &setup->panel);
    tbr_i2s_open(&i2s, setup->queue, setup->queue_samples);
    rate = setup->sound_rate != 0 ? setup->sound_rate : 16000;
    pins_sound_rate(rate); /* zeros, until the amplifier is on */
    tbr_player_open(&player, &hooks, &memory);
}

int play_card_fetch(void) { return tbr_player_fetch(&player); }

/* After a step that said this: what play goes on with, and how long to sleep before. */
static int after_step(int said, uint32_t *sleep)
{
    *sleep = 0;
    if (said == TBR_PLAYER_ITEM) {
        said = begin();
    } else if (said == TBR_PLAYER_IDLE) {
        *sleep = tbr_player_idle(&player);
    } else if (said < TBR_OK) { /* player.item cannot be played */
        said = tbr_player_seek(&player, player.item + 1, 0);
    }
    if (player.counts.shown > 0 && !is_lit) {
        is_lit = 1;
        tbr_panel_wait(&panel);
        pins_backlight(1);
    }
    if (setup->every_step != NULL) {
        setup->every_step(&player);
    }
    if (said < TBR_OK || said == TBR_PLAYER_ENDED) {
        pins_amplifier(0);
    }
    pins_watchdog();
    return said;
}

int play_card_present(uint32_t *sleep)
{
    return after_step(tbr_player_present(&player), sleep);
}

int play_card(const play_card_setup *s)
{
    int said;
    play_card_open(s);
    do {
        uint32_t sleep;
        said = after_step(tbr_player_step(&player), &sleep);
        if (sleep > 0) {
            pins_sleep(sleep < 1000 ? sleep : 1000);
        }
    } while (said >= TBR_OK && said != TBR_PLAYER_ENDED);
    return said;
}
