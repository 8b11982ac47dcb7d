/* card.c - reads an SD card over SPI. card.h is its manual. */
#include "card.h"

#include <stddef.h>

#include "pins.h"

/* Commands; ACMD41 goes after CMD55. */
enum {
    GO_IDLE = 0,
    SEND_IF_COND = 8,
    STOP_TRANSMISSION = 12,
    SET_BLOCKLEN = 16,
    READ_MULTIPLE_BLOCK = 18,
    SD_SEND_OP_COND = 41,
    APP_CMD = 55,
    READ_OCR = 58,
    CRC_ON_OFF = 59
};

/* Bits of the answer R1. */
enum { R1_IDLE = 0x01, R1_ILLEGAL = 0x04, R1_CRC = 0x08 };

enum { BLOCK = 512, TOKEN = 0xFE };
/* The longest that a card may take to start: 1 s. */
#define START_WAIT 1000000u

static uint8_t card_byte(void)
{
    uint8_t byte = 0xFF;
    pins_card_exchange(NULL, &byte, 1);
    return byte;
}

/* Waits until the card no longer holds the line low: it is busy while it does. */
static int card_free(void)
{
    const uint32_t start = pins_clock();
    while (card_byte() != 0xFF) {
        if (pins_clock() - start > TBR_CARD_WAIT) {
            return TBR_CARD_LATE;
        }
    }
    return TBR_CARD_OK;
}

/* x^7 + x^3 + 1, and the end bit behind it. */
static uint8_t card_crc7(const uint8_t *bytes, uint32_t n)
{
    uint8_t crc = 0, bit;
    for (; n > 0; n--) {
        crc ^= *bytes++;
        for (bit = 0; bit < 8; bit++) {
            crc = (uint8_t)(crc & 0x80 ? crc << 1 ^ 0x12 : crc << 1);
        }
    }
    return crc | 1;
}

/* x^16 + x^12 + x^5 + 1, from 0; a byte at a time, in ten instructions. */
static uint16_t card_crc16(const uint8_t *bytes, uint32_t n)
{
    uint32_t crc = 0;
    for (; n > 0; n--) {
        crc = (crc >> 8 | crc << 8) & 0xFFFF;
        crc ^= *bytes++;
        crc ^= (crc & 0xFF) >> 4;
        crc ^= crc << 12 & 0xFFFF;
        crc ^= (crc & 0xFF) << 5;
    }
    return (uint16_t)crc;
}

/* Sends a command once; its R1, or below zero. The card stays selected. */
static int card_ask(uint8_t command, uint32_t argument)
{
    uint8_t frame[6], r1;
    uint32_t i;
    frame[0] = 0x40 | command;
    for (i = 0; i < 4; i++) {
        frame[1 + i] = (uint8_t)(argument >> (24 - 8 * i));
    }
    frame[5] = card_crc7(frame, 5);
    pins_card_exchange(frame, NULL, sizeof frame);
    if (command == STOP_TRANSMISSION) {
        card_byte(); /* still of the block that it stops */
    }
    /* An answer begins within 8 bytes, with a bit of 0. */
    for (i = 0; i < 9; i++) {
        r1 = card_byte();
        if (!(r1 & 0x80)) {
            return r1;
        }
    }
    return TBR_CARD_NONE;
}

/* The same, again while the card says that the command came damaged. */
static int card_command(tbr_card *card, uint8_t command, uint32_t argument)
{
    uint32_t tries;
    int r1 = TBR_CARD_LATE;
    for (tries = 0; tries < TBR_CARD_TRIES; tries++) {
        if (command != GO_IDLE && card_free() != TBR_CARD_OK) {
            return TBR_CARD_LATE;
        }
        r1 = card_ask(command, argument);
        if (r1 < 0 || !(r1 & R1_CRC)) {
            return r1;
        }
        card->retries++;
    }
    return TBR_CARD_DAMAGED;
}

static uint32_t card_word(void)
{
    uint32_t word = 0, i;
    for (i = 0; i < 4; i++) {
        word = word << 8 | card_byte();
    }
    return word;
}

/* Resets the card into SPI mode. A card that was in the middle of a block may need
 * more than one try. */
static int card_reset(void)
{
    uint32_t tries;
    int r1 = TBR_CARD_NONE;
    for (tries = 0; tries < TBR_CARD_TRIES && r1 != R1_IDLE; tries++) {
        pins_card_select(0);
        pins_card_exchange(NULL, NULL, 10); /* at least 74 clocks */
        pins_card_select(1);
        r1 = card_ask(GO_IDLE, 0);
    }
    return r1 == R1_IDLE ? TBR_CARD_OK : TBR_CARD_NONE;
}

/* Asks the card to start until it has. `version2`: it knows CMD8, and is told that
 * addresses of blocks are welcome. */
static int card_wake(tbr_card *card, int version2)
{
    const uint32_t start = pins_clock();
    for (;;) {
        int r1 = card_command(card, APP_CMD, 0);
        if (r1 >= 0 && !(r1 & R1_ILLEGAL)) {
            r1 = card_command(card, SD_SEND_OP_COND, version2 ? 1u << 30 : 0);
        }
        if (r1 <= 0) {
            return r1;
        }
        if (r1 & R1_ILLEGAL) {
            return TBR_CARD_UNSUITED;
        }
        if (pins_clock() - start > START_WAIT) {
            return TBR_CARD_LATE;
        }
    }
}

