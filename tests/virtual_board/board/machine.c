#define _XOPEN_SOURCE 700
#include "machine.h"

#include <stdlib.h>
#include <string.h>
#include <ucontext.h>

#if defined(__SANITIZE_ADDRESS__)
#include <sanitizer/common_interface_defs.h>
#define LEAVES(save, to) __sanitizer_start_switch_fiber(save, (to)->bottom, (to)->size)
#define COMES(save, from) __sanitizer_finish_switch_fiber(save, &(from)->bottom, &(from)->size)
#else
#define LEAVES(save, to) (void)(to)
#define COMES(save, from) (void)(from)
#endif

enum { STACK = 1 << 20, HOST = 2 };

typedef struct fibre {
    ucontext_t context;
    void (*program)(void *);
    const void *bottom; /* of its stack */
    size_t size;
    void *shadow;
    nanos now;
    int alive, waits; /* for a lock */
} fibre;

static struct {
    fibre fibres[3]; /* two cores, and the host's own stack */
    void *user;
    nanos limit, patience, last, longest, excused;
    int running, came_from, cores, verdict;
} m;

static void *stacks[2];

static void go(int to)
{
    const int from = m.running;
    if (to == from) {
        return;
    }
    m.running = to;
    m.came_from = from;
    LEAVES(&m.fibres[from].shadow, &m.fibres[to]);
    swapcontext(&m.fibres[from].context, &m.fibres[to].context);
    COMES(m.fibres[from].shadow, &m.fibres[m.came_from]);
}

static void stop(int verdict)
{
    m.verdict = verdict;
    go(HOST);
}

/* The core that is furthest behind. */
static int next(void)
{
    const fibre *f = m.fibres;
    if (m.cores == 1 || !f[1].alive || f[1].waits) {
        return 0;
    }
    return !f[0].alive || f[0].waits || f[1].now < f[0].now;
}

static void enter(void)
{
    fibre *f = &m.fibres[m.running];
    COMES(NULL, &m.fibres[m.came_from]);
    f->program(m.user);
    f->alive = 0;
    if (m.running == 0) {
        stop(MACHINE_ENDED);
    }
    go(0);
}

static void prepare(int core, void (*program)(void *), nanos now)
{
    fibre *f = &m.fibres[core];
    if (stacks[core] == NULL) {
        stacks[core] = malloc(STACK);
    }
    getcontext(&f->context);
    f->context.uc_stack.ss_sp = stacks[core];
    f->context.uc_stack.ss_size = STACK;
    f->context.uc_link = NULL;
    f->bottom = stacks[core];
    f->size = STACK;
    f->shadow = NULL;
    f->program = program;
    f->now = now;
    f->alive = 1;
    f->waits = 0;
    makecontext(&f->context, enter, 0);
}

int machine_run(void (*first)(void *), void (*second)(void *), void *user, nanos limit,
                nanos patience)
{
    memset(&m, 0, sizeof m);
    m.user = user;
    m.limit = limit;
    m.patience = patience;
    m.cores = second == NULL ? 1 : 2;
    m.running = HOST;
    prepare(0, first, 0);
    if (second != NULL) {
        prepare(1, second, 0);
    }
    go(0);
    m.running = HOST;
    return m.verdict;
}

nanos machine_now(void)
{
    /* After the run: the time at which it ended. */
    return m.fibres[m.running == HOST ? 0 : m.running].now;
}

int machine_core(void) { return m.running; }

nanos machine_longest_wait(void) { return m.longest; }

void machine_excuse(nanos until)
{
    if (until > m.excused) {
        m.excused = until;
    }
}

static nanos wait_so_far(void)
{
    const nanos from = m.last > m.excused ? m.last : m.excused;
    return machine_now() - from;
}

void machine_progress(void)
{
    const nanos wait = wait_so_far();
    m.longest = wait > m.longest ? wait : m.longest;
    m.last = machine_now();
}

void machine_spend(nanos time)
{
    fibre *f = &m.fibres[m.running];
    if (m.running == HOST) {
        m.fibres[0].now += time;
        return;
    }
    f->now += time;
    if (f->now > m.limit) {
        stop(MACHINE_LATE);
    }
    if (wait_so_far() > m.patience) {
        m.longest = wait_so_far();
        stop(MACHINE_FROZEN);
    }
    go(next());
}

void machine_take(machine_lock *lock)
{
    const uint32_t ticket = lock->tickets++;
    while (lock->served != ticket) {
        m.fibres[m.running].waits = 1;
        if (m.cores == 1 || m.fibres[1 - m.running].waits) {
            stop(MACHINE_FROZEN); /* nobody is left to give it back */
        }
        go(1 - m.running);
    }
}

void machine_give(machine_lock *lock)
{
    int i;
    lock->served++;
    for (i = 0; i < 2; i++) {
        fibre *f = &m.fibres[i];
        if (f->waits) {
            f->waits = 0;
            f->now = f->now > machine_now() ? f->now : machine_now();
        }
    }
}

void machine_until(nanos time)
{
    if (time > machine_now()) {
        machine_spend(time - machine_now());
    }
}
