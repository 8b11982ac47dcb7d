/* player.h - the playback loop: reel in, pictures and sound out, in step.
 *
 * Copy thumbreel.h, player.h and player.c into your project. One source file of
 * yours defines THUMBREEL_IMPLEMENTATION before it includes thumbreel.h; player.c
 * is compiled like any other source file. You write eight small functions; README.md beside this file says what to wire where.
 *
 * One core:   tbr_player_open, then tbr_player_run until it returns something
 *             other than TBR_PLAYER_ITEM. Or call tbr_player_step in a loop of
 *             your own.
 * Two cores:  the same tbr_player_open; then one core calls
 *             tbr_player_fetch (reads ahead), the other tbr_player_present
 *             (sound and pictures), each in its own loop. They share nothing
 *             but a queue with one writer and one reader. All other functions
 *             belong to the core that presents.
 *
 * Rules of play
 *   Sound is the master clock: a picture is shown when the sample it belongs
 *   to is heard. Without sound the hook `clock` takes its place.
 *   A picture that is late by more than a picture's time is not sent: coding
 *   "patch" decodes it and sends its changes with the next one; a raw one is
 *   passed over if the next one is a key picture. Later than
 *   TBR_PLAYER_LATEST, pictures are passed over up to the next key picture;
 *   sooner if they hold memory that the sound to come needs.
 *   A picture that is missing is repeated: the panel keeps its own.
 *   What is damaged costs itself: sound is silent for as long as it would have
 *   lasted, pictures stand until the next key picture.
 *   When the memory underruns, sound fades out, time stands still, and play
 *   goes on when it has filled again.
 *   Sound never jumps: every break ends in a short fall to zero and begins
 *   with a short rise.
 */
#ifndef THUMBREEL_PLAYER_H
#define THUMBREEL_PLAYER_H

#include "thumbreel.h"

