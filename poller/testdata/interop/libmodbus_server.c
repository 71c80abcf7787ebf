/* A Modbus TCP server of libmodbus with the interop test's data. Unit 9 is dead behind the gateway (exception 11),
 * unit 8 is busy (exception 6), all others answer. Prints its port; serves one connection after the other. */
#include <arpa/inet.h>
#include <modbus.h>
#include <stdint.h>
#include <stdio.h>

static void bits(uint8_t *to, const uint8_t *data, int count)
{
    for (int i = 0; i < count; i++)
        to[i] = data[i / 8] >> (i % 8) & 1;
}

int main(void)
{
    modbus_t *ctx = modbus_new_tcp("127.0.0.1", 0);
    modbus_mapping_t *map = modbus_mapping_new_start_address(0x13, 19, 0xC4, 22, 100, 10, 8, 1);
    /* 27123.5 as binary32, -32145678 with its registers swapped, then the example of 6.3; 110 does not exist. */
    const uint16_t holding[10] = {0x46D3, 0xE700, 0x7EF2, 0xFE15, 0, 0, 0, 555, 0, 100};
    struct sockaddr_in addr;
    socklen_t size = sizeof addr;
    if (!ctx || !map)
        return 1;
    /* The examples of the Modbus Application Protocol V1.1b3, 6.1 to 6.4. */
    bits(map->tab_bits, (const uint8_t[]){0xCD, 0x6B, 0x05}, 19);
    bits(map->tab_input_bits, (const uint8_t[]){0xAC, 0xDB, 0x35}, 22);
    for (int i = 0; i < 10; i++)
        map->tab_registers[i] = holding[i];
    map->tab_input_registers[0] = 10;

    int listener = modbus_tcp_listen(ctx, 4);
    if (listener < 0 || getsockname(listener, (struct sockaddr *)&addr, &size))
        return 1;
    printf("%d\n", ntohs(addr.sin_port));
    fflush(stdout);
    while (modbus_tcp_accept(ctx, &listener) >= 0) {
        uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
        int length;
        while ((length = modbus_receive(ctx, query)) >= 0) {
            if (query[6] == 9)
                modbus_reply_exception(ctx, query, MODBUS_EXCEPTION_GATEWAY_TARGET);
            else if (query[6] == 8)
                modbus_reply_exception(ctx, query, MODBUS_EXCEPTION_SLAVE_OR_SERVER_BUSY);
            else if (length > 0)
                modbus_reply(ctx, query, length, map);
        }
        modbus_close(ctx);
    }
    return 1;
}
