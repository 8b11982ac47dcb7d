/* fat.c - reads files from FAT32 and FAT16. fat.h is its manual. */
#include "fat.h"

#include <stddef.h>
#include <string.h>

enum { SECTOR = 512, ENTRY = 32, MOST_ENTRIES = 65536 };
#define NO_SECTOR UINT32_MAX

static uint32_t fat_u16(const uint8_t *bytes) { return bytes[0] | (uint32_t)bytes[1] << 8; }

static uint32_t fat_u32(const uint8_t *bytes)
{
    return fat_u16(bytes) | fat_u16(bytes + 2) << 16;
}

/* Has `sector` in memory. */
static int fat_load(tbr_fat *fat, uint32_t sector)
{
    int said;
    if (fat->cached == sector) {
        return TBR_FAT_OK;
    }
    fat->cached = NO_SECTOR;
    said = fat->read(fat->user, sector, fat->sector, 1);
    fat->cached = said == 0 ? sector : NO_SECTOR;
    return said;
}

static int fat_is_cluster(const tbr_fat *fat, uint32_t cluster)
{
    return cluster >= 2 && cluster - 2 < fat->clusters;
}

/* --- mounting ----------------------------------------------------------- */

/* log2 of a power of two, 1 to 128; -1 for others. */
static int fat_log2(uint32_t value)
{
    int shift;
    for (shift = 0; shift < 8; shift++) {
        if (value == 1u << shift) {
            return shift;
        }
    }
    return -1;
}

/* Whether the sector in memory begins a file system and not a partition table. */
static int fat_is_boot(const uint8_t *s)
{
    return (s[0] == 0xEB || s[0] == 0xE9) && fat_u16(s + 14) != 0 && fat_log2(s[13]) >= 0 &&
           (s[16] == 1 || s[16] == 2);
}

/* Reads the figures of the file system whose boot sector, `start`, is in memory. */
static int fat_boot(tbr_fat *fat, uint32_t start)
{
    const uint8_t *s = fat->sector;
    const int old = fat_u16(s + 22) != 0; /* sectors of a table: FAT16 has 16 bits for it */
    const uint32_t each = old ? fat_u16(s + 22) : fat_u32(s + 36);
    const uint32_t total = fat_u16(s + 19) != 0 ? fat_u16(s + 19) : fat_u32(s + 32);
    const uint32_t root_sectors = (fat_u16(s + 17) * ENTRY + SECTOR - 1) / SECTOR;
    const uint64_t before = fat_u16(s + 14) + (uint64_t)s[16] * each + root_sectors;
    uint64_t clusters, fits;
    uint32_t active = 0;
    if (memcmp(s + 3, "EXFAT   ", 8) == 0) {
        return TBR_FAT_EXFAT;
    }
    if (!fat_is_boot(s)) {
        return TBR_FAT_NONE;
    }
    if (fat_u16(s + 11) != SECTOR) {
        return TBR_FAT_SECTORS;
    }
    if (each == 0 || before >= total || start > UINT32_MAX - total || (old && root_sectors == 0)) {
        return TBR_FAT_BROKEN;
    }
    fat->shift = (uint8_t)fat_log2(s[13]);
    clusters = (total - before) >> fat->shift;
    if (old && clusters < 4085) {
        return TBR_FAT_OLD;
    }
    if (!old && (s[40] & 0x80)) {
        active = s[40] & 0x0F; /* only this table is kept up */
        if (active >= s[16]) {
            return TBR_FAT_BROKEN;
        }
    }
    /* No more than the table has entries for, and the standard has numbers for. */
    fits = (uint64_t)each * (old ? SECTOR / 2 : SECTOR / 4) - 2;
    fits = fits < 0x0FFFFFF5 ? fits : 0x0FFFFFF5;
    fat->clusters = (uint32_t)(clusters < fits ? clusters : fits);
    fat->table = start + fat_u16(s + 14) + active * each;
    fat->data = start + (uint32_t)before;
    fat->root_sectors = old ? root_sectors : 0;
    fat->root = old ? fat->data - root_sectors : fat_u32(s + 44);
    return old || fat_is_cluster(fat, fat->root) ? TBR_FAT_OK : TBR_FAT_BROKEN;
}

