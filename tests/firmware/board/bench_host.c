/* The bench on a desk computer. */
#include "bench.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static FILE *files[8];
static char line[4096];

int bench_open(const char *path, int for_writing)
{
    for (int i = 0; i < 8; i++) {
        if (files[i] == NULL) {
            files[i] = fopen(path, for_writing ? "wb" : "rb");
            return files[i] == NULL ? -1 : i;
        }
    }
    return -1;
}

int32_t bench_read(int file, void *to, uint32_t n)
{
    return (int32_t)fread(to, 1, n, files[file]);
}

int bench_seek(int file, uint32_t offset)
{
    return fseek(files[file], (long)offset, SEEK_SET);
}

void bench_write(int file, const void *from, uint32_t n)
{
    if (fwrite(from, 1, n, files[file]) != n) {
        bench_exit(3);
    }
}

void bench_close(int file)
{
    fclose(files[file]);
    files[file] = NULL;
}

int32_t bench_length(int file)
{
    const long here = ftell(files[file]);
    long end;
    fseek(files[file], 0, SEEK_END);
    end = ftell(files[file]);
    fseek(files[file], here, SEEK_SET);
    return (int32_t)end;
}

uint32_t bench_instructions(void) { return 0; }

uint32_t bench_stack_of(void (*task)(void *user), void *user)
{
    task(user);
    return 0;
}

const char *bench_arguments(void) { return line; }

void bench_exit(int code) { exit(code); }

int main(int argc, char **argv)
{
    for (int i = 1; i < argc; i++) {
        strncat(line, argv[i], sizeof line - strlen(line) - 1);
        strncat(line, " ", sizeof line - strlen(line) - 1);
    }
    return bench_main();
}
