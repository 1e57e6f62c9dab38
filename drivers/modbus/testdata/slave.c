/* A slave on libmodbus: unit 1, holding registers 1000 and up, input registers 1500 and up.
   Prints "ready" when it serves. usage: slave tcp PORT | slave rtu DEVICE */
#include <modbus/modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

int main(int argc, char **argv) {
    int tcp = argc == 3 && strcmp(argv[1], "tcp") == 0;
    uint8_t query[MODBUS_MAX_ADU_LENGTH];
    modbus_t *m;
    modbus_mapping_t *map;
    int socket = -1, n;
    if (argc != 3) return 2;
    m = tcp ? modbus_new_tcp("127.0.0.1", atoi(argv[2])) : modbus_new_rtu(argv[2], 19200, 'N', 8, 1);
    map = modbus_mapping_new(100, 100, 100, 100);
    if (m == NULL || map == NULL) return 1;
    for (n = 0; n < 100; n++) {
        map->tab_registers[n] = 1000 + n;
        map->tab_input_registers[n] = 1500 + n;
        map->tab_bits[n] = n % 3 == 0;
        map->tab_input_bits[n] = n % 2;
    }
    modbus_set_slave(m, 1);
    if (tcp) {
        socket = modbus_tcp_listen(m, 1);
        if (socket < 0) return 1;
        puts("ready");
        fflush(stdout);
        if (modbus_tcp_accept(m, &socket) < 0) return 1;
    } else {
        if (modbus_connect(m) < 0) return 1;
        puts("ready");
        fflush(stdout);
    }
    for (;;) {
        n = modbus_receive(m, query);
        if (n > 0) modbus_reply(m, query, n, map);
        else if (n < 0 && tcp) {
            if (modbus_tcp_accept(m, &socket) < 0) return 1;
        }
    }
}
