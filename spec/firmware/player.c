/* player.c - the playback loop. player.h is its manual. */
#include "player.h"

#ifndef THUMBREEL_PLAYER_C
#define THUMBREEL_PLAYER_C

/* What one side wrote is seen by the other only after these. Plain loads and
 * stores of a byte or a word are whole on every core that this is for; those of
 * <stdatomic.h> become calls of a library on some (Cortex-M0+ by clang). */
#ifdef __GNUC__
#define TBR_FENCE(order) __atomic_thread_fence(order)
#elif !defined(TBR_FENCE)
#error "define TBR_FENCE(order) as a memory barrier of your compiler's"
#endif

static uint32_t tbr_take32(const uint32_t *field)
{
    const uint32_t value = *(const volatile uint32_t *)field;
    TBR_FENCE(__ATOMIC_ACQUIRE);
    return value;
}

static uint8_t tbr_take8(const uint8_t *field)
{
    const uint8_t value = *(const volatile uint8_t *)field;
    TBR_FENCE(__ATOMIC_ACQUIRE);
    return value;
}

static void tbr_give32(uint32_t *field, uint32_t value)
{
    TBR_FENCE(__ATOMIC_RELEASE);
    *(volatile uint32_t *)field = value;
}

static void tbr_give8(uint8_t *field, uint8_t value)
{
    TBR_FENCE(__ATOMIC_RELEASE);
    *(volatile uint8_t *)field = value;
}

enum {
    TBR_SLOT_ITEM,
    TBR_SLOT_TABLES,
    TBR_SLOT_SLICE,
    TBR_SLOT_END,
    TBR_SLOT_ERROR,
    TBR_SLOT_REFUSED /* an item that cannot be played; its error is in `code` */
};

/* --- reading ahead ------------------------------------------------------ */

enum { TBR_FETCH_OPEN, TBR_FETCH_READ, TBR_FETCH_LOST, TBR_FETCH_DONE };

/* Bytes free at the ring buffer's head without a break; with `wrapped`, at its start. */
static uint32_t tbr_fetch_free(tbr_player *p, int wrapped)
{
    const tbr_player_fetcher *f = &p->fetcher;
    const uint32_t got = tbr_take32(&p->got);
    const uint32_t tail = got == p->put ? 0 : p->slots[got % TBR_PLAYER_SLOTS].at;
    if (p->put - got >= TBR_PLAYER_SLOTS - 1) {
        return 0;
    }
    if (got == p->put) {
        return wrapped ? p->setup.ring_buffer_bytes : p->setup.ring_buffer_bytes - f->head;
    }
    if (f->head <= tail) {
        return wrapped ? 0 : tail - f->head;
    }
    return wrapped ? tail : p->setup.ring_buffer_bytes - f->head;
}

/* Finds room for `bytes` and moves the head there; 0 if there is none yet. */
static int tbr_fetch_find(tbr_player *p, uint32_t bytes)
{
    if (tbr_fetch_free(p, 0) >= bytes) {
        return 1;
    }
    if (tbr_fetch_free(p, 1) >= bytes) {
        p->fetcher.head = 0;
        return 1;
    }
    return 0;
}

static void tbr_fetch_put(tbr_player *p, uint8_t kind, uint32_t bytes, int32_t code)
{
    tbr_player_fetcher *f = &p->fetcher;
    tbr_player_slot *s = &p->slots[p->put % TBR_PLAYER_SLOTS];
    TBR_FILL(s, 0, sizeof *s);
    s->kind = kind;
    s->at = f->head;
    s->bytes = bytes;
    s->code = code;
    s->generation = f->generation;
    if (kind == TBR_SLOT_SLICE) {
        s->restart = f->restart;
        s->stale = f->reader.stale;
        f->restart = 0;
        f->reader.stale = 0;
    }
    f->head += bytes;
    tbr_give32(&p->put, p->put + 1);
}

static int tbr_fetch_wait(tbr_player *p)
{
    tbr_give8(&p->stuck, 1);
    return 0;
}

static void tbr_fetch_finish(tbr_player *p, uint8_t kind, int32_t code)
{
    tbr_fetch_put(p, kind, 0, code);
    p->fetcher.state = TBR_FETCH_DONE;
}

static int tbr_fetch_failed(tbr_player *p)
{
    p->counts.lost++;
    p->fetcher.state = TBR_FETCH_LOST;
    p->fetcher.retry_at = p->hooks.clock(p->hooks.user) + TBR_PLAYER_RETRY;
    return 0;
}

/* The list has no such item: begins again, or is over. */
static int tbr_fetch_last(tbr_player *p)
{
    tbr_player_fetcher *f = &p->fetcher;
    if (p->setup.loop && f->item > 0) {
        f->item = 0;
    } else {
        tbr_fetch_finish(p, TBR_SLOT_END, 0);
    }
    return 1;
}

/* Opens the item, at its beginning. */
static int tbr_fetch_open(tbr_player *p)
{
    tbr_player_fetcher *f = &p->fetcher;
    const tbr_hooks *h = &p->hooks;
    int said;
    if (!tbr_fetch_find(p, TBR_SECTOR)) {
        return tbr_fetch_wait(p);
    }
    tbr_reader_open(&f->reader, p->setup.ring + f->head, tbr_fetch_free(p, 0));
    f->reader.capacity = p->setup.ring_buffer_bytes;
    f->reader.asks = 1;
    said = h->seek == NULL ? 0 : h->seek(h->user, f->item, 0);
    if (said == TBR_READ_END) {
        return tbr_fetch_last(p);
    }
    if (said < 0) {
        return tbr_fetch_failed(p);
    }
    f->state = TBR_FETCH_READ;
    return 1;
}

