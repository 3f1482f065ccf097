/* A Modbus TCP server made of libmodbus: holding registers 0..4095 hold their address, units 1 to 5 answer.
   Usage: registers PORT; it prints "ready" and serves until its standard input is closed; a line "ADDRESS VALUE"
   there sets a holding register.
   With a second argument "float" registers 100.. hold the four byte orders of 123456.0 as libmodbus writes them. */
#include <errno.h>
#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/select.h>
#include <unistd.h>

#define REGISTERS 4096
#define HIGHEST_UNIT 5

static void fill(modbus_mapping_t *map, int floats) {
    for (int at = 0; at < REGISTERS; at++) {
        map->tab_registers[at] = map->tab_input_registers[at] = (uint16_t)at;
        map->tab_bits[at] = map->tab_input_bits[at] = at % 3 == 0;
    }
    if (floats) {
        modbus_set_float_badc(123456.0f, map->tab_registers + 100); /* A B C D on the wire in libmodbus 3.1.6 */
        modbus_set_float_dcba(123456.0f, map->tab_registers + 102); /* C D A B */
        modbus_set_float_abcd(123456.0f, map->tab_registers + 104); /* B A D C */
        modbus_set_float_cdab(123456.0f, map->tab_registers + 106); /* D C B A */
    }
}

/* One line per read: the other side waits for the echo before it sends the next. */
static int told(modbus_mapping_t *map) {
    char line[64];
    int address, value;
    ssize_t length = read(STDIN_FILENO, line, sizeof line - 1);
    if (length <= 0) return 0;
    line[length] = 0;
    if (sscanf(line, "%d %d", &address, &value) == 2 && address >= 0 && address < REGISTERS) {
        map->tab_registers[address] = (uint16_t)value;
    }
    puts("set");
    fflush(stdout);
    return 1;
}

int main(int count, char **words) {
    uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
    fd_set known, readable;
    int listening, highest;
    if (count < 2) return 2;
    modbus_t *context = modbus_new_tcp("127.0.0.1", atoi(words[1]));
    modbus_mapping_t *map = modbus_mapping_new(REGISTERS, REGISTERS, REGISTERS, REGISTERS);
    if (context == NULL || map == NULL) return 1;
    fill(map, count > 2);
    if ((listening = modbus_tcp_listen(context, 8)) < 0) return 1;
    puts("ready");
    fflush(stdout);
    FD_ZERO(&known);
    FD_SET(listening, &known);
    FD_SET(STDIN_FILENO, &known);
    highest = listening;
    for (;;) {
        readable = known;
        if (select(highest + 1, &readable, NULL, NULL, NULL) < 0) return 1;
        for (int one = 0; one <= highest; one++) {
            if (!FD_ISSET(one, &readable)) continue;
            if (one == STDIN_FILENO) {
                if (!told(map)) return 0;
                continue;
            }
            if (one == listening) {
                int fresh = modbus_tcp_accept(context, &listening);
                if (fresh < 0) continue;
                FD_SET(fresh, &known);
                if (fresh > highest) highest = fresh;
                continue;
            }
            modbus_set_socket(context, one);
            int length = modbus_receive(context, query);
            if (length > 0) {
                int unit = query[6];
                if (unit >= 1 && unit <= HIGHEST_UNIT) modbus_reply(context, query, length, map);
            } else if (length < 0) {
                close(one);
                FD_CLR(one, &known);
            }
        }
    }
}
