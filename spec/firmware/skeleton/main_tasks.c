/* main_tasks.c - plays the reels on the card in two tasks: one reads ahead, one plays.
 * README.txt says what to do next. Nothing is left to write here: sizes and clocks are in
 * config.h, what depends on the chip is in pins.c, and what on the system in tasks.c. */
#include "config.h"
#include "play_card.h"
#include "skeleton.h"

#if BOARD_TASKS

BOARD_RING_MEMORY static uint8_t ring[BOARD_RING_BYTES];
BOARD_WORK_MEMORY static uint32_t work[(BOARD_WORK_BYTES + 3) / 4];
static int16_t queue[BOARD_QUEUE_SAMPLES];
static volatile int ended;

/* Sound and pictures. */
static void present(void)
{
    int said;
    do {
        uint32_t sleep;
        said = play_card_present(&sleep);
        if (sleep > 0) {
            task_sleep(sleep);
        }
    } while (said >= TBR_OK && said != TBR_PLAYER_ENDED);
    ended = 1;
}

/* Reads ahead from the card. */
static void fetch(void)
{
    while (!ended) {
        if (play_card_fetch() == 0) {
            task_sleep(2000);
        }
    }
}

int main(void)
{
    static play_card_setup setup; /* all zero */
    setup.panel.columns = BOARD_COLUMNS;
    setup.panel.rows = BOARD_ROWS;
    setup.panel.black = BOARD_BLACK;
    setup.card_hz = BOARD_CARD_HZ;
    setup.ring = ring;
    setup.ring_buffer_bytes = sizeof ring;
    setup.work = work;
    setup.work_bytes = sizeof work;
    setup.queue = queue;
    setup.queue_samples = BOARD_QUEUE_SAMPLES;
    setup.read_bytes = BOARD_READ_BYTES;
    setup.sound_rate = BOARD_SOUND_RATE;
    setup.loop = BOARD_LOOP;
    setup.shared_port = BOARD_SHARED_PORT;
    setup.lock = BOARD_SHARED_PORT ? task_lock : NULL;
    setup.save_seconds = BOARD_SAVE_SECONDS;
    setup.every_step = board_step;
    board_start();
    play_card_open(&setup);
    /* Each stack takes 1 KB and what the functions of pins.c need. */
    task_start(present, BOARD_TASK_STACK_BYTES, 2);
    task_start(fetch, BOARD_TASK_STACK_BYTES, 1);
    tasks_run();
    return 0;
}

#endif
