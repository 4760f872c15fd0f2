"""A boiler house on modbus-tk that moves with every poll and writes down what it served: `tk_living.py SEED FILE`.

Each read of the input registers adds pulses to the counter and moves the conductivity; FILE gets a line with the count
behind each answer, before it is cut to 16 bits. Prints its port; ends when standard input closes.
Input 0 conductivity, input 20 pulses (u16); discrete 0 off, 1 on.
"""

from __future__ import annotations

import random
import socket
import sys
from typing import Any

from modbus_tk import defines as cst
from modbus_tk import hooks, modbus_tcp

FIRST_COUNT = 65_000  # near the end of 16 bits, so that rollovers are seen


def main() -> None:
    chance = random.Random(int(sys.argv[1]))
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    server = modbus_tcp.TcpServer(port=port, address="127.0.0.1")
    slave = server.add_slave(1)
    slave.add_block("input", cst.ANALOG_INPUTS, 0, 64)
    slave.add_block("discrete", cst.DISCRETE_INPUTS, 0, 64)
    slave.set_values("discrete", 0, [0, 1])
    count, aim = FIRST_COUNT, 2900.0
    with open(sys.argv[2], "w") as served:  # noqa: PTH123

        def moved(_: Any) -> None:
            nonlocal count, aim
            count += chance.choice((0, 0, 1, 2, 3))
            if chance.random() < 0.15:  # far above or well below the limit, every second or so
                aim = chance.choice((2900.0, 3600.0))
            ma = 4 + 16 * (aim + chance.uniform(-3, 3)) / 5000
            slave.set_values("input", 0, [round(ma / 20 * 65535)])
            slave.set_values("input", 20, [count % 65536])
            served.write(f"{count}\n")
            served.flush()

        hooks.install_hook("modbus.Slave.handle_read_input_registers_request", moved)
        server.start()
        print(port, flush=True)
        sys.stdin.read()
        server.stop()


if __name__ == "__main__":
    main()
