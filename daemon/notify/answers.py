"""What can become of a mail that was handed over. Imports nothing, so that the service can name these at start."""

from __future__ import annotations

from typing import Final

TIMEOUT_S: Final = 30.0  # real seconds for each step of the talk with a server


class Later(Exception):
    """Not taken now. `server`: every other mail would fare the same; `stays`: it will not mend itself."""

    def __init__(self, text: str, *, server: bool = False, stays: bool = False) -> None:
        super().__init__(text)
        self.server, self.stays = server, stays


class Refused(Exception):
    """This mail is refused for good: sending the same again would not help."""
