/* machine.h - simulated time and the cores that spend it.
 *
 * Each core has its own clock. The core whose clock is furthest behind runs,
 * so that everything the devices see comes in the order of time. A core gives
 * way whenever it spends time, which is in every hook. */
#ifndef MACHINE_H
#define MACHINE_H

#include <stdint.h>

typedef int64_t nanos;

#define MICRO ((nanos)1000)
#define MILLI ((nanos)1000000)
#define SECOND ((nanos)1000000000)

enum {
    MACHINE_ENDED = 0,  /* the first core's program returned */
    MACHINE_FROZEN = 1, /* nothing was read, heard or shown for too long */
    MACHINE_LATE = 2    /* the limit of time was reached */
};

/* Runs `first` on one core and, if given, `second` on another until `first`
 * returns. `patience` is the longest time without progress. */
int machine_run(void (*first)(void *), void (*second)(void *), void *user, nanos limit,
                nanos patience);
/* The running core's time. */
nanos machine_now(void);
/* 0 or 1. */
int machine_core(void);
/* The running core is busy, or waits. */
void machine_spend(nanos time);
void machine_until(nanos time);
/* Something was read, heard or shown. */
void machine_progress(void);
/* Time during which nothing could be read, which is not the loop's fault. */
void machine_excuse(nanos until);
/* A lock of an RTOS: those who wait get it in their order. */
typedef struct machine_lock {
    uint32_t tickets, served;
} machine_lock;

void machine_take(machine_lock *lock);
void machine_give(machine_lock *lock);
/* The longest time without progress so far, excused time left out. */
nanos machine_longest_wait(void);

#endif
