/* thumbreel.h - reads reels (.tbr) and decodes their pictures and sound.
 *
 * SYNOPSIS
 *   In one source file:          #define THUMBREEL_IMPLEMENTATION
 *   there and in the others:     #include "thumbreel.h"
 *
 *   Level 1, header only:        tbr_header_read(sector0, &header)
 *   Level 2, chunk by chunk:     tbr_reader_open, tbr_reader_room,
 *                                tbr_reader_added: bytes in, events out, in
 *                                pieces of any size, from a file, a socket,
 *                                or flash memory that is simply there
 *   Level 3, inside a slice:     tbr_slice_open, tbr_slice_picture;
 *                                tbr_sound_open, tbr_sound_read;
 *                                tbr_decoder_open, tbr_decode: pixels out, in
 *                                the panel's own byte order, by rectangles
 *   Level 4, the whole player:   player.c beside this file
 *
 * COMPILE SWITCHES (define before the implementation; defaults in brackets)
 *   TBR_PATCH [2]   0: no coding "patch"; 1: level light; 2: light and full
 *   TBR_CRC32       your own CRC-32/ISO-HDLC, if the chip has one in ROM or
 *                   in hardware: a function of (uint32_t crc, const uint8_t *,
 *                   uint32_t bytes) that goes on from crc, 0 at the start
 *
 * DEMANDS
 *   C99 or C++17, two's complement, 8-bit bytes; low or high byte first (the
 *   latter must be told by __BYTE_ORDER__). No allocation, no floating point, no
 *   recursion, nothing of the C library but memcpy and memset. Under 1 KB of
 *   stack. Sizes: README.md beside this file.
 *
 * MEMORY, all of it given by the caller and stated in the reel's header:
 *   largest_chunk    bytes for one slice as it comes from the card; three
 *                    times that, or `prebuffer` bytes, to read ahead
 *   working_memory   bytes for the picture decoder; none for raw
 *
 * RETURN CODES
 *   0 or more: done, or an event. Below zero: an error, whose hundreds say
 *   whose fault it is: -1xx the bytes, -2xx a newer format than this reader
 *   knows, -3xx a limit, -4xx the calling program. tbr_fault_side() tells.
 *
 * THE FORMAT IN BRIEF (container.md is normative)
 *   All numbers little-endian. Sector 0: header; sector 1: its copy. Then
 *   chunks, each on a multiple of 16: a 48-byte header, then parts. A part is
 *   a payload, zeros to a multiple of 4, and a CRC-32 for each 8192 bytes of
 *   these. A slice is a stretch of time: its sound block, the directory of its
 *   pictures (16 bytes each), the pictures, each a part of its own. A tick is
 *   one sound sample. A key slice can be played without those before it.
 *   Raw picture: {u16 rectangles, u16 0}, then each {u16 x, y, w, h} and
 *   w x h pixels of 2 bytes, padded to 4.
 */
#ifndef THUMBREEL_H
#define THUMBREEL_H

#include <stddef.h>
#include <stdint.h>

#ifndef TBR_PATCH
#define TBR_PATCH 2
#endif

/* Compilers that are told to know no C library still build these in, and need no
 * <string.h>. */
#ifdef __GNUC__
#define TBR_COPY __builtin_memcpy
#define TBR_FILL __builtin_memset
#else
#include <string.h>
#define TBR_COPY memcpy
#define TBR_FILL memset
#endif

#ifdef __cplusplus
extern "C" {
#endif

/* --- constants ---------------------------------------------------------- */

enum {
    TBR_SECTOR = 512,
    TBR_FIRST_CHUNK = 1024, /* after sector 0 and its copy */
    TBR_CHUNK_HEADER = 48,
    TBR_CHUNK_ALIGN = 16, /* chunks start on multiples of it */
    TBR_PIECE = 8192, /* bytes of a part under one checksum */
    TBR_TITLE = 96,
    TBR_INDEX_BLOCK = 128, /* bytes of the index under one checksum */
    TBR_INDEX_ENTRIES = 14 /* in one such block */
};

/* Picture codings. */
enum { TBR_RAW = 0, TBR_JPEG = 1, TBR_PATCH_CODING = 2 };
/* Sound codings. */
enum { TBR_NO_SOUND = 0, TBR_PCM_S16 = 1, TBR_PCM_U8 = 2, TBR_IMA_ADPCM = 3 };
/* Kinds of chunk. */
enum {
    TBR_POSTER = 1,
    TBR_TABLES = 2,
    TBR_SLICE = 3,
    TBR_INDEX = 4,
    TBR_END = 5,
    TBR_NOTE = 6
};
/* Flags of a chunk. */
enum { TBR_KEY = 1, TBR_GAP = 2, TBR_EVEN = 4, TBR_SKIPPABLE = 128 };
/* Flags of a picture. */
enum { TBR_PICTURE_KEY = 1, TBR_PICTURE_UNCHANGED = 2 };

/* Errors. */
enum {
    TBR_OK = 0,
    /* the bytes */
    TBR_NOT_A_REEL = -101,
    TBR_TEXT_MODE = -102, /* a reel changed by a transfer in text mode */
    TBR_CHECKSUM = -103,
    TBR_TRUNCATED = -104,
    TBR_NO_SYNC = -105,
    TBR_OTHER_REEL = -106,
    TBR_SEQUENCE = -107,
    TBR_FIELD = -108,
    TBR_RESERVED = -109,
    TBR_PICTURE = -110, /* a picture's payload breaks its coding */
    TBR_SOUND = -111,   /* a sound block breaks its coding */
    /* newer than this reader, or left out of this build */
    TBR_VERSION = -201,
    TBR_MUST_KNOW = -202,
    TBR_UNKNOWN_KIND = -203,
    TBR_CODING = -204,
    /* limits of the format, or those the header states */
    TBR_LIMIT = -301,
    /* the calling program */
    TBR_MEMORY = -401, /* the memory given is too small */
    TBR_CALL = -402    /* called at the wrong time */
};

/* Whose fault an error is. */
enum { TBR_NOBODY = 0, TBR_BYTES = 1, TBR_NEWER = 2, TBR_LIMITS = 3, TBR_CALLER = 4 };

#define TBR_UNKNOWN UINT64_MAX /* a duration that is not known */

/* --- structures --------------------------------------------------------- */

/* The meaning of sector 0. One tick is one sound sample at clock_rate; offsets
 * and lengths are in bytes from the start of the file. */
typedef struct tbr_header {
    uint64_t reel_id;
    uint64_t first_tick;    /* tick at which this part starts */
    uint64_t duration;      /* ticks in this part, or TBR_UNKNOWN */
    uint64_t reel_duration; /* ticks in all parts, or TBR_UNKNOWN */
    uint64_t file_length;   /* 0 when live */
    uint64_t first_slice;   /* offset */
    uint64_t index_offset;  /* 0 without an index */
    uint32_t index_length, index_step, index_entries;
    uint32_t may_ignore;
    uint32_t first_picture, picture_count, slice_count;
    uint32_t clock_rate;         /* ticks per second */
    uint32_t rate_num, rate_den; /* nominal frames per second */
    uint32_t largest_chunk;      /* bytes */
    uint32_t most_ticks, largest_sound, largest_picture;
    uint32_t working_memory;     /* bytes the decoder needs */
    uint32_t prebuffer;          /* bytes to have before play starts */
    uint32_t mean_rate, worst_rate; /* bytes per second */
    uint32_t worst_bus_bytes, worst_instructions;
    uint32_t poster_offset, poster_length, tables_offset, tables_length;
    uint16_t version_minor, part, parts;
    /* in pixels; the offsets say where the picture starts in the panel's memory */
    uint16_t x_offset, y_offset, width, height;
    uint16_t most_pictures;
    uint8_t shape;               /* 0 rectangle, 1 ellipse */
    uint8_t low_first;           /* pixels: 0 high byte first, 1 low byte first */
    uint8_t wire;                /* done to the pixels already, which are sent as they are:
                                    bit 0 blue where red would be, bit 1 inverted */
    uint8_t coding, level, sound, channels;
    char title[TBR_TITLE + 1];   /* UTF-8, ends in zero */
} tbr_header;

/* The 48 bytes at the start of a chunk. */
typedef struct tbr_chunk {
    uint64_t time;  /* tick of a slice's first sample */
    uint32_t number;
    uint32_t length; /* bytes of the whole chunk */
    uint32_t used;   /* bytes of parts, checksums included */
    uint32_t ticks;
    uint32_t bytes;  /* of the sound block, or of another kind's payload */
    uint32_t first_picture;
    uint32_t id_low;
    uint16_t pictures;
    uint8_t kind, flags;
    uint8_t marked;  /* a slice whose parts were checked where they lie */
} tbr_chunk;

/* A picture in a slice. */
typedef struct tbr_picture {
    const uint8_t *bytes; /* payload */
    int code;             /* TBR_OK; else it is lost, and only its time is known */
    uint32_t length;      /* bytes of it */
    uint32_t tick_offset; /* from the slice's start */
    uint8_t flags;
} tbr_picture;

/* A rectangle in the panel's memory: the header's offsets are in x and y. */
typedef struct tbr_rect {
    uint16_t x, y, w, h;
} tbr_rect;

/* Takes pixels to the panel: `bytes` bytes in wire order. With a window they
 * are its first pixels, row by row; with NULL they go on where the last ones
 * ended. It may return while a DMA transfer is running; called again, it waits
 * for the one before. The pixels of a call stay as they are until the next
 * call returns (raw: until the chunk's memory is used for something else), so
 * that one half of a buffer is sent while the other is being filled. Of patch
 * the last ones lie in memory that the next tbr_decode writes to: wait for
 * their transfer before you call it (player.c does, by `window_wait`). */
typedef void (*tbr_send)(void *user, const tbr_rect *window, const uint8_t *pixels,
                         uint32_t bytes);

/* --- level 1: the header ------------------------------------------------ */

/* CRC-32/ISO-HDLC of bytes, going on from crc (0 at the start). */
uint32_t tbr_crc32(uint32_t crc, const uint8_t *bytes, uint32_t length);
/* Whose fault a return code is: TBR_NOBODY ... TBR_CALLER. */
int tbr_fault_side(int code);
/* Reads and checks sector 0 or its copy, 512 bytes. */
int tbr_header_read(const uint8_t *sector, tbr_header *header);

/* --- level 2: chunks ---------------------------------------------------- */

/* Reads and checks the first 48 bytes of a chunk. `newer`: the reel's minor
 * version is above 0, and flags that this reader does not know are ignored. */
int tbr_chunk_read(const uint8_t *bytes, int newer, tbr_chunk *chunk);
/* Bytes of a part with n bytes of payload. */
uint32_t tbr_part_length(uint32_t n);
/* Checks a part with n bytes of payload: its checksums and its padding. */
int tbr_part_check(const uint8_t *part, uint32_t n);

/* Which entry of the index leads to `tick`, and the offset of the block that
 * holds it. TBR_CALL if there is no index. */
int tbr_index_find(const tbr_header *header, uint64_t tick, uint32_t *entry,
                   uint64_t *block_offset);
/* Reads that entry from its block: the offset of the key slice to play from. */
int tbr_index_read(const tbr_header *header, const uint8_t *block, uint32_t entry,
                   uint64_t *slice_offset, uint32_t *chunk_number);

/* What the reader found; see tbr_reader_next. */
enum {
    TBR_EV_MORE = 0,   /* more bytes are needed, or nothing follows the end */
    TBR_EV_HEADER = 1, /* reader->header */
    TBR_EV_CHUNK = 2,  /* reader->chunk, whole at reader->bytes: not a slice */
    TBR_EV_SLICE = 3,  /* a slice is there: tbr_slice_open tells of its parts */
    TBR_EV_DAMAGE = 4, /* reader->damage: sound is silent from..to, read on */
    TBR_EV_END = 5,    /* nothing more will come */
    TBR_EV_PLACE = 6   /* only if `asks`: say where reader->chunk is to lie */
};

/* A stretch of the reel that cannot be presented. */
typedef struct tbr_damage {
    uint64_t offset;   /* of the structure at fault */
    uint64_t length;   /* bytes passed over from there */
    uint64_t from, to; /* ticks that are missing; equal if none are */
    uint32_t chunk;    /* number, if it could be read */
    int code;
    uint8_t has_chunk;
} tbr_damage;

/* The reader: a state machine without input or output. It holds one chunk at a
 * time in the caller's memory, checks its parts, and only then hands it out:
 * nothing damaged is ever presented, and nothing whole is held back for it. It
 * asks for bytes up to the end of a sector where there is room for them. All
 * but its own fields may be read. */
typedef struct tbr_reader {
    uint64_t position;    /* offset of the next byte it is given */
    uint64_t time;        /* tick at which the next slice should start */
    const uint8_t *bytes; /* the chunk, from its first byte */
    uint8_t asks;         /* set it to be asked where each slice (of JPEG reels the
                             tables too) is to lie, and to pass over everything
                             else but the end */
    uint8_t has_end;      /* at the end: there was an end chunk */
    uint8_t stale;        /* pictures wait for a key picture; set it to 0 then */
    uint16_t lost;        /* parts of the slice that are lost; 0 if not in memory
                             of the reader's own */
    /* its own */
    uint8_t state, has_header, has_number, loose, anywhere, doubts, input_ended;
    uint32_t capacity, size, filled, want, number, doubted_number;
    uint64_t doubted_time;
    int copy_code;
    uint64_t base, tick;
    uint8_t *buffer;
    const uint8_t *map;
    uint64_t map_length, key_offset;
    uint32_t key_number;
    int failed;
    tbr_damage search;
    /* not its own */
    tbr_chunk chunk;
    tbr_damage damage;
    tbr_header header;
} tbr_reader;

/* A reader at the start of a reel; `size` is 512 bytes or more, and
 * largest_chunk for play. */
int tbr_reader_open(tbr_reader *reader, uint8_t *buffer, uint32_t size);
/* The same for a reel that lies in memory: nothing is copied, and there is no
 * need for tbr_reader_room. */
void tbr_reader_map(tbr_reader *reader, const uint8_t *reel, uint64_t length);
/* Where the next bytes are to be put and how many are wanted; fewer may come
 * at a time. 0: call tbr_reader_next. */
uint32_t tbr_reader_room(tbr_reader *reader, uint8_t **to);
/* Tells that n bytes were put there. */
void tbr_reader_added(tbr_reader *reader, uint32_t n);
/* Bytes that will be passed over before the next one that is wanted. A source
 * that can seek goes to the offset returned by tbr_reader_jump instead. */
uint64_t tbr_reader_ahead(const tbr_reader *reader);
uint64_t tbr_reader_jump(tbr_reader *reader);
/* Tells that the source has no more bytes. */
void tbr_reader_ended(tbr_reader *reader);
/* The next event, TBR_EV_..., or an error: no reel, too new, too large. */
int tbr_reader_next(tbr_reader *reader);
/* After TBR_EV_PLACE: the chunk shall lie in `buffer`; what has been read of
 * it is moved there. 0 bytes: pass it over. */
void tbr_reader_place(tbr_reader *reader, uint8_t *buffer, uint32_t size);
/* Goes to the key slice for `tick`: by one block of the index or, without an
 * index, from slice to slice. TBR_CALL before the header. */
int tbr_reader_seek(tbr_reader *reader, uint64_t tick);

/* Walks through a slice, part by part. */
typedef struct tbr_slice {
    const uint8_t *sound; /* the sound block; without bytes: silence */
    uint32_t sound_bytes;
    int sound_code; /* TBR_OK; else the sound is lost */
    int code;       /* TBR_OK; else all pictures are lost */
    const uint8_t *entry, *at;
    uint32_t ticks;
    uint16_t pictures, left; /* all, and those to come */
    uint8_t even, marked;
} tbr_slice;

void tbr_slice_open(tbr_slice *slice, const tbr_header *header, const tbr_chunk *chunk,
                    const uint8_t *bytes);
/* Reads the header of a slice once more where the reader has checked it. */
void tbr_slice_again(const uint8_t *bytes, tbr_chunk *chunk);
/* Returns 1 and the next picture, or 0 after the last one. A picture whose code
 * is not TBR_OK is lost: pictures wait for a key picture from there. */
int tbr_slice_picture(tbr_slice *slice, tbr_picture *picture);

/* Decodes a sound block, in pieces of any size. */
typedef struct tbr_sound {
    const uint8_t *at;
    uint32_t left; /* samples to come */
    int32_t sample;
    uint8_t coding, index, half, first;
} tbr_sound;

/* `samples` are the slice's ticks. A block of 0 bytes is silence. TBR_SOUND if
 * the block breaks its coding. */
int tbr_sound_open(tbr_sound *sound, uint8_t coding, const uint8_t *bytes, uint32_t length,
                   uint32_t samples);
/* Writes up to n samples; returns how many, 0 at the end of the block. */
uint32_t tbr_sound_read(tbr_sound *sound, int16_t *samples, uint32_t n);

/* Decodes pictures of one reel. */
typedef struct tbr_decoder {
    void *memory;
    tbr_rect panel; /* where the picture lies in the panel's memory */
    uint8_t coding;
} tbr_decoder;

/* `memory` holds `size` bytes, header->working_memory or more, aligned to 4.
 * TBR_MEMORY if it is too small, TBR_CODING if this build lacks the coding. */
int tbr_decoder_open(tbr_decoder *decoder, const tbr_header *header, void *memory,
                     uint32_t size);
/* Decodes one picture and sends what changed. Without `send` (NULL) it only
 * keeps up: what would have been sent goes out with the next picture; for
 * raw, which has no memory of its own, it is lost unless that one is a key
 * picture. A picture that breaks its coding is TBR_PICTURE: the panel keeps
 * what it shows, and the next picture to decode is a key picture. */
int tbr_decode(tbr_decoder *decoder, const tbr_picture *picture, tbr_send send, void *user);

#ifdef __cplusplus
}
#endif

#endif /* THUMBREEL_H */

#if defined(THUMBREEL_IMPLEMENTATION) && !defined(THUMBREEL_IMPLEMENTED)
#define THUMBREEL_IMPLEMENTED

/* Code that runs for each pixel or number is compiled for speed, the rest for
 * size. */
#ifdef __GNUC__
#define TBR_COLD __attribute__((cold, noinline))
#define TBR_HOT __attribute__((hot, noinline))
#else
#define TBR_COLD
#define TBR_HOT
#endif

/* --- bytes and checks --------------------------------------------------- */

static uint16_t tbr_u16(const uint8_t *b)
{
    return (uint16_t)(b[0] | (uint32_t)b[1] << 8);
}

static uint32_t tbr_u32(const uint8_t *b)
{
    return b[0] | (uint32_t)b[1] << 8 | (uint32_t)b[2] << 16 | (uint32_t)b[3] << 24;
}

static uint64_t tbr_u64(const uint8_t *b)
{
    return tbr_u32(b) | (uint64_t)tbr_u32(b + 4) << 32;
}

/* n rounded up to a multiple of four. n is at most a chunk's length. */
static uint32_t tbr_align4(uint32_t n) { return (n + 3u) & ~3u; }

static TBR_COLD int tbr_zeros(const uint8_t *bytes, uint32_t n)
{
    uint32_t i;
    for (i = 0; i < n; i++) {
        if (bytes[i] != 0) {
            return 0;
        }
    }
    return 1;
}

