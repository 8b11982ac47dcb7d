/* fat.h - reads files from a card: FAT32 and FAT16, nothing else.
 *
 * C99, no allocation, no recursion. Written from memory of Microsoft's "FAT32 File
 * System Specification", version 1.03, which describes FAT16 and long names too.
 *
 * Taken: cards with a partition table (MBR: the first FAT partition) or without;
 * folders; long names, as UTF-8; fragmented files; files up to 4 GB less a byte.
 * Refused, each with an error of its own: exFAT (cards over 32 GB are sold with it:
 * format such a card anew with FAT32), FAT12, a GUID partition table, sectors of other
 * than 512 bytes. Nothing is ever written.
 *
 * A broken file system gives TBR_FAT_BROKEN, never a read outside memory or an endless
 * loop: every chain is followed no further than the file's size or 65,536 entries.
 */
#ifndef THUMBREEL_FAT_H
#define THUMBREEL_FAT_H

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* Bytes of a name in UTF-8, the 0 at its end included. A file with a longer one goes
 * by its short name. */
#ifndef TBR_FAT_NAME
#define TBR_FAT_NAME 256
#endif
/* Stretches of a file that are remembered, 12 bytes each; 2 or more. A file in more
 * pieces plays as well: only to jump back behind the last of these reads through the
 * chain again, a sector for every 128 clusters. */
#ifndef TBR_FAT_RUNS
#define TBR_FAT_RUNS 32
#endif

enum {
    TBR_FAT_OK = 0,
    TBR_FAT_NONE = -601,    /* no file system that this reader knows */
    TBR_FAT_EXFAT = -602,   /* exFAT */
    TBR_FAT_OLD = -603,     /* FAT12 */
    TBR_FAT_GUID = -604,    /* a GUID partition table */
    TBR_FAT_SECTORS = -605, /* sectors of other than 512 bytes */
    TBR_FAT_BROKEN = -606,  /* it contradicts itself */
    TBR_FAT_FOLDER = -607   /* a folder cannot be opened as a file, nor a file listed */
};

/* Reads `count` sectors of 512 bytes from `sector` on; 0, or an error below zero, which
 * the functions below hand on. */
typedef int (*tbr_fat_sectors)(void *user, uint32_t sector, uint8_t *to, uint32_t count);

typedef struct tbr_fat {
    tbr_fat_sectors read;
    void *user;
    uint32_t table;    /* first sector of the table in use */
    uint32_t clusters; /* numbered from 2 */
    uint32_t data;     /* sector of cluster 2 */
    uint32_t root;     /* FAT32: its first cluster; FAT16: its first sector */
    uint32_t root_sectors; /* FAT16; 0: FAT32 */
    uint32_t cached;   /* the sector in `sector` */
    uint8_t shift;     /* sectors per cluster: 1 << shift */
    uint8_t sector[512]; /* of the table or of a folder */
} tbr_fat;

typedef struct tbr_fat_entry {
    char name[TBR_FAT_NAME];
    uint32_t cluster, size; /* bytes; of a folder 0 */
    uint8_t folder;
} tbr_fat_entry;

typedef struct tbr_fat_folder {
    tbr_fat *fat;
    uint32_t cluster; /* 0: the root of FAT16 */
    uint32_t next;    /* the next entry of 32 bytes, from the folder's beginning */
} tbr_fat_folder;

typedef struct tbr_fat_run {
    uint32_t index, cluster, count; /* cluster `index` of the file and those behind it */
} tbr_fat_run;

typedef struct tbr_fat_file {
    tbr_fat *fat;
    uint32_t size, position; /* bytes */
    uint32_t known;          /* runs in use */
    uint32_t cached;         /* the sector in `sector` */
    tbr_fat_run runs[TBR_FAT_RUNS];
    uint8_t sector[512]; /* what was read of in part */
} tbr_fat_file;

/* Finds the file system. */
int tbr_fat_mount(tbr_fat *fat, tbr_fat_sectors read, void *user);
/* Begins to list the root folder, or another one. */
void tbr_fat_root(tbr_fat *fat, tbr_fat_folder *folder);
int tbr_fat_enter(tbr_fat *fat, tbr_fat_folder *folder, const tbr_fat_entry *entry);
/* The next file or folder, in the order in which they were made: 1; 0: no more. */
int tbr_fat_list(tbr_fat_folder *folder, tbr_fat_entry *entry);
/* Finds "folder/name": 1; 0: there is none. Latin letters in either case. */
int tbr_fat_find(tbr_fat *fat, const char *path, tbr_fat_entry *entry);
/* Opens a file that was listed or found. Reads nothing yet. */
int tbr_fat_open(tbr_fat *fat, tbr_fat_file *file, const tbr_fat_entry *entry);
/* Reads up to n bytes: how many; 0 at the end. Whole sectors go straight to `to`. */
int32_t tbr_fat_read(tbr_fat_file *file, void *to, uint32_t n);
/* Goes to a byte; past the end: to the end. Reads nothing yet. */
void tbr_fat_seek(tbr_fat_file *file, uint32_t position);
/* What an error means, in one line. */
const char *tbr_fat_reason(int error);

#ifdef __cplusplus
}
#endif

#endif /* THUMBREEL_FAT_H */