/* After the end of an item: the next one, or the first one again. */
static int tbr_fetch_next_item(tbr_player *p)
{
    tbr_player_fetcher *f = &p->fetcher;
    if (p->hooks.seek == NULL) {
        tbr_fetch_finish(p, TBR_SLOT_END, 0);
        return 1;
    }
    f->item++;
    f->state = TBR_FETCH_OPEN;
    return 1;
}

/* Tries to reach a source that failed, from time to time. */
static int tbr_fetch_retry(tbr_player *p)
{
    tbr_player_fetcher *f = &p->fetcher;
    const tbr_hooks *h = &p->hooks;
    if ((int32_t)(h->clock(h->user) - f->retry_at) < 0) {
        return 0;
    }
    if (h->seek != NULL && !f->reader.has_header) {
        f->state = TBR_FETCH_OPEN; /* from its beginning: it may be another card */
        return 1;
    }
    if (h->seek != NULL && h->seek(h->user, f->item, f->reader.position) < 0) {
        f->retry_at = h->clock(h->user) + TBR_PLAYER_RETRY;
        return 0;
    }
    f->state = TBR_FETCH_READ;
    return 1;
}

/* Reads one piece of what the reader wants. */
static int tbr_fetch_piece(tbr_player *p)
{
    tbr_reader *r = &p->fetcher.reader;
    const tbr_hooks *h = &p->hooks;
    uint8_t *to;
    uint32_t n;
    int32_t got;
    if (h->seek != NULL && tbr_reader_ahead(r) != 0 &&
        h->seek(h->user, p->fetcher.item, tbr_reader_jump(r)) < 0) {
        return tbr_fetch_failed(p);
    }
    n = tbr_reader_room(r, &to);
    got = h->read(h->user, to, n < p->setup.piece ? n : p->setup.piece);
    if (got == TBR_READ_END || (got < 0 && h->seek == NULL)) {
        tbr_reader_ended(r);
        return 1;
    }
    if (got < 0) {
        return tbr_fetch_failed(p);
    }
    tbr_reader_added(r, (uint32_t)got);
    return got > 0;
}

/* Before more is read there must be a place for what is wanted. What was read of
 * a chunk lies at the head already, behind the one before. */
static int tbr_fetch_has_place(tbr_player *p)
{
    tbr_player_fetcher *f = &p->fetcher;
    if (f->reader.filled > 0 && f->reader.size >= f->reader.want) {
        return 1;
    }
    if (!tbr_fetch_find(p, TBR_SECTOR)) {
        return 0;
    }
    tbr_reader_place(&f->reader, p->setup.ring + f->head, tbr_fetch_free(p, 0));
    return 1;
}

/* Goes to where play is to start, once what lies before the slices is read. */
static int tbr_fetch_to_goal(tbr_player *p)
{
    tbr_player_fetcher *f = &p->fetcher;
    const int goes = f->goal > f->reader.header.first_tick;
    f->wants_tables = 0;
    if (goes) {
        f->restart = 1;
        tbr_reader_seek(&f->reader, f->goal);
    }
    f->goal = 0;
    return goes;
}

static int tbr_fetch_place_chunk(tbr_player *p)
{
    tbr_player_fetcher *f = &p->fetcher;
    const uint32_t length = f->reader.chunk.length;
    if (f->reader.chunk.kind == TBR_SLICE && tbr_fetch_to_goal(p)) {
        return 1; /* the tables that should have come first are lost */
    }
    if (length > p->setup.ring_buffer_bytes) {
        tbr_fetch_finish(p, TBR_SLOT_ERROR, TBR_MEMORY); /* a slice, or JPEG's tables */
        return 1;
    }
    if (!tbr_fetch_find(p, length > f->reader.filled ? length : f->reader.filled)) {
        return tbr_fetch_wait(p);
    }
    tbr_reader_place(&f->reader, p->setup.ring + f->head, tbr_fetch_free(p, 0));
    return 1;
}

static int tbr_fetch_header(tbr_player *p)
{
    tbr_player_fetcher *f = &p->fetcher;
    const tbr_header *h = &f->reader.header;
    tbr_fetch_put(p, TBR_SLOT_ITEM, TBR_SECTOR, (int32_t)f->item);
    f->wants_tables = h->coding == TBR_JPEG && h->tables_length > 0;
    if (!f->wants_tables) {
        tbr_fetch_to_goal(p);
    }
    return 1;
}

static int tbr_fetch_tables(tbr_player *p)
{
    tbr_fetch_put(p, TBR_SLOT_TABLES, p->fetcher.reader.chunk.length, 0);
    tbr_fetch_to_goal(p);
    return 1;
}

static int tbr_fetch_event(tbr_player *p, int event)
{
    switch (event) {
    case TBR_EV_HEADER:
        return tbr_fetch_header(p);
    case TBR_EV_PLACE:
        return tbr_fetch_place_chunk(p);
    case TBR_EV_CHUNK:
        return tbr_fetch_tables(p);
    case TBR_EV_SLICE:
        p->counts.damaged += p->fetcher.reader.lost;
        tbr_fetch_put(p, TBR_SLOT_SLICE, p->fetcher.reader.chunk.length, 0);
        return 1;
    case TBR_EV_DAMAGE:
        p->counts.damaged++;
        return 1;
    case TBR_EV_END:
        return tbr_fetch_next_item(p);
    default:
        tbr_fetch_finish(p, TBR_SLOT_ERROR, event);
        return 1;
    }
}