#ifndef TBR_CRC32
static const uint32_t tbr_crc_table[256] = {
    0x00000000u, 0x77073096u, 0xee0e612cu, 0x990951bau, 0x076dc419u, 0x706af48fu,
    0xe963a535u, 0x9e6495a3u, 0x0edb8832u, 0x79dcb8a4u, 0xe0d5e91eu, 0x97d2d988u,
    0x09b64c2bu, 0x7eb17cbdu, 0xe7b82d07u, 0x90bf1d91u, 0x1db71064u, 0x6ab020f2u,
    0xf3b97148u, 0x84be41deu, 0x1adad47du, 0x6ddde4ebu, 0xf4d4b551u, 0x83d385c7u,
    0x136c9856u, 0x646ba8c0u, 0xfd62f97au, 0x8a65c9ecu, 0x14015c4fu, 0x63066cd9u,
    0xfa0f3d63u, 0x8d080df5u, 0x3b6e20c8u, 0x4c69105eu, 0xd56041e4u, 0xa2677172u,
    0x3c03e4d1u, 0x4b04d447u, 0xd20d85fdu, 0xa50ab56bu, 0x35b5a8fau, 0x42b2986cu,
    0xdbbbc9d6u, 0xacbcf940u, 0x32d86ce3u, 0x45df5c75u, 0xdcd60dcfu, 0xabd13d59u,
    0x26d930acu, 0x51de003au, 0xc8d75180u, 0xbfd06116u, 0x21b4f4b5u, 0x56b3c423u,
    0xcfba9599u, 0xb8bda50fu, 0x2802b89eu, 0x5f058808u, 0xc60cd9b2u, 0xb10be924u,
    0x2f6f7c87u, 0x58684c11u, 0xc1611dabu, 0xb6662d3du, 0x76dc4190u, 0x01db7106u,
    0x98d220bcu, 0xefd5102au, 0x71b18589u, 0x06b6b51fu, 0x9fbfe4a5u, 0xe8b8d433u,
    0x7807c9a2u, 0x0f00f934u, 0x9609a88eu, 0xe10e9818u, 0x7f6a0dbbu, 0x086d3d2du,
    0x91646c97u, 0xe6635c01u, 0x6b6b51f4u, 0x1c6c6162u, 0x856530d8u, 0xf262004eu,
    0x6c0695edu, 0x1b01a57bu, 0x8208f4c1u, 0xf50fc457u, 0x65b0d9c6u, 0x12b7e950u,
    0x8bbeb8eau, 0xfcb9887cu, 0x62dd1ddfu, 0x15da2d49u, 0x8cd37cf3u, 0xfbd44c65u,
    0x4db26158u, 0x3ab551ceu, 0xa3bc0074u, 0xd4bb30e2u, 0x4adfa541u, 0x3dd895d7u,
    0xa4d1c46du, 0xd3d6f4fbu, 0x4369e96au, 0x346ed9fcu, 0xad678846u, 0xda60b8d0u,
    0x44042d73u, 0x33031de5u, 0xaa0a4c5fu, 0xdd0d7cc9u, 0x5005713cu, 0x270241aau,
    0xbe0b1010u, 0xc90c2086u, 0x5768b525u, 0x206f85b3u, 0xb966d409u, 0xce61e49fu,
    0x5edef90eu, 0x29d9c998u, 0xb0d09822u, 0xc7d7a8b4u, 0x59b33d17u, 0x2eb40d81u,
    0xb7bd5c3bu, 0xc0ba6cadu, 0xedb88320u, 0x9abfb3b6u, 0x03b6e20cu, 0x74b1d29au,
    0xead54739u, 0x9dd277afu, 0x04db2615u, 0x73dc1683u, 0xe3630b12u, 0x94643b84u,
    0x0d6d6a3eu, 0x7a6a5aa8u, 0xe40ecf0bu, 0x9309ff9du, 0x0a00ae27u, 0x7d079eb1u,
    0xf00f9344u, 0x8708a3d2u, 0x1e01f268u, 0x6906c2feu, 0xf762575du, 0x806567cbu,
    0x196c3671u, 0x6e6b06e7u, 0xfed41b76u, 0x89d32be0u, 0x10da7a5au, 0x67dd4accu,
    0xf9b9df6fu, 0x8ebeeff9u, 0x17b7be43u, 0x60b08ed5u, 0xd6d6a3e8u, 0xa1d1937eu,
    0x38d8c2c4u, 0x4fdff252u, 0xd1bb67f1u, 0xa6bc5767u, 0x3fb506ddu, 0x48b2364bu,
    0xd80d2bdau, 0xaf0a1b4cu, 0x36034af6u, 0x41047a60u, 0xdf60efc3u, 0xa867df55u,
    0x316e8eefu, 0x4669be79u, 0xcb61b38cu, 0xbc66831au, 0x256fd2a0u, 0x5268e236u,
    0xcc0c7795u, 0xbb0b4703u, 0x220216b9u, 0x5505262fu, 0xc5ba3bbeu, 0xb2bd0b28u,
    0x2bb45a92u, 0x5cb36a04u, 0xc2d7ffa7u, 0xb5d0cf31u, 0x2cd99e8bu, 0x5bdeae1du,
    0x9b64c2b0u, 0xec63f226u, 0x756aa39cu, 0x026d930au, 0x9c0906a9u, 0xeb0e363fu,
    0x72076785u, 0x05005713u, 0x95bf4a82u, 0xe2b87a14u, 0x7bb12baeu, 0x0cb61b38u,
    0x92d28e9bu, 0xe5d5be0du, 0x7cdcefb7u, 0x0bdbdf21u, 0x86d3d2d4u, 0xf1d4e242u,
    0x68ddb3f8u, 0x1fda836eu, 0x81be16cdu, 0xf6b9265bu, 0x6fb077e1u, 0x18b74777u,
    0x88085ae6u, 0xff0f6a70u, 0x66063bcau, 0x11010b5cu, 0x8f659effu, 0xf862ae69u,
    0x616bffd3u, 0x166ccf45u, 0xa00ae278u, 0xd70dd2eeu, 0x4e048354u, 0x3903b3c2u,
    0xa7672661u, 0xd06016f7u, 0x4969474du, 0x3e6e77dbu, 0xaed16a4au, 0xd9d65adcu,
    0x40df0b66u, 0x37d83bf0u, 0xa9bcae53u, 0xdebb9ec5u, 0x47b2cf7fu, 0x30b5ffe9u,
    0xbdbdf21cu, 0xcabac28au, 0x53b39330u, 0x24b4a3a6u, 0xbad03605u, 0xcdd70693u,
    0x54de5729u, 0x23d967bfu, 0xb3667a2eu, 0xc4614ab8u, 0x5d681b02u, 0x2a6f2b94u,
    0xb40bbe37u, 0xc30c8ea1u, 0x5a05df1bu, 0x2d02ef8du,
};

TBR_HOT uint32_t tbr_crc32(uint32_t crc, const uint8_t *bytes, uint32_t length)
{
    crc = ~crc;
    while (length-- > 0) {
        crc = tbr_crc_table[(crc ^ *bytes++) & 255u] ^ crc >> 8;
    }
    return ~crc;
}
#else
uint32_t tbr_crc32(uint32_t crc, const uint8_t *bytes, uint32_t length)
{
    return TBR_CRC32(crc, bytes, length);
}
#endif

/* Under fuzzing every checksum agrees, so that the parser behind is reached. */
static int tbr_agrees(uint32_t stored, uint32_t computed)
{
#ifdef TBR_FUZZING
    (void)stored;
    (void)computed;
    return 1;
#else
    return stored == computed;
#endif
}

TBR_COLD int tbr_fault_side(int code)
{
    return code >= 0 ? TBR_NOBODY : -code / 100;
}

/* --- limits of the format ----------------------------------------------- */

#define TBR_MAX_CHUNK (4ul << 20)
#define TBR_MAX_PICTURES 512
#define TBR_MAX_SIDE 1024
#define TBR_MAX_RATE 240
#define TBR_MAX_SLICE_SECONDS 10
#define TBR_MAX_SIDE_DATA (64ul << 10)
#define TBR_MAX_WORKING_MEMORY (16ul << 20)
#define TBR_MAX_TIME ((uint64_t)1 << 40) /* times are below it */
#define TBR_MAX_OFFSET ((uint64_t)1 << 36)

/* --- header ------------------------------------------------------------- */

static const uint8_t tbr_magic[8] = {0xE7, 'T', 'B', 'R', 0x0A, 0x0D, 0x0A, 0x1A};

static TBR_COLD int tbr_same(const uint8_t *a, const uint8_t *b, uint32_t n)
{
    uint32_t i;
    for (i = 0; i < n; i++) {
        if (a[i] != b[i]) {
            return 0;
        }
    }
    return 1;
}

/* Tells a reel, a reel changed in transfer, and something else apart. */
static int tbr_check_magic(const uint8_t *s)
{
    if (tbr_same(s, tbr_magic, 8)) {
        return TBR_OK;
    }
    if ((s[0] & 0x7F) == (tbr_magic[0] & 0x7F) && tbr_same(s + 1, tbr_magic + 1, 3)) {
        return TBR_TEXT_MODE;
    }
    return TBR_NOT_A_REEL;
}

/* Where fields stand in the bytes, with how many, and in a structure. */
typedef struct tbr_field {
    uint8_t from, bytes, to;
} tbr_field;

#define TBR_AT(from, bytes, field) {from, bytes, (uint8_t)offsetof(TBR_INTO, field)},
#define TBR_INTO tbr_header
static const tbr_field tbr_header_fields[] = {
    TBR_AT(10, 2, version_minor) TBR_AT(16, 4, may_ignore) TBR_AT(20, 2, part)
    TBR_AT(22, 2, parts) TBR_AT(24, 8, reel_id) TBR_AT(32, 8, first_tick)
    TBR_AT(40, 8, duration) TBR_AT(48, 8, reel_duration) TBR_AT(56, 8, file_length)
    TBR_AT(64, 4, first_picture) TBR_AT(68, 4, picture_count) TBR_AT(72, 4, slice_count)
    TBR_AT(76, 2, width) TBR_AT(78, 2, height) TBR_AT(80, 1, shape) TBR_AT(81, 1, low_first)
    TBR_AT(82, 1, wire) TBR_AT(83, 1, coding) TBR_AT(84, 1, level) TBR_AT(85, 1, sound)
    TBR_AT(86, 1, channels) TBR_AT(88, 4, clock_rate) TBR_AT(92, 4, rate_num)
    TBR_AT(96, 4, rate_den) TBR_AT(100, 4, largest_chunk) TBR_AT(104, 2, most_pictures)
    TBR_AT(108, 4, most_ticks) TBR_AT(112, 4, largest_sound) TBR_AT(116, 4, largest_picture)
    TBR_AT(120, 4, working_memory) TBR_AT(124, 4, prebuffer) TBR_AT(128, 4, mean_rate)
    TBR_AT(132, 4, worst_rate) TBR_AT(136, 4, worst_bus_bytes)
    TBR_AT(140, 4, worst_instructions) TBR_AT(144, 8, first_slice)
    TBR_AT(152, 8, index_offset) TBR_AT(160, 4, index_length) TBR_AT(164, 4, index_step)
    TBR_AT(168, 4, index_entries) TBR_AT(172, 4, poster_offset) TBR_AT(176, 4, poster_length)
    TBR_AT(184, 4, tables_offset)
    TBR_AT(188, 4, tables_length) TBR_AT(192, 2, x_offset) TBR_AT(194, 2, y_offset)
};
#undef TBR_INTO
#define TBR_INTO tbr_chunk
static const tbr_field tbr_chunk_fields[] = {
    TBR_AT(4, 1, kind) TBR_AT(5, 1, flags) TBR_AT(6, 2, pictures) TBR_AT(8, 4, number)
    TBR_AT(12, 4, length) TBR_AT(16, 4, used) TBR_AT(20, 4, ticks) TBR_AT(24, 8, time)
    TBR_AT(32, 4, bytes) TBR_AT(36, 4, first_picture) TBR_AT(40, 4, id_low)
};
#undef TBR_INTO
#undef TBR_AT

typedef char tbr_fields_fit[offsetof(tbr_header, title) <= 256 ? 1 : -1];

static TBR_COLD void tbr_read_fields(const uint8_t *b, const tbr_field *field, uint32_t n,
                                     void *structure)
{
    for (; n > 0; n--, field++) {
        const uint8_t *const from = b + field->from;
        uint8_t *const to = (uint8_t *)structure + field->to;
        if (field->bytes == 8) {
            const uint64_t value = tbr_u64(from);
            TBR_COPY(to, &value, 8);
        } else if (field->bytes == 4) {
            const uint32_t value = tbr_u32(from);
            TBR_COPY(to, &value, 4);
        } else if (field->bytes == 2) {
            const uint16_t value = tbr_u16(from);
            TBR_COPY(to, &value, 2);
        } else {
            *to = *from;
        }
    }
}

#define TBR_READ(bytes, fields, structure) \
    tbr_read_fields(bytes, fields, sizeof fields / sizeof fields[0], structure)

static uint32_t tbr_common_divisor(uint32_t a, uint32_t b)
{
    while (b != 0) {
        const uint32_t rest = a % b;
        a = b;
        b = rest;
    }
    return a;
}

static int tbr_known(uint64_t time) { return time == TBR_UNKNOWN || time < TBR_MAX_TIME; }

static int tbr_check_times(const tbr_header *h)
{
    if (h->reel_id == 0 || h->part < 1 || (h->parts != 0 && h->part > h->parts)) {
        return TBR_FIELD;
    }
    if (h->first_tick >= TBR_MAX_TIME) {
        return TBR_LIMIT;
    }
    if (!tbr_known(h->duration) || !tbr_known(h->reel_duration) ||
        (h->duration != TBR_UNKNOWN && !tbr_known(h->first_tick + h->duration)) ||
        h->reel_duration < h->duration || h->clock_rate < 4000 || h->clock_rate > 96000 ||
        (uint64_t)h->rate_num > (uint64_t)h->rate_den * TBR_MAX_RATE) {
        return TBR_FIELD;
    }
    return TBR_OK;
}

/* Bytes that the decoder of `coding` needs at least. */
static uint32_t tbr_least_memory(const tbr_header *h)
{
    const uint32_t columns = (h->width + 15u) / 16u, lines = (h->height + 15u) / 16u;
    return h->coding == TBR_PATCH_CODING ? 384 * columns * lines + 1536 * columns + 4096 : 0;
}

static int tbr_check_panel(const tbr_header *h)
{
    const int sides = h->width >= 1 && h->width <= TBR_MAX_SIDE && h->height >= 1 &&
                      h->height <= TBR_MAX_SIDE;
    if (!sides) {
        return TBR_FIELD;
    }
    if ((h->x_offset | h->y_offset) >= TBR_MAX_SIDE) {
        return TBR_LIMIT;
    }
    if (h->coding == TBR_PATCH_CODING && (h->width > 512 || h->height > 512)) {
        return TBR_FIELD;
    }
    return h->working_memory >= tbr_least_memory(h) &&
                   h->channels == (h->sound != TBR_NO_SOUND)
               ? TBR_OK
               : TBR_FIELD;
}

static int tbr_check_needs(const tbr_header *h)
{
    if (h->largest_chunk > TBR_MAX_CHUNK) {
        return TBR_LIMIT;
    }
    if (h->largest_chunk < TBR_CHUNK_HEADER || h->largest_chunk % TBR_CHUNK_ALIGN != 0) {
        return TBR_FIELD;
    }
    if (h->most_pictures > TBR_MAX_PICTURES ||
        h->most_ticks > TBR_MAX_SLICE_SECONDS * h->clock_rate ||
        h->largest_sound > h->largest_chunk || h->largest_picture > h->largest_chunk ||
        h->working_memory > TBR_MAX_WORKING_MEMORY) {
        return TBR_LIMIT;
    }
    return TBR_OK;
}

static int tbr_check_place(uint64_t offset, uint32_t length)
{
    if ((offset == 0) != (length == 0) || (offset != 0 && offset < TBR_FIRST_CHUNK) ||
        offset % TBR_CHUNK_ALIGN != 0 || length % TBR_CHUNK_ALIGN != 0 ||
        offset > TBR_MAX_OFFSET) {
        return TBR_FIELD;
    }
    return length > TBR_MAX_CHUNK ? TBR_LIMIT : TBR_OK;
}

/* n is at most a chunk's length. */
uint32_t tbr_part_length(uint32_t n)
{
    const uint32_t padded = tbr_align4(n);
    return padded + 4 * ((padded + TBR_PIECE - 1) / TBR_PIECE);
}

/* Length of the chunk with `used` bytes of parts, at most 4 GiB less 64. */
static uint32_t tbr_chunk_length(uint32_t used)
{
    return (TBR_CHUNK_HEADER + used + TBR_CHUNK_ALIGN - 1) & ~(uint32_t)(TBR_CHUNK_ALIGN - 1);
}

static TBR_COLD int tbr_check_index(const tbr_header *h)
{
    const uint32_t blocks =
        h->index_entries / TBR_INDEX_ENTRIES + (h->index_entries % TBR_INDEX_ENTRIES != 0);
    /* An index is one chunk at most. */
    const int fits = blocks <= TBR_MAX_CHUNK / TBR_INDEX_BLOCK;
    const uint32_t length =
        blocks == 0 || !fits ? 0 : tbr_chunk_length(tbr_part_length(blocks * TBR_INDEX_BLOCK));
    return fits && h->index_length == length &&
                   (h->index_step == 0) == (h->index_entries == 0)
               ? TBR_OK
               : TBR_FIELD;
}

static int tbr_check_places(const tbr_header *h)
{
    int code = tbr_check_place(h->index_offset, h->index_length);
    if (code == TBR_OK) {
        code = tbr_check_place(h->poster_offset, h->poster_length);
    }
    if (code == TBR_OK) {
        code = tbr_check_place(h->tables_offset, h->tables_length);
    }
    if (code == TBR_OK &&
        h->tables_length > tbr_chunk_length(tbr_part_length(TBR_MAX_SIDE_DATA))) {
        code = TBR_LIMIT;
    }
    if (code != TBR_OK) {
        return code;
    }
    if (h->first_slice < TBR_FIRST_CHUNK || h->first_slice % TBR_CHUNK_ALIGN != 0 ||
        h->first_slice > TBR_MAX_OFFSET ||
        (h->file_length == 0) != (h->duration == TBR_UNKNOWN) ||
        h->file_length % TBR_CHUNK_ALIGN != 0 || h->file_length > TBR_MAX_OFFSET) {
        return TBR_FIELD;
    }
    return tbr_check_index(h);
}

/* Bytes of the UTF-8 character at `s`, 0 if there is none (RFC 3629), or if it
 * is a control character. `left` is at least one. */
static uint32_t tbr_character(const uint8_t *s, uint32_t left)
{
    static const uint32_t least[5] = {0, 0, 0x80, 0x800, 0x10000};
    const uint32_t n = s[0] < 0x80 ? 1 : s[0] < 0xC2 ? 0 : s[0] < 0xE0 ? 2 : s[0] < 0xF0 ? 3
                                     : s[0] < 0xF5   ? 4
                                                     : 0;
    uint32_t code = n < 2 ? s[0] : s[0] & (0x7Fu >> n);
    uint32_t i;
    if (n == 0 || n > left) {
        return 0;
    }
    for (i = 1; i < n; i++) {
        if ((s[i] & 0xC0) != 0x80) {
            return 0;
        }
        code = code << 6 | (s[i] & 0x3Fu);
    }
    if (code < least[n] || code > 0x10FFFF || (code >= 0xD800 && code <= 0xDFFF) ||
        code < 0x20 || (code >= 0x7F && code < 0xA0)) {
        return 0;
    }
    return n;
}

static TBR_COLD int tbr_check_title(const uint8_t *title)
{
    uint32_t at = 0;
    while (at < TBR_TITLE && title[at] != 0) {
        const uint32_t n = tbr_character(title + at, TBR_TITLE - at);
        if (n == 0) {
            return TBR_FIELD;
        }
        at += n;
    }
    return tbr_zeros(title + at, TBR_TITLE - at) ? TBR_OK : TBR_FIELD;
}

/* Codings and levels that this reader does not know: a newer one plays them. */
static int tbr_check_codings(const uint8_t *s)
{
    const int patch = s[83] == TBR_PATCH_CODING;
    const int level = patch ? s[84] == 1 || s[84] == 2 : s[84] == 0;
    return s[83] <= TBR_PATCH_CODING && level && s[85] <= TBR_IMA_ADPCM ? TBR_OK : TBR_CODING;
}

static int tbr_newer(const tbr_header *h) { return h->version_minor > 0; }

static int tbr_check_enums(const uint8_t *s)
{
    const uint32_t num = tbr_u32(s + 92), den = tbr_u32(s + 96);
    const int newer = tbr_u16(s + 10) > 0;
    const int ratio = num != 0 && den != 0 && tbr_common_divisor(num, den) == 1;
    return s[80] <= 1 && s[81] <= 1 && (newer || (s[82] <= 3 && s[87] <= 7)) && ratio
               ? TBR_OK
               : TBR_FIELD;
}

static int tbr_check_reserved(const uint8_t *s)
{
    return tbr_u16(s + 10) > 0 || (tbr_zeros(s + 106, 2) && tbr_zeros(s + 180, 4) &&
                                   tbr_zeros(s + 196, 188) && tbr_zeros(s + 480, 28))
               ? TBR_OK
               : TBR_RESERVED;
}

