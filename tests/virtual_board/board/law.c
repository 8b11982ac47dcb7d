/* The law of liveness: over seeded boards, links, memories and damages the
 * loop ends as it should or with an error that is true, never stands still for
 * long without a reason, and the sound never steps by more than the signal
 * does.
 *
 * law list=FILE from=SEED to=SEED      the list has one reel a line
 * law list=FILE from=SEED to=SEED ear=FILE      writes what the last one sounds like
 *
 * Prints a line for each seed that breaks the law, and a summary. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "board.h"
#include "load.h"
#include "words.h"

enum { MOST_REELS = 256 };

typedef struct reel {
    char path[512];
    file_bytes file;
    tbr_header header;
    int32_t step, peak; /* of the sound as it should be */
    int known;
} reel;

typedef struct trial {
    board_plan plan;
    file_bytes file;
    int damaged;      /* bytes of the reel were changed */
    int header_hit;   /* the header among them */
    int disturbed;    /* by reads that fail, a card that leaves, or buttons */
    int stopped;
} trial;

static reel reels[MOST_REELS];
static uint32_t count;
static uint32_t seed;
static FILE *ear;

static struct {
    uint32_t runs, broken, errors, dry, excused, damaged, late;
    nanos longest;
    uint32_t longest_seed;
} sum;

static uint32_t between(uint32_t least, uint32_t most)
{
    return least + chance(&seed, most - least + 1);
}

/* Evenly by powers: as many between 1 and 10 as between 10 and 100. */
static uint32_t scaled(uint32_t least, uint32_t most)
{
    double x = least;
    uint32_t i, steps = chance(&seed, 1000);
    double factor = 1.0;
    /* most = least * factor^1000, by bisection */
    double low = 1.0, high = 1.1;
    for (i = 0; i < 50; i++) {
        double all = 1.0;
        uint32_t k;
        factor = (low + high) / 2;
        for (k = 0; k < 1000; k++) {
            all *= factor;
        }
        if (all > (double)most / least) {
            high = factor;
        } else {
            low = factor;
        }
    }
    for (i = 0; i < steps; i++) {
        x *= factor;
    }
    return (uint32_t)x;
}

/* The least that a ring buffer may have. */
static uint32_t least(const tbr_header *h)
{
    return h->tables_length > h->largest_chunk ? h->tables_length : h->largest_chunk;
}

static int one_in(uint32_t n) { return chance(&seed, n) == 0; }

static void usual(board_plan *p, const reel *r)
{
    memset(p, 0, sizeof *p);
    p->glass.w = r->header.width;
    p->glass.h = r->header.height;
    p->glass.x = r->header.x_offset;
    p->glass.y = r->header.y_offset;
    p->glass.columns = p->glass.x + p->glass.w;
    p->glass.pages = p->glass.y + p->glass.h;
    p->glass.refresh_hz = 60;
    p->bus.clock_hz = 40000000;
    p->bus.lines = 1;
    p->card.clock_hz = 20000000;
    p->card.lines = 1;
    p->card.access = 300 * MICRO;
    p->link.bytes_per_second = 1000000;
    p->link.window = 5760;
    p->glue.bits = 16;
    p->glue.dma = 1;
    p->glue.x = r->header.x_offset;
    p->glue.y = r->header.y_offset;
    p->glue.width = r->header.width;
    p->glue.height = r->header.height;
    p->glue.window_ns = 20000;
    p->queue = r->header.clock_rate / 5;
    p->blocks = 4;
    p->cores = 2;
    p->items = 1;
    p->instructions = 100000000;
    p->per_pixel = 50;
    p->per_byte = 8;
    p->ring = 8 * least(&r->header);
    p->piece = 4096;
    p->work = board_work(&r->header);
    p->seed = 1;
    p->patience = 60 * SECOND;
    p->limit = 600 * SECOND;
}

