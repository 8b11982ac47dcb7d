#include "bench.h"

#include <string.h>

static uint32_t length_of(const char *text)
{
    uint32_t n = 0;
    while (text[n] != '\0') {
        n++;
    }
    return n;
}

static const char *value_of(const char *key)
{
    const char *at = bench_arguments();
    const uint32_t key_length = length_of(key);
    while (*at != '\0') {
        uint32_t i = 0;
        while (i < key_length && at[i] == key[i]) {
            i++;
        }
        if (i == key_length && at[i] == '=') {
            return at + i + 1;
        }
        while (*at != '\0' && *at != ' ') {
            at++;
        }
        while (*at == ' ') {
            at++;
        }
    }
    return NULL;
}

int bench_word(const char *key, char *to, uint32_t size)
{
    const char *from = value_of(key);
    uint32_t n = 0;
    if (from == NULL) {
        return 0;
    }
    while (from[n] != '\0' && from[n] != ' ' && n + 1 < size) {
        to[n] = from[n];
        n++;
    }
    to[n] = '\0';
    return 1;
}

uint32_t bench_number(const char *key, uint32_t otherwise)
{
    const char *from = value_of(key);
    uint32_t value = 0;
    if (from == NULL) {
        return otherwise;
    }
    while (*from >= '0' && *from <= '9') {
        value = value * 10u + (uint32_t)(*from++ - '0');
    }
    return value;
}

void bench_text(int file, const char *text)
{
    bench_write(file, text, length_of(text));
}

void bench_decimal(int file, const char *name, uint64_t value)
{
    char digits[24];
    uint32_t at = sizeof digits;
    do {
        digits[--at] = (char)('0' + (int)(value % 10u));
        value /= 10u;
    } while (value != 0);
    bench_text(file, name);
    bench_write(file, digits + at, (uint32_t)sizeof digits - at);
}
