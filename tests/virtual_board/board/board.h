/* board.h - a whole virtual board: devices, glue, cores and the player. */
#ifndef BOARD_H
#define BOARD_H

#include "devices.h"
#include "glue.h"
#include "panel.h"

typedef struct board_plan {
    panel_glass glass;
    bus_profile bus;
    card_profile card;
    link_profile link;
    glue_board glue;
    uint32_t queue, blocks;      /* of the sound port */
    int by_blocks;
    uint32_t cores;              /* 1 or 2 */
    uint64_t instructions;       /* that a core does in a second */
    uint32_t per_pixel;          /* instructions for a pixel that is sent */
    uint32_t per_byte;           /* for a byte that is read */
    uint32_t ring, piece;        /* bytes */
    uint32_t work;               /* bytes: see board_work */
    uint32_t seed;
    int tasks;                   /* the two cores are tasks that share one */
    uint32_t items;              /* reels on the card */
    int checks;                  /* the maker passes over reels for other panels, */
    int skips;                   /* and reels that cannot be played */
    nanos patience, limit;
    /* What a person does at the buttons; none at 0. */
    nanos pause_at, resume_at, seek_at, stop_at;
    uint64_t seek_to;
} board_plan;

/* What the maker was told of a reel that begins, or that cannot be played. */
typedef struct board_item {
    uint32_t item, rate, sound, left, shown;
    int error;
    nanos at;
} board_item;

enum { BOARD_ITEMS = 64 };

typedef struct board_result {
    int verdict; /* MACHINE_ENDED ... */
    int said;    /* the player's last word */
    tbr_header header;
    tbr_player_counts counts;
    port_heard heard;
    panel_faults faults;
    nanos ended, longest_wait;
    uint64_t bus_bytes;
    uint32_t frames, torn;
    board_item items[BOARD_ITEMS];
    uint32_t told; /* all that the maker was told of items */
} board_result;

/* What the reel's own header says; 0 or an error. */
int board_header(const file_bytes *reel, tbr_header *header);
/* Bytes for the decoder, or for the tables of JPEG. */
uint32_t board_work(const tbr_header *header);
/* Plays the reels of the plan, one after the other. */
void board_play(const board_plan *plan, const file_bytes *reels, FILE *eye, FILE *ear,
                board_result *result);

#endif