int tbr_fat_mount(tbr_fat *fat, tbr_fat_sectors read, void *user)
{
    uint8_t types[4];
    uint32_t starts[4], i;
    int said;
    memset(fat, 0, sizeof *fat);
    fat->read = read;
    fat->user = user;
    fat->cached = NO_SECTOR;
    said = fat_load(fat, 0);
    if (said < 0) {
        return said;
    }
    if (fat_u16(fat->sector + 510) != 0xAA55) {
        return TBR_FAT_NONE;
    }
    said = fat_boot(fat, 0);
    if (said != TBR_FAT_NONE) {
        return said;
    }
    for (i = 0; i < 4; i++) {
        types[i] = fat->sector[446 + 16 * i + 4];
        starts[i] = fat_u32(fat->sector + 446 + 16 * i + 8);
    }
    for (i = 0; i < 4; i++) {
        if (types[i] == 0xEE) {
            return TBR_FAT_GUID;
        }
        if (types[i] == 0) {
            continue;
        }
        said = fat_load(fat, starts[i]);
        if (said < 0) {
            return said;
        }
        said = fat_u16(fat->sector + 510) == 0xAA55 ? fat_boot(fat, starts[i]) : TBR_FAT_NONE;
        if (said != TBR_FAT_NONE) {
            return said;
        }
    }
    return TBR_FAT_NONE;
}

/* --- chains of clusters ------------------------------------------------- */

/* The cluster after this one; 0: it was the last. */
static int fat_next(tbr_fat *fat, uint32_t cluster, uint32_t *next)
{
    const int old = fat->root_sectors != 0;
    const uint32_t at = old ? cluster * 2 : cluster * 4; /* clusters: under 2^28 */
    const int said = fat_load(fat, fat->table + at / SECTOR);
    const uint8_t *entry = fat->sector + at % SECTOR;
    if (said < 0) {
        return said;
    }
    *next = old ? fat_u16(entry) : fat_u32(entry) & 0x0FFFFFFF;
    if (*next >= (old ? 0xFFF8u : 0x0FFFFFF8u)) {
        *next = 0;
    } else if (!fat_is_cluster(fat, *next)) {
        return TBR_FAT_BROKEN;
    }
    return TBR_FAT_OK;
}

static uint32_t fat_sector_of(const tbr_fat *fat, uint32_t cluster)
{
    return fat->data + ((cluster - 2) << fat->shift);
}

/* --- folders ------------------------------------------------------------ */

void tbr_fat_root(tbr_fat *fat, tbr_fat_folder *folder)
{
    folder->fat = fat;
    folder->cluster = fat->root_sectors != 0 ? 0 : fat->root;
    folder->next = 0;
}

int tbr_fat_enter(tbr_fat *fat, tbr_fat_folder *folder, const tbr_fat_entry *entry)
{
    tbr_fat_root(fat, folder);
    if (!entry->folder) {
        return TBR_FAT_FOLDER;
    }
    folder->cluster = entry->cluster;
    return fat_is_cluster(fat, entry->cluster) ? TBR_FAT_OK : TBR_FAT_BROKEN;
}

/* The next 32 bytes: 1, and `*bytes` points at them until something else is read;
 * 0 at the end. */
static int fat_entry(tbr_fat_folder *f, const uint8_t **bytes)
{
    tbr_fat *fat = f->fat;
    const uint32_t sector = f->next / (SECTOR / ENTRY);
    const uint32_t in_cluster = sector & ((1u << fat->shift) - 1);
    int said;
    if (f->next >= MOST_ENTRIES) {
        return TBR_FAT_BROKEN; /* the chain runs in a circle */
    }
    if (f->cluster == 0) {
        if (sector >= fat->root_sectors) {
            return 0;
        }
        said = fat_load(fat, fat->root + sector);
    } else {
        if (f->next > 0 && in_cluster == 0 && f->next % (SECTOR / ENTRY) == 0) {
            uint32_t next;
            said = fat_next(fat, f->cluster, &next);
            if (said < 0 || next == 0) {
                return said;
            }
            f->cluster = next;
        }
        if (!fat_is_cluster(fat, f->cluster)) {
            return TBR_FAT_BROKEN;
        }
        said = fat_load(fat, fat_sector_of(fat, f->cluster) + in_cluster);
    }
    if (said < 0) {
        return said;
    }
    *bytes = fat->sector + ENTRY * (f->next % (SECTOR / ENTRY));
    f->next++;
    return 1;
}

