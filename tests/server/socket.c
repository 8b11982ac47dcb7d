/* A small client over a socket, as a board is one: it asks for a live stream in
 * HTTP/1.0, reads it with thumbreel.h and says what it finds, one line each.
 * Arguments: PORT PATH STOP_AFTER_SLICES (0: to the end). */
#include <arpa/inet.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#define THUMBREEL_IMPLEMENTATION
#include "thumbreel.h"

static uint8_t buffer[1 << 19];
static int16_t samples[1 << 16];
static tbr_reader reader;

static int ask(int port, const char *path)
{
    struct sockaddr_in to = {0};
    char request[512];
    const int link = socket(AF_INET, SOCK_STREAM, 0);
    to.sin_family = AF_INET;
    to.sin_port = htons((uint16_t)port);
    to.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    if (link < 0 || connect(link, (struct sockaddr *)&to, sizeof to) != 0) {
        perror("connect");
        exit(1);
    }
    snprintf(request, sizeof request, "GET %s HTTP/1.0\r\n\r\n", path);
    if (write(link, request, strlen(request)) != (ssize_t)strlen(request)) {
        exit(1);
    }
    return link;
}

/* Reads to the empty line that ends the answer's head. */
static void skip_head(int link)
{
    const char *const end = "\r\n\r\n";
    int matched = 0;
    char c;
    while (end[matched] != 0 && read(link, &c, 1) == 1) {
        matched = c == end[matched] ? matched + 1 : c == end[0];
    }
}

static void say_slice(void)
{
    tbr_slice slice;
    tbr_sound sound;
    tbr_picture picture;
    uint32_t pictures = 0;
    tbr_slice_open(&slice, &reader.header, &reader.chunk, reader.bytes);
    tbr_sound_open(&sound, reader.header.sound, slice.sound, slice.sound_bytes, reader.chunk.ticks);
    tbr_sound_read(&sound, samples, reader.chunk.ticks);
    while (tbr_slice_picture(&slice, &picture)) {
        pictures = tbr_crc32(pictures, picture.bytes, picture.length);
    }
    printf("slice %llu %lu %lu\n", (unsigned long long)reader.chunk.time,
           (unsigned long)tbr_crc32(0, (const uint8_t *)samples, 2 * reader.chunk.ticks),
           (unsigned long)pictures);
}

int main(int count, char **words)
{
    int slices = 0, event = TBR_EV_MORE, link;
    if (count != 4) {
        return 2;
    }
    link = ask(atoi(words[1]), words[2]);
    skip_head(link);
    tbr_reader_open(&reader, buffer, sizeof buffer);
    while (event >= 0 && event != TBR_EV_END) {
        event = tbr_reader_next(&reader);
        if (event == TBR_EV_MORE) {
            uint8_t *to;
            const uint32_t room = tbr_reader_room(&reader, &to);
            const ssize_t got = read(link, to, room);
            if (got > 0) {
                tbr_reader_added(&reader, (uint32_t)got);
            } else {
                tbr_reader_ended(&reader);
            }
        } else if (event == TBR_EV_SLICE) {
            say_slice();
            if (++slices == atoi(words[3])) {
                return 0;
            }
        } else if (event == TBR_EV_DAMAGE) {
            printf("damage %d\n", reader.damage.code);
        } else if (event == TBR_EV_END) {
            printf("end %d\n", reader.has_end);
        } else if (event < 0) {
            printf("error %d\n", event);
        }
    }
    return 0;
}