static int tbr_check_header(const uint8_t *s, const tbr_header *h)
{
    int code = tbr_check_times(h);
    if (code == TBR_OK) {
        code = tbr_check_panel(h);
    }
    if (code == TBR_OK) {
        code = tbr_check_needs(h);
    }
    if (code == TBR_OK) {
        code = tbr_check_places(h);
    }
    if (code == TBR_OK) {
        code = tbr_check_title(s + 384);
    }
    return code == TBR_OK ? tbr_check_reserved(s) : code;
}

TBR_COLD int tbr_header_read(const uint8_t *s, tbr_header *h)
{
    const int magic = tbr_check_magic(s);
    if (magic != TBR_OK) {
        return magic;
    }
    if (!tbr_agrees(tbr_u32(s + 508), tbr_crc32(0, s, 508))) {
        return TBR_CHECKSUM;
    }
    if (tbr_u16(s + 8) != 1) {
        return TBR_VERSION;
    }
    if (tbr_u32(s + 12) != 0) {
        return TBR_MUST_KNOW;
    }
    if (tbr_check_codings(s) != TBR_OK) {
        return TBR_CODING;
    }
    if (tbr_check_enums(s) != TBR_OK) {
        return TBR_FIELD;
    }
    TBR_READ(s, tbr_header_fields, h);
    h->wire &= 3;
    TBR_COPY(h->title, s + 384, TBR_TITLE);
    h->title[TBR_TITLE] = 0;
    return tbr_check_header(s, h);
}

/* --- chunks ------------------------------------------------------------- */

static const uint8_t tbr_sync[4] = {0xE7, 0x63, 0x74, 0x3E};

/* Bytes of a directory's payload: 3 for each picture, and 3 for its time. */
static uint32_t tbr_directory_bytes(const tbr_chunk *c)
{
    return c->pictures * (c->flags & TBR_EVEN ? 3u : 6u);
}

static int tbr_check_slice(const tbr_chunk *c)
{
    const uint32_t least = tbr_part_length(c->bytes) + tbr_part_length(tbr_directory_bytes(c));
    return (c->flags & ~(TBR_KEY | TBR_GAP | TBR_EVEN)) == 0 &&
                   !((c->flags & (TBR_KEY | TBR_EVEN)) && c->pictures == 0) && c->ticks != 0 &&
                   least <= c->used
               ? TBR_OK
               : TBR_FIELD;
}

static int tbr_check_other(const tbr_chunk *c, int newer)
{
    const uint8_t flags = c->kind == TBR_END ? 0 : TBR_SKIPPABLE;
    const uint32_t least = tbr_part_length(c->bytes);
    return c->flags == flags && c->pictures == 0 && c->ticks == 0 &&
                   (c->used == least || (newer && c->used > least))
               ? TBR_OK
               : TBR_FIELD;
}

static int tbr_check_chunk(const tbr_chunk *c, int newer)
{
    if (c->length > TBR_MAX_CHUNK) {
        return TBR_LIMIT;
    }
    if (c->used > c->length || c->length != tbr_chunk_length(c->used) ||
        c->time >= TBR_MAX_TIME) {
        return TBR_FIELD;
    }
    if (c->bytes > c->used || c->pictures > TBR_MAX_PICTURES) {
        return TBR_LIMIT;
    }
    if (c->kind < TBR_POSTER || c->kind > TBR_NOTE) {
        return (c->flags & ~TBR_SKIPPABLE) == 0 ? TBR_OK : TBR_FIELD;
    }
    return c->kind == TBR_SLICE ? tbr_check_slice(c) : tbr_check_other(c, newer);
}

TBR_COLD int tbr_chunk_read(const uint8_t *b, int newer, tbr_chunk *c)
{
    if (!tbr_same(b, tbr_sync, 4)) {
        return TBR_NO_SYNC;
    }
    if (!tbr_agrees(tbr_u32(b + 44), tbr_crc32(0, b, 44))) {
        return TBR_CHECKSUM;
    }
    TBR_READ(b, tbr_chunk_fields, c);
    c->flags = (uint8_t)(c->flags & (newer ? TBR_KEY | TBR_GAP | TBR_EVEN | TBR_SKIPPABLE : 255));
    c->marked = 0;
    return tbr_check_chunk(c, newer);
}

TBR_HOT int tbr_part_check(const uint8_t *part, uint32_t n)
{
    const uint32_t padded = tbr_align4(n);
    const uint8_t *sum = part + padded;
    uint32_t at;
    for (at = 0; at < padded; at += TBR_PIECE, sum += 4) {
        const uint32_t left = padded - at;
        const uint32_t crc = tbr_crc32(0, part + at, left < (uint32_t)TBR_PIECE ? left : (uint32_t)TBR_PIECE);
        if (!tbr_agrees(tbr_u32(sum), crc)) {
            return TBR_CHECKSUM;
        }
    }
    return tbr_zeros(part + n, padded - n) ? TBR_OK : TBR_RESERVED;
}

/* --- sound -------------------------------------------------------------- */

/* IMA ADPCM ("Recommended Practices for Enhancing Digital Audio Compatibility
 * in Multimedia Systems", revision 3.00, 1992). */
static const int16_t tbr_adpcm_steps[89] = {
    7,     8,     9,     10,    11,    12,    13,    14,    16,    17,    19,    21,    23,
    25,    28,    31,    34,    37,    41,    45,    50,    55,    60,    66,    73,    80,
    88,    97,    107,   118,   130,   143,   157,   173,   190,   209,   230,   253,   279,
    307,   337,   371,   408,   449,   494,   544,   598,   658,   724,   796,   876,   963,
    1060,  1166,  1282,  1411,  1552,  1707,  1878,  2066,  2272,  2499,  2749,  3024,  3327,
    3660,  4026,  4428,  4871,  5358,  5894,  6484,  7132,  7845,  8630,  9493,  10442, 11487,
    12635, 13899, 15289, 16818, 18500, 20350, 22385, 24623, 27086, 29794, 32767};
static const int8_t tbr_adpcm_changes[8] = {-1, -1, -1, -1, 2, 4, 6, 8};

static uint32_t tbr_sound_bytes(uint8_t coding, uint32_t samples)
{
    switch (coding) {
    case TBR_PCM_S16:
        return samples * 2;
    case TBR_PCM_U8:
        return samples;
    case TBR_IMA_ADPCM:
        return samples == 0 ? 0 : 4 + samples / 2;
    default:
        return 0;
    }
}

TBR_COLD int tbr_sound_open(tbr_sound *s, uint8_t coding, const uint8_t *bytes, uint32_t length,
                   uint32_t samples)
{
    const int adpcm = coding == TBR_IMA_ADPCM && samples > 0 && length > 0;
    if (length == 0) {
        coding = TBR_NO_SOUND;
    }
    if (length != tbr_sound_bytes(coding, samples) ||
        (adpcm && (bytes[2] > 88 || bytes[3] != 0))) {
        return TBR_SOUND;
    }
    s->coding = coding;
    s->at = bytes;
    s->left = samples;
    s->sample = adpcm ? (int16_t)tbr_u16(bytes) : 0;
    s->index = adpcm ? bytes[2] : 0;
    s->half = 0;
    s->first = (uint8_t)adpcm;
    s->at += adpcm ? 4 : 0;
    return TBR_OK;
}

static void tbr_adpcm_read(tbr_sound *s, int16_t *samples, uint32_t n)
{
    int32_t sample = s->sample, index = s->index;
    uint32_t half = s->half;
    const uint8_t *at = s->at;
    if (s->first && n > 0) {
        s->first = 0;
        *samples++ = (int16_t)sample;
        n--;
    }
    for (; n > 0; n--) {
        const uint32_t nibble = (uint32_t)*at >> (4 * half);
        const int32_t step = tbr_adpcm_steps[index];
        int32_t change = step >> 3;
        at += half;
        half ^= 1;
        index += tbr_adpcm_changes[nibble & 7];
        index = index < 0 ? 0 : index > 88 ? 88 : index;
        change += nibble & 4 ? step : 0;
        change += nibble & 2 ? step >> 1 : 0;
        change += nibble & 1 ? step >> 2 : 0;
        sample += nibble & 8 ? -change : change;
        sample = sample > 32767 ? 32767 : sample < -32768 ? -32768 : sample;
        *samples++ = (int16_t)sample;
    }
    s->sample = sample;
    s->index = (uint8_t)index;
    s->half = (uint8_t)half;
    s->at = at;
}

TBR_HOT uint32_t tbr_sound_read(tbr_sound *s, int16_t *samples, uint32_t n)
{
    const uint8_t *at = s->at;
    uint32_t i;
    n = n < s->left ? n : s->left;
    s->left -= n;
    if (s->coding == TBR_IMA_ADPCM) {
        tbr_adpcm_read(s, samples, n);
        return n;
    }
    if (s->coding == TBR_PCM_S16) {
        for (i = 0; i < n; i++, at += 2) {
            samples[i] = (int16_t)tbr_u16(at);
        }
    } else if (s->coding == TBR_NO_SOUND) {
        for (i = 0; i < n; i++) {
            samples[i] = 0;
        }
    } else {
        for (i = 0; i < n; i++) {
            samples[i] = (int16_t)((*at++ - 128) * 256);
        }
    }
    s->at = at;
    return n;
}

/* --- slices ------------------------------------------------------------- */

/* Checks a chunk's header against what the reel's header promises. */
static int tbr_chunk_limits(const tbr_header *h, const tbr_chunk *c)
{
    const int slice = c->kind == TBR_SLICE;
    if (slice && (c->length > h->largest_chunk || c->pictures > h->most_pictures ||
                  c->ticks > h->most_ticks || c->bytes > h->largest_sound)) {
        return TBR_LIMIT;
    }
    if (h->duration != TBR_UNKNOWN && c->time + c->ticks > h->first_tick + h->duration) {
        return TBR_LIMIT;
    }
    return !slice || c->bytes == 0 || c->bytes == tbr_sound_bytes(h->sound, c->ticks) ? TBR_OK
                                                                                      : TBR_FIELD;
}

static uint32_t tbr_u24(const uint8_t *b)
{
    return b[0] | (uint32_t)b[1] << 8 | (uint32_t)b[2] << 16;
}

/* Where a slice lies marked, what is wrong with its sound and its directory takes
 * the place of two bytes of the header's checksum: a code less 100, without its
 * sign; 0 for none. A lost picture has both flags, which no other has; its own flags
 * and what is wrong are the last two bytes of its part. */
#define TBR_MARK_SOUND 44
#define TBR_MARK_DIRECTORY 45
#define TBR_MARK_PICTURE 3u

static uint8_t tbr_mark(int code) { return (uint8_t)(code == TBR_OK ? 0 : -code - 100); }
static int tbr_marked(uint8_t mark) { return mark == 0 ? TBR_OK : -100 - (int)mark; }

/* Reads the next entry. */
static void tbr_picture_read(tbr_slice *s, tbr_picture *p)
{
    const uint32_t number = (uint32_t)s->pictures - s->left;
    p->length = tbr_u24(s->entry) & 0x3FFFFF;
    p->flags = s->entry[2] >> 6;
    p->tick_offset = s->even ? number * s->ticks / s->pictures : tbr_u24(s->entry + 3);
    s->entry += s->even ? 3 : 6;
    s->left--;
}

static int tbr_picture_check(const tbr_header *h, const tbr_chunk *c, const tbr_picture *p)
{
    const int still = (p->flags & TBR_PICTURE_UNCHANGED) != 0;
    if (p->flags == TBR_MARK_PICTURE || still != (p->length == 0) || p->tick_offset >= c->ticks) {
        return TBR_FIELD;
    }
    return p->length > h->largest_picture ? TBR_LIMIT : TBR_OK;
}

/* The directory of a slice. */
static const uint8_t *tbr_slice_directory(const tbr_chunk *c, const uint8_t *bytes)
{
    return bytes + TBR_CHUNK_HEADER + tbr_part_length(c->bytes);
}

/* Checks the directory: every entry, and that the pictures it names fill the
 * slice. */
static int tbr_slice_check_directory(const tbr_header *h, const tbr_chunk *c, tbr_slice s)
{
    const uint32_t entries = tbr_directory_bytes(c);
    uint32_t used = tbr_part_length(c->bytes) + tbr_part_length(entries);
    uint32_t earliest = 0;
    int code = tbr_part_check(s.entry, entries);
    while (s.left > 0 && code == TBR_OK) {
        const int first = s.left == s.pictures;
        tbr_picture p;
        tbr_picture_read(&s, &p);
        code = tbr_picture_check(h, c, &p);
        if (code == TBR_OK &&
            (p.tick_offset < earliest ||
             (first && (p.flags & TBR_PICTURE_KEY) != (c->flags & TBR_KEY)))) {
            code = TBR_FIELD;
        }
        earliest = p.tick_offset + 1;
        used += tbr_part_length(p.length);
        if (used > c->used) {
            code = code == TBR_OK ? TBR_FIELD : code;
        }
    }
    if (code == TBR_OK && used != c->used && !tbr_newer(h)) {
        code = TBR_FIELD;
    }
    return code;
}

static int tbr_end_check(const tbr_chunk *c, const uint8_t *bytes, int newer)
{
    if (c->bytes != 40 + TBR_SECTOR) {
        return TBR_FIELD;
    }
    return newer || tbr_zeros(bytes + TBR_CHUNK_HEADER + 36, 4) ? TBR_OK : TBR_RESERVED;
}

/* Checks the parts of a slice where they lie, and marks those that are lost;
 * returns how many. */
static uint16_t tbr_slice_mark(const tbr_header *h, tbr_chunk *c, uint8_t *bytes)
{
    tbr_slice s;
    tbr_picture p;
    uint16_t lost;
    c->marked = 0;
    tbr_slice_open(&s, h, c, bytes);
    lost = (uint16_t)((s.sound_code != TBR_OK) + (s.code != TBR_OK));
    bytes[5] = c->flags;
    bytes[TBR_MARK_SOUND] = tbr_mark(s.sound_code);
    bytes[TBR_MARK_DIRECTORY] = tbr_mark(s.code);
    while (s.left > 0) {
        uint8_t *const entry = bytes + (s.entry - bytes);
        tbr_slice_picture(&s, &p);
        if (p.code != TBR_OK) {
            uint8_t *const mark = bytes + (s.at - bytes) - 2;
            mark[0] = p.flags;
            mark[1] = tbr_mark(p.code);
            entry[2] |= TBR_MARK_PICTURE << 6;
            lost++;
        }
    }
    c->marked = 1;
    return lost;
}

void tbr_slice_again(const uint8_t *bytes, tbr_chunk *c)
{
    TBR_READ(bytes, tbr_chunk_fields, c);
    c->marked = 1;
}

void tbr_slice_open(tbr_slice *s, const tbr_header *h, const tbr_chunk *c, const uint8_t *bytes)
{
    s->sound = bytes + TBR_CHUNK_HEADER;
    s->sound_bytes = c->bytes;
    s->entry = tbr_slice_directory(c, bytes);
    s->at = s->entry + tbr_part_length(tbr_directory_bytes(c));
    s->ticks = c->ticks;
    s->pictures = c->pictures;
    s->left = c->pictures;
    s->even = (c->flags & TBR_EVEN) != 0;
    s->marked = c->marked;
    if (c->marked) {
        s->sound_code = tbr_marked(bytes[TBR_MARK_SOUND]);
        s->code = tbr_marked(bytes[TBR_MARK_DIRECTORY]);
    } else {
        s->sound_code = tbr_part_check(s->sound, c->bytes);
        s->code = tbr_slice_check_directory(h, c, *s);
    }
    s->left = s->code == TBR_OK ? c->pictures : 0;
}

int tbr_slice_picture(tbr_slice *s, tbr_picture *p)
{
    if (s->left == 0) {
        return 0;
    }
    tbr_picture_read(s, p);
    p->bytes = s->at;
    s->at += tbr_part_length(p->length);
    p->code = s->marked ? TBR_OK : tbr_part_check(p->bytes, p->length);
    if (p->flags == TBR_MARK_PICTURE) {
        p->flags = s->at[-2];
        p->code = tbr_marked(s->at[-1]);
    }
    return 1;
}

/* --- index -------------------------------------------------------------- */

TBR_COLD int tbr_index_find(const tbr_header *h, uint64_t tick, uint32_t *entry,
                            uint64_t *block_offset)
{
    uint64_t step;
    if (h->index_entries == 0) {
        return TBR_CALL;
    }
    step = (tick < h->first_tick ? 0 : tick - h->first_tick) / h->index_step;
    *entry = step < h->index_entries ? (uint32_t)step : h->index_entries - 1;
    *block_offset = h->index_offset + TBR_CHUNK_HEADER +
                    (uint64_t)TBR_INDEX_BLOCK * (*entry / TBR_INDEX_ENTRIES);
    return TBR_OK;
}

TBR_COLD int tbr_index_read(const tbr_header *h, const uint8_t *s, uint32_t entry,
                   uint64_t *slice_offset, uint32_t *chunk_number)
{
    const uint32_t in_block = entry % TBR_INDEX_ENTRIES;
    if (!tbr_agrees(tbr_u32(s + 124), tbr_crc32(0, s, 124))) {
        return TBR_CHECKSUM;
    }
    *slice_offset = (uint64_t)tbr_u32(s + 8 * in_block) * TBR_CHUNK_ALIGN;
    *chunk_number = tbr_u32(s + 8 * in_block + 4);
    if (tbr_u32(s + 112) != entry - in_block || tbr_u32(s + 116) != (uint32_t)h->reel_id ||
        tbr_u32(s + 120) != h->index_step || *slice_offset < h->first_slice ||
        *slice_offset >= h->index_offset) {
        return TBR_FIELD;
    }
    return TBR_OK;
}

/* --- reader ------------------------------------------------------------- */

enum {
    TBR_AT_HEADER, /* wants sector 0 */
    TBR_AT_COPY,   /* wants its copy in sector 1 */
    TBR_AT_COPIED, /* has read the copy, and tells what is wrong with sector 0 */
    TBR_AT_CHUNK,  /* wants the header of the next chunk */
    TBR_AT_PLACE,  /* waits to be told where a slice is to lie */
    TBR_AT_BODY,   /* wants the rest of a chunk whose header is in order */
    TBR_AT_PARTS,  /* has handed out a chunk */
    TBR_AT_SEARCH, /* looks for the next chunk after damage */
    TBR_AT_INDEX,  /* wants the block of the index for a tick */
    TBR_AT_WALK,   /* looks from chunk to chunk for the key slice for a tick */
    TBR_AT_LAST,   /* has seen the head of the end chunk, which is enough */
    TBR_AT_END,
    TBR_AT_FAILURE
};

static TBR_COLD void tbr_reader_start(tbr_reader *r)
{
    TBR_FILL(r, 0, sizeof *r);
    r->want = TBR_SECTOR;
    r->state = TBR_AT_HEADER;
    r->stale = 1;
}

TBR_COLD int tbr_reader_open(tbr_reader *r, uint8_t *buffer, uint32_t size)
{
    if (size < TBR_SECTOR) {
        return TBR_MEMORY;
    }
    tbr_reader_start(r);
    r->buffer = buffer;
    r->bytes = buffer;
    r->size = size;
    r->capacity = size;
    return TBR_OK;
}

TBR_COLD void tbr_reader_map(tbr_reader *r, const uint8_t *reel, uint64_t length)
{
    tbr_reader_start(r);
    r->map = reel;
    r->bytes = reel;
    r->map_length = length;
    r->capacity = UINT32_MAX;
    r->size = UINT32_MAX;
}

static uint32_t tbr_reader_need(const tbr_reader *r)
{
    const int none = r->state == TBR_AT_PARTS || r->state == TBR_AT_PLACE ||
                     r->state == TBR_AT_LAST || r->state == TBR_AT_COPIED || r->state == TBR_AT_END ||
                     r->state == TBR_AT_FAILURE;
    return none || r->want < r->filled ? 0 : r->want - r->filled;
}

TBR_COLD uint64_t tbr_reader_ahead(const tbr_reader *r)
{
    return r->base + r->filled - r->position;
}

uint64_t tbr_reader_jump(tbr_reader *r)
{
    r->position = r->base + r->filled;
    return r->position;
}