static int card_start(tbr_card *card)
{
    int r1, version2;
    if (card_reset() != TBR_CARD_OK) {
        return TBR_CARD_NONE;
    }
    r1 = card_command(card, SEND_IF_COND, 0x1AA); /* 2.7 to 3.6 V, and a pattern */
    if (r1 < 0) {
        return r1;
    }
    version2 = !(r1 & R1_ILLEGAL);
    if (version2 && (card_word() & 0xFFF) != 0x1AA) {
        return TBR_CARD_UNSUITED;
    }
    r1 = card_command(card, CRC_ON_OFF, 1);
    if (r1 != R1_IDLE) {
        return r1 < 0 ? r1 : TBR_CARD_UNSUITED;
    }
    r1 = card_wake(card, version2);
    if (r1 != 0) {
        return r1;
    }
    r1 = card_command(card, READ_OCR, 0);
    if (r1 < 0 || (r1 & ~R1_IDLE) != 0) { /* some still say idle here */
        return r1 < 0 ? r1 : TBR_CARD_REFUSED;
    }
    card->by_block = (card_word() >> 30 & 1) != 0;
    r1 = card->by_block ? 0 : card_command(card, SET_BLOCKLEN, BLOCK);
    return r1 <= 0 ? r1 : TBR_CARD_REFUSED;
}

/* Lets go of the card; it lets go of the line eight clocks later. */
static void card_release(void)
{
    pins_card_select(0);
    card_byte();
}

int tbr_card_start(tbr_card *card, uint32_t hz)
{
    int said;
    card->ready = 0;
    pins_card_speed(400000);
    said = card_start(card);
    card_release();
    pins_card_speed(hz < 25000000u ? hz : 25000000u);
    card->ready = said == TBR_CARD_OK;
    return said;
}

/* One block: a token, the bytes, their CRC16. */
static int card_block(uint8_t *to)
{
    const uint32_t start = pins_clock();
    uint8_t crc[2];
    uint8_t token = card_byte();
    while (token == 0xFF) {
        if (pins_clock() - start > TBR_CARD_WAIT) {
            return TBR_CARD_LATE;
        }
        token = card_byte();
    }
    if (token != TOKEN) {
        /* An error token (bits 7 to 4 are 0; bit 3: out of range), or a damaged one. */
        return (token & 0xF8) == 0x08 ? TBR_CARD_REFUSED : TBR_CARD_DAMAGED;
    }
    pins_card_exchange(NULL, to, BLOCK);
    pins_card_exchange(NULL, crc, 2);
    return card_crc16(to, BLOCK) == (crc[0] << 8 | crc[1]) ? TBR_CARD_OK : TBR_CARD_DAMAGED;
}

/* Ends a transfer. What the card answers doesn't matter (that its end was reached, for
 * one), unless it is that the command came damaged: then it goes on sending. */
static int card_stop(tbr_card *card)
{
    uint32_t tries;
    for (tries = 0; tries < TBR_CARD_TRIES; tries++) {
        const int r1 = card_ask(STOP_TRANSMISSION, 0);
        if (r1 >= 0 && !(r1 & R1_CRC)) {
            return card_free();
        }
        card->retries++;
    }
    return TBR_CARD_LATE;
}

/* Reads in one go until something is wrong; `*count` and `*to` tell what is left. One
 * block is asked for in the same way: a transfer of many can be stopped anywhere. */
static int card_blocks(tbr_card *card, uint32_t block, uint8_t **to, uint32_t *count)
{
    const uint32_t address = card->by_block ? block : block * BLOCK;
    int said, stopped;
    pins_card_select(1);
    said = card_command(card, READ_MULTIPLE_BLOCK, address);
    said = said > 0 ? TBR_CARD_REFUSED : said;
    while (*count > 0 && said == TBR_CARD_OK) {
        said = card_block(*to);
        *to += said == TBR_CARD_OK ? BLOCK : 0;
        *count -= said == TBR_CARD_OK;
    }
    /* Whatever it said: its answer may have come damaged, and it sends. */
    stopped = card_stop(card);
    said = said == TBR_CARD_OK ? stopped : said;
    card_release();
    return said;
}

int tbr_card_read(tbr_card *card, uint32_t block, uint8_t *to, uint32_t count)
{
    uint32_t tries = 0;
    if (!card->ready) {
        return TBR_CARD_NONE;
    }
    if (!card->by_block && block >= 0x800000u) {
        return TBR_CARD_REFUSED; /* past 4 GB, which addresses in bytes do not reach */
    }
    while (count > 0) {
        const uint32_t before = count;
        const int said = card_blocks(card, block, &to, &count);
        block += before - count;
        tries = count < before ? 1 : tries + 1;
        if (said != TBR_CARD_OK) {
            card->retries++;
            if (said == TBR_CARD_LATE || tries >= TBR_CARD_TRIES) {
                card->ready = 0;
                return said;
            }
        }
    }
    return TBR_CARD_OK;
}

const char *tbr_card_reason(int error)
{
    switch (error) {
    case TBR_CARD_OK:
        return "the card is ready";
    case TBR_CARD_NONE:
        return "no card answers: put one in, or check clock, select and both data lines";
    case TBR_CARD_UNSUITED:
        return "this is no SD card for 3.3 V: take another card";
    case TBR_CARD_LATE:
        return "the card stopped answering: check its power, or take another card";
    case TBR_CARD_REFUSED:
        return "the card refused a read: it was exchanged, or its file system is broken";
    default:
        return "what the card sends is damaged: shorten the wires or lower its clock";
    }
}