/* A long name while it is gathered, from its end towards its beginning. */
typedef struct fat_long_name {
    uint32_t at;  /* where it begins in the entry's name */
    uint32_t low; /* the second half of a pair that stands for one character, or 0 */
    uint8_t part; /* the number of the part that came last; 0: there is no name */
    uint8_t sum;  /* of the short name that it belongs to */
} fat_long_name;

/* Puts a character before the others, in UTF-8; no room: there is no name. */
static void fat_put_before(fat_long_name *n, char *name, uint32_t c)
{
    const uint32_t bytes = c < 0x80 ? 1 : c < 0x800 ? 2 : c < 0x10000 ? 3 : 4;
    uint32_t i;
    if (n->at < bytes) {
        n->part = 0;
        return;
    }
    for (i = 1; i < bytes; i++) {
        name[--n->at] = (char)(0x80 | (c & 0x3F));
        c >>= 6;
    }
    name[--n->at] = (char)(bytes == 1 ? c : (0xF00u >> bytes & 0xF0) | c);
}

static void fat_put_unit(fat_long_name *n, char *name, uint32_t unit)
{
    if (unit == 0) {
        n->part = 0;
        return;
    }
    if (n->low != 0) {
        if ((unit & 0xFC00) == 0xD800) {
            unit = 0x10000 + ((unit & 0x3FF) << 10) + (n->low & 0x3FF);
        } else {
            fat_put_before(n, name, 0xFFFD); /* half a pair */
        }
        n->low = 0;
    } else if ((unit & 0xFC00) == 0xD800) {
        unit = 0xFFFD;
    }
    if ((unit & 0xFC00) == 0xDC00 && unit < 0x10000) {
        n->low = unit;
    } else {
        fat_put_before(n, name, unit);
    }
}

/* Takes one part of a long name: 13 characters of 16 bits. */
static void fat_long_part(fat_long_name *n, char *name, const uint8_t *e)
{
    static const uint8_t places[13] = {1, 3, 5, 7, 9, 14, 16, 18, 20, 22, 24, 28, 30};
    const uint8_t part = e[0] & 0x3F;
    uint32_t i = 13;
    if (e[0] & 0x40) { /* its last part comes first */
        n->at = TBR_FAT_NAME - 1;
        name[n->at] = '\0';
        n->low = 0;
        n->sum = e[13];
        while (i > 0 && fat_u16(e + places[i - 1]) == 0xFFFF) {
            i--; /* what is left over behind its end */
        }
        if (i > 0 && fat_u16(e + places[i - 1]) == 0) {
            i--;
        }
    } else if (n->part == 0 || part + 1 != n->part || n->sum != e[13]) {
        n->part = 0;
        return;
    }
    n->part = part;
    while (i > 0 && n->part != 0) {
        fat_put_unit(n, name, fat_u16(e + places[--i]));
    }
}

static uint8_t fat_sum(const uint8_t *short_name)
{
    uint8_t sum = 0, i;
    for (i = 0; i < 11; i++) {
        sum = (uint8_t)((sum >> 1 | sum << 7) + short_name[i]);
    }
    return sum;
}

/* Characters of a short name, from `from` up to trailing spaces. Those beyond ASCII are
 * of a code page that isn't known. */
static char *fat_short_part(char *to, const uint8_t *from, uint32_t n, int small)
{
    while (n > 0 && from[n - 1] == ' ') {
        n--;
    }
    for (; n > 0; n--, from++) {
        const int shrinks = small && *from >= 'A' && *from <= 'Z';
        *to++ = (char)(*from > 0x7E ? '_' : shrinks ? *from + 32 : *from);
    }
    return to;
}

static void fat_short_name(char *name, const uint8_t *e)
{
    char *end = fat_short_part(name, e, 8, e[12] & 0x08);
    char *point = end++;
    *point = '.';
    end = fat_short_part(end, e + 8, 3, e[12] & 0x10);
    *(end == point + 1 ? point : end) = '\0';
}

