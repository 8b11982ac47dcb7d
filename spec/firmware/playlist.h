/* playlist.h - reads a line of PLAYLIST.TXT: which reel, from where to where, how often.
 *
 * C99, no allocation, no recursion. A list is a text, one reel to a line:
 *
 *     # Lantern room, summer
 *     repeat
 *     01 harbour.tbr
 *     02 light.tbr from 0:12 to 0:20.5 times 3
 *     evening/ferry.tbr times 2
 *
 * A line is empty, a comment (#), `repeat` or `once` alone, which say whether the list
 * begins again after its end, or a reel's file name that ends in .tbr, with words behind
 * it, each at most once: `from TIME`, `to TIME` (seconds, m:ss or h:mm:ss, with up to
 * three decimals), `times N` (1 to 9999), or `repeat` (this reel until power-off).
 * Whatever else stands there is no such line, and is passed over. Line ends are LF or
 * CR LF; a byte order mark is passed over; letters count in either case.
 */
#ifndef THUMBREEL_PLAYLIST_H
#define THUMBREEL_PLAYLIST_H

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* Bytes of a file's name with its folders, the 0 at the end included. */
#define TBR_LIST_NAME 256u
/* Bytes of a line; a longer one is passed over. */
#define TBR_LIST_LINE 320u
/* Bytes of a list that are read; what lies behind them is not. */
#define TBR_LIST_BYTES 16384u
#define TBR_LIST_MOST_TIMES 9999u
/* The latest time of a mark, in milliseconds: a hundred hours. */
#define TBR_LIST_LATEST 360000000u

/* What a line is. */
enum {
    TBR_LIST_NOTHING = 0, /* empty, or a comment */
    TBR_LIST_REEL = 1,
    TBR_LIST_REPEAT = 2, /* the whole list again */
    TBR_LIST_ONCE = 3,
    TBR_LIST_WRONG = -701 /* none of these */
};

typedef struct tbr_list_entry {
    uint32_t from, to;  /* milliseconds from the reel's start; to = 0: its end */
    uint32_t times;     /* 0: until power-off */
    char name[TBR_LIST_NAME];
} tbr_list_entry;

/* Reads a line of n bytes, without its end. Only of TBR_LIST_REEL is `entry` filled. */
int tbr_list_line(const char *line, uint32_t n, tbr_list_entry *entry);

#ifdef __cplusplus
}
#endif

#endif /* THUMBREEL_PLAYLIST_H */
