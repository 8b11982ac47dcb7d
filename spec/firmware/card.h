/* card.h - reads an SD card over SPI.
 *
 * C99, no allocation. Written from memory of the SD Association's "Physical Layer
 * Simplified Specification", version 6, chapter 7 (SPI mode) and 4.5 (CRC); the
 * numbers of sections and limits below are from memory too.
 *
 * All checks are on: each command goes out with its CRC7, each block comes with its
 * CRC16. What comes damaged is read again, ten times. Nothing is ever written.
 *
 * Cards: SDSC (versions 1 and 2; up to 2 GB), SDHC and SDXC. MultiMediaCards are not
 * taken. Blocks are 512 bytes. The clock goes up to 25 MHz (default speed).
 */
#ifndef THUMBREEL_CARD_H
#define THUMBREEL_CARD_H

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* Longest wait for a block, in microseconds. The standard allows a card 100 ms; some take 250 ms now and then (common practice, no source). */
#ifndef TBR_CARD_WAIT
#define TBR_CARD_WAIT 500000u
#endif
/* Tries to read a block whose checksum is wrong. */
#define TBR_CARD_TRIES 10u

enum {
    TBR_CARD_OK = 0,
    TBR_CARD_NONE = -501,    /* nothing answers: no card, or a wire is off */
    TBR_CARD_UNSUITED = -502, /* not an SD card for 3.3 V */
    TBR_CARD_LATE = -503,    /* it answered, but not in time */
    TBR_CARD_REFUSED = -504, /* it said no: a block past its end, or it was exchanged */
    TBR_CARD_DAMAGED = -505  /* checksums wrong in all tries: wiring, or a worn card */
};

typedef struct tbr_card {
    uint32_t retries; /* times something was asked for again, for a status page */
    uint8_t ready;    /* started, and nothing has failed since */
    uint8_t by_block; /* addresses count blocks (SDHC, SDXC), not bytes (SDSC) */
} tbr_card;

/* Starts the card, at power-on and after every failure, also after it was pulled and
 * put back: at most 1.2 s, with no card under 30 ms. `hz`: its clock afterwards. */
int tbr_card_start(tbr_card *card, uint32_t hz);
/* Reads `count` blocks from `block` on. After a failure the card is not ready. */
int tbr_card_read(tbr_card *card, uint32_t block, uint8_t *to, uint32_t count);
/* What an error means, in one line. */
const char *tbr_card_reason(int error);

#ifdef __cplusplus
}
#endif

#endif /* THUMBREEL_CARD_H */
