#include "words.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MOST = 64 };

static char **words;
static int count;
static char used[MOST];

void words_are(int argc, char **argv)
{
    words = argv + 1;
    count = argc - 1 < MOST ? argc - 1 : MOST;
}

const char *word(const char *key, const char *otherwise)
{
    const size_t n = strlen(key);
    int i;
    for (i = 0; i < count; i++) {
        if (strncmp(words[i], key, n) == 0 && words[i][n] == '=') {
            used[i] = 1;
            return words[i] + n + 1;
        }
    }
    return otherwise;
}

uint64_t number(const char *key, uint64_t otherwise)
{
    const char *text = word(key, NULL);
    return text == NULL ? otherwise : strtoull(text, NULL, 10);
}

void words_end(void)
{
    int i;
    for (i = 0; i < count; i++) {
        if (!used[i]) {
            fprintf(stderr, "unknown argument %s\n", words[i]);
            exit(2);
        }
    }
}
