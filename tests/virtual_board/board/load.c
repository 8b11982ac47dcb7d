#include "load.h"

#include <stdio.h>
#include <stdlib.h>

file_bytes load(const char *path)
{
    file_bytes file = {NULL, 0};
    FILE *in = fopen(path, "rb");
    uint8_t *bytes;
    long length;
    if (in == NULL || fseek(in, 0, SEEK_END) != 0 || (length = ftell(in)) < 0) {
        fprintf(stderr, "cannot read %s\n", path);
        exit(2);
    }
    rewind(in);
    bytes = malloc((size_t)length + 1);
    file.length = (uint32_t)fread(bytes, 1, (size_t)length, in);
    file.bytes = bytes;
    fclose(in);
    return file;
}