TBR_COLD uint32_t tbr_reader_room(tbr_reader *r, uint8_t **to)
{
    const uint32_t need = tbr_reader_need(r);
    const uint64_t ahead = tbr_reader_ahead(r);
    const uint32_t room = r->size - r->filled;
    uint32_t whole;
    *to = r->buffer + r->filled;
    if (need == 0) {
        return 0;
    }
    if (ahead != 0) {
        return ahead < room ? (uint32_t)ahead : room;
    }
    /* On to the end of the sector. */
    whole = need + (uint32_t)(-(r->position + need) % TBR_SECTOR);
    return whole < room ? whole : room;
}

void tbr_reader_added(tbr_reader *r, uint32_t n)
{
    r->filled += tbr_reader_ahead(r) == 0 ? n : 0;
    r->position += n;
}

void tbr_reader_ended(tbr_reader *r) { r->input_ended = 1; }

/* Moves bytes to a lower address. */
static void tbr_shift(uint8_t *to, const uint8_t *from, uint32_t n)
{
    while (n-- > 0) {
        *to++ = *from++;
    }
}

/* Wants the chunk header at `offset`. What has been read from there on is kept:
 * where it lies behind a slice that was handed out, else moved to the front. */
static TBR_COLD void tbr_reader_go(tbr_reader *r, uint64_t offset, uint8_t state)
{
    const uint64_t ahead = offset - r->base;
    const int kept = r->map == NULL && offset >= r->base && ahead <= r->filled;
    const uint32_t passed = kept ? (uint32_t)ahead : r->filled;
    r->filled -= passed;
    if (r->asks && r->state == TBR_AT_PARTS) {
        r->buffer += passed;
        r->size -= passed;
    } else if (r->filled > 0) {
        tbr_shift(r->buffer, r->buffer + passed, r->filled);
    }
    if (r->map == NULL) {
        r->bytes = r->buffer;
    }
    r->base = offset;
    r->want = TBR_CHUNK_HEADER;
    r->state = state;
}

/* Takes what is wanted from a reel that lies in memory. */
static void tbr_reader_take(tbr_reader *r)
{
    const uint64_t left = r->base < r->map_length ? r->map_length - r->base : 0;
    if (tbr_reader_need(r) == 0) {
        return;
    }
    r->filled = r->want < left ? r->want : (uint32_t)left;
    r->bytes = left == 0 ? r->map : r->map + r->base;
    r->position = left == 0 ? r->map_length : r->base + r->filled;
    r->input_ended = (uint8_t)(r->filled < r->want);
}

static int tbr_reader_fail(tbr_reader *r, int code)
{
    r->state = TBR_AT_FAILURE;
    r->failed = code;
    return code;
}

static TBR_COLD void tbr_damage_at(tbr_damage *d, int code, uint64_t offset)
{
    TBR_FILL(d, 0, sizeof *d);
    d->code = code;
    d->offset = offset;
}

static TBR_COLD void tbr_damage_in(tbr_damage *d, int code, uint64_t offset, uint32_t chunk)
{
    tbr_damage_at(d, code, offset);
    d->chunk = chunk;
    d->has_chunk = 1;
}

/* Takes a header that is in order; the bytes from `next` on follow. */
static TBR_COLD int tbr_reader_begin(tbr_reader *r, uint8_t state)
{
    if (r->header.largest_chunk > r->capacity) {
        return tbr_reader_fail(r, TBR_MEMORY);
    }
    r->has_header = 1;
    r->time = r->header.first_tick;
    r->has_number = r->header.duration != TBR_UNKNOWN;
    r->number = 0;
    /* The sector stays where it is until more is read. */
    r->base = TBR_FIRST_CHUNK;
    r->filled = 0;
    r->want = TBR_CHUNK_HEADER;
    r->state = state;
    return TBR_EV_HEADER;
}

static TBR_COLD int tbr_reader_header(tbr_reader *r)
{
    const int code = tbr_header_read(r->bytes, &r->header);
    if (code == TBR_OK) {
        return tbr_reader_begin(r, TBR_AT_CHUNK);
    }
    if (tbr_fault_side(code) == TBR_NEWER) {
        return tbr_reader_fail(r, code);
    }
    r->copy_code = code;
    tbr_reader_go(r, TBR_SECTOR, TBR_AT_COPY);
    r->want = TBR_SECTOR;
    return TBR_EV_MORE;
}

static TBR_COLD int tbr_reader_copy(tbr_reader *r)
{
    if (tbr_header_read(r->bytes, &r->header) != TBR_OK) {
        return tbr_reader_fail(r, r->copy_code);
    }
    return tbr_reader_begin(r, TBR_AT_COPIED);
}

static TBR_COLD int tbr_reader_copied(tbr_reader *r)
{
    tbr_damage_at(&r->damage, r->copy_code, 0);
    r->damage.length = TBR_SECTOR;
    r->damage.from = r->damage.to = r->time;
    r->state = TBR_AT_CHUNK;
    return TBR_EV_DAMAGE;
}

static int tbr_reader_head(const tbr_reader *r, tbr_chunk *c)
{
    const int code = tbr_chunk_read(r->bytes, tbr_newer(&r->header), c);
    if (code == TBR_OK && c->id_low != (uint32_t)r->header.reel_id) {
        return TBR_OTHER_REEL;
    }
    return code;
}

static TBR_COLD uint64_t tbr_chunk_end(const tbr_chunk *c) { return c->time + c->ticks; }

/* What becomes of a chunk out of turn: what jumps ahead is used; what goes back
 * or breaks a limit is passed over, silent for as long as it would have lasted;
 * what is too far ahead is passed over unless the next chunk confirms it. */
enum { TBR_FATE_USED, TBR_FATE_SILENT, TBR_FATE_DOUBTED };

/* Whether a chunk is no further ahead than a slice may be long. */
static int tbr_reader_near(const tbr_reader *r, const tbr_chunk *c)
{
    return c->time <= r->time + (uint64_t)TBR_MAX_SLICE_SECONDS * r->header.clock_rate;
}

/* Whether a chunk ahead of its time may be believed: it is near, or says that
 * something is missing and comes in turn, or the chunk before foretold it. */
static int tbr_reader_believes(const tbr_reader *r, const tbr_chunk *c)
{
    return tbr_reader_near(r, c) || r->anywhere || ((c->flags & TBR_GAP) && (!r->has_number || c->number == r->number)) ||
           (r->doubts && c->number == r->doubted_number && c->time == r->doubted_time);
}

/* Whether the chunk comes in turn, and what becomes of it if not. */
static TBR_COLD int tbr_reader_turn(const tbr_reader *r, const tbr_chunk *c, int *fate)
{
    const int after = c->number > r->number, late = c->time < r->time;
    const int code = tbr_chunk_limits(&r->header, c);
    *fate = TBR_FATE_SILENT;
    if (code != TBR_OK) {
        return code;
    }
    if (!tbr_reader_believes(r, c)) {
        *fate = TBR_FATE_DOUBTED;
        return TBR_FIELD;
    }
    if (r->has_number && c->number != r->number && !(r->loose && after)) {
        *fate = after && !late ? TBR_FATE_USED : TBR_FATE_SILENT;
        return TBR_SEQUENCE;
    }
    *fate = late ? TBR_FATE_SILENT : TBR_FATE_USED;
    return late || (c->time > r->time && !r->loose && !(c->flags & TBR_GAP)) ? TBR_FIELD
                                                                             : TBR_OK;
}

/* Whether a slice ends before the reel does, as far as that is known. */
static int tbr_reader_within(const tbr_reader *r, const tbr_chunk *c)
{
    return r->header.duration == TBR_UNKNOWN ||
           tbr_chunk_end(c) <= r->header.first_tick + r->header.duration;
}

/* Reports a chunk out of turn, and passes it over unless it is to be used. */
static int tbr_reader_misplaced(tbr_reader *r, int code, int fate)
{
    const tbr_chunk *c = &r->chunk;
    tbr_damage_in(&r->damage, code, r->base, c->number);
    r->damage.from = r->time;
    r->loose = 1;
    r->stale = 1;
    if (fate == TBR_FATE_USED) {
        r->time = c->time > r->time ? c->time : r->time;
    } else {
        r->damage.length = c->length;
        if (fate == TBR_FATE_SILENT && c->kind == TBR_SLICE &&
            c->ticks <= r->header.most_ticks && c->time >= r->time &&
            tbr_reader_near(r, c) && tbr_reader_within(r, c)) {
            r->time = tbr_chunk_end(c);
        }
        r->doubts = (uint8_t)(fate == TBR_FATE_DOUBTED && tbr_reader_within(r, c));
        r->doubted_number = c->number == UINT32_MAX ? c->number : c->number + 1;
        r->doubted_time = tbr_chunk_end(c);
        tbr_reader_go(r, r->base + c->length, TBR_AT_CHUNK);
    }
    r->damage.to = r->time;
    return TBR_EV_DAMAGE;
}

/* Notes the chunk's place and wants the rest of it, or passes it over. */
static void tbr_reader_enter(tbr_reader *r)
{
    const tbr_chunk *c = &r->chunk;
    const int known = c->kind >= TBR_POSTER && c->kind <= TBR_NOTE;
    r->stale |= (uint8_t)((c->flags & TBR_GAP) != 0 || c->time > r->time);
    r->loose = 0;
    r->doubts = 0;
    r->anywhere &= (uint8_t)(c->kind != TBR_SLICE);
    /* A live reel joined in the middle: its first slice brings its own number. */
    if (r->has_number || c->kind == TBR_SLICE) {
        r->has_number = 1;
        r->number = c->number == UINT32_MAX ? c->number : c->number + 1;
    }
    r->time = c->time;
    if (r->asks && (c->kind == TBR_SLICE ||
                    (c->kind == TBR_TABLES && r->header.coding == TBR_JPEG))) {
        r->state = TBR_AT_PLACE;
    } else if (r->asks && c->kind == TBR_END) {
        r->state = TBR_AT_LAST;
    } else if (!r->asks && known && c->length <= r->size) {
        r->want = c->length;
    } else {
        tbr_reader_go(r, r->base + c->length, TBR_AT_CHUNK);
    }
}

TBR_COLD void tbr_reader_place(tbr_reader *r, uint8_t *buffer, uint32_t size)
{
    if (r->state == TBR_AT_PLACE && size < r->chunk.length) {
        r->state = TBR_AT_CHUNK;
        tbr_reader_go(r, r->base + r->chunk.length, TBR_AT_CHUNK);
        return;
    }
    if (buffer != r->buffer && r->filled > 0) {
        tbr_shift(buffer, r->buffer, r->filled);
    }
    if (r->state == TBR_AT_PLACE) {
        r->state = TBR_AT_BODY;
        r->want = r->chunk.length;
    }
    r->size = size;
    r->buffer = buffer;
    r->bytes = buffer;
}

static int tbr_reader_accept(tbr_reader *r)
{
    int code, fate;
    if ((r->chunk.kind < TBR_POSTER || r->chunk.kind > TBR_NOTE) &&
        !(r->chunk.flags & TBR_SKIPPABLE)) {
        return tbr_reader_fail(r, TBR_UNKNOWN_KIND);
    }
    r->state = TBR_AT_BODY;
    code = tbr_reader_turn(r, &r->chunk, &fate);
    code = code == TBR_OK ? TBR_EV_MORE : tbr_reader_misplaced(r, code, fate);
    if (r->state == TBR_AT_BODY) {
        tbr_reader_enter(r);
    }
    return code;
}

static TBR_COLD int tbr_reader_chunk(tbr_reader *r)
{
    const int code = tbr_reader_head(r, &r->chunk);
    if (code == TBR_OK) {
        return tbr_reader_accept(r);
    }
    tbr_damage_at(&r->search, code, r->base);
    tbr_reader_go(r, r->base + TBR_CHUNK_ALIGN, TBR_AT_SEARCH);
    return TBR_EV_MORE;
}

/* What fills a chunk up. */
static int tbr_check_padding(const tbr_chunk *c, const uint8_t *bytes)
{
    const uint32_t end = TBR_CHUNK_HEADER + c->used;
    return tbr_zeros(bytes + end, c->length - end) ? TBR_OK : TBR_RESERVED;
}

static int tbr_reader_check(tbr_reader *r)
{
    const int newer = tbr_newer(&r->header);
    int code;
    if (r->chunk.kind == TBR_SLICE) {
        r->lost = r->map == NULL ? tbr_slice_mark(&r->header, &r->chunk, r->buffer) : 0;
        return TBR_OK;
    }
    code = tbr_part_check(r->bytes + TBR_CHUNK_HEADER, r->chunk.bytes);
    code = code == TBR_OK && !newer ? tbr_check_padding(&r->chunk, r->bytes) : code;
    if (code == TBR_OK && r->chunk.kind == TBR_END) {
        return tbr_end_check(&r->chunk, r->bytes, newer);
    }
    return code;
}

static int tbr_reader_bad_body(tbr_reader *r, int code)
{
    tbr_damage_in(&r->damage, code, r->base, r->chunk.number);
    r->damage.length = r->chunk.length;
    r->damage.from = r->chunk.time;
    r->damage.to = tbr_chunk_end(&r->chunk);
    r->time = r->damage.to;
    tbr_reader_go(r, r->base + r->chunk.length, TBR_AT_CHUNK);
    return TBR_EV_DAMAGE;
}

static int tbr_reader_last(tbr_reader *r)
{
    r->state = TBR_AT_END;
    r->has_end = 1;
    return TBR_EV_END;
}

static TBR_COLD int tbr_reader_body(tbr_reader *r)
{
    const int code = tbr_reader_check(r);
    if (code != TBR_OK) {
        return tbr_reader_bad_body(r, code);
    }
    if (r->chunk.kind == TBR_END) {
        return tbr_reader_last(r);
    }
    r->state = TBR_AT_PARTS;
    if (r->chunk.kind == TBR_SLICE) {
        r->time = tbr_chunk_end(&r->chunk);
        return TBR_EV_SLICE;
    }
    return TBR_EV_CHUNK;
}

static TBR_COLD int tbr_reader_search(tbr_reader *r)
{
    tbr_chunk *c = &r->chunk;
    int fate;
    if (tbr_reader_head(r, c) != TBR_OK) {
        tbr_reader_go(r, r->base + TBR_CHUNK_ALIGN, TBR_AT_SEARCH);
        return TBR_EV_MORE;
    }
    r->damage = r->search;
    r->damage.length = r->base - r->search.offset;
    r->damage.from = r->time;
    r->loose = 1;
    r->stale = 1;
    /* Judged once more, now as a chunk after reported damage. */
    r->state = TBR_AT_CHUNK;
    tbr_reader_turn(r, c, &fate);
    r->time = fate == TBR_FATE_USED && c->time > r->time ? c->time : r->time;
    r->damage.to = r->time;
    return TBR_EV_DAMAGE;
}

/* What the input's end in mid-stream has cost. */
static TBR_COLD int tbr_reader_cut(tbr_reader *r)
{
    const int body = r->state == TBR_AT_BODY;
    const uint64_t reach = body ? tbr_chunk_end(&r->chunk) : r->time;
    const tbr_header *h = &r->header;
    uint64_t end = h->duration == TBR_UNKNOWN ? reach : h->first_tick + h->duration;
    end = end > reach ? end : reach;
    if (r->state == TBR_AT_SEARCH) {
        r->damage = r->search;
    } else if (body) {
        tbr_damage_in(&r->damage, TBR_TRUNCATED, r->base, r->chunk.number);
    } else {
        tbr_damage_at(&r->damage, TBR_TRUNCATED, r->base);
    }
    r->damage.length =
        r->position > r->damage.offset ? r->position - r->damage.offset : 0;
    r->damage.from = r->time;
    r->damage.to = end;
    r->time = end;
    r->loose = 1;
    /* The end itself is the next event. */
    tbr_reader_go(r, r->position, TBR_AT_CHUNK);
    return TBR_EV_DAMAGE;
}

/* Reads on at a key slice, which tells its own time. */
static TBR_COLD void tbr_reader_resume(tbr_reader *r, uint64_t offset, uint32_t number)
{
    r->number = number;
    r->has_number = 1;
    r->time = r->header.first_tick;
    r->loose = 1;
    r->stale = 1;
    r->doubts = 0;
    r->anywhere = (uint8_t)(offset != r->header.first_slice);
    tbr_reader_go(r, offset, TBR_AT_CHUNK);
}

static void tbr_reader_walk_from_start(tbr_reader *r)
{
    r->key_offset = r->header.first_slice;
    r->key_number = 0;
    tbr_reader_go(r, r->header.first_slice, TBR_AT_WALK);
}

static int tbr_reader_cut_short(tbr_reader *r)
{
    if (r->state == TBR_AT_COPY) {
        return tbr_reader_fail(r, r->copy_code);
    }
    if (r->state == TBR_AT_INDEX || r->state == TBR_AT_WALK) {
        r->input_ended = 0;
        if (r->state == TBR_AT_INDEX) {
            tbr_reader_walk_from_start(r);
        } else {
            tbr_reader_resume(r, r->key_offset, r->key_number);
        }
        return TBR_EV_MORE;
    }
    if (!r->has_header) {
        const int magic = r->filled >= 8 && tbr_same(r->bytes, tbr_magic, 8);
        return tbr_reader_fail(r, magic ? TBR_TRUNCATED : TBR_NOT_A_REEL);
    }
    /* A live reel may end after any byte. */
    if (((r->state == TBR_AT_CHUNK || r->state == TBR_AT_BODY) &&
         r->header.duration == TBR_UNKNOWN) ||
        (r->state == TBR_AT_CHUNK && r->filled == 0 && r->loose &&
         r->time >= r->header.first_tick + r->header.duration)) {
        r->state = TBR_AT_END;
        return TBR_EV_END;
    }
    return tbr_reader_cut(r);
}

TBR_COLD int tbr_reader_seek(tbr_reader *r, uint64_t tick)
{
    uint32_t entry;
    uint64_t block;
    if (!r->has_header) {
        return TBR_CALL;
    }
    r->tick = tick > r->header.first_tick ? tick : r->header.first_tick;
    r->input_ended = 0;
    if (tbr_index_find(&r->header, r->tick, &entry, &block) == TBR_OK) {
        tbr_reader_go(r, block, TBR_AT_INDEX);
        r->want = TBR_INDEX_BLOCK;
    } else {
        tbr_reader_walk_from_start(r);
    }
    return TBR_OK;
}

static TBR_COLD int tbr_reader_index(tbr_reader *r)
{
    uint32_t entry = 0, number;
    uint64_t offset;
    tbr_index_find(&r->header, r->tick, &entry, &offset);
    if (tbr_index_read(&r->header, r->bytes, entry, &offset, &number) == TBR_OK) {
        tbr_reader_resume(r, offset, number);
    } else {
        tbr_reader_walk_from_start(r);
    }
    return TBR_EV_MORE;
}

static TBR_COLD int tbr_reader_walk(tbr_reader *r)
{
    tbr_chunk c;
    if (tbr_reader_head(r, &c) != TBR_OK) {
        tbr_reader_go(r, r->base + TBR_CHUNK_ALIGN, TBR_AT_WALK);
        return TBR_EV_MORE;
    }
    if (c.kind == TBR_SLICE && (c.flags & TBR_KEY) && c.time <= r->tick) {
        r->key_offset = r->base;
        r->key_number = c.number;
    }
    if ((c.kind == TBR_SLICE && tbr_chunk_end(&c) > r->tick) || c.kind == TBR_INDEX ||
        c.kind == TBR_END) {
        tbr_reader_resume(r, r->key_offset, r->key_number);
    } else {
        tbr_reader_go(r, r->base + c.length, TBR_AT_WALK);
    }
    return TBR_EV_MORE;
}

static TBR_COLD int tbr_reader_step(tbr_reader *r)
{
    switch (r->state) {
    case TBR_AT_HEADER:
        return tbr_reader_header(r);
    case TBR_AT_COPY:
        return tbr_reader_copy(r);
    case TBR_AT_COPIED:
        return tbr_reader_copied(r);
    case TBR_AT_CHUNK:
        return tbr_reader_chunk(r);
    case TBR_AT_BODY:
        return tbr_reader_body(r);
    case TBR_AT_PARTS:
        tbr_reader_go(r, r->base + r->chunk.length, TBR_AT_CHUNK);
        return TBR_EV_MORE;
    case TBR_AT_SEARCH:
        return tbr_reader_search(r);
    case TBR_AT_INDEX:
        return tbr_reader_index(r);
    case TBR_AT_LAST:
        return tbr_reader_last(r);
    default:
        return tbr_reader_walk(r);
    }
}

