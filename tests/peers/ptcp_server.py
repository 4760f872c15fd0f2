"""A Modbus TCP server built on pyModbusTCP: a third peer that shares no code with the project.

Same command line and same map file as mb_server.c: `tcp MAP` prints its port. Ends when standard input closes.
"""

from __future__ import annotations

import socket
import sys
from pathlib import Path

from pyModbusTCP.server import DataBank, ModbusServer

SIZE = 1024


def main() -> None:
    bank = DataBank(coils_size=SIZE, d_inputs_size=SIZE, h_regs_size=SIZE, i_regs_size=SIZE)
    setters = {
        "coil": lambda a, v: bank.set_coils(a, [bool(v)]),
        "discrete": lambda a, v: bank.set_discrete_inputs(a, [bool(v)]),
        "holding": lambda a, v: bank.set_holding_registers(a, [v]),
        "input": lambda a, v: bank.set_input_registers(a, [v]),
    }
    for line in Path(sys.argv[2]).read_text().splitlines():
        name, address, value = line.split()
        assert setters[name](int(address), int(value)), line
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    server = ModbusServer(host="127.0.0.1", port=port, no_block=True, data_bank=bank)
    server.start()
    print(port, flush=True)
    sys.stdin.read()
    server.stop()


if __name__ == "__main__":
    main()