/* The sound's own largest step, from a play that nothing disturbs. */
static void know(reel *r)
{
    board_plan plan;
    board_result result;
    if (r->known) {
        return;
    }
    usual(&plan, r);
    board_play(&plan, &r->file, NULL, NULL, &result);
    if (result.verdict != MACHINE_ENDED || result.said != TBR_PLAYER_ENDED ||
        result.counts.dry + result.heard.dry + result.counts.damaged > 0) {
        printf("%s does not play undisturbed: verdict %d, said %d\n", r->path, result.verdict,
               result.said);
        exit(1);
    }
    r->step = result.heard.step;
    r->peak = result.heard.peak;
    r->known = 1;
}

/* --- a trial ------------------------------------------------------------ */

static void disturb_source(trial *t, nanos length)
{
    board_plan *p = &t->plan;
    if (one_in(2)) {
        p->card.stall_every = between(100, 3000) * MILLI;
        p->card.stall_least = 5 * MILLI;
        p->card.stall_most = scaled(10, 1500) * MILLI;
    }
    p->link.stall_every = p->card.stall_every;
    p->link.stall_least = p->card.stall_least;
    p->link.stall_most = p->card.stall_most;
    if (one_in(3)) {
        p->glue.short_reads = 1 + chance(&seed, 1000000);
    }
    if (one_in(6) && p->glue.short_reads) {
        p->glue.fails_in_1000 = between(1, 30);
        t->disturbed = !p->glue.from_link;
    }
    if (one_in(8) && !p->glue.from_link) {
        p->card.gone_from = (nanos)between(0, 1000) * length / 1000;
        p->card.gone_until = p->card.gone_from + between(10, 4000) * MILLI;
        t->disturbed = 1;
    }
    if (one_in(10)) {
        p->card.bad_in_1000 = between(1, 20);
        t->disturbed |= !p->glue.from_link;
    }
}

static void press_buttons(trial *t, const reel *r, nanos length)
{
    board_plan *p = &t->plan;
    if (one_in(8)) {
        p->pause_at = 1 + (nanos)between(0, 1000) * length / 1000;
        p->resume_at = p->pause_at + between(1, 3000) * MILLI;
        t->disturbed = 1;
    }
    if (one_in(6) && !p->glue.from_link) {
        p->seek_at = 1 + (nanos)between(0, 1000) * length / 1000;
        p->seek_to = r->header.duration * between(0, 1010) / 1000;
        t->disturbed = 1;
    }
    if (one_in(16)) {
        p->stop_at = 1 + (nanos)between(0, 1000) * length / 1000;
        t->disturbed = 1;
        t->stopped = 1;
    }
}

static void choose(trial *t, const reel *r)
{
    board_plan *p = &t->plan;
    const uint32_t rate = r->header.clock_rate;
    const nanos length = (nanos)(r->header.duration * (uint64_t)SECOND / rate);
    const uint32_t mean = r->header.mean_rate;
    usual(p, r);
    p->seed = 1 + chance(&seed, 1000000);
    p->ring = (uint32_t)((uint64_t)least(&r->header) * between(1000, 4000) / 1000);
    p->ring = one_in(4) ? least(&r->header) : p->ring;
    p->piece = 512 * between(1, one_in(2) ? 4 : 32);
    p->cores = between(1, 2);
    p->glue.from_link = (uint8_t)one_in(3);
    p->glue.dma = (uint8_t)!one_in(4);
    p->card.shares_bus = (uint32_t)one_in(4);
    p->glue.mutex = (uint8_t)(p->card.shares_bus && p->cores == 2 && p->seed % 2);
    p->tasks = p->glue.mutex && p->seed % 4 == 1;
    p->card.lines = one_in(3) ? 4 : 1;
    p->card.clock_hz = scaled(1000000, 40000000);
    p->card.access = scaled(20, 3000) * MICRO;
    p->link.bytes_per_second = (uint64_t)mean * between(60, 600) / 100;
    p->link.window = scaled(1440, 30000);
    p->bus.clock_hz = scaled(400000, 80000000);
    p->glue.window_ns = scaled(1000, 300000);
    p->instructions = scaled(10000000, 300000000);
    /* Queues from 40 ms to half a second, in blocks of 3 to 10 ms. */
    p->queue = rate / 1000 * scaled(40, 500);
    p->blocks = 1 + p->queue / (rate / 1000 * between(3, 10));
    p->by_blocks = one_in(2);
    disturb_source(t, length);
    press_buttons(t, r, length);
}

