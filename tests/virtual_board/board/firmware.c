/* The firmware's own sources, compiled as a maker compiles them. */
#define THUMBREEL_IMPLEMENTATION
#include "thumbreel.h"
#include "player.c"
