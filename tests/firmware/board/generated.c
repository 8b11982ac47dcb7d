/* The main programs that `thumbreel firmware` wrote, as they stand, under another name:
 * the bench has a main of its own. */
#define main firmware_main
#include "main.c"

#include "main_tasks.c"