static void damage(trial *t, const reel *r)
{
    uint8_t *bytes = malloc(r->file.length);
    uint32_t n = one_in(3) ? between(1, 12) : 0;
    memcpy(bytes, r->file.bytes, r->file.length);
    while (n-- > 0) {
        const int anywhere = one_in(40);
        const uint32_t at = anywhere ? chance(&seed, r->file.length)
                                     : TBR_SECTOR + chance(&seed, r->file.length - TBR_SECTOR);
        bytes[at] ^= (uint8_t)(1u << chance(&seed, 8));
        t->damaged = 1;
        t->header_hit |= at < TBR_SECTOR;
    }
    t->file.bytes = bytes;
    t->file.length = r->file.length;
    if (one_in(12)) {
        /* A copy that was broken off. */
        t->file.length = TBR_SECTOR * between(1, r->file.length / TBR_SECTOR);
        t->damaged = 1;
    }
}

/* --- the law ------------------------------------------------------------ */

/* Longest wait without anything read, heard or shown that needs no excuse: a
 * try in every quarter of a second to reach a source, the longest rest of 5 ms,
 * and a queue of sound that is as long as this one; without sound the time of
 * two pictures, as one in a row may be unchanged and is not sent. */
static nanos longest_wait(const trial *t, const reel *r, const board_result *result)
{
    const board_plan *p = &t->plan;
    nanos wait = 300 * MILLI;
    if (r->header.sound == TBR_NO_SOUND) {
        wait += (nanos)(2 * (uint64_t)SECOND * r->header.rate_den / r->header.rate_num);
        if (t->damaged || result->counts.waiting > 0) {
            wait = 11 * SECOND; /* a gap, or the way to the next key picture, is sat out */
        }
    } else {
        wait += (nanos)p->queue * SECOND / r->header.clock_rate;
    }
    return wait;
}

static int32_t most_step(const reel *r)
{
    /* The signal's own, and that of a fade in 10 ms from its peak. */
    return r->step + r->peak * 100 / (int32_t)r->header.clock_rate + 8;
}

static const char *broken(const trial *t, const reel *r, const board_result *result)
{
    if (result->verdict == MACHINE_FROZEN) {
        return "frozen";
    }
    if (result->verdict == MACHINE_LATE) {
        return "not over in ten minutes";
    }
    if (result->said < 0 && !t->header_hit) {
        return "an error that is not true";
    }
    if (result->said < 0) {
        return tbr_fault_side(result->said) == TBR_BYTES || tbr_fault_side(result->said) == TBR_NEWER
                   ? NULL
                   : "blames another";
    }
    if (result->said != TBR_PLAYER_ENDED) {
        return "did not end";
    }
    if (result->longest_wait > longest_wait(t, r, result)) {
        return "waits too long";
    }
    if (r->header.sound != TBR_NO_SOUND && result->heard.step > most_step(r)) {
        return "the sound steps";
    }
    if (result->heard.dry > result->heard.excused) {
        return "the sound queue ran empty unfaded";
    }
    if (!t->damaged && result->counts.damaged > 0) {
        return "finds damage where there is none";
    }
    if (!t->damaged && !t->disturbed && r->header.sound != TBR_NO_SOUND &&
        result->heard.given < r->header.duration) {
        return "samples are lost";
    }
    if (!t->damaged && !t->stopped && result->counts.shown == 0) {
        return "no picture was shown";
    }
    return NULL;
}

