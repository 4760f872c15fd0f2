"""How to acknowledge, as a mail says it: by reply where a mailbox is read, by command always.

Pure. May import: daemon.core, daemon.notify.
"""

from __future__ import annotations

from typing import Final

from daemon.notify.letter import Section
from daemon.notify.telling import TOKEN_LINE, Telling
from daemon.notify.wording import clean

WORD: Final = "ack"
"""What a reply has to say, in its own text."""


def how_to_acknowledge(telling: Telling, host: str) -> tuple[Section, ...]:
    """The section, none where there is nothing with a number to acknowledge."""
    numbers = [n.occurrence for n in telling.notices if n.occurrence and n.event in ("raised", "returned")]
    if not numbers:
        return ()
    out: list[Section] = []
    one = len(numbers) == 1
    tells = "It tells the others that someone has it in hand; it changes nothing at the boiler."
    token = clean(telling.token)
    if token:
        what = "this alarm" if one else "the alarms named in this mail, and no other"
        by_reply = (
            f'Reply to this mail with the word "{WORD}" above the quotation: that acknowledges {what}. {tells} '
            "The line below has to stay in the reply."
        )
        out.append(Section("Acknowledge by reply", by_reply, (f"{TOKEN_LINE}{token}",), "code"))
    at = f"On the plant PC ({clean(host)})" if clean(host) else "On the plant PC"
    text = f"{at}, in a terminal." + ("" if token else f" {tells} A reply to this mail is read by nobody.")
    commands = tuple(f"waterside ack {n} --by NAME" for n in numbers)
    out.append(Section("Acknowledge by command" if token else "How to acknowledge", text, commands, "code"))
    return tuple(out)
