/* What an emulated board, or a desk computer in its place, offers to the test
 * programs: files, a command line, an exit code, a count of instructions and
 * a painted stack. Back ends: bench_host.c and bench_emulated.c. */
#ifndef BENCH_H
#define BENCH_H

#include <stdint.h>

/* Opens a file; returns a handle, or -1. */
int bench_open(const char *path, int for_writing);
/* Reads up to n bytes; returns the bytes read, or -1. */
int32_t bench_read(int file, void *to, uint32_t n);
/* Moves to an absolute byte offset; returns 0, or -1. */
int bench_seek(int file, uint32_t offset);
/* Writes n bytes; leaves the program with code 3 if it cannot. */
void bench_write(int file, const void *from, uint32_t n);
void bench_close(int file);
/* Bytes in the file, or -1. */
int32_t bench_length(int file);

/* Instructions since an unknown start, modulo 2^32; always 0 on a desk
 * computer. Cortex-M4: the difference of two readings is right up to ten
 * million instructions. */
uint32_t bench_instructions(void);

/* Paints the unused stack, runs task(user), and returns the deepest bytes of
 * stack that it used; 0 on a desk computer. */
uint32_t bench_stack_of(void (*task)(void *user), void *user);

/* The command line, without the program's name: words of key=value. */
const char *bench_arguments(void);
void bench_exit(int code);

/* The test program. */
int bench_main(void);

/* --- helpers on top, in bench.c --- */

/* Value of key=VALUE in the arguments, copied into `to`; returns 0 if absent. */
int bench_word(const char *key, char *to, uint32_t size);
/* The same as a decimal number; `otherwise` if absent. */
uint32_t bench_number(const char *key, uint32_t otherwise);
/* Appends text, a number, or both, to a file. */
void bench_text(int file, const char *text);
void bench_decimal(int file, const char *name, uint64_t value);

#endif