static void tell(uint32_t number, const char *what, const trial *t, const reel *r,
                 const board_result *b)
{
    const board_plan *p = &t->plan;
    printf("seed %u: %s; %s rate %u/%u sound %u; ring %.2f queue %.0f ms in %u by %d cores %u dma %u "
           "link %u shared %u mutex %u piece %u damaged %d disturbed %d; said %d wait %.0f ms step %d of "
           "%d at %llu dry %u/%u/%u shown %u late %u waiting %u lost %u\n",
           number, what, strrchr(r->path, '/') ? strrchr(r->path, '/') + 1 : r->path,
           r->header.rate_num, r->header.rate_den, r->header.sound,
           (double)p->ring / least(&r->header), 1000.0 * p->queue / r->header.clock_rate,
           p->blocks, p->by_blocks, p->cores, p->glue.dma, p->glue.from_link, p->card.shares_bus, p->glue.mutex,
           p->piece,
           t->damaged, t->disturbed, b->said, (double)b->longest_wait / 1e6, b->heard.step,
           most_step(r), (unsigned long long)b->heard.step_at, b->counts.dry, b->heard.dry,
           b->heard.excused, b->counts.shown, b->counts.late, b->counts.waiting, b->counts.lost);
}

static void try_seed(uint32_t number, int loud)
{
    trial t;
    board_result result;
    const char *what;
    reel *r;
    seed = number * 2654435761u + 97;
    chance(&seed, 2);
    r = &reels[chance(&seed, count)];
    know(r);
    memset(&t, 0, sizeof t);
    choose(&t, r);
    damage(&t, r);
    board_play(&t.plan, &t.file, NULL, loud ? ear : NULL, &result);
    what = broken(&t, r, &result);
    sum.runs++;
    sum.broken += what != NULL;
    sum.errors += result.said < 0;
    sum.dry += result.counts.dry;
    sum.excused += result.heard.excused;
    sum.damaged += (uint32_t)t.damaged;
    sum.late += result.counts.late;
    if (result.longest_wait > sum.longest && r->header.sound != TBR_NO_SOUND) {
        sum.longest = result.longest_wait;
        sum.longest_seed = number;
    }
    if (what != NULL || loud) {
        tell(number, what != NULL ? what : "holds", &t, r, &result);
        fflush(stdout);
    }
    free((void *)t.file.bytes);
}

static void read_list(const char *path)
{
    FILE *list = fopen(path, "r");
    while (list != NULL && count < MOST_REELS && fgets(reels[count].path, 512, list) != NULL) {
        reel *r = &reels[count];
        r->path[strcspn(r->path, "\n")] = 0;
        r->file = load(r->path);
        if (board_header(&r->file, &r->header) != TBR_OK) {
            fprintf(stderr, "%s is no reel\n", r->path);
            exit(2);
        }
        count++;
    }
    if (count == 0) {
        fprintf(stderr, "no reels in %s\n", path);
        exit(2);
    }
    fclose(list);
}

int main(int argc, char **argv)
{
    uint32_t from, to, i;
    words_are(argc, argv);
    read_list(word("list", "list"));
    from = (uint32_t)number("from", 1);
    to = (uint32_t)number("to", 100);
    if (word("ear", NULL) != NULL) {
        ear = fopen(word("ear", NULL), "wb");
    }
    words_end();
    for (i = from; i <= to; i++) {
        try_seed(i, from == to);
    }
    printf("runs %u broken %u errors %u dry %u excused %u damaged %u late %u longest_ms %lld "
           "longest_seed %u\n",
           sum.runs, sum.broken, sum.errors, sum.dry, sum.excused, sum.damaged, sum.late,
           (long long)(sum.longest / MILLI), sum.longest_seed);
    return sum.broken > 0;
}
