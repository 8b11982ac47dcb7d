/* Notes, in the file that SYNCS names, what reaches the disk before and after a
   name is given: a line "sync FILE INODE MADE" for each fsync, with the inode that
   the file MADE has at that moment (0: none), and "gone FILE" for each unlink. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>

static void note(const char *what, const char *file, unsigned long inode, unsigned long made)
{
    FILE *log = getenv("SYNCS") ? fopen(getenv("SYNCS"), "a") : NULL;
    if (log) {
        fprintf(log, "%s %s %lu %lu\n", what, file, inode, made);
        fclose(log);
    }
}

int fsync(int fd)
{
    int (*real)(int) = (int (*)(int))dlsym(RTLD_NEXT, "fsync");
    int done = real(fd);
    char link[64], file[PATH_MAX] = "";
    struct stat of, made;
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    if (done == 0 && readlink(link, file, sizeof file - 1) > 0 && fstat(fd, &of) == 0) {
        int is_there = getenv("MADE") && lstat(getenv("MADE"), &made) == 0;
        note("sync", file, of.st_ino, is_there ? made.st_ino : 0);
    }
    return done;
}

int unlink(const char *file)
{
    int (*real)(const char *) = (int (*)(const char *))dlsym(RTLD_NEXT, "unlink");
    note("gone", file, 0, 0);
    return real(file);
}
