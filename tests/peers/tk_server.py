"""A Modbus server built on modbus-tk: a second peer that shares no code with the project.

Same command line and same map file as mb_server.c: `tcp MAP` prints its port, `rtu MAP DEVICE UNIT` prints "ready".
Ends when standard input closes.
"""

from __future__ import annotations

import socket
import sys
import time
from pathlib import Path

import modbus_tk.defines as cst
from modbus_tk import modbus_rtu, modbus_tcp

TABLES = {
    "coil": cst.COILS,
    "discrete": cst.DISCRETE_INPUTS,
    "holding": cst.HOLDING_REGISTERS,
    "input": cst.ANALOG_INPUTS,
}


def await_listening(port: int) -> None:
    """Return when the port takes a connection; OSError when it still does not after 10 s."""
    for attempt in range(1000):
        try:
            socket.create_connection(("127.0.0.1", port)).close()
            return
        except ConnectionRefusedError:
            if attempt == 999:
                raise
            time.sleep(0.01)


def main() -> None:
    if sys.argv[1] == "tcp":
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        server, word, unit = modbus_tcp.TcpServer(port=port, address="127.0.0.1"), str(port), 1
    else:
        import serial

        port = serial.Serial(sys.argv[3], 115200, parity="N")
        server, word, unit = modbus_rtu.RtuServer(port), "ready", int(sys.argv[4])
    slave = server.add_slave(unit)
    for name, table in TABLES.items():
        slave.add_block(name, table, 0, 1024)
    for line in Path(sys.argv[2]).read_text().splitlines():
        name, address, value = line.split()
        slave.set_values(name, int(address), [int(value)])
    server.start()
    if sys.argv[1] == "tcp":
        await_listening(int(word))  # modbus-tk binds in its own thread, some time after start() has returned
    print(word, flush=True)
    sys.stdin.read()
    server.stop()


if __name__ == "__main__":
    main()