static int tbr_fetch_read(tbr_player *p)
{
    const int event = tbr_reader_next(&p->fetcher.reader);
    if (event != TBR_EV_MORE) {
        return tbr_fetch_event(p, event);
    }
    return tbr_fetch_has_place(p) ? tbr_fetch_piece(p) : tbr_fetch_wait(p);
}

/* The presenting side wants to be elsewhere, and has let go of everything. */
static int tbr_fetch_begin(tbr_player *p, uint8_t generation)
{
    tbr_player_fetcher *f = &p->fetcher;
    tbr_reader *r = &f->reader;
    if (tbr_take32(&p->got) != p->put) {
        return 0;
    }
    f->generation = generation;
    f->head = 0;
    f->goal = p->goal_tick;
    f->restart = 1;
    f->state = TBR_FETCH_READ;
    if (f->item != p->goal_item || !r->has_header || r->failed != TBR_OK || f->wants_tables ||
        p->refused) {
        f->item = p->goal_item;
        f->state = TBR_FETCH_OPEN;
        return 1;
    }
    tbr_reader_place(r, p->setup.ring, p->setup.ring_buffer_bytes);
    tbr_reader_seek(r, f->goal);
    f->goal = 0;
    return 1;
}

static int tbr_fetch_any(tbr_player *p)
{
    const uint8_t generation = tbr_take8(&p->generation);
    if (generation != p->fetcher.generation) {
        return tbr_fetch_begin(p, generation);
    }
    switch (p->fetcher.state) {
    case TBR_FETCH_OPEN:
        return tbr_fetch_open(p);
    case TBR_FETCH_READ:
        return tbr_fetch_read(p);
    case TBR_FETCH_LOST:
        return tbr_fetch_retry(p);
    default:
        return 0;
    }
}

int tbr_player_fetch(tbr_player *p)
{
    const int did = tbr_fetch_any(p);
    if (did) {
        tbr_give8(&p->stuck, 0);
    }
    return did;
}

/* --- time --------------------------------------------------------------- */

enum { TBR_PLAY_FILL, TBR_PLAY_CATCH, TBR_PLAY_ON, TBR_PLAY_STOP, TBR_PLAY_OVER };

static int tbr_play_silent(const tbr_player *p) { return p->header.sound == TBR_NO_SOUND; }

/* The tick that is being heard, on the player's own endless time line. */
static int64_t tbr_play_now(const tbr_player *p)
{
    if (tbr_play_silent(p)) {
        return p->clock_time;
    }
    return p->taken - (int64_t)p->hooks.sound_left(p->hooks.user);
}

/* Ticks of a fade: 10 ms. */
static uint32_t tbr_play_fade(const tbr_player *p)
{
    return p->header.clock_rate < 100 ? 1 : p->header.clock_rate / 100;
}

/* Without sound, time goes by the clock, but not past what has been read. */
static void tbr_play_tick(tbr_player *p)
{
    const uint32_t clock = p->hooks.clock(p->hooks.user);
    const uint32_t passed = clock - p->clock_last;
    p->clock_last = clock;
    if (!tbr_play_silent(p) || p->state != TBR_PLAY_ON || p->paused) {
        return;
    }
    p->clock_rest += (uint64_t)passed * p->header.clock_rate;
    p->clock_time += (int64_t)(p->clock_rest / 1000000u);
    p->clock_rest %= 1000000u;
    if (p->clock_time > p->made) {
        p->clock_time = p->made;
    }
}

/* --- the queue, from the presenting side -------------------------------- */

static tbr_player_slot *tbr_play_slot(tbr_player *p, uint32_t number)
{
    return &p->slots[number % TBR_PLAYER_SLOTS];
}

/* Whether slot `number` was read before a seek, and is of no use since. What is
 * read once is: a header, tables. */
static int tbr_play_is_old(tbr_player *p, uint32_t number)
{
    const tbr_player_slot *s = tbr_play_slot(p, number);
    return s->generation != p->generation && s->kind > TBR_SLOT_TABLES;
}

static int tbr_play_has(tbr_player *p, uint32_t number)
{
    return number != tbr_take32(&p->put) && !tbr_play_is_old(p, number);
}

/* Waits for a transfer that may still read from memory to be changed. */
static void tbr_play_settle(tbr_player *p)
{
    if (p->window_open && p->hooks.window_wait != NULL) {
        p->hooks.window_wait(p->hooks.user);
    }
    p->window_open = 0;
}

enum { TBR_FROM_WORK = 1, TBR_FROM_RING = 2 };

/* Gives back the slots that neither sound nor pictures need. A raw picture is
 * sent from the ring buffer itself: its slot is kept while the transfer may run,
 * unless there is no other room to read into. */
static void tbr_play_release(tbr_player *p)
{
    const uint32_t done = p->hear - p->got < p->see - p->got ? p->hear : p->see;
    if (done == p->got) {
        return;
    }
    if (p->window_open & TBR_FROM_RING) {
        if (!tbr_take8(&p->stuck)) {
            return;
        }
        tbr_play_settle(p);
    }
    tbr_give32(&p->got, done);
}

/* Drops what was read before a seek. */
static void tbr_play_discard(tbr_player *p)
{
    while (p->hear != tbr_take32(&p->put) && tbr_play_is_old(p, p->hear)) {
        p->hear++;
        p->see = p->hear;
    }
}