int tbr_fat_list(tbr_fat_folder *folder, tbr_fat_entry *entry)
{
    fat_long_name n = {0, 0, 0, 0};
    const uint8_t *e = NULL;
    int said;
    while ((said = fat_entry(folder, &e)) == 1 && e[0] != 0) {
        const int is_long = (e[11] & 0x3F) == 0x0F;
        if (e[0] == 0xE5) {
            n.part = 0; /* deleted */
        } else if (is_long) {
            fat_long_part(&n, entry->name, e);
        } else if ((e[11] & 0x08) || e[0] == '.') {
            n.part = 0; /* the card's name; this folder and the one above */
        } else {
            if (n.part == 1 && n.low == 0 && n.sum == fat_sum(e)) {
                memmove(entry->name, entry->name + n.at, TBR_FAT_NAME - n.at);
            } else {
                fat_short_name(entry->name, e);
            }
            entry->folder = (e[11] & 0x10) != 0;
            entry->cluster = fat_u16(e + 26);
            if (folder->fat->root_sectors == 0) {
                entry->cluster |= (fat_u16(e + 20) & 0x0FFF) << 16;
            }
            entry->size = entry->folder ? 0 : fat_u32(e + 28);
            return 1;
        }
    }
    if (said == 1) {
        folder->next--; /* the end stays the end */
        said = 0;
    }
    return said;
}

static char fat_small(char c) { return (char)(c >= 'A' && c <= 'Z' ? c + 32 : c); }

/* Whether `path` begins with this name; its length then. */
static uint32_t fat_is_name(const char *path, const char *name)
{
    uint32_t n = 0;
    while (name[n] != '\0' && fat_small(path[n]) == fat_small(name[n])) {
        n++;
    }
    return name[n] == '\0' && (path[n] == '\0' || path[n] == '/') ? n : 0;
}

int tbr_fat_find(tbr_fat *fat, const char *path, tbr_fat_entry *entry)
{
    tbr_fat_folder folder;
    tbr_fat_root(fat, &folder);
    for (;;) {
        uint32_t n = 0;
        int said;
        path += *path == '/';
        while ((said = tbr_fat_list(&folder, entry)) == 1) {
            n = fat_is_name(path, entry->name);
            if (n > 0) {
                break;
            }
        }
        if (said != 1 || path[n] == '\0') {
            return said;
        }
        path += n;
        said = tbr_fat_enter(fat, &folder, entry);
        if (said < 0) {
            return said == TBR_FAT_FOLDER ? 0 : said;
        }
    }
}

/* --- files -------------------------------------------------------------- */

int tbr_fat_open(tbr_fat *fat, tbr_fat_file *file, const tbr_fat_entry *entry)
{
    memset(file, 0, sizeof *file);
    file->fat = fat;
    file->size = entry->size;
    file->cached = NO_SECTOR;
    if (entry->folder) {
        return TBR_FAT_FOLDER;
    }
    if (entry->size > 0 && !fat_is_cluster(fat, entry->cluster)) {
        return TBR_FAT_BROKEN;
    }
    file->runs[0].cluster = entry->cluster;
    file->runs[0].count = 1;
    file->known = 1;
    return TBR_FAT_OK;
}

/* Lengthens run `*k` by the next cluster of the chain, or begins a run behind it. With
 * all places taken the last one is used again. */
static int fat_follow(tbr_fat_file *f, uint32_t *k)
{
    tbr_fat_run *r = &f->runs[*k];
    const uint32_t last = r->cluster + r->count - 1;
    const uint32_t index = r->index + r->count;
    uint32_t next;
    const int said = fat_next(f->fat, last, &next);
    if (said < 0 || next == 0) {
        return said < 0 ? said : TBR_FAT_BROKEN; /* shorter than its size */
    }
    if (next == last + 1) {
        r->count++;
        return TBR_FAT_OK;
    }
    *k += *k + 1 < TBR_FAT_RUNS;
    f->known = *k + 1;
    f->runs[*k].index = index;
    f->runs[*k].cluster = next;
    f->runs[*k].count = 1;
    return TBR_FAT_OK;
}