TBR_COLD int tbr_reader_next(tbr_reader *r)
{
    for (;;) {
        int event;
        if (r->state == TBR_AT_FAILURE) {
            return r->failed;
        }
        if (r->state == TBR_AT_END) {
            return TBR_EV_MORE;
        }
        if (r->state == TBR_AT_PLACE) {
            return TBR_EV_PLACE;
        }
        if (r->map != NULL) {
            tbr_reader_take(r);
        }
        if (tbr_reader_need(r) > 0 && !r->input_ended) {
            return TBR_EV_MORE;
        }
        event = tbr_reader_need(r) > 0 ? tbr_reader_cut_short(r) : tbr_reader_step(r);
        if (event != TBR_EV_MORE) {
            return event;
        }
    }
}

/* --- raw pictures ------------------------------------------------------- */

/* Reads the rectangle at *at, checks it against the panel, and goes past it.
 * Returns its pixels, or NULL if it breaks a rule. */
static const uint8_t *tbr_raw_next(const tbr_decoder *d, const uint8_t **at,
                                   const uint8_t *end, tbr_rect *r)
{
    const uint8_t *const b = *at;
    const uint8_t *pixels = b + 8;
    uint32_t bytes, padding;
    if (end - b < 8) {
        return NULL;
    }
    r->x = tbr_u16(b);
    r->y = tbr_u16(b + 2);
    r->w = tbr_u16(b + 4);
    r->h = tbr_u16(b + 6);
    if (r->w == 0 || r->h == 0 || (uint32_t)r->x + r->w > d->panel.w ||
        (uint32_t)r->y + r->h > d->panel.h) {
        return NULL;
    }
    bytes = 2u * r->w * r->h;
    padding = bytes & 2u;
    if ((uint32_t)(end - pixels) < bytes + padding || !tbr_zeros(pixels + bytes, padding)) {
        return NULL;
    }
    *at = pixels + bytes + padding;
    return pixels;
}

/* Moves a rectangle of the picture to where it lies in the panel's memory. */
static TBR_COLD void tbr_place(tbr_rect *r, const tbr_rect *panel)
{
    r->x = (uint16_t)(r->x + panel->x);
    r->y = (uint16_t)(r->y + panel->y);
}

/* Goes through a raw picture's rectangles and sends them, or only checks them. */
static TBR_COLD int tbr_raw(const tbr_decoder *d, const tbr_picture *p, tbr_send send, void *user)
{
    const uint8_t *at = p->bytes + 4;
    const uint8_t *const end = p->bytes + p->length;
    uint32_t left;
    if (p->length < 4 || tbr_u16(p->bytes + 2) != 0) {
        return TBR_PICTURE;
    }
    for (left = tbr_u16(p->bytes); left > 0; left--) {
        tbr_rect r;
        const uint8_t *const pixels = tbr_raw_next(d, &at, end, &r);
        if (pixels == NULL) {
            return TBR_PICTURE;
        }
        if (send != NULL) {
            tbr_place(&r, &d->panel);
            send(user, &r, pixels, 2u * r.w * r.h);
        }
    }
    return at == end ? TBR_OK : TBR_PICTURE;
}

#if TBR_PATCH
/* --- patch: state ------------------------------------------------------- */

#define TBR_PATCH_SIDE 512 /* longest side of a panel, in pixels */
#define TBR_PATCH_CELLS (TBR_PATCH_SIDE / 8)
#define TBR_PATCH_CONTEXTS 299
#define TBR_PATCH_PITCH 20 /* bytes in a row of a fetched piece */
#define TBR_PATCH_PAIRS 8  /* words of lanes in a row */
#define TBR_MOST_QUANTISER 51
#define TBR_MOST_VECTOR 2047

/* Contexts of the syntax elements, as numbered in coding.md. */
enum {
    TBR_CX_SKIP = 0,
    TBR_CX_INTRA = 3,
    TBR_CX_SPLIT = 6,
    TBR_CX_SAME = 7,
    TBR_CX_CODED = 9,
    TBR_CX_QUANT = 12,
    TBR_CX_LUMA = 18,
    TBR_CX_ORANGE = 24,
    TBR_CX_GREEN = 27,
    TBR_CX_4X4 = 33,
    TBR_CX_MODE_LUMA = 35,
    TBR_CX_MODE_CHROMA = 39,
    TBR_CX_ACROSS = 43,
    TBR_CX_DOWN = 53,
    TBR_CX_LEVEL_ONE = 63,
    TBR_CX_LEVEL_MORE = 75,
    TBR_CX_BLOCK = 107
};

/* Statistics of a coded block. */
enum { TBR_KIND_INTER, TBR_KIND_INTRA, TBR_KIND_4X4, TBR_KIND_CHROMA };

/* A plane, and its last rows as they were before this picture. */
typedef struct tbr_plane {
    uint8_t *now, *history;
    int32_t stride, rows, block; /* samples; rows in all and in a macroblock */
} tbr_plane;

typedef struct tbr_vector {
    int16_t x, y;
} tbr_vector;

/* What a macroblock leaves behind for those to its right and below. */
typedef struct tbr_neighbour {
    tbr_vector vectors[2]; /* at the shared edge */
    uint8_t keep, intra, orange, green, luma[2];
} tbr_neighbour;

/* Where the tables of shades begin for a place's chroma. */
typedef struct tbr_tint {
    const uint8_t *red, *blue;
    const uint16_t *green;
} tbr_tint;

/* Lies at the start of the decoder's memory; the planes follow. */
typedef struct tbr_patch {
    uint8_t level, key, dither, ready, broken, quantiser, low_first, second;
    tbr_rect panel;       /* where the picture lies in the panel's memory */
    uint32_t offset, range; /* light: bits not yet taken, and how many */
    const uint8_t *data;  /* the payload's coded part */
    uint32_t length, at;  /* bytes in it; bytes taken, also past its end */
    int32_t line;         /* of macroblocks */
    int32_t step;         /* of the quantiser, in sixteenths */
    tbr_tint zero;        /* of Co 128, Cg 0 */
    tbr_plane planes[3];  /* Y, Co, Cg */
    tbr_neighbour left, above[TBR_PATCH_SIDE / 16 + 1];
    uint32_t lanes[19 * TBR_PATCH_PAIRS]; /* a block filtered across */
    uint8_t piece[19 * TBR_PATCH_PITCH];  /* one fetched; aligned to 4, as the next */
    int16_t values[64];
    uint64_t cells[TBR_PATCH_CELLS];  /* changed 8x8 cells, a row in each */
    uint64_t turned[TBR_PATCH_CELLS]; /* the same by columns, while they are cut */
    tbr_send send;
    void *user;
#if TBR_PATCH > 1
    uint16_t contexts[TBR_PATCH_CONTEXTS]; /* how likely a flag is 0, in 1/65536 */
#endif
} tbr_patch;

/* What the format allows for everything but planes and history. */
typedef char tbr_patch_fits[sizeof(tbr_patch) <= 4096 ? 1 : -1];

/* --- patch: samples in words -------------------------------------------- */

#ifdef __GNUC__
#define TBR_INLINE static inline __attribute__((always_inline))
#define TBR_ALIGNED(at) __builtin_assume_aligned(at, 4)
#else
#define TBR_INLINE static inline
#define TBR_ALIGNED(at) (at)
#endif

/* Two samples, or sums of them, lie in the 16-bit lanes of a word: the even or
 * the odd ones of four. A negative lane borrows from the one above it, as in
 * any sum, so lanes can be added, and multiplied by numbers, as long as they
 * fit 16 bits with a sign. */
#define TBR_LANES 0x00FF00FFu
#define TBR_EACH 0x00010001u /* times n: n in both lanes */

/* In words and pixels the first byte is the lowest, whatever the core's order. */
#if defined(__BYTE_ORDER__) && __BYTE_ORDER__ == __ORDER_BIG_ENDIAN__
#define TBR_UNALIGNED 0
TBR_INLINE uint16_t tbr_first_low16(uint32_t v) { return (uint16_t)(v << 8 | (v >> 8 & 0xFFu)); }
TBR_INLINE uint32_t tbr_first_low32(uint32_t v)
{
    return v << 24 | (v << 8 & 0xFF0000u) | (v >> 8 & 0xFF00u) | v >> 24;
}
#else
#if defined(__ARM_FEATURE_UNALIGNED) || defined(__i386__) || defined(__x86_64__)
#define TBR_UNALIGNED 1 /* words can be read from anywhere */
#else
#define TBR_UNALIGNED 0
#endif
TBR_INLINE uint16_t tbr_first_low16(uint32_t v) { return (uint16_t)v; }
TBR_INLINE uint32_t tbr_first_low32(uint32_t v) { return v; }
#endif

/* Four samples at a multiple of four. */
TBR_INLINE uint32_t tbr_word(const uint8_t *at)
{
    uint32_t word;
    TBR_COPY(&word, TBR_ALIGNED(at), 4);
    return tbr_first_low32(word);
}

TBR_INLINE void tbr_set_word(uint8_t *at, uint32_t word)
{
    word = tbr_first_low32(word);
    TBR_COPY(TBR_ALIGNED(at), &word, 4);
}

/* Lanes of 1/2^shift, rounded down and limited to 0..255. */
static TBR_COLD uint32_t tbr_limit(uint32_t lanes, uint32_t shift)
{
    const int32_t first = (int16_t)(lanes & 0xFFFFu);
    int32_t low = first >> shift, high = (int32_t)(lanes - (uint32_t)first) >> 16 >> shift;
    low = low < 0 ? 0 : low > 255 ? 255 : low;
    high = high < 0 ? 0 : high > 255 ? 255 : high;
    return (uint32_t)low | (uint32_t)high << 16;
}

/* Stores four samples, limited to 0..255. */
TBR_INLINE void tbr_put_four(uint8_t *to, uint32_t even, uint32_t odd)
{
    if (((even | odd) & ~TBR_LANES) != 0) {
        even = tbr_limit(even, 0);
        odd = tbr_limit(odd, 0);
    }
    tbr_set_word(to, even | odd << 8);
}

/* Adds to four samples. */
TBR_INLINE void tbr_add_four(uint8_t *to, uint32_t even, uint32_t odd)
{
    const uint32_t word = tbr_word(to);
    tbr_put_four(to, (word & TBR_LANES) + even, (word >> 8 & TBR_LANES) + odd);
}

/* --- patch: reading numbers --------------------------------------------- */

static uint32_t tbr_patch_byte(tbr_patch *p)
{
    const uint32_t byte = p->at < p->length ? p->data[p->at] : 0;
    p->at++;
    return byte;
}

/* Four bytes, highest first. */
TBR_INLINE uint32_t tbr_first_bits(const uint8_t *b)
{
    return (uint32_t)b[0] << 24 | (uint32_t)b[1] << 16 | (uint32_t)b[2] << 8 | b[3];
}

/* Light: makes sure of 25 bits. */
static TBR_HOT void tbr_bits_fill(tbr_patch *p)
{
    uint32_t code = p->offset, have = p->range;
    if (p->length >= 4 && p->at <= p->length - 4) {
        /* What is more than whole bytes comes again, at the same place. */
        const uint32_t take = (32 - have) / 8;
        code |= have < 32 ? tbr_first_bits(p->data + p->at) >> have : 0;
        p->at += take;
        have += 8 * take;
    } else {
        for (; have <= 24; have += 8) {
            code |= tbr_patch_byte(p) << (24 - have);
        }
    }
    p->offset = code;
    p->range = have;
}

static uint32_t tbr_bits_take(tbr_patch *p, uint32_t n)
{
    const uint32_t value = p->offset >> 1 >> (31 - n);
    p->offset <<= n;
    p->range -= n;
    return value;
}

static TBR_HOT uint32_t tbr_bits_flag(tbr_patch *p)
{
    if (p->range == 0) {
        tbr_bits_fill(p);
    }
    return tbr_bits_take(p, 1);
}

/* Light: as many ones as the number's length, a zero, its bits. */
static TBR_HOT uint32_t tbr_bits_number(tbr_patch *p)
{
    uint32_t code, length = 0;
    tbr_bits_fill(p);
    for (code = p->offset; (code & 0x80000000u) != 0; code <<= 1) {
        length++;
    }
    if (length > 15) {
        p->broken = 1;
        return 0;
    }
    p->offset = code << 1;
    p->range -= length + 1;
    if (p->range < length) {
        tbr_bits_fill(p);
    }
    return (1u << length) - 1 + tbr_bits_take(p, length);
}

static int tbr_bits_finish(const tbr_patch *p)
{
    const uint32_t used = (8 * p->at - p->range + 7) / 8;
    return used == p->length && p->offset == 0;
}

#if TBR_PATCH > 1
static void tbr_range_refill(tbr_patch *p)
{
    while (p->range < 1u << 24) {
        p->range <<= 8;
        p->offset = p->offset << 8 | tbr_patch_byte(p);
    }
}

/* Full: one flag in its context, which learns from it. */
static TBR_HOT uint32_t tbr_range_flag(tbr_patch *p, uint32_t context)
{
    const uint32_t zero = p->contexts[context];
    const uint32_t part = (p->range >> 16) * zero;
    const uint32_t flag = p->offset >= part;
    if (flag) {
        p->contexts[context] = (uint16_t)(zero - (zero >> 5));
        p->offset -= part;
        p->range -= part;
    } else {
        p->contexts[context] = (uint16_t)(zero + ((65535u - zero) >> 5));
        p->range = part;
    }
    tbr_range_refill(p);
    return flag;
}

static TBR_HOT uint32_t tbr_range_bits(tbr_patch *p, uint32_t n)
{
    uint32_t value = 0;
    for (; n > 0; n--) {
        p->range >>= 1;
        value <<= 1;
        if (p->offset >= p->range) {
            p->offset -= p->range;
            value |= 1;
        }
        tbr_range_refill(p);
    }
    return value;
}
#endif

static int tbr_patch_full(const tbr_patch *p) { return TBR_PATCH > 1 && p->level == 2; }

static uint32_t tbr_patch_flag(tbr_patch *p, uint32_t context)
{
#if TBR_PATCH > 1
    if (p->level == 2) {
        return tbr_range_flag(p, context);
    }
#endif
    (void)context;
    return tbr_bits_flag(p);
}

static uint32_t tbr_patch_bit(tbr_patch *p)
{
#if TBR_PATCH > 1
    if (p->level == 2) {
        return tbr_range_bits(p, 1);
    }
#endif
    return tbr_bits_flag(p);
}

/* A number from 0: its length in flags, then its bits below the highest. */
static TBR_HOT uint32_t tbr_patch_number(tbr_patch *p, uint32_t base, uint32_t most)
{
#if TBR_PATCH > 1
    uint32_t length = 0;
    if (p->level == 2) {
        while (tbr_range_flag(p, base + (length < most ? length : most))) {
            if (++length > 15) {
                p->broken = 1;
                return 0;
            }
        }
        return (1u << length) - 1 + tbr_range_bits(p, length);
    }
#endif
    (void)base;
    (void)most;
    return tbr_bits_number(p);
}

/* --- patch: coded blocks ------------------------------------------------ */

/* Positions of a block in the order of coding. */
static const uint8_t tbr_scan8[64] = {
    0,  1,  8,  16, 9,  2,  3,  10, 17, 24, 32, 25, 18, 11, 4,  5,  12, 19, 26, 33, 40, 48,
    41, 34, 27, 20, 13, 6,  7,  14, 21, 28, 35, 42, 49, 56, 57, 50, 43, 36, 29, 22, 15, 23,
    30, 37, 44, 51, 58, 59, 52, 45, 38, 31, 39, 46, 53, 60, 61, 54, 47, 55, 62, 63};
#if TBR_PATCH > 1
/* Contexts at a key picture, times 256. */
static const uint8_t tbr_contexts[TBR_PATCH_CONTEXTS] = {
    251, 147, 43, 250, 166, 62, 242, 59, 131, 198, 139, 27, 88, 168, 247, 252, 128, 128, 123, 91, 47, 139, 113, 42,
    229, 167, 68, 248, 220, 185, 195, 126, 33, 209, 244, 151, 76, 162, 161, 104, 191, 149, 155, 80, 144, 133, 148, 192,
    227, 236, 128, 128, 128, 101, 101, 88, 102, 82, 181, 250, 209, 128, 128, 247, 230, 147, 209, 185, 108, 229, 194, 120,
    239, 220, 132, 160, 187, 208, 226, 209, 183, 128, 128, 128, 165, 200, 222, 230, 181, 146, 154, 137, 152, 163, 177, 207,
    199, 205, 128, 158, 194, 218, 228, 171, 128, 128, 128, 128, 57, 128, 61, 128, 67, 128, 178, 150, 123, 36, 75, 128,
    181, 91, 118, 34, 68, 128, 200, 86, 151, 14, 95, 128, 216, 59, 166, 8, 99, 128, 222, 39, 164, 10, 86, 128,
    227, 35, 178, 16, 90, 128, 217, 85, 153, 58, 130, 128, 49, 128, 49, 128, 54, 128, 80, 74, 75, 4, 35, 128,
    45, 134, 59, 15, 40, 128, 102, 94, 100, 4, 65, 128, 153, 51, 116, 4, 71, 128, 175, 29, 109, 4, 76, 128,
    192, 31, 120, 4, 85, 128, 186, 47, 126, 12, 100, 128, 200, 128, 191, 128, 168, 128, 195, 9, 147, 4, 71, 128,
    177, 14, 173, 7, 87, 128, 203, 6, 202, 4, 129, 128, 207, 10, 207, 4, 127, 128, 211, 14, 218, 6, 158, 128,
    216, 24, 209, 7, 163, 128, 202, 84, 224, 42, 179, 128, 42, 128, 52, 128, 60, 128, 122, 137, 109, 14, 54, 128,
    107, 120, 74, 21, 59, 128, 127, 110, 124, 14, 84, 128, 146, 80, 131, 13, 104, 128, 169, 74, 145, 17, 133, 128,
    187, 68, 155, 14, 142, 128, 179, 62, 149, 37, 118};
static const uint8_t tbr_scan4[16] = {0, 1, 4, 8, 5, 2, 3, 6, 9, 12, 13, 10, 7, 11, 14, 15};
/* Class of a position in the scan, for its contexts: up to 28, then 7. */
static const uint8_t tbr_band[28] = {0, 1, 2, 3, 3, 3, 4, 4, 4, 4, 5, 5, 5, 5,
                                     5, 6, 6, 6, 6, 6, 6, 6, 6, 6, 6, 6, 6, 6};
#endif

static TBR_COLD void tbr_patch_quantiser(tbr_patch *p, int32_t quantiser)
{
    static const uint8_t steps[6] = {10, 11, 13, 14, 16, 18};
    quantiser = quantiser < 0 ? 0 : quantiser;
    quantiser = quantiser > TBR_MOST_QUANTISER ? TBR_MOST_QUANTISER : quantiser;
    p->quantiser = (uint8_t)quantiser;
    p->step = (int32_t)steps[quantiser % 6] << (quantiser / 6);
}

/* Puts a level of `size` (up to 32767) at position `at` of the block, times the
 * step. */
TBR_INLINE void tbr_patch_put(tbr_patch *p, uint32_t at, uint32_t size, uint32_t negative)
{
    int32_t value = (int32_t)size * p->step;
    value = value < 32767 ? value : 32767;
    p->values[at] = (int16_t)(negative ? -value : value);
}

/* Numbers of up to seven bits, by their code's highest: one bit is 0, three and
 * more begin with a one. Number and bits of its code; 0 if it is longer. */
static const uint8_t tbr_short_numbers[64] = {
#define TBR_SHORT(number, bits) ((number) << 3 | (bits))
#define TBR_TWO_OF(number, bits) TBR_SHORT(number, bits), TBR_SHORT(number, bits)
#define TBR_FOUR_OF(number, bits) TBR_TWO_OF(number, bits), TBR_TWO_OF(number, bits)
    TBR_FOUR_OF(1, 3), TBR_FOUR_OF(1, 3), TBR_FOUR_OF(1, 3), TBR_FOUR_OF(1, 3),
    TBR_FOUR_OF(2, 3), TBR_FOUR_OF(2, 3), TBR_FOUR_OF(2, 3), TBR_FOUR_OF(2, 3),
    TBR_FOUR_OF(3, 5), TBR_FOUR_OF(4, 5), TBR_FOUR_OF(5, 5), TBR_FOUR_OF(6, 5),
    TBR_SHORT(7, 7), TBR_SHORT(8, 7), TBR_SHORT(9, 7), TBR_SHORT(10, 7),
    TBR_SHORT(11, 7), TBR_SHORT(12, 7), TBR_SHORT(13, 7), TBR_SHORT(14, 7),
};

