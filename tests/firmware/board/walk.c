/* Walks a FAT file system with fat.c and tells what it finds, a line each: the path, the
 * size and the CRC-32 of a file, read in pieces of random lengths and once more from
 * random places; or the error.
 *
 * Arguments: image=FILE log=FILE seed=N; damage=N: do that N times with bytes of the
 * tables, folders and boot sectors changed at random, and write only how often it came
 * to which end. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define THUMBREEL_IMPLEMENTATION
#include "thumbreel.h"

#include "bench.h"
#include "fat.h"

enum { SECTOR = 512, DEEPEST = 8, PIECE = 70000, LONGEST = 256 << 10, CHANGES = 8, MOST_READS = 4000000 };

static FILE *image;
static int log_file;
static uint32_t sectors, chance, reads, found, failures;
static uint8_t piece[PIECE], again[PIECE];
/* Damage: sectors that are read with a byte changed. */
static uint32_t changes, bad_sector[CHANGES];
static uint16_t bad_at[CHANGES];
static uint8_t bad_byte[CHANGES];

static uint32_t random_below(uint32_t below)
{
    chance ^= chance << 13;
    chance ^= chance >> 17;
    chance ^= chance << 5;
    return chance % below;
}

static int read_sectors(void *user, uint32_t sector, uint8_t *to, uint32_t count)
{
    uint32_t i;
    reads += count;
    if (reads > MOST_READS) {
        bench_exit(8); /* it hangs */
    }
    if (count == 0 || sector >= sectors || count > sectors - sector) {
        return -1; /* as a card does past its end */
    }
    if (fseek((FILE *)user, (long)sector * SECTOR, SEEK_SET) != 0 ||
        fread(to, SECTOR, count, (FILE *)user) != count) {
        bench_exit(3);
    }
    for (i = 0; i < changes; i++) {
        if (bad_sector[i] >= sector && bad_sector[i] - sector < count) {
            to[(bad_sector[i] - sector) * SECTOR + bad_at[i]] = bad_byte[i];
        }
    }
    return 0;
}

static void tell(const char *path, const char *name, uint32_t size, uint32_t crc)
{
    if (changes == 0) {
        bench_text(log_file, path);
        bench_text(log_file, "/");
        bench_text(log_file, name);
        bench_decimal(log_file, " ", size);
        bench_decimal(log_file, " ", crc);
        bench_text(log_file, "\n");
    }
}

/* Reads a file from its beginning to its end; its CRC, or below zero. */
static int64_t read_through(tbr_fat_file *file)
{
    uint32_t crc = 0, all = 0;
    for (;;) {
        const uint32_t n = 1 + random_below(random_below(4) == 0 ? PIECE : 3000);
        const int32_t got = tbr_fat_read(file, piece, n);
        if (got <= 0) {
            return got < 0 ? got : all == file->size ? (int64_t)crc : TBR_FAT_BROKEN;
        }
        if ((uint32_t)got > n) {
            abort();
        }
        crc = tbr_crc32(crc, piece, (uint32_t)got);
        all += (uint32_t)got;
        if (changes > 0 && all > LONGEST) {
            return TBR_FAT_BROKEN; /* a damaged size: long enough */
        }
    }
}

/* Jumps about: the same bytes as by a file that was opened afresh. */
static void jump_about(tbr_fat *fat, tbr_fat_file *file, const tbr_fat_entry *entry)
{
    static tbr_fat_file other;
    uint32_t i;
    for (i = 0; i < 24 && entry->size > 0; i++) {
        const uint32_t at = random_below(entry->size), n = 1 + random_below(2000);
        int32_t got, same;
        tbr_fat_seek(file, at);
        got = tbr_fat_read(file, piece, n);
        tbr_fat_open(fat, &other, entry);
        tbr_fat_seek(&other, at);
        same = tbr_fat_read(&other, again, n);
        if (changes == 0 && (got <= 0 || got != same || memcmp(piece, again, (size_t)got) != 0)) {
            bench_exit(7);
        }
    }
}