/* Whether enough lies ready to begin. */
static int tbr_play_filled(tbr_player *p)
{
    uint32_t bytes = 0, i;
    const uint32_t put = tbr_take32(&p->put);
    if (tbr_take8(&p->stuck)) {
        return 1;
    }
    for (i = p->hear; i != put; i++) {
        const tbr_player_slot *s = tbr_play_slot(p, i);
        if (s->kind != TBR_SLOT_SLICE) {
            return 1;
        }
        bytes += s->bytes;
    }
    return bytes > 0 && bytes >= p->header.prebuffer;
}

/* --- sound -------------------------------------------------------------- */

/* Whether sound is to fade out now. */
static int tbr_hear_is_muted(const tbr_player *p)
{
    return p->paused || p->wants_seek || p->wants_stop;
}

/* Breaks the sound off: from the last sample down to zero, then `silence`. */
static void tbr_hear_break(tbr_player *p, uint32_t silence)
{
    const uint32_t fade = tbr_play_fade(p);
    /* What is silent already does not fall once more. */
    p->last = p->sounded ? p->last : 0;
    p->tail = silence != 0 && silence < fade ? silence : fade;
    p->silence = silence > p->tail ? silence - p->tail : 0;
    p->gain = 0;
    p->sounded = 0;
}

static void tbr_hear_drop(tbr_player *p, uint32_t n)
{
    while (n > 0) {
        n -= tbr_sound_read(&p->block, p->samples,
                            n < TBR_PLAYER_BLOCK ? n : TBR_PLAYER_BLOCK);
    }
}

/* Begins to play somewhere else in time: by a seek, or because a reel begins. */
static void tbr_hear_restart(tbr_player *p, tbr_player_slot *s, const tbr_chunk *c)
{
    p->skip = s->restart && p->goal_tick > c->time ? p->goal_tick - c->time : 0;
    p->from = p->made;
    p->clock_time = tbr_play_silent(p) ? p->made : p->clock_time;
    if (p->skip > 0) {
        p->state = TBR_PLAY_CATCH;
    }
    /* In the middle of sound it rises from silence. */
    if (c->time + p->skip > p->header.first_tick) {
        p->gain = 0;
    }
    p->expected = c->time;
    p->need_expected = 0;
    s->restart = 0;
}

/* Time that is missing before the slice: silence, and pictures stand. */
static int tbr_hear_gap(tbr_player *p, const tbr_chunk *c)
{
    uint64_t gap = c->time > p->expected ? c->time - p->expected : 0;
    /* What a seek passes over is no silence. */
    const uint64_t passed = gap < p->skip ? gap : p->skip;
    p->expected = c->time;
    p->skip -= passed;
    gap -= passed;
    if (gap == 0) {
        return 0;
    }
    if (gap > (uint64_t)p->header.clock_rate * TBR_PLAYER_LONGEST_GAP) {
        gap = 0;
    }
    if (tbr_play_silent(p)) {
        p->made += (int64_t)gap;
        return 0;
    }
    tbr_hear_break(p, (uint32_t)gap);
    return 1;
}

static void tbr_hear_open(tbr_player *p, const tbr_chunk *c, const uint8_t *bytes)
{
    const uint32_t left = c->ticks - (uint32_t)p->skip;
    tbr_slice slice;
    tbr_slice_open(&slice, &p->header, c, bytes);
    if (tbr_play_silent(p)) {
        p->made += left;
        p->hear++;
    } else if (slice.sound_code != TBR_OK) {
        /* Lost on its way: counted when it was read. */
        tbr_hear_break(p, left);
        p->hear++;
    } else if (tbr_sound_open(&p->block, p->header.sound, slice.sound, slice.sound_bytes,
                              c->ticks) == TBR_OK) {
        tbr_hear_drop(p, (uint32_t)p->skip);
        p->hearing = 1;
    } else {
        /* A block that breaks its coding is silent for as long. */
        p->counts.broken++;
        tbr_hear_break(p, left);
        p->hear++;
    }
    p->skip = 0;
}

/* Starts the slice at `hear`, or what must be heard before it. */
static int tbr_hear_slice(tbr_player *p)
{
    tbr_player_slot *s = tbr_play_slot(p, p->hear);
    const uint8_t *bytes = p->setup.ring + s->at;
    tbr_chunk c;
    tbr_slice_again(bytes, &c);
    if (s->restart || p->need_expected) {
        if (p->sounded) {
            tbr_hear_break(p, 0);
            return 1;
        }
        tbr_hear_restart(p, s, &c);
    }
    if (tbr_hear_gap(p, &c)) {
        return 1;
    }
    s->start = p->made - (int64_t)p->skip;
    p->expected = c.time + c.ticks;
    if (p->skip >= c.ticks) {
        p->skip -= c.ticks;
        p->hear++;
    } else {
        tbr_hear_open(p, &c, bytes);
    }
    return 1;
}

/* What must be there to decode pictures. */
static int tbr_hear_decoder(tbr_player *p, const tbr_header *h)
{
    const int code = tbr_decoder_open(&p->decoder, h, p->setup.work, p->setup.work_bytes);
    if (h->coding == TBR_JPEG && p->hooks.jpeg != NULL && code == TBR_CODING) {
        return TBR_OK;
    }
    return code;
}