TBR_INLINE uint32_t tbr_bits_short(uint32_t code)
{
    return (code & 0x80000000u) == 0 ? TBR_SHORT(0, 1) : tbr_short_numbers[code >> 25 & 63];
}

/* Light: the levels of one block; returns the positions that differ from zero,
 * one or-ed to the other. */
static TBR_HOT uint32_t tbr_bits_block(tbr_patch *p)
{
    uint32_t place = 0, spread = 0, code = p->offset, have = p->range, more;
    do {
        uint32_t run, size, bits, at;
        if (have < 16) {
            p->offset = code;
            p->range = have;
            tbr_bits_fill(p);
            code = p->offset;
            have = p->range;
        }
        run = tbr_bits_short(code);
        size = tbr_bits_short(code << (run & 7));
        if (run != 0 && size != 0) {
            bits = (run & 7) + (size & 7);
            run >>= 3;
            size >>= 3;
        } else {
            p->offset = code;
            p->range = have;
            run = tbr_bits_number(p);
            size = tbr_bits_number(p);
            size = size < 32766 ? size : 32766;
            tbr_bits_fill(p);
            code = p->offset;
            have = p->range;
            bits = 0;
        }
        place += run;
        if (place > 63) {
            p->broken = 1;
            break;
        }
        code <<= bits;
        have -= bits + 1;
        at = tbr_scan8[place];
        spread |= at;
        tbr_patch_put(p, at, size + 1, code >> 31);
        code <<= 1;
        if (place++ == 63) {
            break;
        }
        more = code >> 31;
        code <<= 1;
        have--;
    } while (more && !p->broken);
    p->offset = code;
    p->range = have;
    return spread;
}

#if TBR_PATCH > 1
static uint32_t tbr_range_level(tbr_patch *p, uint32_t kind, uint32_t near)
{
    if (!tbr_range_flag(p, TBR_CX_LEVEL_ONE + kind * 3 + near)) {
        return 1;
    }
    return 2 + tbr_patch_number(p, TBR_CX_LEVEL_MORE + kind * 8, 7);
}

static uint32_t tbr_range_near(uint32_t size, uint32_t before)
{
    const uint32_t near = (size + before + 1) >> 1;
    return near < 2 ? near : 2;
}

/* Full: the levels of one block; returns the positions that differ from zero,
 * one or-ed to the other. */
static TBR_HOT uint32_t tbr_range_block(tbr_patch *p, uint32_t kind, uint32_t near)
{
    uint32_t after_zero = 1, before = 0, spread = 0, place;
    for (place = 0; place < 64 && !p->broken; place++) {
        const uint32_t band = place < 28 ? tbr_band[place] : 7;
        const uint32_t context = TBR_CX_BLOCK + ((kind * 8 + band) * 3 + near) * 2;
        uint32_t size = 0;
        if (!after_zero && !tbr_range_flag(p, context)) {
            break;
        }
        if ((after_zero && place == 63) || tbr_range_flag(p, context + 1)) {
            const uint32_t at = kind == TBR_KIND_4X4
                                    ? (place & 3) * 16 + tbr_scan4[place >> 2]
                                    : tbr_scan8[place];
            size = tbr_range_level(p, kind, near);
            size = size < 32767 ? size : 32767;
            tbr_patch_put(p, at, size, tbr_range_bits(p, 1));
            spread |= at;
            size = size < 3 ? size : 3;
        }
        near = tbr_range_near(size, before);
        before = size;
        after_zero = size == 0;
    }
    return spread;
}
#endif

static uint32_t tbr_patch_block(tbr_patch *p, uint32_t kind, uint32_t near)
{
#if TBR_PATCH > 1
    if (p->level == 2) {
        return tbr_range_block(p, kind, near);
    }
#endif
    (void)kind;
    (void)near;
    return tbr_bits_block(p);
}

/* --- patch: transforms (ITU-T H.265, clause 8.6.4.2) -------------------- */

/* One dimension of eight, of which the first n (2, 4 or 8) are not zero; `half`
 * rounds. */
TBR_INLINE void tbr_inverse8(const int32_t *c, uint32_t n, int32_t half, int32_t *out)
{
    int32_t a0 = 64 * c[0] + half, a1 = a0, a2 = a0, a3 = a0;
    int32_t o0 = 89 * c[1], o1 = 75 * c[1], o2 = 50 * c[1], o3 = 18 * c[1];
    if (n > 2) {
        const int32_t b0 = 83 * c[2], b1 = 36 * c[2];
        a0 += b0;
        a1 += b1;
        a2 -= b1;
        a3 -= b0;
        o0 += 75 * c[3];
        o1 -= 18 * c[3];
        o2 -= 89 * c[3];
        o3 -= 50 * c[3];
        if (n > 4) {
            const int32_t d = 64 * c[4], b2 = 36 * c[6], b3 = 83 * c[6];
            a0 += d + b2;
            a1 -= d + b3;
            a2 += b3 - d;
            a3 += d - b2;
            o0 += 50 * c[5] + 18 * c[7];
            o1 -= 89 * c[5] + 50 * c[7];
            o2 += 18 * c[5] + 75 * c[7];
            o3 += 75 * c[5] - 89 * c[7];
        }
    }
    out[0] = a0 + o0;
    out[1] = a1 + o1;
    out[2] = a2 + o2;
    out[3] = a3 + o3;
    out[4] = a3 - o3;
    out[5] = a2 - o2;
    out[6] = a1 - o1;
    out[7] = a0 - o0;
}

/* A column of a block, of which the first n rows (1, 4 or 8) are not zero. */
TBR_INLINE void tbr_column(const int16_t *c, uint32_t n, int32_t *mid)
{
    int32_t in[8], out[8];
    in[0] = c[0];
    if (n == 1) {
        mid[0] = (in[0] + 1) >> 1;
        return;
    }
    in[1] = c[8];
    in[2] = c[16];
    in[3] = c[24];
    if (n > 4) {
        in[4] = c[32];
        in[5] = c[40];
        in[6] = c[48];
        in[7] = c[56];
    }
    tbr_inverse8(in, n, 64, out);
    mid[0] = out[0] >> 7;
    mid[8] = out[1] >> 7;
    mid[16] = out[2] >> 7;
    mid[24] = out[3] >> 7;
    mid[32] = out[4] >> 7;
    mid[40] = out[5] >> 7;
    mid[48] = out[6] >> 7;
    mid[56] = out[7] >> 7;
}

/* Two residuals of `places` binary places, as lanes. */
TBR_INLINE uint32_t tbr_residuals(int32_t low, int32_t high, int places)
{
    return ((uint32_t)high << (16 - places) & 0xFFFF0000u) + (uint32_t)(low >> places);
}

/* Adds the residual of an 8x8 block; `spread` are the positions that differ
 * from zero, one or-ed to the other. Clears the values. */
static TBR_HOT void tbr_add8(int16_t *c, uint32_t spread, uint8_t *to, int32_t stride)
{
    const uint32_t columns = spread & 4 ? 8 : spread & 2 ? 4 : 2;
    const uint32_t rows = spread & 32 ? 8 : spread >= 8 ? 4 : 1;
    int32_t mid[64], *from = mid;
    uint32_t i, left, same = rows == 1 ? 8 : 1;
    for (i = 0; i < columns; i++) {
        tbr_column(c + i, rows, mid + i);
    }
    for (i = 0; i < rows; i++) {
        TBR_FILL(TBR_ALIGNED(c + 8 * i), 0, 16);
    }
    for (left = 8; left > 0; from += 8) {
        int32_t out[8];
        uint32_t a, b, d, e;
        tbr_inverse8(from, columns, 2048, out);
        a = tbr_residuals(out[0], out[2], 12);
        b = tbr_residuals(out[1], out[3], 12);
        d = tbr_residuals(out[4], out[6], 12);
        e = tbr_residuals(out[5], out[7], 12);
        for (i = same; i > 0; i--, left--, to += stride) {
            tbr_add_four(to, a, b);
            tbr_add_four(to + 4, d, e);
        }
    }
}

#if TBR_PATCH > 1
static void tbr_inverse4(int32_t c0, int32_t c1, int32_t c2, int32_t c3, int32_t *out)
{
    const int32_t a0 = 64 * (c0 + c2), a1 = 64 * (c0 - c2);
    const int32_t b0 = 83 * c1 + 36 * c3, b1 = 36 * c1 - 83 * c3;
    out[0] = a0 + b0;
    out[1] = a1 + b1;
    out[2] = a1 - b1;
    out[3] = a0 - b0;
}

static TBR_HOT void tbr_add4(int16_t *c, uint8_t *to, int32_t stride)
{
    int32_t mid[4][4], out[4];
    uint32_t i, k;
    for (i = 0; i < 4; i++) {
        tbr_inverse4(c[i], c[4 + i], c[8 + i], c[12 + i], out);
        c[i] = c[4 + i] = c[8 + i] = c[12 + i] = 0;
        for (k = 0; k < 4; k++) {
            mid[i][k] = (out[k] + 64) >> 7;
        }
    }
    for (k = 0; k < 4; k++, to += stride) {
        tbr_inverse4(mid[0][k] + 16, mid[1][k], mid[2][k], mid[3][k], out);
        tbr_add_four(to, tbr_residuals(out[0], out[2], 11), tbr_residuals(out[1], out[3], 11));
    }
}

/* Four 4x4 residuals: upper left, upper right, lower left, lower right. Clears
 * the values. */
static void tbr_add_4x4(int16_t *c, uint8_t *to, int32_t stride)
{
    uint32_t i, k;
    for (i = 0; i < 4; i++) {
        int16_t *const four = c + 16 * i;
        for (k = 0; k < 16 && four[k] == 0; k++) {
        }
        if (k < 16) {
            tbr_add4(four, to + (i & 1) * 4 + (int32_t)(i >> 1) * 4 * stride, stride);
        }
    }
}
#endif

/* --- patch: intra prediction -------------------------------------------- */

enum { TBR_DC, TBR_PLANAR, TBR_GRADIENT, TBR_VERTICAL, TBR_HORIZONTAL };

/* What stands for samples outside the picture. */
static const uint32_t tbr_grey[2] = {0x80808080u, 0x80808080u};
#define TBR_OUTSIDE ((const uint8_t *)(const void *)tbr_grey)

/* The samples around an 8x8 block in place. */
typedef struct tbr_edge {
    const uint8_t *above, *left;
    int32_t down; /* from a sample to the left to the one below it */
    uint32_t corner;
} tbr_edge;

static void tbr_edge_of(tbr_edge *e, const uint8_t *at, int32_t stride, int has_above,
                        int has_left)
{
    e->above = has_above ? at - stride : TBR_OUTSIDE;
    e->left = has_left ? at - 1 : TBR_OUTSIDE;
    e->down = has_left ? stride : 0;
    e->corner = has_above && has_left ? at[-stride - 1] : 128;
}

static uint32_t tbr_edge_mean(const tbr_edge *e)
{
    const int has_above = e->above != TBR_OUTSIDE, has_left = e->left != TBR_OUTSIDE;
    uint32_t above = 0, left = 0, i;
    for (i = 0; i < 8; i++) {
        above += e->above[i];
        left += e->left[(int32_t)i * e->down];
    }
    return ((has_above ? above : left) + (has_left ? left : above) + 8) >> 4;
}

/* Rows of two words, or of the sample to their left. */
static TBR_HOT void tbr_predict_rows(uint8_t *to, int32_t stride, const tbr_edge *e, int across,
                                     uint32_t a, uint32_t b)
{
    const uint8_t *left = e->left;
    uint32_t j;
    for (j = 0; j < 8; j++, to += stride, left += e->down) {
        if (across) {
            a = b = *left * 0x01010101u;
        }
        tbr_set_word(to, a);
        tbr_set_word(to + 4, b);
    }
}

static TBR_HOT void tbr_predict_gradient(uint8_t *to, int32_t stride, const tbr_edge *e)
{
    const uint32_t one = tbr_word(e->above), two = tbr_word(e->above + 4);
    const uint32_t a = one & TBR_LANES, b = one >> 8 & TBR_LANES;
    const uint32_t c = two & TBR_LANES, d = two >> 8 & TBR_LANES;
    const uint8_t *left = e->left;
    uint32_t j;
    for (j = 0; j < 8; j++, to += stride, left += e->down) {
        const uint32_t step = (*left - e->corner) * TBR_EACH;
        tbr_put_four(to, a + step, b + step);
        tbr_put_four(to + 4, c + step, d + step);
    }
}

/* Four columns at a time: lanes of what comes from above and from below, and
 * the weights of left against right. */
static TBR_HOT void tbr_predict_planar(uint8_t *block, int32_t stride, const tbr_edge *e)
{
    const uint32_t right = e->above[7], below = e->left[7 * e->down];
    uint32_t weights = 7 | 5 << 16, i, j;
    for (i = 0; i < 8; i += 4, weights -= 4 * TBR_EACH) {
        const uint32_t word = tbr_word(e->above + i);
        const uint32_t even = word & TBR_LANES, odd = word >> 8 & TBR_LANES;
        const uint32_t rest = (8 * right + 8) * TBR_EACH, down = below * TBR_EACH;
        uint32_t a = rest + down + 7 * even, b = rest + down + 7 * odd;
        const uint8_t *left = e->left;
        uint8_t *to = block + i;
        for (j = 0; j < 8; j++, to += stride, left += e->down) {
            const uint32_t lean = *left - right;
            const uint32_t sum = a + weights * lean, next = b + (weights - TBR_EACH) * lean;
            tbr_set_word(to, (sum >> 4 & TBR_LANES) | (next << 4 & ~TBR_LANES));
            a += down - even;
            b += down - odd;
        }
    }
}

/* Predicts an 8x8 block in place. */
static void tbr_predict(const tbr_plane *plane, int32_t x, int32_t y, uint32_t mode)
{
    uint8_t *to = plane->now + y * plane->stride + x;
    tbr_edge e;
    tbr_edge_of(&e, to, plane->stride, y > 0, x > 0);
    if (mode == TBR_PLANAR) {
        tbr_predict_planar(to, plane->stride, &e);
    } else if (mode == TBR_GRADIENT) {
        tbr_predict_gradient(to, plane->stride, &e);
    } else if (mode == TBR_DC) {
        const uint32_t mean = tbr_edge_mean(&e) * 0x01010101u;
        tbr_predict_rows(to, plane->stride, &e, 0, mean, mean);
    } else {
        tbr_predict_rows(to, plane->stride, &e, mode == TBR_HORIZONTAL, tbr_word(e.above),
                         tbr_word(e.above + 4));
    }
}

/* --- patch: motion ------------------------------------------------------ */

/* Row y of a plane as it was before this picture, and how many rows from there
 * on lie one after the other; rows that are no longer kept are those of the
 * nearest edge. */
static const uint8_t *tbr_patch_rows(const tbr_patch *p, const tbr_plane *plane, int32_t y,
                                     int32_t *run)
{
    const int32_t first = (p->line - 3) * plane->block, least = first < 0 ? 0 : first;
    const int32_t kept = (p->line + 1) * plane->block, ring = 4 * plane->block;
    const int32_t row = y < least ? least : y > plane->rows - 1 ? plane->rows - 1 : y;
    const int32_t at = row & (ring - 1);
    if (row >= kept) {
        *run = row == y ? plane->rows - row : 1;
        return plane->now + row * plane->stride;
    }
    *run = row != y ? 1 : kept - row < ring - at ? kept - row : ring - at;
    return plane->history + at * plane->stride;
}

/* Four samples from anywhere. */
TBR_INLINE uint32_t tbr_any_word(const uint8_t *at)
{
#if TBR_UNALIGNED
    uint32_t word;
    TBR_COPY(&word, at, 4);
    return word;
#else
    return at[0] | (uint32_t)at[1] << 8 | (uint32_t)at[2] << 16 | (uint32_t)at[3] << 24;
#endif
}

/* The even and the odd ones of four samples from anywhere. */
TBR_INLINE void tbr_any_lanes(const uint8_t *at, uint32_t *even, uint32_t *odd)
{
#if TBR_UNALIGNED
    const uint32_t word = tbr_any_word(at);
    *even = word & TBR_LANES;
    *odd = word >> 8 & TBR_LANES;
#else
    *even = at[0] | (uint32_t)at[2] << 16;
    *odd = at[1] | (uint32_t)at[3] << 16;
#endif
}

/* Samples of a row from x on; outside it those of its edges. */
static void tbr_patch_border(uint8_t *to, const uint8_t *row, int32_t stride, int32_t x,
                                      int32_t w)
{
    for (; w > 0; w--, x++) {
        *to++ = row[x < 0 ? 0 : x > stride - 1 ? stride - 1 : x];
    }
}

/* Copies w (a multiple of 4) x h samples as they were before this picture from
 * x, y on. */
static TBR_HOT void tbr_patch_fetch(tbr_patch *p, const tbr_plane *plane, int32_t x, int32_t y,
                                    int32_t w, int32_t h, uint8_t *to, int32_t step)
{
    const int32_t stride = plane->stride;
    while (h > 0) {
        int32_t run;
        const uint8_t *row = tbr_patch_rows(p, plane, y, &run);
        run = run < h ? run : h;
        y += run;
        h -= run;
        for (; run > 0; run--, to += step, row += stride) {
            if (x < 0 || x + w > stride) {
                tbr_patch_border(to, row, stride, x, w);
            } else {
                const uint8_t *from = row + x, *const end = from + w;
                uint8_t *out = to;
                for (; from != end; from += 4, out += 4) {
                    tbr_set_word(out, tbr_any_word(from));
                }
            }
        }
    }
}

/* Moves an n x n block by whole samples. */
static TBR_COLD void tbr_move_whole(tbr_patch *p, const tbr_plane *plane, int32_t x, int32_t y,
                                    int32_t dx, int32_t dy, int32_t n)
{
    if (dx != 0 || dy != 0) { /* else it is there already */
        tbr_patch_fetch(p, plane, x + dx, y + dy, n, n, plane->now + y * plane->stride + x,
                        plane->stride);
    }
}

#if TBR_PATCH > 1
/* A block as it was before this picture: in its place if it lies there whole,
 * or else fetched. */
static TBR_HOT const uint8_t *tbr_patch_piece(tbr_patch *p, const tbr_plane *plane, int32_t x,
                                               int32_t y, int32_t w, int32_t h, int32_t *step)
{
    int32_t run;
    const uint8_t *row = tbr_patch_rows(p, plane, y, &run);
    if (x >= 0 && x + w <= plane->stride && run >= h) {
        *step = plane->stride;
        return row + x;
    }
    *step = TBR_PATCH_PITCH;
    tbr_patch_fetch(p, plane, x, y, w, h, p->piece, TBR_PATCH_PITCH);
    return p->piece;
}

/* How much the four samples around a place between two weigh, in 1/64; the
 * outer ones count as less. */
static const uint8_t tbr_taps[4][4] = {{0, 64, 0, 0}, {4, 54, 16, 2}, {4, 36, 36, 4},
                                       {2, 16, 54, 4}};

TBR_INLINE uint32_t tbr_between(uint32_t a, uint32_t b, uint32_t c, uint32_t d,
                                const uint32_t *taps)
{
    uint32_t sum = 32 * TBR_EACH + b * taps[1];
    sum += c * taps[2];
    sum -= a * taps[0];
    return sum - d * taps[3];
}

/* Limits four sums of 1/64, and leaves their whole part in place. */
#define TBR_LIMIT_BOTH(even, odd)                         \
    if (((even | odd) & 0xC000C000u) != 0) {              \
        even = tbr_limit(even, 6) << 6;                   \
        odd = tbr_limit(odd, 6) << 6;                     \
    }

