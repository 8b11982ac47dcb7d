#include "devices.h"

#include <stdlib.h>
#include <string.h>

#include "panel.h"

uint32_t chance(uint32_t *state, uint32_t below)
{
    /* xorshift32, Marsaglia 2003 */
    uint32_t x = *state ? *state : 2463534242u;
    x ^= x << 13;
    x ^= x >> 17;
    x ^= x << 5;
    *state = x;
    return below == 0 ? 0 : (uint32_t)((uint64_t)x * below >> 32);
}

/* --- the panel's bus ---------------------------------------------------- */

static struct {
    bus_profile profile;
    const uint8_t *moving;
    uint32_t bytes;
    nanos from, free;
    uint64_t carried;
} bus;

void bus_open(const bus_profile *profile)
{
    memset(&bus, 0, sizeof bus);
    bus.profile = *profile;
}

static nanos bus_time(uint64_t bytes)
{
    return (nanos)(bytes * 8u * 1000000000u / ((uint64_t)bus.profile.lines * bus.profile.clock_hz));
}

void bus_wait(void)
{
    uint32_t i;
    machine_until(bus.free);
    for (i = 0; bus.moving != NULL && i < bus.bytes; i++) {
        panel_data(bus.from + bus_time(i + 1), bus.moving[i]);
    }
    bus.moving = NULL;
}

static void take_bus(uint64_t bytes)
{
    bus.from = bus.free > machine_now() ? bus.free : machine_now();
    bus.free = bus.from + bus_time(bytes);
    bus.carried += bytes;
}

void bus_command(uint8_t command)
{
    bus_wait();
    take_bus(1);
    machine_until(bus.free);
    panel_command(bus.free, command);
}

void bus_bytes(const uint8_t *bytes, uint32_t n)
{
    bus_dma(bytes, n);
    bus_wait();
}

void bus_dma(const uint8_t *bytes, uint32_t n)
{
    bus_wait();
    take_bus(n);
    bus.moving = bytes;
    bus.bytes = n;
    machine_progress();
}

void bus_borrow(nanos time)
{
    /* Its own transfer ends first, but its memory may be read later still. */
    const nanos from = bus.free > machine_now() ? bus.free : machine_now();
    bus.free = from + time;
    machine_until(bus.free);
}

uint64_t bus_carried(void) { return bus.carried; }

/* --- the sound port ----------------------------------------------------- */

static struct {
    int16_t *ring;
    uint32_t size, block, rate;
    uint64_t put, out;      /* samples put in and gone out, zeros left out */
    uint64_t freed;         /* of those, in whole blocks */
    int32_t last;
    nanos asked, back;      /* when the loop last looked after it, and since when
                               it has done so again and again */
    int by_blocks, pardons;
    FILE *ear;
    port_heard heard;
} port;

static void step(int32_t sample)
{
    const int32_t by = port.pardons ? 0 : abs(sample - port.last);
    port.pardons &= sample == 0;
    if (by > port.heard.step) {
        port.heard.step = by;
        port.heard.step_at = port.heard.samples;
    }
    port.heard.peak = abs(sample) > port.heard.peak ? abs(sample) : port.heard.peak;
    port.last = sample;
}

void port_open(uint32_t samples, uint32_t blocks, int by_blocks, FILE *ear)
{
    int16_t *ring = port.ring;
    memset(&port, 0, sizeof port);
    port.block = samples / blocks;
    port.size = port.block * blocks;
    port.ring = realloc(ring, port.size * sizeof *port.ring);
    port.ear = ear;
    port.by_blocks = by_blocks;
    port_rate(8000);
    port.heard.rates = 0;
    port.heard.from = port.asked = 0; /* a run begins at 0 */
}

void port_rate(uint32_t hz)
{
    step(0); /* what follows is silence */
    port.heard.thrown += port.put - port.out;
    port.heard.rates++;
    port.rate = hz;
    port.put = port.out = port.freed = 0;
    port.heard.samples = 0;
    port.heard.from = machine_now();
    port.last = 0;
    port.asked = machine_now();
}

static void asks(void)
{
    if (machine_now() - port.asked > 5 * MILLI) {
        port.back = machine_now();
    }
    port.asked = machine_now();
}

/* The ring buffer ran empty in the middle of sound. The loop can do nothing about it
 * if a device held it up during the last 10 ms, the time of a fade. */
static void ran_dry(nanos at)
{
    const int held_up = at - port.asked >= 9 * MILLI;
    const int too_late = at - port.back < MILLI;
    const int excused = held_up || too_late;
    port.heard.dry++;
    port.heard.excused += (uint32_t)excused;
    if (excused) {
        port.last = 0; /* the fall that nothing could soften */
    }
    /* What it had made when it last saw samples in the ring buffer goes on as it is. */
    port.pardons = too_late;
}

void port_listen(void)
{
    const nanos passed = machine_now() - port.heard.from;
    const uint64_t goal = (uint64_t)passed * port.rate / (uint64_t)SECOND;
    while (port.heard.samples < goal) {
        const int sounds = port.out < port.put;
        const int16_t sample = sounds ? port.ring[port.out++ % port.size] : 0;
        step(sample);
        if (port.ear != NULL && port.heard.rates > 0) { /* from the first rate that is set */
            fwrite(&sample, sizeof sample, 1, port.ear);
        }
        port.heard.samples++;
        if (port.out % port.block == 0 || port.out == port.put) {
            port.freed = port.out; /* the rest of a block is zeros */
        }
        if (sounds && port.out == port.put && sample != 0) {
            ran_dry(port.heard.from + (nanos)(port.heard.samples * (uint64_t)SECOND / port.rate));
        }
    }
}