static int one_file(tbr_fat *fat, const char *path, const tbr_fat_entry *entry)
{
    static tbr_fat_file file;
    int64_t crc = tbr_fat_open(fat, &file, entry);
    if (crc == 0) {
        crc = read_through(&file);
    }
    if (crc < 0) {
        return (int)crc;
    }
    jump_about(fat, &file, entry);
    found++;
    tell(path, entry->name, entry->size, (uint32_t)crc);
    return 0;
}

static int walk(void)
{
    static tbr_fat fat;
    static tbr_fat_folder folders[DEEPEST];
    static tbr_fat_entry entry;
    static char path[DEEPEST * TBR_FAT_NAME];
    uint32_t depth = 0, entries = 0;
    int said = tbr_fat_mount(&fat, read_sectors, image);
    if (said < 0) {
        return said;
    }
    path[0] = '\0';
    tbr_fat_root(&fat, &folders[0]);
    for (;;) {
        said = tbr_fat_list(&folders[depth], &entry);
        if (said == 0 && depth == 0) {
            return 0;
        }
        if (said == 0) {
            depth--;
            *strrchr(path, '/') = '\0';
            continue;
        }
        if (said < 0 || ++entries > 2000) {
            return said < 0 ? said : TBR_FAT_BROKEN;
        }
        if (!entry.folder) {
            said = one_file(&fat, path, &entry);
        } else if (depth + 1 < DEEPEST) {
            said = tbr_fat_enter(&fat, &folders[depth + 1], &entry);
            if (said == 0) {
                depth++;
                strcat(strcat(path, "/"), entry.name);
            }
        }
        if (said < 0 && changes == 0) {
            return said;
        }
        failures += said < 0;
    }
}

/* The boot sectors, the tables' beginnings and the root folder are within `meta`. */
static void damage(uint32_t meta)
{
    uint32_t i;
    changes = 1 + random_below(CHANGES);
    for (i = 0; i < changes; i++) {
        static const uint8_t likely[8] = {0, 1, 0x0F, 0x20, 0x7F, 0x80, 0xE5, 0xFF};
        bad_sector[i] = random_below(3) == 0 ? 0 : random_below(meta);
        bad_at[i] = (uint16_t)random_below(random_below(2) ? SECTOR : 64);
        bad_byte[i] = (uint8_t)(random_below(2) ? likely[random_below(8)] : random_below(256));
    }
}

int bench_main(void)
{
    char path[256];
    const uint32_t times = bench_number("damage", 0), meta = bench_number("meta", 1);
    uint32_t i, refused = 0, most = 0;
    int said;
    chance = bench_number("seed", 1) * 2654435761u | 1;
    image = bench_word("image", path, sizeof path) ? fopen(path, "rb") : NULL;
    log_file = bench_word("log", path, sizeof path) ? bench_open(path, 1) : -1;
    if (image == NULL || log_file < 0 || fseek(image, 0, SEEK_END) != 0) {
        return 2;
    }
    sectors = (uint32_t)(ftell(image) / SECTOR);
    if (times == 0) {
        said = walk();
        if (said < 0) {
            bench_decimal(log_file, "error -", (uint32_t)-said);
            bench_text(log_file, "\n");
            bench_text(log_file, tbr_fat_reason(said));
            bench_text(log_file, "\n");
        }
        return 0;
    }
    for (i = 0; i < times; i++) {
        damage(meta);
        reads = 0;
        refused += walk() < 0;
        most = reads > most ? reads : most;
    }
    bench_decimal(log_file, "refused ", refused);
    bench_decimal(log_file, "\nfailures ", failures);
    bench_decimal(log_file, "\nfound ", found);
    bench_decimal(log_file, "\nmost ", most);
    bench_text(log_file, "\n");
    return 0;
}
