/* play_card.h - a whole board: plays all reels on a card, one after the other.
 *
 * Compile play_card.c, card.c, fat.c, panel.c, i2s.c and player.c, write the functions of
 * pins.h, and call play_card from main: one core, no operating system, no allocation. Or
 * call play_card_open and then play_card_fetch in one task and play_card_present in
 * another. `thumbreel firmware` writes both.
 *
 * Played are the files in the card's root folder whose names end in ".tbr" and do not
 * begin with a dot, in the order of their names (capitals count as small letters):
 * "01 harbour.tbr", "02 light.tbr". A reel for another panel, or one that cannot be
 * played, is passed over; play_card_skipped says which and why. A card that is missing or pulled is tried again every quarter
 * of a second; play goes on where it was, if the same file is there again.
 *
 * If there is a text file PLAYLIST.TXT in the root folder, it says what is played instead,
 * in which order, how often, and from where to where: playlist.h describes it. A line
 * whose file is not there is passed over. What lies past an end mark is neither shown nor
 * heard, but for a fall of the sound within 15 ms; the last 40 ms of pictures before it may
 * stand. Each repetition is an item of its own: player.item counts them.
 */
#ifndef THUMBREEL_PLAY_CARD_H
#define THUMBREEL_PLAY_CARD_H

#include "card.h"
#include "fat.h"
#include "i2s.h"
#include "panel.h"
#include "player.h"

#ifdef __cplusplus
extern "C" {
#endif

/* The list in the card's root folder. */
#define PLAY_CARD_LIST "PLAYLIST.TXT"

typedef struct play_card_setup {
    tbr_panel_setup panel;
    uint32_t card_hz; /* the card's clock, up to 25 MHz */
    /* Memory; README.md says how much. */
    uint8_t *ring;
    uint32_t ring_buffer_bytes;
    uint32_t *work;
    uint32_t work_bytes;
    int16_t *queue;
    uint32_t queue_samples; /* a power of two */
    uint32_t read_bytes;    /* most bytes of one read from the card; 0: 4096 */
    uint32_t sound_rate;    /* samples per second that the port starts at; 0: 16,000 */
    uint8_t loop;           /* begin again after the last file, unless a list says otherwise */
    uint8_t shared_port;    /* card and panel on one port: a transfer is over before the
                               next access to the card */
    /* Every so many seconds pins_position_save keeps where play is, and after power-off
     * play goes on there; 0: never. At most 4000. */
    uint16_t save_seconds;
    /* With a shared port and two tasks: takes (1) and gives back (0) the port's mutex.
     * NULL: there is none. */
    void (*lock)(int on);
    /* Called once per step, NULL for nothing: buttons and status pages. It may call
     * tbr_player_pause, _seek, _volume and _stop. */
    void (*every_step)(tbr_player *player);
} play_card_setup;

/* Plays; returns TBR_PLAYER_ENDED after the last file. */
int play_card(const play_card_setup *setup);

/* The same in two tasks. Before both start: sets everything up, 0.3 s. */
void play_card_open(const play_card_setup *setup);
/* In one task, in a loop: one piece of reading ahead; 0 if there is nothing to do. */
int play_card_fetch(void);
/* In the other: what is due of sound and pictures; then sleep so many microseconds, 0 to
 * 5000. Below zero, or TBR_PLAYER_ENDED after the last file: end both tasks. */
int play_card_present(uint32_t *sleep);

/* Your sound port's interrupt calls this to have its next block filled: n samples, 10
 * ms or less; of 2 channels n frames. */
void play_card_sound(int16_t *block, uint32_t n, uint32_t channels);
/* Why there is no play: the last error of the card or its file system, or 0. */
int play_card_fault(void);
/* Why a reel was passed over, beside the errors of thumbreel.h. */
enum {
    PLAY_CARD_PANEL = -801,  /* its pictures lie past the panel's edges */
    PLAY_CARD_MISSING = -802 /* a line of the list whose file is not there */
};
/* Reels that were passed over since the start, each time anew. `item` gets the number of
 * the last in the order of play, from 0, `why` its error. */
uint32_t play_card_skipped(uint32_t *item, int *why);
/* What an error of these two functions means, with the way out, in one line. */
const char *play_card_reason(int error);
/* Lines of the list that were passed over since the start, each time anew: a file that is
 * not there, or words that mean nothing. `line` gets the number of the last, from 1. */
uint32_t play_card_passed_over(uint32_t *line);

#ifdef __cplusplus
}
#endif

#endif /* THUMBREEL_PLAY_CARD_H */