/* Keeps the tables of a JPEG reel: their segments between SOI and EOI. */
static int tbr_hear_tables(tbr_player *p)
{
    const uint8_t *const bytes = p->setup.ring + tbr_play_slot(p, p->hear)->at;
    tbr_chunk c;
    if (p->see != p->hear) {
        return 0;
    }
    tbr_slice_again(bytes, &c);
    p->tables = c.bytes > 4 ? c.bytes - 4 : 0;
    if (p->tables > p->setup.work_bytes) {
        p->tables = 0;
        p->error = TBR_MEMORY;
        p->state = TBR_PLAY_OVER;
    }
    TBR_COPY(p->setup.work, bytes + TBR_CHUNK_HEADER + 2, p->tables);
    p->hear++;
    p->see = p->hear;
    return 1;
}

/* Whether the reel's sound follows in the queue without a break. If not, what is
 * in the queue is heard first, and the port can be set to another rate. */
static int tbr_hear_joins(const tbr_player *p, const tbr_header *h)
{
    return !tbr_play_silent(p) && h->sound != TBR_NO_SOUND &&
           h->clock_rate == p->header.clock_rate;
}

/* Makes the reel the one that is played, unless it is a part that goes on. */
static int tbr_hear_take(tbr_player *p, const tbr_header *h)
{
    const int goes_on = p->is_open && h->reel_id == p->header.reel_id &&
                        h->first_tick == p->expected && h->part > 1;
    p->header = *h;
    p->is_open = 1;
    p->taken = p->made;
    p->clock_time = p->made;
    if (goes_on) {
        return TBR_OK;
    }
    p->need_expected = 1;
    return tbr_hear_decoder(p, h);
}

/* Begins a reel, once everything of the one before has been seen. */
static int tbr_hear_item(tbr_player *p)
{
    tbr_player_slot *s = tbr_play_slot(p, p->hear);
    tbr_header h;
    int code;
    if (p->see != p->hear || p->sample_at != p->sample_end) {
        return 0;
    }
    code = tbr_header_read(p->setup.ring + s->at, &h);
    if (code == TBR_OK && !tbr_hear_joins(p, &h)) {
        if (p->sounded) {
            tbr_hear_break(p, 0);
            return 1;
        }
        if (tbr_play_now(p) < p->made) {
            return 0;
        }
    }
    tbr_play_settle(p);
    p->item = (uint32_t)s->code;
    code = code == TBR_OK ? tbr_hear_take(p, &h) : code;
    p->refused = code != TBR_OK;
    if (p->refused) {
        s->kind = TBR_SLOT_REFUSED; /* said when the sound before it is over */
        s->generation = p->generation;
        s->code = code;
        return 1;
    }
    p->says_item = 1;
    p->hear++;
    p->see = p->hear;
    return 1;
}

/* The end, once everything has been seen and heard. */
static int tbr_hear_end(tbr_player *p)
{
    if (p->sounded) {
        tbr_hear_break(p, 0);
        return 1;
    }
    if (p->see == p->hear && tbr_play_now(p) >= p->made) {
        const tbr_player_slot *s = tbr_play_slot(p, p->hear);
        /* The reading side stays at what it cannot read. */
        p->item = s->kind == TBR_SLOT_ERROR ? p->fetcher.item : p->item;
        p->error = s->code;
        p->state = TBR_PLAY_OVER;
    }
    return 0;
}

/* Nothing more lies ready: if it is still so when the queue is nearly played,
 * play stops to fill up. */
static int tbr_hear_dry(tbr_player *p)
{
    if (tbr_play_now(p) + 2 * (int64_t)tbr_play_fade(p) < p->made) {
        return 0;
    }
    if (tbr_play_silent(p) && p->clock_time < p->made) {
        return 0;
    }
    p->counts.dry++;
    p->state = TBR_PLAY_FILL;
    if (p->sounded) {
        tbr_hear_break(p, 0);
    }
    return 1;
}

/* Goes on to what lies at `hear`; returns 0 if nothing can be done now. */
static int tbr_hear_next(tbr_player *p)
{
    if (p->says_item) {
        return 0; /* it has to be heard of first */
    }
    if (!tbr_play_has(p, p->hear)) {
        return p->state == TBR_PLAY_ON ? tbr_hear_dry(p) : 0;
    }
    switch (tbr_play_slot(p, p->hear)->kind) {
    case TBR_SLOT_ITEM:
        return tbr_hear_item(p);
    case TBR_SLOT_TABLES:
        return tbr_hear_tables(p);
    case TBR_SLOT_SLICE:
        return tbr_hear_slice(p);
    default:
        return tbr_hear_end(p);
    }
}

/* Samples of the slice that is being heard, at their volume. */
static uint32_t tbr_hear_block(tbr_player *p)
{
    const int32_t goal = tbr_hear_is_muted(p) ? 0 : p->volume;
    const int32_t step = 32768 / (int32_t)tbr_play_fade(p) + 1;
    uint32_t n = TBR_PLAYER_BLOCK, i;
    if (goal == 0 && p->gain > 0 && tbr_hear_is_muted(p)) {
        /* No further than to silence. */
        const uint32_t falls = (uint32_t)(p->gain / step + 1);
        n = falls < n ? falls : n;
    }
    n = tbr_sound_read(&p->block, p->samples, n);
    for (i = 0; i < n; i++) {
        const int32_t way = goal - p->gain;
        p->gain += way > step ? step : way < -step ? -step : way;
        p->samples[i] = (int16_t)(p->samples[i] * p->gain / 32768);
    }
    p->sounded = 1;
    return n;
}

