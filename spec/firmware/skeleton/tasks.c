/* tasks.c - what the two tasks of main_tasks.c ask of your RTOS. Fill in what is marked FILL
 * IN; as it stands it compiles, and does nothing. */
#include "config.h"
#include "skeleton.h"

#if BOARD_TASKS

/* --- tasks -------------------------------------------------------------- */

void task_start(void (*task)(void), uint32_t stack_bytes, int priority)
{
    /* FILL IN: make a task that calls `task` and then ends. Priority 2 is above 1, both
     * are below the sound port's interrupt. With two cores: one task on each. */
    (void)task;
    (void)stack_bytes;
    (void)priority;
}

void task_sleep(uint32_t microseconds)
{
    /* FILL IN: the system's delay, rounded up to its tick. A tick of 1 ms is good. */
    (void)microseconds;
}

void tasks_run(void)
{
    /* FILL IN: start the scheduler. Nothing, if it runs already: then let main sleep. */
}

/* --- the port that card and panel share --------------------------------- */

void task_lock(int on)
{
    /* FILL IN: take the mutex (on is 1), waiting as long as it takes, or give it back
     * (0). It is used only where config.h has BOARD_SHARED_PORT 1; make it in
     * board_start. */
    (void)on;
}

#endif
