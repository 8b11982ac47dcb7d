/* i2s.h - the sound queue: player.c fills it, the sound port's interrupt empties it.
 *
 * C99, no allocation, no lock: one side puts, the other takes. Zeros are played when it
 * is empty. Samples are 16 bits, one channel; a port that wants frames of two channels
 * (most I2S ports do) gets each sample twice.
 */
#ifndef THUMBREEL_I2S_H
#define THUMBREEL_I2S_H

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

typedef struct tbr_i2s {
    int16_t *samples;
    uint32_t size; /* samples, a power of two: 0.3 s or more on one core */
    /* counts since the start; they may wrap */
    uint32_t put, taken;
    uint32_t playing, next; /* samples in the block that is heard, and in the next one */
    uint32_t blocks;
} tbr_i2s;

void tbr_i2s_open(tbr_i2s *i2s, int16_t *memory, uint32_t samples);
/* Takes as many of n samples as there is room for: how many. Never waits. */
uint32_t tbr_i2s_put(tbr_i2s *i2s, const int16_t *samples, uint32_t n);
/* Samples that have not been heard: those in the queue, and those of two blocks that
 * the port has; so never fewer than there are, and at most a block more. */
uint32_t tbr_i2s_left(tbr_i2s *i2s);
/* Fills a block of n samples for the port, from its interrupt: the one before last has
 * been heard, the last one is being played. n: 10 ms or less. channels: 1, or 2. */
void tbr_i2s_block(tbr_i2s *i2s, int16_t *block, uint32_t n, uint32_t channels);

#ifdef __cplusplus
}
#endif

#endif /* THUMBREEL_I2S_H */