static uint32_t tbr_hear_tail(tbr_player *p)
{
    const int32_t fade = (int32_t)tbr_play_fade(p);
    uint32_t i;
    for (i = 0; i < TBR_PLAYER_BLOCK && p->tail > 0; i++) {
        p->tail--;
        p->samples[i] = (int16_t)(p->last * (int32_t)p->tail / fade);
    }
    return i;
}

static uint32_t tbr_hear_silence(tbr_player *p)
{
    const uint32_t n = p->silence < TBR_PLAYER_BLOCK ? p->silence : TBR_PLAYER_BLOCK;
    TBR_FILL(p->samples, 0, n * sizeof p->samples[0]);
    p->silence -= n;
    return n;
}

/* Makes the next few samples; 0 if there are none now. */
static uint32_t tbr_hear_make(tbr_player *p)
{
    for (;;) {
        if (p->tail > 0) {
            return tbr_hear_tail(p);
        }
        if (p->silence > 0) {
            return tbr_hear_silence(p);
        }
        if (p->state != TBR_PLAY_ON || (tbr_hear_is_muted(p) && p->gain == 0)) {
            return 0;
        }
        if (p->hearing && p->block.left > 0) {
            const uint32_t n = tbr_hear_block(p);
            p->last = p->samples[n - 1];
            return n;
        }
        if (p->hearing) {
            p->hearing = 0;
            p->hear++;
        } else if (!tbr_hear_next(p)) {
            return 0;
        }
    }
}

/* Whether the queue ran empty in the middle of sound, as when a read took longer
 * than it lasted. Zeros are being heard: what comes next rises from there. */
static void tbr_hear_starved(tbr_player *p)
{
    const int32_t step = 32768 / (int32_t)tbr_play_fade(p) + 1;
    const int falls = !p->sounded && (p->tail > 0 || p->sample_at != p->sample_end);
    int32_t rise = 0;
    uint32_t i;
    if ((!falls && !(p->sounded && p->gain > 0)) || p->hooks.sound_left(p->hooks.user) > 0) {
        return;
    }
    p->counts.starved++;
    p->last = 0;
    for (i = p->sample_at; i < p->sample_end; i++) {
        rise = falls ? 0 : rise + step < 32768 ? rise + step : 32768;
        p->last = p->samples[i] = (int16_t)(p->samples[i] * rise / 32768);
    }
    p->gain = p->gain * rise / 32768;
}

/* Fills the sound queue as far as it takes samples. */
static int tbr_hear_feed(tbr_player *p)
{
    int did = 0;
    tbr_hear_starved(p);
    for (;;) {
        uint32_t n;
        if (p->sample_at == p->sample_end) {
            p->sample_at = 0;
            p->sample_end = tbr_hear_make(p);
            p->made += p->sample_end;
        }
        n = p->sample_end - p->sample_at;
        n = n == 0 ? 0 : p->hooks.sound(p->hooks.user, p->samples + p->sample_at, n);
        if (n == 0) {
            return did;
        }
        p->sample_at += n;
        p->taken += n;
        did = 1;
    }
}

/* Without sound: looks an eighth of a second ahead. */
static int tbr_hear_follow(tbr_player *p)
{
    int did = 0;
    while (p->state == TBR_PLAY_ON &&
           p->made - p->clock_time <= (int64_t)(p->header.clock_rate / 8) && tbr_hear_next(p)) {
        did = 1;
    }
    return did;
}

static int tbr_hear(tbr_player *p)
{
    return tbr_play_silent(p) && p->is_open ? tbr_hear_follow(p) : tbr_hear_feed(p);
}

/* --- pictures ----------------------------------------------------------- */

/* Whether slot `number` is a slice whose time is known. */
static int tbr_see_started(tbr_player *p, uint32_t number)
{
    const int32_t ahead = (int32_t)(number - p->hear);
    return (ahead < 0 || (ahead == 0 && p->hearing)) &&
           tbr_play_slot(p, number)->kind == TBR_SLOT_SLICE;
}

static int64_t tbr_see_due(tbr_player *p, uint32_t number, const tbr_picture *picture)
{
    return tbr_play_slot(p, number)->start + picture->tick_offset;
}

static void tbr_see_open(tbr_player *p)
{
    const tbr_player_slot *s = tbr_play_slot(p, p->see);
    const uint8_t *bytes = p->setup.ring + s->at;
    tbr_chunk c;
    tbr_slice_again(bytes, &c);
    tbr_slice_open(&p->slice, &p->header, &c, bytes);
    p->slice_time = c.time;
    p->need_key |= (uint8_t)(s->stale || p->slice.code != TBR_OK);
    p->seeing = 1;
}

/* Finds the next picture; 0 if there is none yet. */
static int tbr_see_next(tbr_player *p)
{
    while (!p->has_picture) {
        if (!p->seeing && !tbr_see_started(p, p->see)) {
            return 0;
        }
        if (!p->seeing) {
            tbr_see_open(p);
        }
        p->has_picture = (uint8_t)tbr_slice_picture(&p->slice, &p->picture);
        if (!p->has_picture) {
            p->seeing = 0;
            p->see++;
        }
    }
    return 1;
}

/* The picture after the present one, if its time is known. */
static int tbr_see_peek(tbr_player *p, tbr_picture *picture, int64_t *due)
{
    tbr_slice slice = p->slice;
    tbr_chunk c;
    if (tbr_slice_picture(&slice, picture)) {
        *due = tbr_see_due(p, p->see, picture);
        return 1;
    }
    if (!tbr_see_started(p, p->see + 1)) {
        return 0;
    }
    tbr_slice_again(p->setup.ring + tbr_play_slot(p, p->see + 1)->at, &c);
    tbr_slice_open(&slice, &p->header, &c, p->setup.ring + tbr_play_slot(p, p->see + 1)->at);
    if (!tbr_slice_picture(&slice, picture)) {
        return 0;
    }
    *due = tbr_see_due(p, p->see + 1, picture);
    return 1;
}

