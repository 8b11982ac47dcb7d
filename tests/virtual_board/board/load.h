/* load.h - a whole file in memory. */
#ifndef LOAD_H
#define LOAD_H

#include "devices.h"

file_bytes load(const char *path);

#endif
