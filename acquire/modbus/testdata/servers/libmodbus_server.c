/* Serves registers and bits with the libmodbus library: "tcp PORT" or "rtu DEVICE".
   Register a holds a*40503+12345 modulo 65536, bit a is bit 7 of a*40503. */
#include <modbus.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

int main(int argc, char **argv) {
	if (argc != 3) return 2;
	int tcp = !strcmp(argv[1], "tcp");
	modbus_t *m = tcp ? modbus_new_tcp("127.0.0.1", atoi(argv[2])) : modbus_new_rtu(argv[2], 115200, 'N', 8, 1);
	modbus_mapping_t *map = modbus_mapping_new(3000, 3000, 3000, 3000);
	if (!m || !map) return 1;
	for (int a = 0; a < 3000; a++) {
		map->tab_registers[a] = map->tab_input_registers[a] = (uint16_t)(a * 40503u + 12345u);
		map->tab_bits[a] = map->tab_input_bits[a] = (a * 40503u >> 7) & 1;
	}
	modbus_set_slave(m, 17);
	int listening = -1;
	if (tcp) listening = modbus_tcp_listen(m, 1);
	else if (modbus_connect(m)) return 1;
	for (;;) {
		if (tcp && modbus_tcp_accept(m, &listening) < 0) return 1;
		for (;;) {
			uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
			int n = modbus_receive(m, query);
			if (n > 0) modbus_reply(m, query, n, map);
			else if (n < 0 && tcp) { modbus_close(m); break; }
		}
	}
}
