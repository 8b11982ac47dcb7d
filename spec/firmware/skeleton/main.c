/* main.c - plays the reels on the card: one loop on one core, no operating system.
 * README.txt says what to do next. Nothing is left to write here: sizes and clocks are in
 * config.h, and what depends on the chip is in pins.c. */
#include "config.h"
#include "play_card.h"
#include "skeleton.h"

#if !BOARD_TASKS

BOARD_RING_MEMORY static uint8_t ring[BOARD_RING_BYTES];
BOARD_WORK_MEMORY static uint32_t work[(BOARD_WORK_BYTES + 3) / 4];
static int16_t queue[BOARD_QUEUE_SAMPLES];

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
    setup.save_seconds = BOARD_SAVE_SECONDS;
    setup.every_step = board_step;
    board_start();
    play_card(&setup);
    return 0;
}

#endif
