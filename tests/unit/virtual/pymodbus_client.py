"""Reads and writes the virtual bench with a Modbus client that nobody here wrote, over TCP and over a serial line.

usage: pymodbus_client.py TCP_PORT TERMINAL   exits 0 when everything came out as it must
"""
import struct
import sys
import time

from pymodbus.client import ModbusSerialClient, ModbusTcpClient


def f64(words):
    return struct.unpack(">d", struct.pack(">4H", *words))[0]


def check(client, server, rate):
    identity = client.read_input_registers(0, 12, slave=server)
    assert not identity.isError(), identity
    assert identity.registers[0] == 21334 and identity.registers[2] == 1
    assert f64(identity.registers[4:8]) == rate
    epoch = identity.registers[8] << 16 | identity.registers[9]
    assert epoch == 1767225600, epoch
    # beat, watchdog, steps, trigger; then the meters show the current
    assert not client.write_register(1, 60, slave=server).isError()
    assert not client.write_register(0, 1, slave=server).isError()
    assert not client.write_registers(10, [1], slave=server).isError()
    assert not client.write_coils(8, [True, False], slave=server).isError()
    assert client.read_holding_registers(0, 2, slave=server).registers == [1, 60]
    until = time.monotonic() + 5
    while True:
        block = client.read_input_registers(20, 8, slave=server).registers
        current = (block[1] << 16 | block[2]) * 0.01
        if block[0] == 1 and abs(current - 100) < 0.02:
            break
        assert time.monotonic() < until, block
    assert abs(block[3] * 0.01 - 10) < 0.02, block
    assert client.read_coils(8, 2, slave=server).bits[:2] == [True, False]
    assert client.read_discrete_inputs(8, 4, slave=server).bits[:4] == [False, False, False, True]
    assert client.read_input_registers(400, 1, slave=server).exception_code == 2
    assert not client.write_register(2, 1, slave=server).isError()  # drop all
    while client.read_input_registers(20, 1, slave=server).registers != [0]:
        assert time.monotonic() < until, "the load did not open"


def main():
    tcp = ModbusTcpClient("127.0.0.1", port=int(sys.argv[1]), timeout=2)
    assert tcp.connect()
    check(tcp, 1, 20.0)
    tcp.close()
    line = ModbusSerialClient(port=sys.argv[2], baudrate=19200, timeout=2)
    assert line.connect()
    check(line, 7, 20.0)
    line.close()
    print("ok")


main()
