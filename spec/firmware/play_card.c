/* play_card.c - a whole board. play_card.h is its manual. */
#define THUMBREEL_IMPLEMENTATION
#include "thumbreel.h"

#include "play_card.h"

#include <string.h>

#include "pins.h"
#include "playlist.h"

/* What the side that reads tells the one that plays of an item: where it begins and ends,
 * and which file it is. No more items than slots lie between both sides. */
#define MARKS TBR_PLAYER_SLOTS
typedef struct card_mark {
    uint32_t item, name; /* a checksum of the name */
    uint32_t from, to;   /* milliseconds; to = 0: the end */
    uint8_t missing;     /* the file is not there */
} card_mark;

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
/* the list; the side that reads writes these */
static tbr_list_entry listed;        /* the entry that was looked for */
static tbr_fat_entry list_entry;     /* the list's own file */
static uint8_t has_list, is_missing; /* on this card; the item's file is not there */
static uint32_t passed_over, passed_line;
static card_mark marks[MARKS];
/* the side that plays writes these */
static uint32_t marked_item, shown_before; /* the item that was begun; pictures before it */
static uint64_t end_tick;            /* nothing of it is shown or heard from here on */
static uint64_t given_tick;          /* of the next sample that the loop gives */
static uint32_t saved_at;
static uint32_t skips, skipped_item; /* reels that were passed over, and the last */
static int skipped_why;
static uint8_t resumes, jumps;       /* jumps: the loop's count of them, as seen last */
static pins_position resume;

int play_card_fault(void) { return fault; }

uint32_t play_card_skipped(uint32_t *item, int *why)
{
    if (item != NULL) {
        *item = skipped_item;
    }
    if (why != NULL) {
        *why = skipped_why;
    }
    return skips;
}

const char *play_card_reason(int error)
{
    switch (error) {
    case 0:
        return "nothing is wrong";
    case PLAY_CARD_PANEL:
        return "the reel is for another panel: convert the clip for this board";
    case PLAY_CARD_MISSING:
        return "the list names a file that is not on the card: copy it, or correct the line";
    case TBR_MEMORY:
        return "the ring or the work memory is too small for the reel: thumbreel inspect says its needs";
    case TBR_CODING:
        return "this build does not decode the reel's coding: convert with --coding patch or raw";
    case TBR_VERSION:
    case TBR_MUST_KNOW:
        return "the reel is newer than this firmware: write the firmware anew";
    case TBR_TEXT_MODE:
        return "the reel was changed by a transfer in text mode: copy it in binary mode";
    default:
        break;
    }
    if (error <= -500) {
        return error > -600 ? tbr_card_reason(error) : tbr_fat_reason(error);
    }
    return "no reel, or a damaged one: copy it to the card again, and try thumbreel verify";
}

uint32_t play_card_passed_over(uint32_t *line)
{
    if (line != NULL) {
        *line = passed_line;
    }
    return passed_over;
}

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

/* Whether another card's reel 0, 1, ... in the order of names is there: 1 and it is in
 * `found`; 0: past the last one, or none at all. */
static int find_by_name(uint32_t item)
{
    uint32_t i = 0;
    int said;
    if (is_open && item == open_item + 1) {
        said = find_after(open_name);
        return said == 0 && setup->loop ? find_after("") : said;
    }
    said = find_after("");
    while (said == 1 && i < item) {
        memcpy(open_name, found.name, sizeof open_name);
        said = find_after(open_name);
        i++;
        if (said == 0 && setup->loop) { /* i reels in all */
            item %= i;
            i = 0;
            said = find_after("");
        }
    }
    return said;
}

/* --- the list ------------------------------------------------------------ */

typedef struct list_reader {
    uint32_t line;   /* its number, from 1 */
    uint32_t length; /* of the text below; TBR_LIST_LINE: the line is longer */
    uint8_t ended;
    char text[TBR_LIST_LINE];
    uint32_t at, filled; /* of the piece that was read last */
    uint8_t piece[64];
} list_reader;

static list_reader list;

static int list_begin(void)
{
    list.line = list.at = list.filled = 0;
    list.ended = 0;
    return tbr_fat_open(&fat, &file, &list_entry);
}

/* Reads a line into list.text: 1; 0: there is none. */
static int list_next(void)
{
    list.length = 0;
    list.line++;
    while (!list.ended) {
        char c;
        if (list.at == list.filled) {
            const int32_t got = file.position < TBR_LIST_BYTES
                                    ? tbr_fat_read(&file, list.piece, sizeof list.piece)
                                    : 0;
            if (got < 0) {
                return got;
            }
            list.at = 0;
            list.filled = (uint32_t)got;
            list.ended = got == 0;
            if (list.ended) {
                return list.length > 0;
            }
        }
        c = (char)list.piece[list.at++];
        if (c == '\n') {
            return 1;
        }
        if (list.length < TBR_LIST_LINE) {
            list.text[list.length++] = c;
        }
    }
    return 0;
}

