"""A Modbus server in ASCII mode built on pymodbus' server and its ASCII framer.

Same command line and same map file as mb_server.c: `ascii MAP DEVICE UNIT` prints "ready". Ends when standard input
closes.
"""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

from pymodbus import FramerType
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

SIZE = 1024
TABLES = {"coil": DataType.BITS, "discrete": DataType.BITS, "holding": DataType.REGISTERS, "input": DataType.REGISTERS}


async def serve() -> None:
    values = {name: [False if kind is DataType.BITS else 0] * SIZE for name, kind in TABLES.items()}
    for line in Path(sys.argv[2]).read_text().splitlines():
        name, address, value = line.split()
        values[name][int(address)] = bool(int(value)) if TABLES[name] is DataType.BITS else int(value)
    blocks = [[SimData(0, values=values[name], datatype=kind)] for name, kind in TABLES.items()]
    device = SimDevice(int(sys.argv[4]), (blocks[0], blocks[1], blocks[2], blocks[3]))
    server = ModbusSerialServer(device, framer=FramerType.ASCII, port=sys.argv[3], baudrate=115200)
    await server.serve_forever(background=True)
    print("ready", flush=True)
    await asyncio.get_running_loop().run_in_executor(None, sys.stdin.read)
    await server.shutdown()


if __name__ == "__main__":
    asyncio.run(serve())
