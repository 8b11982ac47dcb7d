/* Plays reels with player.c on the fake board and records what is seen and
 * heard. Arguments: see board_open and the `bench_` calls below. */
#include <string.h>

#define THUMBREEL_IMPLEMENTATION
#include "thumbreel.h"
#include "player.c"

#include "bench.h"
#include "board.h"

enum { ARENA = 2 << 20, GUARD = 64 };

static uint8_t ring_arena[ARENA + 2 * GUARD];
static uint32_t work_arena[(ARENA + 2 * GUARD) / 4];
static board the_board;
static tbr_player player;
static int pictures_file, log_file;
static uint32_t deepest;
static int last_said;

static void guard(uint8_t *arena, uint32_t size)
{
    memset(arena, 0x5A, size + 2 * GUARD);
}

/* Bytes of the guard zones that were written to. */
static uint32_t broken(const uint8_t *arena, uint32_t size)
{
    uint32_t n = 0, i;
    for (i = 0; i < GUARD; i++) {
        n += arena[i] != 0x5A;
        n += arena[GUARD + size + i] != 0x5A;
    }
    return n;
}

static void number(const char *name, uint64_t value)
{
    bench_decimal(log_file, name, value);
    bench_text(log_file, "\n");
}

static uint8_t picture_head[16];
static int picture_waits;

/* A picture has been sent: its time in the reel, and the time it was seen. */
static void note_picture(void)
{
    uint32_t i;
    for (i = 0; i < 8; i++) {
        picture_head[i] = (uint8_t)(player.position >> (8 * i));
        picture_head[8 + i] = (uint8_t)(the_board.sent_at >> (8 * i));
    }
    picture_waits = 1;
}

/* Records it with the whole panel, once its last transfer is over. */
static void record_picture(void)
{
    if (picture_waits && the_board.moving == NULL) {
        picture_waits = 0;
        bench_write(pictures_file, picture_head, sizeof picture_head);
        bench_write(pictures_file, board_panel, 2u * the_board.width * the_board.height);
    }
}

static int jpeg_file, jpeg_breaks;

/* Records a JPEG picture as a whole file, after its length and its window. */
static int record_jpeg(void *user, const tbr_jpeg *picture)
{
    const uint32_t length = picture->length + picture->tables_length;
    const uint16_t head[6] = {(uint16_t)(length & 0xFFFFu), (uint16_t)(length >> 16),
                              picture->panel.x, picture->panel.y,
                              picture->panel.w, picture->panel.h};
    (void)user;
    bench_write(jpeg_file, head, sizeof head);
    bench_write(jpeg_file, picture->bytes, 2);
    bench_write(jpeg_file, picture->tables, picture->tables_length);
    bench_write(jpeg_file, picture->bytes + 2, picture->length - 2);
    return jpeg_breaks ? -1 : 0;
}

static int due(const char *key)
{
    const uint32_t at = bench_number(key, UINT32_MAX);
    return at != UINT32_MAX && the_board.now >= (uint64_t)at * 1000;
}

/* What a person does at the buttons, at given milliseconds. */
static void press_buttons(void)
{
    static int paused, resumed, sought, stopped, turned;
    if (!paused && due("pause_at")) {
        paused = 1;
        tbr_player_pause(&player, 1);
    }
    if (!resumed && due("resume_at")) {
        resumed = 1;
        tbr_player_pause(&player, 0);
    }
    if (!sought && due("seek_at")) {
        sought = 1;
        tbr_player_seek(&player, bench_number("seek_item", 0), bench_number("seek_to", 0));
    }
    if (!turned && due("volume_at")) {
        turned = 1;
        tbr_player_volume(&player, (int32_t)bench_number("volume", 32768));
    }
    if (!stopped && due("stop_at")) {
        stopped = 1;
        tbr_player_stop(&player);
    }
}

/* One round with one core, or with two: the other one only reads. */
static void one_round(void *user)
{
    (void)user;
    if (the_board.background) {
        last_said = tbr_player_present(&player);
        if (tbr_player_fetch(&player) && last_said == TBR_PLAYER_IDLE) {
            last_said = TBR_PLAYER_GOES_ON;
        }
    } else {
        last_said = tbr_player_step(&player);
    }
}