/* Finds the entry of an item: 1 and it is in `listed`, its line in list.line; 0: the list
 * ends before it, and `total` items are in it. */
static int list_walk(uint32_t item, uint32_t *total, int *repeats)
{
    int said = list_begin();
    *total = 0;
    while (said >= 0 && (said = list_next()) == 1) {
        const int what = list.length < TBR_LIST_LINE
                             ? tbr_list_line(list.text, list.length, &listed)
                             : TBR_LIST_WRONG;
        if (what == TBR_LIST_REEL) {
            if (listed.times == 0 || item - *total < listed.times) {
                return 1;
            }
            *total += listed.times;
        } else if (what == TBR_LIST_REPEAT || what == TBR_LIST_ONCE) {
            *repeats = what == TBR_LIST_REPEAT;
        } else if (what == TBR_LIST_WRONG && item == 0) { /* told once for each walk from 0 */
            passed_over++;
            passed_line = list.line;
        }
    }
    return said;
}

/* Finds an item by the list: 1 and it is in `found`, or is_missing is set; 0: past the
 * end. */
static int find_in_list(uint32_t item)
{
    int repeats = setup->loop, said;
    uint32_t total;
    said = list_walk(item, &total, &repeats);
    if (said == 0 && repeats && total > 0) {
        said = list_walk(item % total, &total, &repeats);
    }
    if (said != 1) {
        return said;
    }
    said = tbr_fat_find(&fat, listed.name, &found);
    is_missing = said == 0 || (said == 1 && found.folder);
    if (is_missing) {
        passed_over++;
        passed_line = list.line;
        found.cluster = found.size = 0;
        found.folder = 0;
        return 1;
    }
    return said;
}