/* Filters rows of n samples to bytes or, if those are NULL, to lanes. */
TBR_INLINE void tbr_filter_rows(const uint8_t *from, int32_t step, uint32_t fraction, int32_t n,
                                int32_t rows, uint8_t *bytes, int32_t stride, uint32_t *lanes)
{
    const uint32_t taps[4] = {tbr_taps[fraction][0], tbr_taps[fraction][1],
                              tbr_taps[fraction][2], tbr_taps[fraction][3]};
    for (; rows > 0; rows--, from += step) {
        uint32_t a, b, c, d, e, f, even, odd;
        int32_t i;
        tbr_any_lanes(from, &a, &b);
        for (i = 0; i < n; i += 4) {
            tbr_any_lanes(from + i + 4, &e, &f);
            c = a >> 16 | e << 16;
            d = b >> 16 | f << 16;
            even = tbr_between(a, b, c, d, taps);
            odd = tbr_between(b, c, d, e, taps);
            TBR_LIMIT_BOTH(even, odd)
            if (bytes == NULL) {
                lanes[i / 2] = even >> 6 & TBR_LANES;
                lanes[i / 2 + 1] = odd >> 6 & TBR_LANES;
            } else {
                tbr_set_word(bytes + i, (even >> 6 & TBR_LANES) | (odd << 2 & ~TBR_LANES));
            }
            a = e;
            b = f;
        }
        if (bytes == NULL) {
            lanes += TBR_PATCH_PAIRS;
        } else {
            bytes += stride;
        }
    }
}

static TBR_HOT void tbr_filter_across(const uint8_t *from, int32_t step, uint32_t fraction,
                                      int32_t n, uint8_t *to, int32_t stride)
{
    tbr_filter_rows(from, step, fraction, n, n, to, stride, NULL);
}

/* Rows for tbr_filter_down, filtered across if there is a fraction. */
static TBR_HOT void tbr_filter_first(const uint8_t *from, int32_t step, uint32_t fraction,
                                     int32_t n, uint32_t *lanes)
{
    int32_t rows, i;
    if (fraction != 0) {
        tbr_filter_rows(from, step, fraction, n, n + 3, NULL, 0, lanes);
        return;
    }
    for (rows = n + 3; rows > 0; rows--, from += step, lanes += TBR_PATCH_PAIRS) {
        for (i = 0; i < n; i += 4) {
            tbr_any_lanes(from + i, &lanes[i / 2], &lanes[i / 2 + 1]);
        }
    }
}

static TBR_HOT void tbr_filter_down(const uint32_t *lanes, uint32_t fraction, int32_t n,
                                    uint8_t *to, int32_t stride)
{
    const uint32_t taps[4] = {tbr_taps[fraction][0], tbr_taps[fraction][1],
                              tbr_taps[fraction][2], tbr_taps[fraction][3]};
    int32_t i, j;
    for (i = 0; i < n; i += 4, lanes += 2) {
        const uint32_t *at = lanes;
        uint8_t *out = to + i;
        for (j = 0; j < n; j++, at += TBR_PATCH_PAIRS, out += stride) {
            uint32_t even = tbr_between(at[0], at[TBR_PATCH_PAIRS], at[2 * TBR_PATCH_PAIRS],
                                        at[3 * TBR_PATCH_PAIRS], taps);
            uint32_t odd = tbr_between(at[1], at[TBR_PATCH_PAIRS + 1], at[2 * TBR_PATCH_PAIRS + 1],
                                       at[3 * TBR_PATCH_PAIRS + 1], taps);
            TBR_LIMIT_BOTH(even, odd)
            tbr_set_word(out, (even >> 6 & TBR_LANES) | (odd << 2 & ~TBR_LANES));
        }
    }
}

/* Moves an n x n luma block by a vector in quarter samples. */
static TBR_COLD void tbr_move_luma(tbr_patch *p, int32_t x, int32_t y, tbr_vector v, int32_t n)
{
    const tbr_plane *plane = &p->planes[0];
    const uint32_t across = (uint32_t)(v.x & 3), down = (uint32_t)(v.y & 3);
    const int32_t left = across != 0, stride = plane->stride;
    uint8_t *to = plane->now + y * stride + x;
    const uint8_t *from;
    int32_t step;
    x += v.x >> 2;
    y += v.y >> 2;
    if (down != 0) {
        from = tbr_patch_piece(p, plane, x - left, y - 1, n + 4 * left, n + 3, &step);
        tbr_filter_first(from, step, across, n, p->lanes);
        tbr_filter_down(p->lanes, down, n, to, stride);
    } else if (across != 0) {
        from = tbr_patch_piece(p, plane, x - 1, y, n + 4, n, &step);
        tbr_filter_across(from, step, across, n, to, stride);
    } else {
        tbr_patch_fetch(p, plane, x, y, n, n, to, stride);
    }
}

/* Moves an n x n chroma block by a vector in eighths (ITU-T H.264, clause
 * 8.4.2.2.2). */
static TBR_HOT void tbr_move_chroma(tbr_patch *p, const tbr_plane *plane, int32_t x, int32_t y,
                                    tbr_vector v, int32_t n)
{
    const uint32_t fx = (uint32_t)(v.x & 7), fy = (uint32_t)(v.y & 7);
    uint8_t *to = plane->now + y * plane->stride + x;
    const uint8_t *from;
    int32_t i, j, step;
    x += v.x >> 3;
    y += v.y >> 3;
    if (fx == 0 && fy == 0) {
        tbr_patch_fetch(p, plane, x, y, n, n, to, plane->stride);
        return;
    }
    from = tbr_patch_piece(p, plane, x, y, n + 4, n + 1, &step);
    for (i = 0; i < n; i += 4) {
        const uint8_t *at = from + i;
        uint8_t *out = to + i;
        uint32_t even = 0, odd = 0;
        for (j = 0; j <= n; j++, at += step) {
            uint32_t a, b, c, e, o;
            tbr_any_lanes(at, &a, &b);
            c = a >> 16 | (uint32_t)at[4] << 16;
            e = (8 - fx) * a + fx * b;
            o = (8 - fx) * b + fx * c;
            if (j > 0) {
                even = (8 - fy) * even + fy * e + 32 * TBR_EACH;
                odd = (8 - fy) * odd + fy * o + 32 * TBR_EACH;
                tbr_set_word(out, (even >> 6 & TBR_LANES) | (odd << 2 & ~TBR_LANES));
                out += plane->stride;
            }
            even = e;
            odd = o;
        }
    }
}
#endif

/* Moves an n x n block of luma and its chroma. */
static TBR_COLD void tbr_move(tbr_patch *p, int32_t x, int32_t y, tbr_vector v, int32_t n)
{
    if (v.x == 0 && v.y == 0) {
        return;
    }
#if TBR_PATCH > 1
    if (p->level == 2) {
        tbr_move_luma(p, x, y, v, n);
        tbr_move_chroma(p, &p->planes[1], x / 2, y / 2, v, n / 2);
        tbr_move_chroma(p, &p->planes[2], x / 2, y / 2, v, n / 2);
        return;
    }
#endif
    tbr_move_whole(p, &p->planes[0], x, y, v.x, v.y, n);
    tbr_move_whole(p, &p->planes[1], x / 2, y / 2, v.x >> 1, v.y >> 1, n / 2);
    tbr_move_whole(p, &p->planes[2], x / 2, y / 2, v.x >> 1, v.y >> 1, n / 2);
}

/* --- patch: macroblocks ------------------------------------------------- */

/* Blocks of a macroblock that have a residual, with their coded neighbours. */
typedef struct tbr_coded {
    uint8_t flag[6], near[6]; /* four of luma, Co, Cg */
} tbr_coded;

static TBR_COLD int16_t tbr_median(int32_t a, int32_t b, int32_t c)
{
    const int32_t low = a < b ? a : b, high = a < b ? b : a;
    return (int16_t)(c < low ? low : c > high ? high : c);
}

/* The vector expected for a block: the median of three around it. */
static tbr_vector tbr_guess(tbr_vector a, tbr_vector b, tbr_vector c)
{
    tbr_vector guess;
    guess.x = tbr_median(a.x, b.x, c.x);
    guess.y = tbr_median(a.y, b.y, c.y);
    return guess;
}

static int16_t tbr_vector_part(int32_t guess, int32_t part)
{
    part += guess;
    part = part > TBR_MOST_VECTOR ? TBR_MOST_VECTOR : part;
    return (int16_t)(part < -TBR_MOST_VECTOR ? -TBR_MOST_VECTOR : part);
}

/* A block's vector: the one expected, if the flag says so, or another. */
static tbr_vector tbr_patch_vector(tbr_patch *p, uint32_t split, tbr_vector guess, uint32_t *same)
{
    int32_t x, y, still;
    *same = tbr_patch_flag(p, TBR_CX_SAME + split);
    if (*same) {
        return guess;
    }
    x = (int32_t)tbr_patch_number(p, TBR_CX_ACROSS, 9);
    still = x == 0;
    if (x != 0 && tbr_patch_bit(p)) {
        x = -x;
    }
    y = (int32_t)tbr_patch_number(p, TBR_CX_DOWN, 9) + still;
    if (y != 0 && tbr_patch_bit(p)) {
        y = -y;
    }
    guess.x = tbr_vector_part(guess.x, x);
    guess.y = tbr_vector_part(guess.y, y);
    return guess;
}

static TBR_COLD void tbr_patch_change(tbr_patch *p)
{
    int32_t change = (int32_t)tbr_patch_number(p, TBR_CX_QUANT, 5);
    change = change < 255 ? change : 255;
    if (change != 0) {
        change = tbr_patch_bit(p) ? -change : change;
        tbr_patch_quantiser(p, p->quantiser + change);
    }
}

/* Which blocks are coded. */
static TBR_COLD void tbr_patch_coded(tbr_patch *p, uint32_t context, int intra, int32_t column,
                            tbr_coded *c)
{
    const tbr_neighbour *left = &p->left, *above = &p->above[column];
    uint32_t i;
    TBR_FILL(c, 0, sizeof *c);
    if (!tbr_patch_flag(p, context)) {
        return;
    }
    tbr_patch_change(p);
    for (i = 0; i < 4; i++) {
        const uint32_t l = i & 1 ? c->flag[i - 1] : left->luma[i >> 1];
        const uint32_t a = i < 2 ? above->luma[i] : c->flag[i - 2];
        c->near[i] = (uint8_t)(l + a);
        c->flag[i] = (uint8_t)tbr_patch_flag(p, TBR_CX_LUMA + (intra ? 3u : 0u) + l + a);
    }
    c->near[4] = (uint8_t)(left->orange + above->orange);
    c->flag[4] = (uint8_t)tbr_patch_flag(p, TBR_CX_ORANGE + c->near[4]);
    c->near[5] = (uint8_t)(left->green + above->green);
    c->flag[5] = (uint8_t)tbr_patch_flag(p, TBR_CX_GREEN + 3u * c->flag[4] + c->near[5]);
}

static TBR_COLD void tbr_patch_luma(tbr_patch *p, int32_t x, int32_t y, int intra, uint32_t near)
{
    const tbr_plane *plane = &p->planes[0];
    uint8_t *to = plane->now + y * plane->stride + x;
#if TBR_PATCH > 1
    if (p->level == 2 && tbr_range_flag(p, TBR_CX_4X4 + (intra ? 1u : 0u))) {
        tbr_range_block(p, TBR_KIND_4X4, near);
        tbr_add_4x4(p->values, to, plane->stride);
        return;
    }
#endif
    tbr_add8(p->values, tbr_patch_block(p, intra ? TBR_KIND_INTRA : TBR_KIND_INTER, near), to,
             plane->stride);
}

static TBR_COLD void tbr_patch_chroma(tbr_patch *p, const tbr_coded *c, int32_t column)
{
    uint32_t i;
    for (i = 1; i < 3; i++) {
        const tbr_plane *plane = &p->planes[i];
        if (c->flag[3 + i]) {
            const uint32_t last = tbr_patch_block(p, TBR_KIND_CHROMA, c->near[3 + i]);
            tbr_add8(p->values, last, plane->now + p->line * 8 * plane->stride + column * 8,
                     plane->stride);
        }
    }
}

/* Marks the changed blocks of a macroblock, by bits 0 to 3. */
static TBR_COLD void tbr_patch_mark(tbr_patch *p, int32_t column, uint32_t blocks)
{
    uint64_t *const cells = p->cells + 2 * p->line;
    if (column * 16 + 8 >= p->panel.w) { /* macroblocks reach past the panel */
        blocks &= 5;
    }
    if (p->line * 16 + 8 >= p->panel.h) {
        blocks &= 3;
    }
    cells[0] |= (uint64_t)(blocks & 3) << (2 * column);
    cells[1] |= (uint64_t)(blocks >> 2) << (2 * column);
}

static TBR_COLD void tbr_patch_remember(tbr_patch *p, int32_t column, int intra, const tbr_coded *c,
                               const tbr_vector *v)
{
    tbr_neighbour *left = &p->left, *above = &p->above[column];
    TBR_FILL(left, 0, sizeof *left);
    left->intra = (uint8_t)intra;
    left->orange = c->flag[4];
    left->green = c->flag[5];
    *above = *left;
    left->luma[0] = c->flag[1];
    left->luma[1] = above->luma[1] = c->flag[3];
    above->luma[0] = c->flag[2];
    left->vectors[0] = v[1];
    left->vectors[1] = above->vectors[1] = v[3];
    above->vectors[0] = v[2];
}

static TBR_COLD uint32_t tbr_patch_mode(tbr_patch *p, uint32_t base)
{
    if (tbr_patch_flag(p, base)) {
        return tbr_patch_flag(p, base + 1) ? TBR_PLANAR : TBR_DC;
    }
    if (tbr_patch_flag(p, base + 2)) {
        return TBR_GRADIENT;
    }
    return tbr_patch_flag(p, base + 3) ? TBR_HORIZONTAL : TBR_VERTICAL;
}

/* A macroblock predicted from its own picture. */
static void tbr_patch_intra(tbr_patch *p, int32_t column)
{
    static const tbr_vector still[4] = {{0, 0}, {0, 0}, {0, 0}, {0, 0}};
    uint8_t modes[4];
    uint32_t i, chroma;
    tbr_coded c;
    for (i = 0; i < 4; i++) {
        modes[i] = (uint8_t)tbr_patch_mode(p, TBR_CX_MODE_LUMA);
    }
    chroma = tbr_patch_mode(p, TBR_CX_MODE_CHROMA);
    tbr_patch_coded(p, TBR_CX_CODED + 2, 1, column, &c);
    for (i = 0; i < 4; i++) {
        const int32_t x = column * 16 + (int32_t)(i & 1) * 8;
        const int32_t y = p->line * 16 + (int32_t)(i >> 1) * 8;
        tbr_predict(&p->planes[0], x, y, modes[i]);
        if (c.flag[i]) {
            tbr_patch_luma(p, x, y, 1, c.near[i]);
        }
    }
    tbr_patch_mark(p, column, 15);
    tbr_predict(&p->planes[1], column * 8, p->line * 8, chroma);
    tbr_predict(&p->planes[2], column * 8, p->line * 8, chroma);
    tbr_patch_chroma(p, &c, column);
    tbr_patch_remember(p, column, 1, &c, still);
}

/* The vectors of a macroblock moved from the previous picture; returns the context
 * of its residual. Each is written once and read after that: of an array that is
 * cleared and then filled in a loop GCC 12 reads the zeros (-O2, 64 bits). */
static uint32_t tbr_patch_vectors(tbr_patch *p, int32_t column, tbr_vector *v)
{
    const tbr_vector *const left = p->left.vectors, *const up = p->above[column].vectors;
    const tbr_vector beyond = p->above[column + 1].vectors[0];
    const uint32_t split = tbr_patch_flag(p, TBR_CX_SPLIT);
    const int first = p->line == 0; /* nothing lies above */
    uint32_t same;
    tbr_vector guess = first ? left[0] : tbr_guess(left[0], up[0], split ? up[1] : beyond);
    v[0] = tbr_patch_vector(p, split, guess, &same);
    if (!split) {
        v[1] = v[2] = v[3] = v[0];
        return TBR_CX_CODED + (same ? 0u : 1u);
    }
    guess = first ? v[0] : tbr_guess(v[0], up[1], beyond);
    v[1] = tbr_patch_vector(p, split, guess, &same);
    v[2] = tbr_patch_vector(p, split, tbr_guess(left[1], v[0], v[1]), &same);
    v[3] = tbr_patch_vector(p, split, tbr_guess(v[2], v[1], v[0]), &same);
    return TBR_CX_CODED + 1u;
}

static int tbr_same_vector(tbr_vector a, tbr_vector b) { return a.x == b.x && a.y == b.y; }

static void tbr_patch_moved(tbr_patch *p, int32_t column)
{
    const int32_t left = column * 16, top = p->line * 16;
    tbr_vector v[4];
    tbr_coded c;
    uint32_t i, context, changed = 0;
    int whole;
    context = tbr_patch_vectors(p, column, v);
    whole = tbr_same_vector(v[0], v[1]) && tbr_same_vector(v[0], v[2]) &&
            tbr_same_vector(v[0], v[3]);
    if (whole) {
        tbr_move(p, left, top, v[0], 16);
    }
    tbr_patch_coded(p, context, 0, column, &c);
    for (i = 0; i < 4; i++) {
        const int32_t x = left + (int32_t)(i & 1) * 8, y = top + (int32_t)(i >> 1) * 8;
        if (!whole) {
            tbr_move(p, x, y, v[i], 8);
        }
    }
    for (i = 0; i < 4; i++) {
        const int32_t x = left + (int32_t)(i & 1) * 8, y = top + (int32_t)(i >> 1) * 8;
        if (c.flag[i]) {
            tbr_patch_luma(p, x, y, 0, c.near[i]);
        }
        if (v[i].x != 0 || v[i].y != 0 || c.flag[i] || c.flag[4] || c.flag[5]) {
            changed |= 1u << i;
        }
    }
    if (changed != 0) {
        tbr_patch_mark(p, column, changed);
    }
    tbr_patch_chroma(p, &c, column);
    tbr_patch_remember(p, column, 0, &c, v);
}

/* Black, where nothing was before. */
static void tbr_patch_black(tbr_patch *p, int32_t column)
{
    int32_t i, j;
    for (i = 0; i < 3; i++) {
        const tbr_plane *plane = &p->planes[i];
        for (j = 0; j < plane->block; j++) {
            TBR_FILL(plane->now + (p->line * plane->block + j) * plane->stride +
                       column * plane->block,
                   i == 0 ? 0 : 128, (uint32_t)plane->block);
        }
    }
}

static TBR_COLD void tbr_patch_macroblock(tbr_patch *p, int32_t column)
{
    const tbr_neighbour *above = &p->above[column];
    if (tbr_patch_flag(p, TBR_CX_SKIP + (uint32_t)p->left.keep + above->keep)) {
        TBR_FILL(&p->left, 0, sizeof p->left);
        p->left.keep = 1;
        p->above[column] = p->left;
        if (p->key) {
            tbr_patch_black(p, column);
        }
    } else if (p->key ||
               tbr_patch_flag(p, TBR_CX_INTRA + (uint32_t)p->left.intra + above->intra)) {
        tbr_patch_intra(p, column);
    } else {
        tbr_patch_moved(p, column);
    }
}

/* Copies n bytes, a multiple of 32, between places aligned to 4. */
static TBR_HOT void tbr_copy_words(uint8_t *to, const uint8_t *from, int32_t n)
{
    for (; n > 0; n -= 32, to += 32, from += 32) {
        TBR_COPY(TBR_ALIGNED(to), TBR_ALIGNED(from), 32);
    }
}

/* Saves the rows about to be overwritten. */
static void tbr_patch_save(tbr_patch *p)
{
    uint32_t i;
    for (i = 0; i < 3; i++) {
        const tbr_plane *plane = &p->planes[i];
        const int32_t n = plane->block * plane->stride;
        tbr_copy_words(plane->history + (p->line & 3) * n, plane->now + p->line * n, n);
    }
}

static void tbr_patch_lines(tbr_patch *p)
{
    const int32_t across = p->planes[0].stride / 16, down = p->planes[0].rows / 16;
    int32_t column;
    for (p->line = 0; p->line < down; p->line++) {
        if (!p->key) {
            tbr_patch_save(p);
        }
        TBR_FILL(&p->left, 0, sizeof p->left);
        for (column = 0; column < across; column++) {
            tbr_patch_macroblock(p, column);
            if (p->broken) {
                return;
            }
        }
    }
}

/* Sets everything to its start at a key picture, but for the samples: those of
 * macroblocks that are kept are set when they are met. */
