/* playlist.c - reads a line of PLAYLIST.TXT. playlist.h is its manual. */
#include "playlist.h"

#include <stddef.h>
#include <string.h>

/* Bytes that are left of a line. */
typedef struct list_text {
    const char *at, *end;
} list_text;

static int is_blank(char c) { return c == ' ' || c == '\t' || c == '\r'; }

static void pass_blanks(list_text *t)
{
    while (t->at < t->end && is_blank(*t->at)) {
        t->at++;
    }
}

/* Takes this word, in small letters, if it comes next: 1. */
static int take_word(list_text *t, const char *word)
{
    const char *at = t->at;
    for (; *word != '\0'; word++, at++) {
        if (at == t->end || (*at >= 'A' && *at <= 'Z' ? *at + 32 : *at) != *word) {
            return 0;
        }
    }
    if (at < t->end && !is_blank(*at)) {
        return 0;
    }
    t->at = at;
    pass_blanks(t);
    return 1;
}

/* Takes a number of digits below `most`: 1. */
static int take_number(list_text *t, uint32_t most, uint32_t *value)
{
    const char *const start = t->at;
    *value = 0;
    while (t->at < t->end && *t->at >= '0' && *t->at <= '9') {
        *value = *value * 10 + (uint32_t)(*t->at - '0');
        if (*value > most) {
            return 0;
        }
        t->at++;
    }
    return t->at > start;
}

/* Takes up to three decimals behind a point: milliseconds. */
static int take_decimals(list_text *t, uint32_t *ms)
{
    uint32_t unit = 100;
    *ms = 0;
    if (t->at == t->end || *t->at != '.') {
        return 1;
    }
    t->at++;
    while (t->at < t->end && *t->at >= '0' && *t->at <= '9' && unit > 0) {
        *ms += unit * (uint32_t)(*t->at - '0');
        unit /= 10;
        t->at++;
    }
    return unit < 100;
}

/* Takes seconds, m:ss or h:mm:ss, with decimals: 1. */
static int take_time(list_text *t, uint32_t *ms)
{
    uint32_t seconds, part, decimals, parts;
    if (!take_number(t, TBR_LIST_LATEST / 1000, &seconds)) {
        return 0;
    }
    for (parts = 1; parts < 3 && t->at < t->end && *t->at == ':'; parts++) {
        t->at++;
        if (seconds > TBR_LIST_LATEST / 60000 || !take_number(t, 59, &part)) {
            return 0;
        }
        seconds = seconds * 60 + part;
    }
    if (seconds >= TBR_LIST_LATEST / 1000 || !take_decimals(t, &decimals)) {
        return 0;
    }
    *ms = seconds * 1000 + decimals;
    if (t->at < t->end && !is_blank(*t->at)) {
        return 0;
    }
    pass_blanks(t);
    return 1;
}

static int take_times(list_text *t, uint32_t *times)
{
    if (!take_number(t, TBR_LIST_MOST_TIMES, times) || *times == 0 ||
        (t->at < t->end && !is_blank(*t->at))) {
        return 0;
    }
    pass_blanks(t);
    return 1;
}

/* The words behind a name. */
static int take_words(list_text *t, tbr_list_entry *entry)
{
    uint32_t seen = 0, bit;
    for (; t->at < t->end; seen |= bit) {
        int right;
        if (take_word(t, "from")) {
            bit = 1;
            right = take_time(t, &entry->from);
        } else if (take_word(t, "to")) {
            bit = 2;
            right = take_time(t, &entry->to) && entry->to > 0;
        } else if (take_word(t, "times")) {
            bit = 4;
            right = take_times(t, &entry->times);
        } else {
            bit = 4;
            entry->times = 0;
            right = take_word(t, "repeat");
        }
        if (!right || (seen & bit) != 0) {
            return 0;
        }
    }
    return entry->to == 0 || entry->to > entry->from;
}

/* Where the name ends: behind the last ".tbr" that a blank or the line's end follows. */
static const char *name_end(const list_text *t)
{
    const char *at, *found = NULL;
    for (at = t->at; t->end - at >= 4; at++) {
        list_text word;
        word.at = at;
        word.end = t->end;
        if (take_word(&word, ".tbr")) {
            found = at + 4;
        }
    }
    return found;
}

int tbr_list_line(const char *line, uint32_t n, tbr_list_entry *entry)
{
    list_text t, name;
    size_t length;
    t.at = line;
    t.end = line + n;
    if (n >= 3 && memcmp(line, "\xEF\xBB\xBF", 3) == 0) {
        t.at += 3;
    }
    pass_blanks(&t);
    if (t.at == t.end || *t.at == '#') {
        return TBR_LIST_NOTHING;
    }
    name = t;
    if (take_word(&t, "repeat") && t.at == t.end) {
        return TBR_LIST_REPEAT;
    }
    t = name;
    if (take_word(&t, "once") && t.at == t.end) {
        return TBR_LIST_ONCE;
    }
    t.at = name_end(&name);
    if (t.at == NULL) {
        return TBR_LIST_WRONG;
    }
    length = (size_t)(t.at - name.at);
    if (length >= TBR_LIST_NAME || memchr(name.at, '\0', length) != NULL) {
        return TBR_LIST_WRONG;
    }
    memcpy(entry->name, name.at, length);
    entry->name[length] = '\0';
    entry->from = entry->to = 0;
    entry->times = 1;
    pass_blanks(&t);
    return take_words(&t, entry) ? TBR_LIST_REEL : TBR_LIST_WRONG;
}