/* Finds item 0, 1, ... and notes for the other side what it is. */
static int find_item(uint32_t item)
{
    card_mark *const mark = &marks[item % MARKS];
    int said;
    listed.from = listed.to = 0;
    is_missing = 0;
    said = has_list ? find_in_list(item) : find_by_name(item);
    if (said == 1) {
        const char *const name = has_list ? listed.name : found.name;
        mark->item = item;
        mark->name = tbr_crc32(0, (const uint8_t *)name, (uint32_t)strlen(name));
        mark->from = listed.from;
        mark->to = listed.to;
        mark->missing = is_missing;
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
    if (said == 0) {
        said = tbr_fat_find(&fat, PLAY_CARD_LIST, &list_entry);
        has_list = said == 1 && !list_entry.folder;
        said = said < 0 ? said : 0;
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
    const int32_t got = !is_open     ? TBR_CARD_NONE
                        : is_missing ? 0 /* no reel, which is passed over */
                                     : tbr_fat_read(&file, to, n);
    (void)user;
    if (got < 0) {
        return failed(got);
    }
    fault = 0;
    return got > 0 ? got : TBR_READ_END;
}

/* --- panel, sound, time ------------------------------------------------- */

/* Whether the picture that is on, or comes now, is past the item's end mark. */
static int is_past_end(void)
{
    return player.position != UINT64_MAX && player.position >= end_tick;
}

static void window_hook(void *user, const tbr_rect *w, const uint8_t *pixels, uint32_t bytes)
{
    (void)user;
    if (is_past_end()) {
        return;
    }
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
    const uint64_t left = end_tick - given_tick; /* up to the item's end mark */
    (void)user;
    n = tbr_i2s_put(&i2s, samples, n < left ? n : (uint32_t)left);
    given_tick += n;
    return n;
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

/* What was noted of the item that is playing, or NULL. */
static const card_mark *mark_of_item(void)
{
    const card_mark *const mark = &marks[player.item % MARKS];
    return mark->item == player.item ? mark : NULL;
}

static uint64_t tick_of(uint32_t ms)
{
    return player.header.first_tick + (uint64_t)ms * player.header.clock_rate / 1000;
}

/* Goes elsewhere: what the loop gives until then is heard. */
static int go(uint32_t item, uint64_t tick)
{
    end_tick = UINT64_MAX;
    given_tick = 0;
    return tbr_player_seek(&player, item, tick);
}

/* Passes the item over that is playing, and notes why. */
static int skip(int why)
{
    const card_mark *const mark = mark_of_item();
    skips++;
    skipped_item = player.item;
    skipped_why = mark != NULL && mark->missing ? PLAY_CARD_MISSING : why;
    return go(player.item + 1, 0);
}

/* Where an item starts that was not begun yet: at its mark, or where power went off. */
static uint64_t start_of(const card_mark *mark)
{
    uint32_t ms = mark->from;
    if (resumes && resume.name == mark->name && resume.ms > ms &&
        (mark->to == 0 || resume.ms < mark->to)) {
        ms = resume.ms;
    }
    resumes = 0;
    return tick_of(ms);
}

/* A reel begins: player.header and player.item say which. */
static int begin(void)
{
    const tbr_header *h = &player.header;
    const card_mark *const mark = mark_of_item();
    uint64_t start = h->first_tick;
    end_tick = UINT64_MAX;
    shown_before = player.counts.shown;
    if (resumes && (mark == NULL || resume.name != mark->name)) {
        resumes = 0; /* another card, or another list */
        return go(0, 0);
    }
    if (h->x_offset + h->width > setup->panel.columns ||
        h->y_offset + h->height > setup->panel.rows) {
        return skip(PLAY_CARD_PANEL);
    }
    if (mark != NULL && marked_item != player.item) {
        marked_item = player.item;
        start = start_of(mark);
    }
    if (player.goal_item == player.item && player.goal_tick > start) {
        start = player.goal_tick; /* a button's seek */
    }
    if (h->sound != TBR_NO_SOUND && h->clock_rate != rate) {
        rate = h->clock_rate;
        pins_sound_rate(rate); /* the queue is empty now */
    }
    pins_amplifier(1);
    if (start > h->first_tick && start != player.goal_tick) {
        go(player.item, start); /* nothing of it has been seen or heard */
    }
    given_tick = start;
    end_tick = mark != NULL && mark->to != 0 ? tick_of(mark->to) : UINT64_MAX;
    return TBR_OK;
}

/* Whether the item's end mark is reached: by a picture, or by sound that was given and
 * is nearly heard. What is left of it carries the fall to zero. */
static int is_at_end(void)
{
    return (player.counts.shown != shown_before && is_past_end()) ||
           (given_tick >= end_tick && tbr_i2s_left(&i2s) <= rate / 25);
}

static uint32_t check_of(const pins_position *position)
{
    uint8_t bytes[12];
    memcpy(bytes, &position->item, 4);
    memcpy(bytes + 4, &position->name, 4);
    memcpy(bytes + 8, &position->ms, 4);
    return tbr_crc32(0x504F53u, bytes, sizeof bytes);
}

/* Has the maker keep where play is, now and then. */
static void keep_position(void)
{
    const card_mark *const mark = mark_of_item();
    pins_position position;
    uint64_t ticks;
    if (setup->save_seconds == 0 || mark == NULL || player.counts.shown == shown_before ||
        player.position < player.header.first_tick ||
        pins_clock() - saved_at < setup->save_seconds * 1000000u) {
        return;
    }
    saved_at = pins_clock();
    ticks = player.position - player.header.first_tick;
    position.item = player.item;
    position.name = mark->name;
    position.ms = (uint32_t)(ticks * 1000 / player.header.clock_rate);
    position.check = check_of(&position);
    pins_position_save(&position);
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
    memory.loop = 0; /* find_item begins again */
    is_open = is_mounted = is_lit = has_list = is_missing = 0;
    fault = 0;
    passed_over = passed_line = 0;
    skips = skipped_item = 0;
    skipped_why = 0;
    memset(marks, 0xFF, sizeof marks);
    marked_item = UINT32_MAX;
    end_tick = UINT64_MAX;
    given_tick = 0;
    saved_at = pins_clock();
    resumes = setup->save_seconds != 0 && pins_position_load(&resume) &&
              resume.check == check_of(&resume);
    pins_amplifier(0);
    pins_backlight(0);
    tbr_panel_start(&panel, &setup->panel);
    tbr_i2s_open(&i2s, setup->queue, setup->queue_samples);
    rate = setup->sound_rate != 0 ? setup->sound_rate : 16000;
    pins_sound_rate(rate); /* zeros, until the amplifier is on */
    tbr_player_open(&player, &hooks, &memory);
    if (resumes) {
        tbr_player_seek(&player, resume.item, 0);
    }
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
        said = skip(said);
        *sleep = 1000; /* a list of nothing else does not spin */
    } else if (said == TBR_PLAYER_ENDED && resumes) {
        resumes = 0; /* the list is shorter than it was */
        said = go(0, 0);
    }
    if (said == TBR_PLAYER_GOES_ON || said == TBR_PLAYER_IDLE) {
        if (jumps != player.generation && player.goal_item == player.item) {
            given_tick = player.goal_tick > player.header.first_tick ? player.goal_tick
                                                                     : player.header.first_tick;
        }
        jumps = player.generation;
        if (is_at_end()) {
            said = go(player.item + 1, 0);
        }
        keep_position();
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
