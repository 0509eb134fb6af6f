"""A Modbus server that nobody here wrote (Debian's python3-pymodbus), for peers_test.c.

modbus_peer.py tcp PORT | modbus_peer.py rtu DEVICE
"""
import asyncio
import sys

from pymodbus.datastore import ModbusSequentialDataBlock, ModbusServerContext, ModbusSlaveContext
from pymodbus.server.async_io import StartAsyncSerialServer, StartAsyncTcpServer
from pymodbus.transaction import ModbusRtuFramer, ModbusSocketFramer


def store():
    # 24.2 as IEEE 754 single is 41C1 999A: once in each order of words and bytes; -123456 as FFFE 1DC0.
    registers = [0] * 100
    registers[0:8] = [0x41C1, 0x999A, 0x999A, 0x41C1, 0xC141, 0x9A99, 0x9A99, 0xC141]
    registers[8:10] = [0xFFFE, 0x1DC0]
    registers[10] = 77
    return ModbusSlaveContext(
        di=ModbusSequentialDataBlock(0, [0, 1] * 50),
        co=ModbusSequentialDataBlock(0, [0] * 100),
        hr=ModbusSequentialDataBlock(0, [0] * 100),
        ir=ModbusSequentialDataBlock(0, registers),
        zero_mode=True,
    )


async def main(kind, where):
    context = ModbusServerContext(slaves={1: store(), 2: store()}, single=False)
    if kind == "tcp":
        await StartAsyncTcpServer(context=context, address=("127.0.0.1", int(where)), framer=ModbusSocketFramer)
    else:
        await StartAsyncSerialServer(context=context, port=where, baudrate=19200, framer=ModbusRtuFramer)


asyncio.run(main(sys.argv[1], sys.argv[2]))