#ifdef __cplusplus
extern "C" {
#endif

/* Results of the hooks `read`, besides a count, and `seek`, besides 0. */
enum { TBR_READ_END = -1, TBR_READ_FAILED = -2 };

/* A JPEG picture (ITU-T T.81: baseline, 4:2:0). Many decoders want a whole file:
 * that is the first 2 of `bytes` (SOI), all of `tables`, and the rest of `bytes`. */
typedef struct tbr_jpeg {
    const uint8_t *bytes; /* from SOI to EOI, without the tables that all share */
    uint32_t length;
    const uint8_t *tables; /* DQT and DHT segments, without SOI and EOI */
    uint32_t tables_length;
    tbr_rect panel;    /* where the picture lies in the panel's memory */
    uint8_t low_first; /* order of a pixel's bytes: 0 high first, 1 low first */
} tbr_jpeg;

/* What the board can do. All get `user`. */
typedef struct tbr_hooks {
    void *user;
    /* Reads up to n of the bytes that follow, and returns how many; 0: none
     * yet; TBR_READ_END; TBR_READ_FAILED: try again later. */
    int32_t (*read)(void *user, void *to, uint32_t n);
    /* Goes to a byte offset in item 0, 1, ... of the list, and returns 0;
     * TBR_READ_END: the list has no such item; TBR_READ_FAILED: it cannot be
     * reached now, try again later. Also called before `read` is tried again
     * after a failure: mount the card and open the file afresh. NULL if the
     * source cannot seek. */
    int (*seek)(void *user, uint32_t item, uint64_t offset);
    /* Sends a rectangle to the panel. May return while a transfer is running,
     * unless the port is shared with what `read` uses. */
    tbr_send window;
    /* Returns when the last transfer is over. NULL if `window` waits for its own. */
    void (*window_wait)(void *user);
    /* Takes up to n samples into the queue that is being played, and returns
     * how many it took, without waiting. It plays zeros when the queue is empty. It holds 40 ms
     * or more, and is played in blocks of 10 ms or less. */
    uint32_t (*sound)(void *user, const int16_t *samples, uint32_t n);
    /* Samples taken and not heard yet; of a block in flight all of them. */
    uint32_t (*sound_left)(void *user);
    /* Microseconds since some start, modulo 2^32. */
    uint32_t (*clock)(void *user);
    /* Nothing to do for about so many microseconds. Buttons may be read here. NULL
     * if tbr_player_run is not used. */
    void (*yield)(void *user, uint32_t microseconds);
    /* Decodes a JPEG picture and sends it to the panel, colours as they are in
     * it. Below zero: it cannot be decoded. No transfer is running when it is
     * called. May return while one is running, but not while it reads from the
     * picture. NULL without a decoder: reels of coding JPEG are TBR_CODING then. */
    int (*jpeg)(void *user, const tbr_jpeg *picture);
} tbr_hooks;

/* Memory and habits. */
typedef struct tbr_player_setup {
    uint8_t *ring;       /* slices as they come, each in one piece; at least
                            header.largest_chunk (and tables_length, of JPEG), three
                            times that to play smoothly */
    uint32_t ring_buffer_bytes; /* the more, the longer a stall is ridden out */
    void *work;          /* header.working_memory bytes, aligned to 4; of JPEG reels
                            header.tables_length */
    uint32_t work_bytes;
    uint32_t piece;      /* most bytes in one read; 512 or more, else TBR_MEMORY */
    uint8_t loop;        /* repeat the list */
} tbr_player_setup;

/* What tbr_player_run, _step and _present return; errors of thumbreel.h too. After
 * an error in item player->item the list goes on if you call
 * tbr_player_seek(player, player->item + 1, 0). */
enum {
    TBR_PLAYER_GOES_ON = 0,
    TBR_PLAYER_IDLE = 1,  /* nothing to do just now */
    TBR_PLAYER_ITEM = 2,  /* a reel begins, player->header and ->item tell which; if it
                             has sound of another rate than the port's, the queue is
                             empty: set the port; then go on */
    TBR_PLAYER_ENDED = 3  /* all has been seen and heard, the last transfer is over */
};

/* Counters, for a status page or a log. Pictures of slices that were lost are in
 * none of them. */
typedef struct tbr_player_counts {
    uint32_t shown;   /* pictures sent */
    uint32_t late;    /* decoded but sent with a later one, or passed over */
    uint32_t waiting; /* passed over for want of a key picture */
    uint32_t damaged; /* stretches of the reel that could not be used */
    uint32_t broken;  /* pictures and sound blocks that break their coding */
    uint32_t dry;     /* times the memory underran */
    uint32_t starved; /* times the sound queue was empty before it got more */
    uint32_t lost;    /* times the source failed: no card, for one */
} tbr_player_counts;

#define TBR_PLAYER_SLOTS 32u /* a power of two */
#define TBR_PLAYER_BLOCK 64u /* samples made at a time */
/* Later than this, in parts of a second, pictures wait for a key picture. */
#define TBR_PLAYER_LATEST 1
/* Time between tries to reach a source that failed, in microseconds. */
#define TBR_PLAYER_RETRY 250000u
/* Longest silence for a gap, in seconds; past a longer one play goes on. */
#define TBR_PLAYER_LONGEST_GAP 10u

/* One entry of the queue: a stretch of the ring. */
typedef struct tbr_player_slot {
    int64_t start; /* the presenting side's: when its first tick is heard */
    uint32_t at, bytes;
    int32_t code; /* an item's number, the result of an end or an error */
    uint8_t kind, generation, restart, stale;
} tbr_player_slot;

/* The side that reads ahead. */
typedef struct tbr_player_fetcher {
    tbr_reader reader;
    uint64_t goal; /* where to start in the item that is being opened */
    uint32_t item, head, retry_at;
    uint8_t generation, state, restart;
    uint8_t wants_tables; /* JPEG tables come before anything else */
} tbr_player_fetcher;

typedef struct tbr_player {
    tbr_header header; /* of the reel that is playing */
    uint32_t item;     /* its number in the list; after an error that of the bad one */
    tbr_player_counts counts;
    tbr_hooks hooks;
    tbr_player_setup setup;
    /* written by the fetching side */
    tbr_player_slot slots[TBR_PLAYER_SLOTS];
    uint32_t put;
    uint8_t stuck;
    tbr_player_fetcher fetcher;
    /* written by the presenting side */
    uint32_t got;
    uint8_t generation, refused;
    uint32_t goal_item;
    uint64_t goal_tick;
    /* the presenting side's own */
    tbr_decoder decoder;
    tbr_sound block;
    tbr_slice slice;
    tbr_picture picture;
    int16_t samples[TBR_PLAYER_BLOCK];
    int64_t made;        /* ticks made, given to the sound queue or not yet */
    int64_t taken;       /* ticks given to the sound queue */
    int64_t clock_time;  /* without sound: the tick that is being "heard" */
    int64_t from;        /* only the last picture before this is sent: a seek */
    uint64_t expected;   /* reel time of the next slice */
    uint64_t position;   /* reel time of the picture that is on; UINT64_MAX before */
    uint64_t slice_time; /* reel time of the slice it is in */
    uint64_t skip;       /* ticks to pass over: a seek into a slice */
    uint64_t clock_rest;
    uint32_t tables;     /* bytes of JPEG tables in the working memory */
    uint32_t hear, see;  /* the slots that sound and pictures are at */
    uint32_t silence, tail; /* zeros to come; samples of a fall to zero to come */
    uint32_t sample_at, sample_end;
    uint32_t clock_last;
    int32_t gain, volume, last;
    int error;
    uint8_t state, hearing, seeing, has_picture, need_key, need_expected;
    uint8_t paused, wants_seek, wants_stop, window_open, is_open, says_item;
    uint8_t sounded; /* what was given last may not be zero */
    uint32_t want_item;
    uint64_t want_tick;
} tbr_player;

/* Sets everything up; the reel itself is opened by the first calls that follow.
 * TBR_MEMORY if the ring buffer or `piece` is less than a sector. */
int tbr_player_open(tbr_player *player, const tbr_hooks *hooks, const tbr_player_setup *setup);
/* One core: plays, yields while idle, and returns only with something to say. */
int tbr_player_run(tbr_player *player);
/* One core: one round of presenting and reading ahead. */
int tbr_player_step(tbr_player *player);
/* Two cores: one piece of reading ahead; returns 1 if it did something. */
int tbr_player_fetch(tbr_player *player);
/* Two cores: what is due of sound and pictures. */
int tbr_player_present(tbr_player *player);
/* Goes to a tick of item 0, 1, ... of the list. TBR_CALL if the source cannot seek. */
int tbr_player_seek(tbr_player *player, uint32_t item, uint64_t tick);
/* Fades out and stands still; or goes on. */
void tbr_player_pause(tbr_player *player, int paused);
/* 0 to 32768, reached by a ramp of 10 ms. 32768 leaves samples as they are. */
void tbr_player_volume(tbr_player *player, int32_t volume);
/* Fades out, plays a moment of silence, and ends. */
void tbr_player_stop(tbr_player *player);
/* Microseconds until something is due, 0 to 5000. */
uint32_t tbr_player_idle(tbr_player *player);

#ifdef __cplusplus
}
#endif

#endif /* THUMBREEL_PLAYER_H */
