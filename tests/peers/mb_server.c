/* A Modbus server built on libmodbus: a peer that shares no code with the project.
 *   mb_server tcp MAP      listens on a free loopback port and prints it; answers every unit
 *   mb_server rtu MAP DEVICE UNIT
 *                          answers UNIT on a serial device (a pseudo-terminal has no parity: N), prints "ready"
 * MAP is a text file of lines "TABLE ADDRESS VALUE", TABLE one of coil discrete holding input.
 * Addresses up to 1023 exist. Build: gcc -O2 mb_server.c -lmodbus. Ends when standard input closes.
 */
#include <arpa/inet.h>
#include <errno.h>
#include <modbus/modbus.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#define ITEMS 1024
#define MAXFD 64

static modbus_mapping_t *load(const char *path)
{
    modbus_mapping_t *map = modbus_mapping_new(ITEMS, ITEMS, ITEMS, ITEMS);
    FILE *f = fopen(path, "r");
    char table[16];
    unsigned address, value;
    if (!map || !f) { perror(path); exit(1); }
    while (fscanf(f, "%15s %u %u", table, &address, &value) == 3) {
        if (address >= ITEMS) { fprintf(stderr, "no address %u\n", address); exit(1); }
        if (!strcmp(table, "coil")) map->tab_bits[address] = value;
        else if (!strcmp(table, "discrete")) map->tab_input_bits[address] = value;
        else if (!strcmp(table, "holding")) map->tab_registers[address] = value;
        else if (!strcmp(table, "input")) map->tab_input_registers[address] = value;
        else { fprintf(stderr, "no table %s\n", table); exit(1); }
    }
    fclose(f);
    return map;
}

static int serve_rtu(const char *device, int unit, modbus_mapping_t *map)
{
    modbus_t *ctx = modbus_new_rtu(device, 115200, 'N', 8, 1);
    modbus_set_slave(ctx, unit);
    if (modbus_connect(ctx)) { fprintf(stderr, "%s: %s\n", device, modbus_strerror(errno)); return 1; }
    puts("ready");
    fflush(stdout);
    for (;;) {
        struct pollfd p[2] = {{modbus_get_socket(ctx), POLLIN, 0}, {0, POLLIN, 0}};
        uint8_t q[MODBUS_RTU_MAX_ADU_LENGTH];
        poll(p, 2, -1);
        if (p[1].revents) return 0;
        if (!(p[0].revents & POLLIN)) { if (p[0].revents) return 0; continue; }
        int n = modbus_receive(ctx, q);
        if (n > 0) modbus_reply(ctx, q, n, map);
    }
}

static int serve_tcp(modbus_mapping_t *map)
{
    struct pollfd p[MAXFD];
    int n = 2, one = 1, s = socket(AF_INET, SOCK_STREAM, 0);
    struct sockaddr_in a = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t size = sizeof a;
    modbus_t *ctx = modbus_new_tcp("127.0.0.1", 0);
    setsockopt(s, SOL_SOCKET, SO_REUSEADDR, &one, sizeof one);
    if (bind(s, (struct sockaddr *)&a, sizeof a) || listen(s, 16)) { perror("bind"); return 1; }
    getsockname(s, (struct sockaddr *)&a, &size);
    printf("%d\n", ntohs(a.sin_port));
    fflush(stdout);
    p[0] = (struct pollfd){0, POLLIN, 0};
    p[1] = (struct pollfd){s, POLLIN, 0};
    for (;;) {
        poll(p, n, -1);
        if (p[0].revents) return 0;
        for (int i = n - 1; i > 1; i--) {
            uint8_t q[MODBUS_TCP_MAX_ADU_LENGTH];
            if (!p[i].revents) continue;
            modbus_set_socket(ctx, p[i].fd);
            int got = modbus_receive(ctx, q);
            if (got > 0) got = modbus_reply(ctx, q, got, map);
            if (got == -1) { close(p[i].fd); p[i] = p[--n]; }
        }
        if (p[1].revents) {
            int c = accept(s, NULL, NULL);
            if (c >= 0 && n < MAXFD) p[n++] = (struct pollfd){c, POLLIN, 0};
            else if (c >= 0) close(c);
        }
    }
}

int main(int argc, char **argv)
{
    if (argc == 3 && !strcmp(argv[1], "tcp")) return serve_tcp(load(argv[2]));
    if (argc == 5 && !strcmp(argv[1], "rtu")) return serve_rtu(argv[3], atoi(argv[4]), load(argv[2]));
    fprintf(stderr, "usage: %s tcp MAP | rtu MAP DEVICE UNIT\n", argv[0]);
    return 2;
}