/* Whether the next picture is due as well, so that this one need not be sent. */
static int tbr_see_superseded(tbr_player *p, int64_t now)
{
    tbr_picture next;
    int64_t due;
    if (!tbr_see_peek(p, &next, &due) || due > (now > p->from ? now : p->from)) {
        return 0;
    }
    if ((next.flags & TBR_PICTURE_UNCHANGED) || next.code != TBR_OK) {
        return 0; /* this one stays on */
    }
    return p->header.coding == TBR_PATCH_CODING || (next.flags & TBR_PICTURE_KEY) != 0;
}

static int tbr_see_jpeg(tbr_player *p)
{
    tbr_jpeg jpeg;
    jpeg.bytes = p->picture.bytes;
    jpeg.length = p->picture.length;
    jpeg.tables = (const uint8_t *)p->setup.work;
    jpeg.tables_length = p->tables;
    jpeg.panel = p->decoder.panel;
    jpeg.low_first = p->header.low_first;
    return p->hooks.jpeg(p->hooks.user, &jpeg) < 0 ? TBR_PICTURE : TBR_OK;
}

static void tbr_see_decode(tbr_player *p, int sends)
{
    const int changes = !(p->picture.flags & TBR_PICTURE_UNCHANGED);
    const int jpeg = changes && p->header.coding == TBR_JPEG;
    int code;
    if (p->header.coding != TBR_PATCH_CODING && !sends) {
        p->counts.late += (uint32_t)changes;
        return;
    }
    if (p->header.coding != TBR_RAW && changes) {
        tbr_play_settle(p); /* the last strip lies where decoding writes */
    }
    code = jpeg ? tbr_see_jpeg(p)
                : tbr_decode(&p->decoder, &p->picture, sends ? p->hooks.window : NULL,
                             p->hooks.user);
    if (sends && (changes || p->header.coding == TBR_PATCH_CODING)) {
        p->window_open |= p->header.coding == TBR_RAW ? TBR_FROM_RING : TBR_FROM_WORK;
    }
    if (code != TBR_OK) {
        p->counts.broken++;
        p->need_key = 1;
    } else if (changes) {
        p->counts.shown += sends ? 1 : 0;
        p->counts.late += sends ? 0 : 1;
    }
}

/* How late a picture may be before pictures are passed over: less if they hold
 * the memory that the sound to come needs. */
static int64_t tbr_see_max_lag(tbr_player *p)
{
    const uint64_t clock = p->header.clock_rate;
    if (tbr_take8(&p->stuck) && !p->hearing && !tbr_play_has(p, p->hear)) {
        return (int64_t)(clock * p->header.rate_den / p->header.rate_num);
    }
    return (int64_t)clock * TBR_PLAYER_LATEST;
}

/* Decodes and sends the next picture if it is due. */
static int tbr_see(tbr_player *p)
{
    const int64_t now = tbr_play_now(p);
    int64_t due;
    if (!tbr_see_next(p)) {
        return 0;
    }
    due = tbr_see_due(p, p->see, &p->picture);
    if (due > now && due >= p->from) {
        return 0;
    }
    p->has_picture = 0;
    p->position = p->slice_time + p->picture.tick_offset;
    if (p->picture.code != TBR_OK) {
        p->need_key = 1; /* lost on its way */
        return 1;
    }
    p->need_key |= (uint8_t)(due >= p->from && now - due > tbr_see_max_lag(p));
    if (p->need_key && !(p->picture.flags & TBR_PICTURE_KEY)) {
        p->counts.waiting += p->picture.flags & TBR_PICTURE_UNCHANGED ? 0 : 1;
        return 1;
    }
    p->need_key = 0;
    tbr_see_decode(p, !tbr_see_superseded(p, now));
    return 1;
}

/* --- the player --------------------------------------------------------- */

int tbr_player_open(tbr_player *p, const tbr_hooks *hooks, const tbr_player_setup *setup)
{
    if (setup->ring_buffer_bytes < TBR_SECTOR || setup->piece < TBR_SECTOR) {
        return TBR_MEMORY;
    }
    TBR_FILL(p, 0, sizeof *p);
    p->hooks = *hooks;
    p->setup = *setup;
    p->volume = 32768;
    p->gain = 32768;
    p->need_expected = 1;
    p->header.clock_rate = 8000;
    p->position = UINT64_MAX;
    p->generation = 1;
    p->clock_last = hooks->clock(hooks->user);
    return TBR_OK;
}

/* Lets go of everything that was read, and tells the other side where to go. */
static void tbr_player_jump(tbr_player *p)
{
    tbr_play_settle(p);
    p->goal_item = p->want_item;
    p->goal_tick = p->want_tick;
    p->made = p->taken;
    p->sample_at = p->sample_end;
    p->tail = p->silence = 0;
    p->skip = 0;
    p->hearing = p->seeing = p->has_picture = p->sounded = 0;
    p->see = p->hear;
    p->need_expected = 1;
    p->wants_seek = 0;
    p->error = TBR_OK;
    p->state = TBR_PLAY_FILL;
    tbr_give8(&p->generation, (uint8_t)(p->generation + 1));
}

