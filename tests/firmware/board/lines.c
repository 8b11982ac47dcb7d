/* Reads a file line by line with tbr_list_line and prints what each line is: a line
 * of its own, or for a reel its name, marks and times. Arguments: list=FILE to=FILE. */
#include "bench.h"
#include "playlist.c"

#include <stdlib.h>


static int to;

static void say(const char *line, uint32_t n)
{
    /* A copy of just its bytes: a read past them is found by the sanitizers. */
    char *const copy = (char *)malloc(n > 0 ? n : 1);
    tbr_list_entry entry;
    int what;
    memcpy(copy, line, n);
    what = tbr_list_line(copy, n, &entry);
    free(copy);
    if (what == TBR_LIST_REEL) {
        bench_text(to, entry.name);
        bench_decimal(to, " from ", entry.from);
        bench_decimal(to, " to ", entry.to);
        bench_decimal(to, " times ", entry.times);
    } else {
        bench_text(to, what == TBR_LIST_NOTHING  ? "nothing"
                       : what == TBR_LIST_REPEAT ? "repeat"
                       : what == TBR_LIST_ONCE   ? "once"
                                                 : "wrong");
    }
    bench_text(to, "\n");
}

int bench_main(void)
{
    static char text[1 << 20];
    char path[256];
    int32_t n, at, start = 0;
    const int file = bench_word("list", path, sizeof path) ? bench_open(path, 0) : -1;
    to = bench_word("to", path, sizeof path) ? bench_open(path, 1) : -1;
    if (file < 0 || to < 0) {
        return 2;
    }
    n = bench_read(file, text, sizeof text);
    for (at = 0; at < n; at++) {
        if (text[at] == '\n') {
            say(text + start, (uint32_t)(at - start));
            start = at + 1;
        }
    }
    bench_close(to);
    return 0;
}