static void tbr_patch_reset(tbr_patch *p)
{
#if TBR_PATCH > 1
    uint32_t i;
    for (i = 0; i < TBR_PATCH_CONTEXTS; i++) {
        p->contexts[i] = (uint16_t)(tbr_contexts[i] << 8);
    }
#endif
    TBR_FILL(p->cells, 0, sizeof p->cells);
}

/* Eight times a colour of five bits, and one of six bits in its place in a pixel
 * of high byte first, for -260..515 clamped to 0..255 and rounded. */
#define TBR_SHADE_ZERO 260
static const uint8_t tbr_five[776] = {
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    0, 0, 0, 0, 0, 8, 8, 8, 8, 8, 8, 8, 8, 16, 16, 16, 16, 16, 16, 16,
    16, 24, 24, 24, 24, 24, 24, 24, 24, 32, 32, 32, 32, 32, 32, 32, 32, 32, 40, 40,
    40, 40, 40, 40, 40, 40, 48, 48, 48, 48, 48, 48, 48, 48, 56, 56, 56, 56, 56, 56,
    56, 56, 64, 64, 64, 64, 64, 64, 64, 64, 72, 72, 72, 72, 72, 72, 72, 72, 72, 80,
    80, 80, 80, 80, 80, 80, 80, 88, 88, 88, 88, 88, 88, 88, 88, 96, 96, 96, 96, 96,
    96, 96, 96, 104, 104, 104, 104, 104, 104, 104, 104, 104, 112, 112, 112, 112, 112, 112, 112, 112,
    120, 120, 120, 120, 120, 120, 120, 120, 128, 128, 128, 128, 128, 128, 128, 128, 136, 136, 136, 136,
    136, 136, 136, 136, 144, 144, 144, 144, 144, 144, 144, 144, 144, 152, 152, 152, 152, 152, 152, 152,
    152, 160, 160, 160, 160, 160, 160, 160, 160, 168, 168, 168, 168, 168, 168, 168, 168, 176, 176, 176,
    176, 176, 176, 176, 176, 176, 184, 184, 184, 184, 184, 184, 184, 184, 192, 192, 192, 192, 192, 192,
    192, 192, 200, 200, 200, 200, 200, 200, 200, 200, 208, 208, 208, 208, 208, 208, 208, 208, 216, 216,
    216, 216, 216, 216, 216, 216, 216, 224, 224, 224, 224, 224, 224, 224, 224, 232, 232, 232, 232, 232,
    232, 232, 232, 240, 240, 240, 240, 240, 240, 240, 240, 248, 248, 248, 248, 248, 248, 248, 248, 248,
    248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248,
    248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248,
    248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248,
    248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248,
    248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248,
    248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248,
    248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248,
    248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248,
    248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248,
    248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248,
    248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248,
    248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248,
    248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248, 248};
static const uint16_t tbr_six[776] = {
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 8192, 8192, 8192,
    8192, 16384, 16384, 16384, 16384, 24576, 24576, 24576, 24576, 32768, 32768, 32768, 32768, 40960,
    40960, 40960, 40960, 49152, 49152, 49152, 49152, 57344, 57344, 57344, 57344, 1, 1, 1,
    1, 8193, 8193, 8193, 8193, 16385, 16385, 16385, 16385, 24577, 24577, 24577, 24577, 32769,
    32769, 32769, 32769, 40961, 40961, 40961, 40961, 49153, 49153, 49153, 49153, 57345, 57345, 57345,
    57345, 2, 2, 2, 2, 8194, 8194, 8194, 8194, 16386, 16386, 16386, 16386, 24578,
    24578, 24578, 24578, 32770, 32770, 32770, 32770, 40962, 40962, 40962, 40962, 40962, 49154, 49154,
    49154, 49154, 57346, 57346, 57346, 57346, 3, 3, 3, 3, 8195, 8195, 8195, 8195,
    16387, 16387, 16387, 16387, 24579, 24579, 24579, 24579, 32771, 32771, 32771, 32771, 40963, 40963,
    40963, 40963, 49155, 49155, 49155, 49155, 57347, 57347, 57347, 57347, 4, 4, 4, 4,
    8196, 8196, 8196, 8196, 16388, 16388, 16388, 16388, 24580, 24580, 24580, 24580, 32772, 32772,
    32772, 32772, 40964, 40964, 40964, 40964, 49156, 49156, 49156, 49156, 57348, 57348, 57348, 57348,
    5, 5, 5, 5, 8197, 8197, 8197, 8197, 16389, 16389, 16389, 16389, 16389, 24581,
    24581, 24581, 24581, 32773, 32773, 32773, 32773, 40965, 40965, 40965, 40965, 49157, 49157, 49157,
    49157, 57349, 57349, 57349, 57349, 6, 6, 6, 6, 8198, 8198, 8198, 8198, 16390,
    16390, 16390, 16390, 24582, 24582, 24582, 24582, 32774, 32774, 32774, 32774, 40966, 40966, 40966,
    40966, 49158, 49158, 49158, 49158, 57350, 57350, 57350, 57350, 7, 7, 7, 7, 8199,
    8199, 8199, 8199, 16391, 16391, 16391, 16391, 24583, 24583, 24583, 24583, 32775, 32775, 32775,
    32775, 40967, 40967, 40967, 40967, 49159, 49159, 49159, 49159, 57351, 57351, 57351, 57351, 57351,
    57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351,
    57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351,
    57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351,
    57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351,
    57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351,
    57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351,
    57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351,
    57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351,
    57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351,
    57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351,
    57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351,
    57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351,
    57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351,
    57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351,
    57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351,
    57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351,
    57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351,
    57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351, 57351,
    57351, 57351, 57351, 57351, 57351, 57351};

static void tbr_patch_begin(tbr_patch *p, const tbr_picture *picture)
{
    p->data = picture->bytes + 2;
    p->length = picture->length - 2;
    p->at = 0;
    p->offset = 0;
    p->range = 0;
    p->broken = 0;
    p->ready = 0;
    TBR_FILL(p->above, 0, sizeof p->above);
    TBR_FILL(p->values, 0, sizeof p->values);
    tbr_patch_quantiser(p, picture->bytes[1]);
    /* The dither's table has four more for red and blue, two more for green. */
    p->zero.red = tbr_five + TBR_SHADE_ZERO + 128 - (p->dither ? 4 : 0);
    p->zero.green = tbr_six + TBR_SHADE_ZERO - 128 - (p->dither ? 2 : 0);
    if (p->key) {
        tbr_patch_reset(p);
    }
#if TBR_PATCH > 1
    if (p->level == 2) {
        uint32_t i;
        p->range = 0xFFFFFFFFu;
        for (i = 0; i < 4; i++) {
            p->offset = p->offset << 8 | tbr_patch_byte(p);
        }
    }
#endif
}

/* Whether the payload ended with the picture. */
static int tbr_patch_finish(const tbr_patch *p)
{
    if (tbr_patch_full(p)) {
        return p->at >= p->length && p->at <= p->length + 4;
    }
    return tbr_bits_finish(p);
}

static int tbr_patch_decode(tbr_patch *p, const tbr_picture *picture)
{
    const uint8_t *b = picture->bytes;
    if (picture->length < 2 || (b[0] & 3) != p->level || b[0] >> 4 != 0 ||
        b[1] > TBR_MOST_QUANTISER || (!(b[0] & 4) && !p->ready)) {
        return TBR_PICTURE;
    }
    p->key = (b[0] & 4) != 0;
    p->dither = (b[0] & 8) != 0;
    tbr_patch_begin(p, picture);
    tbr_patch_lines(p);
    if (p->broken || !tbr_patch_finish(p)) {
        TBR_FILL(p->cells, 0, sizeof p->cells);
        return TBR_PICTURE;
    }
    p->ready = 1;
    return TBR_OK;
}

/* --- patch: to the panel ------------------------------------------------ */

/* The 8x8 ordered dither (Bayer 1973): four more than red and blue get, and in
 * the upper half two more than green gets. */
static const uint8_t tbr_dither[64] = {
    0x40, 0x24, 0x31, 0x15, 0x40, 0x24, 0x31, 0x15,
    0x16, 0x32, 0x07, 0x23, 0x16, 0x32, 0x08, 0x23,
    0x32, 0x16, 0x41, 0x25, 0x32, 0x16, 0x41, 0x25,
    0x08, 0x24, 0x17, 0x33, 0x08, 0x24, 0x17, 0x33,
    0x40, 0x25, 0x31, 0x16, 0x40, 0x24, 0x31, 0x15,
    0x17, 0x33, 0x08, 0x24, 0x16, 0x32, 0x07, 0x23,
    0x32, 0x16, 0x41, 0x25, 0x32, 0x16, 0x41, 0x25,
    0x08, 0x24, 0x07, 0x33, 0x08, 0x24, 0x17, 0x33,
};

TBR_INLINE tbr_tint tbr_tint_of(const tbr_tint *grey, uint32_t orange, uint32_t green)
{
    const int32_t lean = (int32_t)orange - 128;
    tbr_tint t;
    t.red = grey->red - green + lean;
    t.blue = grey->red - green - lean;
    t.green = grey->green + green;
    return t;
}

/* A pixel of high byte first from its luma and the dither for it. */
TBR_INLINE uint16_t tbr_pixel(tbr_tint t, uint32_t luma, uint32_t dither)
{
    const uint32_t five = luma + (dither & 15), six = luma + (dither >> 4);
    const uint32_t low = (uint32_t)t.red[five] | t.green[six];
    return tbr_first_low16(low | (uint32_t)t.blue[five] << 5);
}

/* Two by two pixels of one chroma; `dither` is NULL for none. */
TBR_INLINE void tbr_show_four(tbr_tint t, const uint8_t *above, const uint8_t *below,
                              const uint8_t *dither, uint16_t *to, uint16_t *next)
{
    to[0] = tbr_pixel(t, above[0], dither == NULL ? 0 : dither[0]);
    to[1] = tbr_pixel(t, above[1], dither == NULL ? 0 : dither[1]);
    next[0] = tbr_pixel(t, below[0], dither == NULL ? 0 : dither[8]);
    next[1] = tbr_pixel(t, below[1], dither == NULL ? 0 : dither[9]);
}

/* Converts rows of w pixels (both even numbers) from x, y (multiples of
 * 8 and 2) on. */
TBR_INLINE void tbr_show_rows(const tbr_patch *p, int32_t x, int32_t y, int32_t w, int32_t rows,
                              uint16_t *to, int dithers)
{
    const int32_t stride = p->planes[0].stride, half = y / 2 * (stride / 2) + x / 2;
    const uint8_t *luma = p->planes[0].now + y * stride + x;
    const uint8_t *orange = p->planes[1].now + half, *green = p->planes[2].now + half;
    const tbr_tint zero = p->zero;
    for (; rows > 0; rows -= 2, y += 2) {
        const uint8_t *above = luma, *below = luma + stride, *co = orange, *cg = green;
        const uint8_t *const dither = tbr_dither + (y & 7) * 8;
        uint32_t turn = 0;
        uint16_t *const end = to + w, *next = end;
        do {
            tbr_show_four(tbr_tint_of(&zero, *co++, *cg++), above, below,
                          dithers ? dither + turn : NULL, to, next);
            above += 2;
            below += 2;
            to += 2;
            next += 2;
            turn = (turn + 2) & 7;
        } while (to != end);
        to = next;
        luma += 2 * stride;
        orange += stride / 2;
        green += stride / 2;
    }
}

/* Turns n pixels of high byte first into such of low byte first, two at a time; of
 * an odd number the one behind as well: a strip has room for it. */
static void tbr_show_low_first(uint8_t *at, uint32_t n)
{
    for (n = (n + 1) / 2; n > 0; n--, at += 4) {
        const uint32_t v = tbr_word(at);
        tbr_set_word(at, (v & TBR_LANES) << 8 | (v >> 8 & TBR_LANES));
    }
}

/* Converts rows of w pixels from x, y (both even) on. */
static TBR_HOT void tbr_show(const tbr_patch *p, int32_t x, int32_t y, int32_t w, int32_t rows,
                              uint16_t *to)
{
    const int32_t whole = (w + 1) & ~1;
    int32_t i, j;
    if (p->dither) {
        tbr_show_rows(p, x, y, whole, (rows + 1) & ~1, to, 1);
    } else {
        tbr_show_rows(p, x, y, whole, (rows + 1) & ~1, to, 0);
    }
    for (j = 1; j < rows && whole != w; j++) {
        for (i = 0; i < w; i++) {
            to[j * w + i] = to[j * whole + i];
        }
    }
    if (p->low_first) {
        tbr_show_low_first((uint8_t *)to, (uint32_t)(w * rows));
    }
}

/* Sends one rectangle, strip by strip. The strips lie in the history of luma,
 * which is not needed between pictures: one is sent, the other filled. */
static TBR_COLD void tbr_patch_send(tbr_patch *p, tbr_rect *r)
{
    const int32_t strip = 32 * p->planes[0].stride;
    const int32_t most = (strip / (2 * r->w + 2)) & ~1;
    const int32_t x = r->x, top = r->y;
    const tbr_rect *window = r;
    int32_t y, rows;
    tbr_place(r, &p->panel);
    for (y = 0; y < r->h; y += rows) {
        uint16_t *to = (uint16_t *)(void *)(p->planes[0].history + (p->second ? strip : 0));
        rows = r->h - y < most ? r->h - y : most;
        tbr_show(p, x, top + y, r->w, rows, to);
        p->send(p->user, window, (const uint8_t *)to, 2u * r->w * (uint32_t)rows);
        window = NULL;
        p->second ^= 1;
    }
}

/* The first run of cells in `bits`, as a mask. */
static uint64_t tbr_run(uint64_t bits) { return bits & ~(bits + (bits & (~bits + 1))); }

/* Whether a line holds the very same run. */
static TBR_COLD int tbr_same_run(uint64_t line, uint64_t run)
{
    return (line & (run | run << 1 | run >> 1)) == run;
}

/* From and to which bit a run goes. */
static void tbr_run_ends(uint64_t run, uint32_t *from, uint32_t *to)
{
    for (*from = 0; (run & 1) == 0; run >>= 1) {
        ++*from;
    }
    for (*to = *from; run != 0; run >>= 1) {
        ++*to;
    }
}

static TBR_COLD void tbr_cut_rect(const tbr_patch *p, uint32_t x0, uint32_t y0, uint32_t x1,
                                  uint32_t y1, tbr_rect *r)
{
    x1 = x1 * 8 < p->panel.w ? x1 * 8 : p->panel.w;
    y1 = y1 * 8 < p->panel.h ? y1 * 8 : p->panel.h;
    r->x = (uint16_t)(x0 * 8);
    r->y = (uint16_t)(y0 * 8);
    r->w = (uint16_t)(x1 - x0 * 8);
    r->h = (uint16_t)(y1 - y0 * 8);
}

/* Cuts the changed cells along lines, or along columns if `turned`; returns the
 * number of windows, and may send them. */
static TBR_COLD uint32_t tbr_cut(tbr_patch *p, int turned, int sends)
{
    const uint64_t *const lines = turned ? p->turned : p->cells;
    uint32_t n = 0, line, from, to, last;
    for (line = 0; line < TBR_PATCH_CELLS; line++) {
        uint64_t rest = lines[line];
        while (rest != 0) {
            const uint64_t run = tbr_run(rest);
            tbr_rect r;
            rest &= ~run;
            if (line > 0 && tbr_same_run(lines[line - 1], run)) {
                continue; /* goes on from the line before */
            }
            n++;
            if (!sends) {
                continue;
            }
            for (last = line + 1; last < TBR_PATCH_CELLS && tbr_same_run(lines[last], run);) {
                last++;
            }
            tbr_run_ends(run, &from, &to);
            if (turned) {
                tbr_cut_rect(p, line, from, last, to, &r);
            } else {
                tbr_cut_rect(p, from, line, to, last, &r);
            }
            tbr_patch_send(p, &r);
        }
    }
    return n;
}

/* Sends what changed since the last time, in the fewest windows. */
static TBR_COLD void tbr_patch_flush(tbr_patch *p, tbr_send send, void *user)
{
    uint32_t x, y;
    TBR_FILL(p->turned, 0, sizeof p->turned);
    for (y = 0; y < TBR_PATCH_CELLS; y++) {
        uint64_t rest = p->cells[y];
        for (x = 0; rest != 0; x++, rest >>= 1) {
            p->turned[x] |= (rest & 1) << y;
        }
    }
    p->send = send;
    p->user = user;
    x = tbr_cut(p, 0, 0) > tbr_cut(p, 1, 0);
    tbr_cut(p, (int)x, 1);
    TBR_FILL(p->cells, 0, sizeof p->cells);
}

/* --- patch: memory ------------------------------------------------------ */

static uint8_t *tbr_plane_set(tbr_plane *plane, uint8_t *memory, int32_t stride, int32_t rows,
                              int32_t block)
{
    plane->stride = stride;
    plane->rows = rows;
    plane->block = block;
    plane->now = memory;
    plane->history = memory + stride * rows;
    return plane->history + stride * 4 * block;
}

static int tbr_patch_open(const tbr_decoder *d, const tbr_header *h, uint32_t size)
{
    tbr_patch *p = (tbr_patch *)d->memory;
    uint8_t *rest = (uint8_t *)d->memory + sizeof *p;
    const int32_t w = (h->width + 15) & ~15, rows = (h->height + 15) & ~15;
    const uint32_t planes = (uint32_t)(w * rows + w * 64) / 2 * 3;
    if (h->width > TBR_PATCH_SIDE || h->height > TBR_PATCH_SIDE || h->level > TBR_PATCH) {
        return TBR_CODING;
    }
    if (size < sizeof *p + planes) {
        return TBR_MEMORY;
    }
    TBR_FILL(p, 0, sizeof *p);
    p->panel = d->panel;
    p->level = h->level;
    p->low_first = h->low_first;
    rest = tbr_plane_set(&p->planes[0], rest, w, rows, 16);
    rest = tbr_plane_set(&p->planes[1], rest, w / 2, rows / 2, 8);
    tbr_plane_set(&p->planes[2], rest, w / 2, rows / 2, 8);
    return TBR_OK;
}

static int tbr_patch_picture(tbr_patch *p, const tbr_picture *picture, tbr_send send, void *user)
{
    const int code = tbr_patch_decode(p, picture);
    if (code == TBR_OK && send != NULL) {
        tbr_patch_flush(p, send, user);
    }
    return code;
}
#endif /* TBR_PATCH */

/* --- decoder ------------------------------------------------------------ */

TBR_COLD int tbr_decoder_open(tbr_decoder *d, const tbr_header *h, void *memory, uint32_t size)
{
    /* x_offset to height, in the order of a rectangle */
    TBR_COPY(&d->panel, (const uint8_t *)h + offsetof(tbr_header, x_offset), sizeof d->panel);
    d->coding = h->coding;
    d->memory = memory;
    if (size < h->working_memory) {
        return TBR_MEMORY;
    }
#if TBR_PATCH
    if (h->coding == TBR_PATCH_CODING) {
        return tbr_patch_open(d, h, size);
    }
#endif
    return h->coding == TBR_RAW ? TBR_OK : TBR_CODING;
}

/* Sends what earlier pictures left unsent. */
static int tbr_decoder_flush(tbr_decoder *d, tbr_send send, void *user)
{
#if TBR_PATCH
    if (d->coding == TBR_PATCH_CODING && send != NULL) {
        tbr_patch_flush((tbr_patch *)d->memory, send, user);
    }
#endif
    (void)d;
    (void)send;
    (void)user;
    return TBR_OK;
}

TBR_COLD int tbr_decode(tbr_decoder *d, const tbr_picture *p, tbr_send send, void *user)
{
    if (p->flags & TBR_PICTURE_UNCHANGED) {
        return tbr_decoder_flush(d, send, user);
    }
    if (d->coding == TBR_RAW) {
        /* Checked whole before the first pixel leaves. */
        const int code = tbr_raw(d, p, NULL, user);
        return code == TBR_OK && send != NULL ? tbr_raw(d, p, send, user) : code;
    }
#if TBR_PATCH
    if (d->coding == TBR_PATCH_CODING) {
        /* The key flag is also the third bit of the payload. */
        if ((p->bytes[0] >> 2 & 1) != (p->flags & TBR_PICTURE_KEY)) {
            return TBR_PICTURE;
        }
        return tbr_patch_picture((tbr_patch *)d->memory, p, send, user);
    }
#endif
    return TBR_CODING;
}

#endif /* THUMBREEL_IMPLEMENTATION */