static void play_all(void)
{
    uint32_t shown = 0;
    const uint64_t limit = (uint64_t)bench_number("limit", 60000) * 1000;
    while (the_board.now < limit) {
        const uint32_t deep = bench_stack_of(one_round, NULL);
        deepest = deep > deepest ? deep : deepest;
        if (player.counts.shown != shown) {
            shown = player.counts.shown;
            note_picture();
            record_picture();
        }
        press_buttons();
        if (last_said == TBR_PLAYER_ITEM) {
            the_board.sound_rate = player.header.clock_rate;
            the_board.width = player.header.width;
            the_board.height = player.header.height;
            the_board.x_offset = player.header.x_offset;
            the_board.y_offset = player.header.y_offset;
        } else if (last_said == TBR_PLAYER_IDLE) {
            board_yield(&the_board, tbr_player_idle(&player));
        } else if (last_said != TBR_PLAYER_GOES_ON) {
            break;
        }
    }
    board_window_wait(&the_board);
    board_pass(&the_board, 50000);
}

static void report(uint32_t ring, uint32_t work)
{
    number("said ", (uint32_t)(last_said < 0 ? -last_said : last_said));
    number("error ", last_said < 0);
    number("shown ", player.counts.shown);
    number("late ", player.counts.late);
    number("waiting ", player.counts.waiting);
    number("damaged ", player.counts.damaged);
    number("broken ", player.counts.broken);
    number("starved ", player.counts.starved);
    number("dry ", player.counts.dry);
    number("lost ", player.counts.lost);
    number("now ", the_board.now);
    number("heard ", the_board.heard);
    number("first_heard ", the_board.first_heard);
    number("gaps ", the_board.gaps);
    number("windows ", the_board.windows);
    number("wrong ", the_board.wrong);
    number("bus_bytes ", the_board.bus_bytes);
    number("reads ", the_board.reads);
    number("bytes_read ", the_board.bytes_read);
    number("stack ", deepest);
    number("player_bytes ", sizeof player);
    number("guards ", broken(ring_arena, ring) + broken((uint8_t *)work_arena, work));
}

/* The reel's own statement of its needs, unless the arguments say otherwise. */
static void needs(uint32_t *ring, uint32_t *work)
{
    uint8_t sector[TBR_SECTOR];
    tbr_header header;
    *ring = bench_number("ring", 0);
    *work = 0;
    bench_seek(the_board.item_files[0], 0);
    if (bench_read(the_board.item_files[0], sector, TBR_SECTOR) == TBR_SECTOR &&
        tbr_header_read(sector, &header) == TBR_OK) {
        *work = header.coding == TBR_JPEG ? header.tables_length : header.working_memory;
        *ring = *ring ? *ring : header.largest_chunk;
    }
    *ring = *ring ? *ring : 65536;
    if (*ring > ARENA || *work > ARENA) {
        bench_exit(2);
    }
}

int bench_main(void)
{
    char path[256];
    uint32_t ring, work;
    tbr_player_setup setup;
    tbr_hooks hooks = {&the_board,  board_read,       board_seek,  board_window, board_window_wait,
                       board_sound, board_sound_left, board_clock, board_yield, NULL};
    board_open(&the_board);
    the_board.landed = record_picture;
    needs(&ring, &work);
    guard(ring_arena, ring);
    guard((uint8_t *)work_arena, work);
    memset(&setup, 0, sizeof setup);
    setup.ring = ring_arena + GUARD;
    setup.ring_buffer_bytes = ring;
    setup.work = (uint8_t *)work_arena + GUARD;
    setup.work_bytes = work;
    setup.piece = bench_number("piece", 4096);
    setup.loop = (uint8_t)bench_number("loop", 0);
    if (bench_number("socket", 0)) {
        hooks.seek = NULL;
    }
    if (bench_word("jpegs", path, sizeof path)) {
        jpeg_file = bench_open(path, 1);
        jpeg_breaks = (int)bench_number("jpeg_breaks", 0);
        hooks.jpeg = record_jpeg;
    }
    log_file = bench_word("log", path, sizeof path) ? bench_open(path, 1) : -1;
    pictures_file = bench_word("pictures", path, sizeof path) ? bench_open(path, 1) : -1;
    if (log_file < 0 || pictures_file < 0 || tbr_player_open(&player, &hooks, &setup) != TBR_OK) {
        return 2;
    }
    tbr_player_volume(&player, (int32_t)bench_number("start_volume", 32768));
    play_all();
    report(ring, work);
    return 0;
}
