"""Notices that wait for a decision, and what was decided: the statements, run inside a transaction of the ledger's.

May import: daemon.core, this room.
"""

from __future__ import annotations

from typing import Final

import apsw

from daemon.core.outcome import MailRow, NoticeRow, Standing
from daemon.store import rows
from daemon.store.errors import StoreRefused
from daemon.store.query import every, first
from daemon.store.records import Dealt, QueuedMail, ToDeal, WaitingNotice

MOST: Final = 500
"""Notices, and waiting mails, that are looked at together."""


def add_notice(db: apsw.Connection, notice: NoticeRow) -> None:
    """Store a notice; the same one again is ignored."""
    values = (rows.text(notice.key), notice.at_ms, rows.text(notice.body), int(notice.direct))
    sql = "INSERT INTO notice (key, at_ms, body, direct) VALUES (?, ?, ?, ?) ON CONFLICT (key) DO NOTHING"
    db.execute(sql, values)
    if db.changes() == 0:
        old = first(db, "SELECT key, at_ms, body FROM notice WHERE key = ?", values[:1])
        if old != values[:3]:
            raise StoreRefused(f"A different notice is stored under the key {notice.key!r}.")


def add_mail(db: apsw.Connection, mail: MailRow) -> None:
    """Store a mail; the same one again is ignored."""
    values = (rows.text(mail.key), rows.text(mail.recipient), mail.at_ms, rows.text(mail.body))
    sql = "INSERT INTO outbox (key, recipient, at_ms, body) VALUES (?, ?, ?, ?) ON CONFLICT (key) DO NOTHING"
    db.execute(sql, values)
    if db.changes() == 0:
        old = first(db, "SELECT key, recipient, at_ms, body FROM outbox WHERE key = ?", values[:1])
        if old != values:
            raise StoreRefused(f"A different mail is stored under the key {mail.key!r}.")


def to_deal(db: apsw.Connection) -> ToDeal:
    """What waits for a decision and what it rests on."""
    db.execute("BEGIN")
    try:
        notices = every(
            db, "SELECT id, key, at_ms, body, direct FROM notice WHERE dealt_ms IS NULL ORDER BY id LIMIT ?", (MOST,)
        )
        waiting = every(db, f"SELECT {rows.QUEUED} FROM outbox WHERE state = 'waiting' ORDER BY id LIMIT ?", (MOST,))
        standing = every(db, f"SELECT {rows.STANDING} FROM standing")
        kept = every(db, "SELECT name, body FROM dealer")
    finally:
        db.execute("COMMIT")
    return ToDeal(
        tuple(WaitingNotice(n, key, at, body, bool(direct)) for n, key, at, body, direct in notices),
        tuple(QueuedMail(*r) for r in waiting),
        tuple(Standing(*r) for r in standing),
        dict(kept),
    )


def deal(db: apsw.Connection, dealt: Dealt, at_ms: int) -> None:
    """Store what was decided. A mail to be withdrawn that does not wait any more stays what it is."""
    for mail_id in dealt.withdrawn:
        db.execute("DELETE FROM outbox WHERE id = ? AND state = 'waiting'", (mail_id,))
    for mail in dealt.mails:  # a key that is there already is that message to that person: it is not told twice
        db.execute(
            "INSERT INTO outbox (key, recipient, at_ms, body) VALUES (?, ?, ?, ?) ON CONFLICT (key) DO NOTHING",
            (rows.text(mail.key), rows.text(mail.recipient), mail.at_ms, rows.text(mail.body)),
        )
    for notice_id in dealt.notices:
        db.execute("UPDATE notice SET dealt_ms = ? WHERE id = ? AND dealt_ms IS NULL", (at_ms, notice_id))
        if db.changes() != 1:
            raise StoreRefused(f"Notice {notice_id} does not wait for a decision.")
    for name, body in dealt.kept.items():
        if body:
            sql = "INSERT INTO dealer (name, body) VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET body = excluded.body"
            db.execute(sql, (name, rows.text(body)))
        else:
            db.execute("DELETE FROM dealer WHERE name = ?", (name,))
