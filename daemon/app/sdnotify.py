"""What the service tells the service manager: ready, reloading, stopping, alive; and when "alive" is true.

The protocol is sd_notify of systemd: lines in one datagram to the socket named in NOTIFY_SOCKET. Without one
everything here does nothing. May import: daemon.core.clock.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Callable, Iterable, Mapping

from daemon.core.clock import monotonic

LATE_S = 30.0


class Manager:
    """The service manager, if one listens. `watchdog_s`: seconds within which it wants a sign of life, or None."""

    def __init__(self, environ: Mapping[str, str] = os.environ) -> None:
        self._address = environ.get("NOTIFY_SOCKET", "")
        usec, pid = environ.get("WATCHDOG_USEC", ""), environ.get("WATCHDOG_PID", "")
        asked = usec.isdigit() and int(usec) > 0 and pid in ("", str(os.getpid()))
        self.watchdog_s = int(usec) / 1e6 if asked and self._address else None

    def ready(self, status: str = "") -> bool:
        """Start-up, or a reload, is complete."""
        return self._tell("READY=1", _status(status))

    def reloading(self) -> bool:
        """A reload begins; `ready` ends it."""
        return self._tell("RELOADING=1", f"MONOTONIC_USEC={round(monotonic() * 1e6)}")

    def stopping(self, status: str = "") -> bool:
        return self._tell("STOPPING=1", _status(status))

    def alive(self) -> bool:
        """Feed the watchdog."""
        return self._tell("WATCHDOG=1")

    def status(self, text: str) -> bool:
        """One line for `systemctl status`."""
        return self._tell(_status(text))

    def _tell(self, *lines: str) -> bool:
        if not self._address or not hasattr(socket, "AF_UNIX"):
            return False
        where = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as s:
                s.setblocking(False)  # a manager that does not read must not hold the service
                s.sendto("\n".join(filter(None, lines)).encode(), where)
        except OSError:
            return False
        return True


def _status(text: str) -> str:
    return f"STATUS={' '.join(text.split())}" if text else ""


class Watch:
    """Whether the service is alive: every link has beaten, and the last commit returned, within `late_s`.

    A commit that returned with an error counts: the service lives and says so itself. `now`: real seconds.
    """

    def __init__(self, links: Iterable[str], *, late_s: float = LATE_S, now: Callable[[], float] = monotonic) -> None:
        self._now, self._late_s = now, late_s
        self._committed = now()
        self._beats = dict.fromkeys(links, self._committed)

    def beat(self, link: str) -> None:
        """A link's loop came round. A link that is not watched is ignored."""
        if link in self._beats:
            self._beats[link] = self._now()

    def committed(self) -> None:
        """A commit returned, well or not."""
        self._committed = self._now()

    def watch(self, links: Iterable[str]) -> None:
        """Watch these links from now on (a reload)."""
        self._beats = dict.fromkeys(links, self._now())

    def late(self) -> str:
        """ "" while all is alive, else what is not, for the log: then the watchdog is not fed."""
        now = self._now()
        stuck = [f"link {name} for {now - at:.0f} s" for name, at in self._beats.items() if now - at > self._late_s]
        if now - self._committed > self._late_s:
            stuck.append(f"the store for {now - self._committed:.0f} s")
        return f"No sign of life from {', '.join(stuck)}" if stuck else ""