/* Finds the run that cluster `index` of the file is in. */
static int fat_find_run(tbr_fat_file *f, uint32_t index, uint32_t *k)
{
    int said = TBR_FAT_OK;
    *k = f->known - 1;
    while (f->runs[*k].index > index) {
        --*k;
    }
    while (said == TBR_FAT_OK && index - f->runs[*k].index >= f->runs[*k].count) {
        said = fat_follow(f, k);
    }
    return said;
}

/* The sector at the file's position, and how many of the `wanted` lie behind each other
 * from there on: 1 or more. */
static int fat_place(tbr_fat_file *f, uint32_t wanted, uint32_t *sector, uint32_t *count)
{
    const uint8_t shift = f->fat->shift;
    const uint32_t at = f->position / SECTOR; /* sectors from the file's beginning */
    uint32_t k;
    tbr_fat_run run;
    const int said = fat_find_run(f, at >> shift, &k);
    if (said < 0) {
        return said;
    }
    run = f->runs[k];
    /* The last run that is known may be longer than is known. */
    while (k + 1 == f->known && ((run.index + run.count) << shift) - at < wanted) {
        if (fat_follow(f, &k) < 0 || f->runs[k].index != run.index) {
            break;
        }
        run.count++;
    }
    *sector = fat_sector_of(f->fat, run.cluster) + (at - (run.index << shift));
    *count = ((run.index + run.count) << shift) - at;
    *count = *count < wanted ? *count : wanted;
    return TBR_FAT_OK;
}

/* Reads from one sector by way of the file's own; how many bytes. */
static int32_t fat_read_part(tbr_fat_file *f, uint8_t *to, uint32_t n)
{
    const uint32_t from = f->position % SECTOR;
    uint32_t sector, count;
    int said = fat_place(f, 1, &sector, &count);
    if (said < 0) {
        return said;
    }
    if (f->cached != sector) {
        f->cached = NO_SECTOR;
        said = f->fat->read(f->fat->user, sector, f->sector, 1);
        if (said < 0) {
            return said;
        }
        f->cached = sector;
    }
    n = n < SECTOR - from ? n : SECTOR - from;
    memcpy(to, f->sector + from, n);
    return (int32_t)n;
}

/* Reads whole sectors that lie behind each other; how many bytes. */
static int32_t fat_read_whole(tbr_fat_file *f, uint8_t *to, uint32_t sectors)
{
    uint32_t sector, count;
    int said = fat_place(f, sectors, &sector, &count);
    if (said == TBR_FAT_OK) {
        said = f->fat->read(f->fat->user, sector, to, count);
    }
    return said < 0 ? said : (int32_t)(count * SECTOR);
}

int32_t tbr_fat_read(tbr_fat_file *file, void *to, uint32_t n)
{
    uint8_t *at = (uint8_t *)to;
    uint32_t got = 0;
    n = n < file->size - file->position ? n : file->size - file->position;
    n = n < INT32_MAX ? n : INT32_MAX;
    while (got < n) {
        const int part = file->position % SECTOR != 0 || n - got < SECTOR;
        const int32_t more = part ? fat_read_part(file, at + got, n - got)
                                  : fat_read_whole(file, at + got, (n - got) / SECTOR);
        if (more < 0) {
            return got > 0 ? (int32_t)got : more; /* the next call meets it again */
        }
        file->position += (uint32_t)more;
        got += (uint32_t)more;
    }
    return (int32_t)got;
}

void tbr_fat_seek(tbr_fat_file *file, uint32_t position)
{
    file->position = position < file->size ? position : file->size;
}

const char *tbr_fat_reason(int error)
{
    switch (error) {
    case TBR_FAT_OK:
        return "the card's file system is ready";
    case TBR_FAT_NONE:
        return "the card has no FAT file system: format it with FAT32";
    case TBR_FAT_EXFAT:
        return "the card has exFAT, which this player does not read: format it with FAT32";
    case TBR_FAT_OLD:
        return "the card has FAT12, which this player does not read: format it with FAT32";
    case TBR_FAT_GUID:
        return "the card has a GUID partition table: partition it with an MBR, or not at all";
    case TBR_FAT_SECTORS:
        return "the card's sectors are not of 512 bytes: format it with FAT32";
    case TBR_FAT_FOLDER:
        return "a folder stands where a file is wanted, or a file where a folder is";
    default:
        return "the card's file system is broken: check it on a computer, or format it anew";
    }
}
