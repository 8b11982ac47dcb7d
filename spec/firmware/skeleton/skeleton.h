/* skeleton.h - what the main programs ask of pins.c, beside the functions of pins.h, and
 * main_tasks.c of tasks.c. */
#ifndef THUMBREEL_SKELETON_H
#define THUMBREEL_SKELETON_H

#include <stdint.h>

#include "player.h"

/* Starts clocks, memory, ports and timer; amplifier and backlight stay off. */
void board_start(void);
/* Called once per step of the loop: buttons, a status page. */
void board_step(tbr_player *player);

/* Has `task` run when tasks_run is called, on a stack of its own. The task of the higher
 * priority runs whenever it does not sleep; on two cores each may have its own. */
void task_start(void (*task)(void), uint32_t stack_bytes, int priority);
/* Lets at least so many microseconds pass, while the other task runs. */
void task_sleep(uint32_t microseconds);
/* Takes (1) and gives back (0) a mutex with priority inheritance. */
void task_lock(int on);
/* Runs both tasks; returns when both have returned, or never. */
void tasks_run(void);

#endif /* THUMBREEL_SKELETON_H */
