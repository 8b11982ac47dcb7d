/* words.h - arguments of the form key=value. */
#ifndef WORDS_H
#define WORDS_H

#include <stdint.h>

void words_are(int argc, char **argv);
const char *word(const char *key, const char *otherwise);
uint64_t number(const char *key, uint64_t otherwise);
/* Keys that nobody asked for end the program: a test may mistype them. */
void words_end(void);

#endif