/* Does what was asked for, once the sound has faded out. */
static void tbr_player_obey(tbr_player *p)
{
    const int quiet = tbr_play_silent(p) || p->state != TBR_PLAY_ON ||
                      ((p->gain == 0 || !p->sounded) && p->sample_at == p->sample_end);
    if (!quiet) {
        return;
    }
    if (p->wants_stop) {
        p->wants_stop = 0;
        p->hearing = 0;
        p->state = TBR_PLAY_STOP;
        p->tail = 0;
        p->silence = tbr_play_silent(p) ? 0 : 2 * tbr_play_fade(p);
    } else if (p->wants_seek) {
        tbr_player_jump(p);
    }
}

/* Waits for enough to begin with. Pictures that are still to be shown hold the
 * memory that is to be filled: their times come, since the sound made before is
 * played to its end. */
static int tbr_player_fill(tbr_player *p)
{
    const int did = tbr_hear_feed(p) | (p->is_open ? tbr_see(p) : 0);
    if (!tbr_play_has(p, p->hear)) {
        return did;
    }
    if (tbr_play_slot(p, p->hear)->kind <= TBR_SLOT_TABLES) {
        return tbr_hear_next(p) | did;
    }
    if (tbr_play_filled(p)) {
        p->state = TBR_PLAY_ON;
        return 1;
    }
    return did;
}

/* After a seek: decodes without sound up to the time that was asked for. */
static int tbr_player_catch(tbr_player *p)
{
    if (p->skip > 0) {
        return tbr_hear_next(p) | tbr_see(p);
    }
    if (tbr_see(p)) {
        return 1;
    }
    p->state = TBR_PLAY_ON;
    return 1;
}

static int tbr_player_halt(tbr_player *p)
{
    const int did = tbr_hear_feed(p);
    if (p->silence == 0 && p->sample_at == p->sample_end &&
        (tbr_play_silent(p) || tbr_play_now(p) >= p->made)) {
        p->state = TBR_PLAY_OVER;
    }
    return did;
}

static int tbr_player_round(tbr_player *p)
{
    switch (p->state) {
    case TBR_PLAY_FILL:
        return tbr_player_fill(p);
    case TBR_PLAY_CATCH:
        return tbr_player_catch(p);
    case TBR_PLAY_ON:
        return tbr_hear(p) | tbr_see(p);
    case TBR_PLAY_STOP:
        return tbr_player_halt(p);
    default:
        return 0;
    }
}

int tbr_player_present(tbr_player *p)
{
    int did;
    tbr_play_tick(p);
    tbr_player_obey(p);
    tbr_play_discard(p);
    did = tbr_player_round(p);
    tbr_play_release(p);
    if (p->says_item && p->state != TBR_PLAY_OVER) {
        p->says_item = 0;
        return TBR_PLAYER_ITEM;
    }
    if (p->state == TBR_PLAY_OVER) {
        tbr_play_settle(p);
        return p->error < 0 ? p->error : TBR_PLAYER_ENDED;
    }
    return did ? TBR_PLAYER_GOES_ON : TBR_PLAYER_IDLE;
}

/* Whether a picture is due now. */
static int tbr_player_due(tbr_player *p)
{
    return p->has_picture && tbr_see_due(p, p->see, &p->picture) <= tbr_play_now(p);
}

int tbr_player_step(tbr_player *p)
{
    int said = tbr_player_present(p);
    uint32_t rounds = 16;
    if (said != TBR_PLAYER_GOES_ON && said != TBR_PLAYER_IDLE) {
        return said;
    }
    /* Reads until a picture is due; on when little is left to hear. */
    while (rounds-- > 0 && tbr_player_fetch(p)) {
        said = TBR_PLAYER_GOES_ON;
        if (p->state == TBR_PLAY_ON) {
            tbr_hear(p);
        }
        if (p->put - p->hear >= 2 && tbr_player_due(p)) {
            break;
        }
    }
    return said;
}

uint32_t tbr_player_idle(tbr_player *p)
{
    int64_t ticks;
    if (!p->has_picture || p->state != TBR_PLAY_ON) {
        return 5000;
    }
    ticks = tbr_see_due(p, p->see, &p->picture) - tbr_play_now(p);
    if (ticks <= 0) {
        return 0;
    }
    if (ticks > (int64_t)(p->header.clock_rate / 200)) {
        return 5000;
    }
    return (uint32_t)ticks * 1000u / (p->header.clock_rate / 1000u);
}

int tbr_player_run(tbr_player *p)
{
    for (;;) {
        const int said = tbr_player_step(p);
        if (said == TBR_PLAYER_IDLE) {
            p->hooks.yield(p->hooks.user, tbr_player_idle(p));
        } else if (said != TBR_PLAYER_GOES_ON) {
            return said;
        }
    }
}

int tbr_player_seek(tbr_player *p, uint32_t item, uint64_t tick)
{
    if (p->hooks.seek == NULL) {
        return TBR_CALL;
    }
    p->want_item = item;
    p->want_tick = tick;
    p->wants_seek = 1;
    return TBR_OK;
}

void tbr_player_pause(tbr_player *p, int paused) { p->paused = paused != 0; }

void tbr_player_volume(tbr_player *p, int32_t volume)
{
    p->volume = volume < 0 ? 0 : volume > 32768 ? 32768 : volume;
}

void tbr_player_stop(tbr_player *p) { p->wants_stop = 1; }

#endif /* THUMBREEL_PLAYER_C */
