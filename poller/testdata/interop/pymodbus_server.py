"""A Modbus TCP server of python3-pymodbus with the interop test's data; unit 1 only. Prints its port."""
import asyncio

from pymodbus.datastore import (
    ModbusServerContext,
    ModbusSlaveContext,
    ModbusSparseDataBlock,
)
from pymodbus.server.async_io import ModbusTcpServer


def bits(data, count):
    return [data[i // 8] >> (i % 8) & 1 for i in range(count)]


async def main():
    unit = ModbusSlaveContext(
        # The examples of the Modbus Application Protocol V1.1b3, 6.1 to 6.4.
        co=ModbusSparseDataBlock({0x13: bits(bytes([0xCD, 0x6B, 0x05]), 19)}),
        di=ModbusSparseDataBlock({0xC4: bits(bytes([0xAC, 0xDB, 0x35]), 22)}),
        # 27123.5 as binary32, -32145678 with its registers swapped, then the example of 6.3; 110 does not exist.
        hr=ModbusSparseDataBlock({100: [0x46D3, 0xE700, 0x7EF2, 0xFE15, 0, 0, 0, 555, 0, 100]}),
        ir=ModbusSparseDataBlock({8: [10]}),
        zero_mode=True,
    )
    server = ModbusTcpServer(
        ModbusServerContext(slaves={1: unit}, single=False), address=("127.0.0.1", 0)
    )
    serving = asyncio.ensure_future(server.serve_forever())
    await server.serving
    print(server.server.sockets[0].getsockname()[1], flush=True)
    await serving


asyncio.run(main())
