/* Two tasks of a desk computer in simulated time: what skeleton.h asks of an RTOS. One
 * runs at a time; the ready one of the highest priority goes on at every call. */
#include <pthread.h>
#include <stddef.h>

#include "bench.h"
#include "port.h"
#include "skeleton.h"

enum { TASKS = 2, NOBODY = -1 };

static struct {
    void (*run)(void);
    pthread_t thread;
    int priority, asleep, waits, ended;
    uint32_t wake;
} tasks[TASKS];
static int count, current = NOBODY, owner = NOBODY;
static pthread_mutex_t baton = PTHREAD_MUTEX_INITIALIZER;
static pthread_cond_t handed = PTHREAD_COND_INITIALIZER;

static int ready(int i, uint32_t now)
{
    return !tasks[i].ended && !(tasks[i].asleep && (int32_t)(tasks[i].wake - now) > 0) &&
           !(tasks[i].waits && owner != NOBODY);
}

/* Who goes on; time passes until somebody can. */
static void choose(void)
{
    int left = 0, i;
    current = NOBODY;
    for (i = 0; i < count; i++) {
        left |= !tasks[i].ended;
    }
    while (left && current == NOBODY) {
        const uint32_t now = port_clock();
        for (i = 0; i < count; i++) {
            if (ready(i, now) &&
                (current == NOBODY || tasks[i].priority > tasks[current].priority)) {
                current = i;
            }
        }
        if (current == NOBODY) {
            port_sleep(50);
        }
    }
    pthread_cond_broadcast(&handed);
}

static void hand_over(int me)
{
    choose();
    while (current != me) {
        pthread_cond_wait(&handed, &baton);
    }
}

static void *run(void *number)
{
    const int me = (int)(intptr_t)number;
    pthread_mutex_lock(&baton);
    while (current != me) {
        pthread_cond_wait(&handed, &baton);
    }
    tasks[me].run();
    tasks[me].ended = 1;
    choose();
    pthread_mutex_unlock(&baton);
    return NULL;
}

void task_start(void (*task)(void), uint32_t stack_bytes, int priority)
{
    (void)stack_bytes;
    tasks[count].run = task;
    tasks[count].priority = priority;
    count++;
}

void task_sleep(uint32_t microseconds)
{
    const int me = current;
    if (me == NOBODY) {
        return;
    }
    tasks[me].asleep = 1;
    tasks[me].wake = port_clock() + microseconds;
    hand_over(me);
    tasks[me].asleep = 0;
}

void task_lock(int on)
{
    const int me = current;
    if (me == NOBODY) {
        return;
    }
    if (on) {
        tasks[me].waits = 1;
        hand_over(me);
        tasks[me].waits = 0;
        owner = me;
    } else {
        owner = NOBODY;
        hand_over(me);
    }
}

void tasks_run(void)
{
    int i;
    pthread_mutex_lock(&baton);
    for (i = 0; i < count; i++) {
        if (pthread_create(&tasks[i].thread, NULL, run, (void *)(intptr_t)i) != 0) {
            bench_exit(4);
        }
    }
    choose();
    pthread_mutex_unlock(&baton);
    for (i = 0; i < count; i++) {
        pthread_join(tasks[i].thread, NULL);
    }
}