uint32_t port_put(const int16_t *samples, uint32_t n)
{
    uint32_t i;
    port_listen();
    for (i = 0; i < n && port.put - port.freed < port.size; i++) {
        port.ring[port.put++ % port.size] = samples[i];
    }
    asks();
    port.heard.given += i;
    if (i > 0) {
        machine_progress();
    }
    return i;
}

uint32_t port_left(void)
{
    port_listen();
    asks();
    return (uint32_t)(port.put - (port.by_blocks ? port.freed : port.out));
}

const port_heard *port_ear(void) { return &port.heard; }

/* --- stalls ------------------------------------------------------------- */

typedef struct stalls {
    uint32_t seed;
    nanos every, least, most, next, length;
} stalls;

static void stall_plan(stalls *s, nanos from)
{
    s->next = from + s->every / 2 + (nanos)chance(&s->seed, 1000) * s->every / 1000;
    s->length = s->least + (nanos)chance(&s->seed, 1000) * (s->most - s->least) / 1000;
}

static void stall_open(stalls *s, uint32_t seed, nanos every, nanos least, nanos most)
{
    s->seed = seed * 2654435761u + 1;
    s->every = every;
    s->least = least;
    s->most = most;
    stall_plan(s, 0);
}

/* How long this moment's stall still lasts. */
static nanos stall_now(stalls *s)
{
    nanos left;
    if (s->every == 0 || machine_now() < s->next) {
        return 0;
    }
    left = s->length;
    stall_plan(s, machine_now() + left);
    return left;
}

/* --- the card ----------------------------------------------------------- */

static struct {
    card_profile profile;
    const file_bytes *files;
    uint32_t count;
    stalls stalls;
    uint32_t seed;
} card;

void card_open(const card_profile *profile, const file_bytes *files, uint32_t count, uint32_t seed)
{
    const card_profile *c = profile;
    card.profile = *c;
    card.files = files;
    card.count = count;
    card.seed = seed ^ 0x5bd1e995u;
    stall_open(&card.stalls, seed, c->stall_every, c->stall_least, c->stall_most);
}

static nanos card_bits(uint64_t bits, uint32_t lines)
{
    return (nanos)(bits * 1000000000u / ((uint64_t)card.profile.clock_hz * lines));
}

static int is_gone(void)
{
    return machine_now() >= card.profile.gone_from && machine_now() < card.profile.gone_until;
}

static void busy(nanos time)
{
    if (card.profile.shares_bus) {
        bus_borrow(time);
    } else {
        machine_spend(time);
    }
}

int card_there(void)
{
    if (!is_gone()) {
        return CARD_OK;
    }
    machine_excuse(card.profile.gone_until);
    busy(MILLI);
    return CARD_GONE;
}

/* One block of the card. */
static void take_block(uint64_t block, uint8_t *to)
{
    uint32_t i = 0;
    memset(to, 0, 512);
    while (i < card.count && block >= (card.files[i].length + 511u) / 512) {
        block -= (card.files[i++].length + 511u) / 512;
    }
    if (i < card.count) {
        const uint64_t left = card.files[i].length - block * 512;
        memcpy(to, card.files[i].bytes + block * 512, left < 512 ? left : 512);
    }
}

int card_read(uint32_t block, uint32_t count, uint8_t *to)
{
    const nanos stall = stall_now(&card.stalls);
    const nanos command = card_bits(2 * 48, 1) + card.profile.access;
    uint32_t i;
    if (card_there() != CARD_OK) {
        return CARD_GONE;
    }
    machine_excuse(machine_now() + stall);
    busy(command + stall +
         (nanos)count * card_bits(8 + 4096 + 16 * card.profile.lines, card.profile.lines));
    for (i = 0; i < count; i++) {
        if (chance(&card.seed, 1000) < card.profile.bad_in_1000) {
            return CARD_CHECKSUM;
        }
        take_block((uint64_t)block + i, to + 512 * i);
    }
    machine_progress();
    return CARD_OK;
}

/* --- the link ----------------------------------------------------------- */

static struct {
    link_profile profile;
    file_bytes file;
    stalls stalls;
    uint64_t came, taken;
    nanos at, held; /* until when nothing comes */
    uint64_t rest;
} air;

void link_open(const link_profile *profile, const file_bytes *file, uint32_t seed)
{
    const link_profile *l = profile;
    memset(&air, 0, sizeof air);
    air.profile = *l;
    air.file = *file;
    stall_open(&air.stalls, seed, l->stall_every, l->stall_least, l->stall_most);
}

static void receive(void)
{
    const nanos now = machine_now();
    const nanos stall = stall_now(&air.stalls);
    nanos from = air.at > air.held ? air.at : air.held;
    if (stall > 0) {
        air.held = now + stall;
        machine_excuse(air.held);
    }
    if (now > from) {
        air.rest += (uint64_t)(now - from) * air.profile.bytes_per_second;
        air.came += air.rest / (uint64_t)SECOND;
        air.rest %= (uint64_t)SECOND;
    }
    if (air.came > air.taken + air.profile.window) {
        air.came = air.taken + air.profile.window;
    }
    air.came = air.came > air.file.length ? air.file.length : air.came;
    air.at = now;
}

int32_t link_read(uint8_t *to, uint32_t n)
{
    uint64_t there;
    receive();
    there = air.came - air.taken;
    if (there == 0) {
        return air.taken == air.file.length ? -1 : 0;
    }
    n = n < there ? n : (uint32_t)there;
    memcpy(to, air.file.bytes + air.taken, n);
    air.taken += n;
    machine_progress();
    return (int32_t)n;
}
