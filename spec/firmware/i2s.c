/* i2s.c - the sound queue. i2s.h is its manual. */
#include "i2s.h"

#include <string.h>

/* What one side wrote is seen by the other only after this, on one core or two. */
#ifdef __GNUC__
#define I2S_FENCE() __atomic_thread_fence(__ATOMIC_SEQ_CST)
#elif !defined(I2S_FENCE)
#error "define I2S_FENCE() as a memory barrier of your compiler's"
#endif

static uint32_t i2s_read(const uint32_t *field)
{
    const uint32_t value = *(const volatile uint32_t *)field;
    I2S_FENCE();
    return value;
}

static void i2s_write(uint32_t *field, uint32_t value)
{
    I2S_FENCE();
    *(volatile uint32_t *)field = value;
}

void tbr_i2s_open(tbr_i2s *i2s, int16_t *memory, uint32_t samples)
{
    memset(i2s, 0, sizeof *i2s);
    i2s->samples = memory;
    i2s->size = samples;
}

uint32_t tbr_i2s_put(tbr_i2s *i2s, const int16_t *samples, uint32_t n)
{
    const uint32_t put = i2s->put;
    const uint32_t room = i2s->size - (put - i2s_read(&i2s->taken));
    uint32_t i;
    n = n < room ? n : room;
    for (i = 0; i < n; i++) {
        i2s->samples[(put + i) & (i2s->size - 1)] = samples[i];
    }
    i2s_write(&i2s->put, put + n);
    return n;
}

uint32_t tbr_i2s_left(tbr_i2s *i2s)
{
    uint32_t before, left;
    do { /* again, if a block is filled in between; its count is odd meanwhile */
        before = i2s_read(&i2s->blocks);
        left = i2s_read(&i2s->put) - i2s_read(&i2s->taken);
        left += i2s_read(&i2s->playing) + i2s_read(&i2s->next);
    } while ((before & 1) != 0 || before != i2s_read(&i2s->blocks));
    return left;
}

void tbr_i2s_block(tbr_i2s *i2s, int16_t *block, uint32_t n, uint32_t channels)
{
    const uint32_t taken = i2s->taken;
    uint32_t have = i2s_read(&i2s->put) - taken, i, c;
    have = have < n ? have : n;
    i2s_write(&i2s->blocks, i2s->blocks + 1);
    for (i = 0; i < n; i++) {
        const int16_t sample =
            (int16_t)(i < have ? i2s->samples[(taken + i) & (i2s->size - 1)] : 0);
        for (c = 0; c < channels; c++) {
            *block++ = sample;
        }
    }
    i2s_write(&i2s->playing, i2s->next);
    i2s_write(&i2s->next, have);
    i2s_write(&i2s->taken, taken + have);
    i2s_write(&i2s->blocks, i2s->blocks + 1);
}
