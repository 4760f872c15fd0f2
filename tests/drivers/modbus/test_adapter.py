"""What a USB adapter's latency timer costs is seen and said; nothing is set."""

from __future__ import annotations

import asyncio
import logging
import os
import subprocess
import sys
from pathlib import Path

import pytest

import config
from drivers.modbus.adapter import latency, remark
from drivers.modbus.line import End, LineDriver
from drivers.modbus.talk import RTU
from drivers.modbus.wires import open_serial, serial_trouble
from drivers.registry import open_link
from tests.support.modbus import rtu_link
from tests.support.rawpeer import RawRtu, silence


def tree(folder: Path, text: str, port: str = "ttyUSB3") -> tuple[Path, str]:
    """A tree like /sys and /dev with one adapter, and its name that does not change."""
    timer = folder / "sys/bus/usb-serial/devices" / port / "latency_timer"
    timer.parent.mkdir(parents=True)
    timer.write_text(text)
    (folder / "dev/serial/by-id").mkdir(parents=True)
    (folder / "dev" / port).write_text("")
    name = folder / "dev/serial/by-id/usb-RS485-if00-port0"
    name.symlink_to(f"../../{port}")
    return folder / "sys", str(name)


def test_the_timer_is_found_behind_the_name_that_does_not_change(tmp_path: Path) -> None:
    sysfs, device = tree(tmp_path, "16\n")
    found = latency(device, sysfs)
    assert found is not None
    assert (found.port, found.ms, found.cost_ms) == ("ttyUSB3", 16, 15)
    said = remark("pair", device, sysfs)
    assert "for up to 16 ms, so each request may take 15 ms longer than it must" in said
    assert f"Write 1 into {sysfs}/bus/usb-serial/devices/ttyUSB3/latency_timer as root" in said
    assert "setserial /dev/ttyUSB3 low_latency" in said
    assert said.startswith("Link pair: ")
    assert "\n" not in said
    assert found.file.read_text() == "16\n"


@pytest.mark.parametrize("text", ["1\n", "0\n", "fast\n", ""])
def test_a_timer_that_costs_nothing_or_says_nothing_is_not_remarked(tmp_path: Path, text: str) -> None:
    sysfs, device = tree(tmp_path, text)
    assert remark("pair", device, sysfs) == ""


def test_a_port_without_a_timer_is_not_remarked(tmp_path: Path) -> None:
    assert latency("/dev/ttyS0", tmp_path) is None
    assert remark("pair", "/dev/ttyS0", tmp_path) == ""


async def test_it_is_said_at_connect_once(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    sysfs, _ = tree(tmp_path, "16\n")
    async with RawRtu(tmp_path, silence) as peer:
        link = rtu_link(peer.path)
        end = End(
            lambda closing: open_serial(link, peer.path),
            lambda error: serial_trouble(link, peer.path, error),
            lambda: remark(link.name, "/dev/ttyUSB3", sysfs),
        )
        driver = LineDriver(link, RTU, end)
        with caplog.at_level(logging.WARNING):
            assert await driver.connect() == ""
            assert await driver.connect() == ""
        assert driver.remark == remark(link.name, "/dev/ttyUSB3", sysfs) != ""
        assert [r.getMessage() for r in caplog.records] == [driver.remark]
        await driver.aclose()


RS485 = """
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <dlfcn.h>
#include <linux/serial.h>
#include <sys/ioctl.h>
static struct serial_rs485 kept;
int ioctl(int fd, unsigned long request, ...) {
  va_list more; va_start(more, request); void *value = va_arg(more, void *); va_end(more);
  if (request == TIOCGRS485) { *(struct serial_rs485 *)value = kept; return 0; }
  if (request == TIOCSRS485) {
    kept = *(struct serial_rs485 *)value;
    FILE *out = fopen(getenv("RS485_SET"), "a"); fprintf(out, "%u\\n", kept.flags); fclose(out);
    return 0;
  }
  return ((int (*)(int, unsigned long, ...))dlsym(RTLD_NEXT, "ioctl"))(fd, request, value);
}
"""


def built(folder: Path) -> Path:
    source, library = folder / "rs485.c", folder / "rs485.so"
    source.write_text(RS485)
    command = ["gcc", "-D_GNU_SOURCE", "-shared", "-fPIC", "-o", library, source, "-ldl"]
    made = subprocess.run(command, capture_output=True, text=True)
    assert made.returncode == 0, made.stderr
    return library


async def test_a_port_that_offers_direction_control_is_given_it(tmp_path: Path) -> None:
    """A library before the C library stands in for a kernel that offers it; the flags are those of linux/serial.h."""
    told = tmp_path / "set"
    library = built(tmp_path)
    program = (
        "import asyncio, sys\n"
        "from drivers.registry import open_link\n"
        "from config.model import Link\n"
        "async def main():\n"
        "    link = Link(name='pair', kind='modbus-rtu', device=sys.argv[1], parity='none', direction=sys.argv[2])\n"
        "    driver = open_link(link)\n"
        "    print(await driver.connect())\n"
        "    await driver.aclose()\n"
        "asyncio.run(main())\n"
    )
    where = str(Path(config.__file__).parent.parent)
    env = {**os.environ, "PYTHONPATH": where, "LD_PRELOAD": str(library), "RS485_SET": str(told)}
    flags = {}
    for direction in ("adapter", "kernel"):
        told.write_text("")
        async with RawRtu(tmp_path, silence) as peer:
            done = await asyncio.create_subprocess_exec(
                sys.executable, "-P", "-c", program, peer.path, direction, env=env, stdout=asyncio.subprocess.PIPE
            )
            said, _ = await done.communicate()
        assert (done.returncode, said) == (0, b"\n")
        flags[direction] = [int(line) for line in told.read_text().split()]
    assert flags["adapter"] == []
    enabled, on_send, after_send = 1, 2, 4
    assert flags["kernel"], "the kernel was not asked"
    assert flags["kernel"][-1] & (enabled | on_send | after_send) == enabled | on_send


@pytest.mark.parametrize("kind", ["modbus-rtu", "modbus-ascii"])
async def test_a_port_without_direction_control_says_so(tmp_path: Path, kind: str) -> None:
    """A pseudo-terminal has none (TIOCSRS485 is refused)."""
    async with RawRtu(tmp_path, silence) as peer:
        driver = open_link(rtu_link(peer.path).model_copy(update={"direction": "kernel", "kind": kind}))
        said = await driver.connect()
        assert "offers no direction control by the kernel" in said
        assert 'direction = "adapter"' in said
        await driver.aclose()
        other = open_link(rtu_link(peer.path))
        assert await other.connect() == "", "the port was left open"
        await other.aclose()
