"""Who is told and when: [rota] with its turns or calendar, [tell] and [sign_of_life].

Imports nothing of ours but `config.written`. Times s; days and hours are those of the plant's own clock.
"""

from __future__ import annotations

import re
from datetime import date
from typing import Annotated, Final, Literal

from pydantic import BeforeValidator, Field, field_validator, model_validator

from config import units
from config.written import ClockTime, Day, Hours, Part, Positive, Time

ADDRESS: Final = r"^[^@\s<>]+@[^@\s<>]+$"
Address = Annotated[str, Field(pattern=ADDRESS)]
DayName = Literal["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"]


def _week(value: object) -> object:
    m = re.fullmatch(r"(\d{1,2}) of (\d{1,2})", value, re.ASCII) if isinstance(value, str) else None
    if m is None or not 1 <= int(m[1]) <= int(m[2]):
        raise ValueError(f'wants which week of how many, like "1 of 3"; found {units.found_text(value)}')
    return value


class Turn(Part):
    """[[rota.turn]]: when one person is on duty. Hours that go over midnight belong to the day they begin on."""

    person: str
    days: tuple[DayName, ...] = ()  # (): every day
    hours: Hours | None = None  # None: from midnight to midnight
    begin: Day | None = Field(alias="from", default=None)  # the first day
    until: Day | None = None  # the last day
    week: Annotated[str, BeforeValidator(_week)] | None = None  # "1 of 3": weeks, Monday on, counted from `from`

    @model_validator(mode="after")
    def _in_order(self) -> Turn:
        if self.begin and self.until and date.fromisoformat(self.until) < date.fromisoformat(self.begin):
            raise ValueError(f"wants until not before from; found {self.begin} and {self.until}")
        if self.week and not self.begin:
            raise ValueError("week wants from beside it: a day of week 1")
        return self


class Rota(Part):
    """[rota]: who is on duty when. Without it everybody always is, and everybody is told at once."""

    calendar: str | None = None  # path of an iCalendar file; relative paths start at the folder of the plant file
    stale_after: Annotated[Time, Positive] | None = None  # a calendar file older than this is told of
    turns: tuple[Turn, ...] = Field(alias="turn", default=())


class Quiet(Part):
    """quiet = { low = "22:00..06:00" }: what is told after these hours, in one mail."""

    low: Hours | None = None
    medium: Hours | None = None

    @model_validator(mode="before")
    @classmethod
    def _never_held(cls, value: object) -> object:
        if isinstance(value, dict) and (held := [k for k in ("highest", "high") if k in value]):
            raise ValueError(f"{' and '.join(held)}: alarms of this priority are told at any hour; wants low or medium")
        return value


class Tell(Part):
    """[tell]: how people are told."""

    daily: ClockTime | None = None  # of the daily mail; None: there is none
    quiet: Quiet = Quiet()
    reminders: tuple[Annotated[Time, Positive], ...] = (3600.0, 7200.0, 14400.0, 28800.0)  # each from the one before
    then_every: Annotated[Time, Positive] = 86400.0  # after the last of them
    together: Annotated[Time, Positive] = 120.0  # in a flood: one mail in so long a time

    @field_validator("daily")
    @classmethod
    def _each_day(cls, value: str | None) -> str | None:
        if value is not None and " " in value:
            raise ValueError(f'wants a time of each day, like "07:00"; found "{value}"')
        return value


class SignOfLife(Part):
    """[sign_of_life]: goes out while the service runs; `waterside listen-for` elsewhere tells when it stops."""

    every: Annotated[Time, Positive] = 3600.0
    url: str | None = None  # takes it as an HTTP POST
    mail: Address | None = None
    secret_file: str | None = None  # a line both sides know: what is posted is signed with it

    @model_validator(mode="after")
    def _somewhere(self) -> SignOfLife:
        if self.url is None and self.mail is None:
            raise ValueError("wants url or mail: where it goes")
        if self.url is not None and not re.match(r"https?://[^\s/]+", self.url):
            raise ValueError(f'wants an address like "https://watch.quillmarsh.example/quillmarsh"; found "{self.url}"')
        return self
