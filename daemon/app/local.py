"""Where the letterbox of a store is and how its socket is made: the part that depends on the operating system.

Unix sockets where there are any, group-readable; else loopback TCP with a token in a file only its owner reads.
Imports nothing of ours.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import secrets
import socket
import stat
import struct
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

NO_UNIX = not hasattr(socket, "AF_UNIX")
MODE = 0o660
_LONGEST = 100  # bytes of a socket's path; Linux takes 107


class Busy(Exception):
    """A living service holds the letterbox."""


def place(store: Path) -> Path:
    """Where a command finds the letterbox of a store."""
    return store.with_name(store.name + ".letterbox")


@dataclass(frozen=True, slots=True)
class Post:
    """A bound socket, where it is met, and what has to go when it closes."""

    socket: socket.socket
    place: Path
    files: tuple[tuple[Path, int], ...]  # with their inode: never remove what another service put there
    token: str = ""

    def admits(self, token: object) -> bool:
        """True when no token is wanted, or it is this one."""
        return not self.token or (isinstance(token, str) and hmac.compare_digest(token, self.token))

    def remove(self) -> None:
        self.socket.close()
        for path, inode in self.files:
            with suppress(OSError):
                if path.lstat().st_ino == inode:
                    path.unlink()


def bind(store: Path, runtime: str = "", tcp: bool = NO_UNIX) -> Post:
    """Make the socket for a store's letterbox and put it in its place. Raises Busy, OSError."""
    at = place(store)
    if answers(at):
        raise Busy(f"A service for store {store} is already running: it answers at {at}.")
    return _bind_tcp(at) if tcp else _bind_unix(at, store, runtime)


def _bind_unix(at: Path, store: Path, runtime: str) -> Post:
    home = runtime.partition(":")[0]  # systemd lists several with colons
    name = f"letterbox-{hashlib.sha256(str(store.resolve()).encode()).hexdigest()[:8]}"
    real = Path(home) / name if home else at
    new = real.with_name(f".{real.name}.{os.getpid()}")
    s = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        with suppress(FileNotFoundError):
            new.unlink()
        with _short(new) as path:
            s.bind(path)
        new.chmod(MODE)
        s.listen(64)
        s.setblocking(False)
        new.replace(real)  # under its name only when it listens; replaces what a kill left behind
        files = [(real, real.stat().st_ino)]
        if real != at:
            pointer = at.with_name(f".{at.name}.{os.getpid()}")
            with suppress(FileNotFoundError):
                pointer.unlink()
            pointer.symlink_to(real)
            pointer.replace(at)
            files.append((at, at.lstat().st_ino))
    except BaseException:
        s.close()
        with suppress(OSError):
            new.unlink()
        raise
    return Post(s, at, tuple(files))


def _bind_tcp(at: Path) -> Post:
    s = socket.create_server(("127.0.0.1", 0))
    s.setblocking(False)
    token = secrets.token_urlsafe(24)
    new = at.with_name(f".{at.name}.{os.getpid()}")
    with suppress(FileNotFoundError):
        new.unlink()
    with os.fdopen(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as f:
        json.dump({"port": s.getsockname()[1], "token": token}, f)
    new.replace(at)
    return Post(s, at, ((at, at.stat().st_ino),), token)


def connect(at: Path, timeout: float) -> tuple[socket.socket, str]:
    """A connection to the letterbox at a place, and the token to send. Raises OSError when nobody answers."""
    if stat.S_ISREG(at.stat().st_mode):
        try:
            found = json.loads(at.read_text())
            return socket.create_connection(("127.0.0.1", int(found["port"])), timeout), str(found["token"])
        except (ValueError, KeyError, TypeError) as e:
            raise ConnectionRefusedError(f"{at} holds no port and token") from e
    s = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    s.settimeout(timeout)
    try:
        with _short(at) as path:
            s.connect(path)
    except BaseException:
        s.close()
        raise
    return s, ""


def answers(at: Path) -> bool:
    """True when somebody takes connections at a place (or might: it is not ours to try)."""
    try:
        connect(at, 1.0)[0].close()
    except (FileNotFoundError, ConnectionRefusedError):
        return False
    except PermissionError:
        return True
    except (TimeoutError, BlockingIOError):
        return True  # a full waiting line has an owner
    return True


def login_of(s: socket.socket | None) -> str:
    """The login name of whoever is at the other end of a Unix socket, "" when the system does not tell."""
    if s is None or NO_UNIX or s.family != socket.AF_UNIX or not hasattr(socket, "SO_PEERCRED"):
        return ""
    _, uid, _ = struct.unpack("3i", s.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i")))
    return _name(uid)


def login() -> str:
    """The login name of whoever runs this program."""
    if hasattr(os, "getuid"):
        return _name(os.getuid())
    return os.environ.get("USERNAME", "unknown")


def _name(uid: int) -> str:
    import pwd

    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return f"user {uid}"


@contextmanager
def _short(path: Path) -> Iterator[str]:
    """A path short enough for a socket: a long one is reached through an open folder (Linux)."""
    if len(os.fsencode(path)) <= _LONGEST:
        yield str(path)
        return
    if not sys.platform.startswith("linux"):
        raise OSError(f"{path} is too long for a socket ({_LONGEST} bytes). Give the store a shorter path.")
    folder = os.open(path.resolve().parent if path.is_symlink() else path.parent, os.O_RDONLY)
    try:
        yield f"/proc/self/fd/{folder}/{(path.resolve() if path.is_symlink() else path).name}"
    finally:
        os.close(folder)
