"""Replies as mail programs write them: which acknowledge, which do not, and why."""

from __future__ import annotations

from dataclasses import replace
from email.message import EmailMessage
from email.policy import SMTP
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from config.model import Person
from daemon.core.outcome import Notice
from daemon.notify.replies import LARGEST, Reply, own_text, page_text, read_reply
from daemon.notify.telling import TOKEN_LINE, Telling
from daemon.notify.tokens import HOUR_MS, VALID_H, expired, find, holds, key_of, token_of

T0 = 1_793_797_200_000
PLANT, KEY = "Quillmarsh Creamery", bytes(range(32))
ANA = Person.model_construct(name="Ana Ruiz", mail="ana@quillmarsh.example")
BEN = Person.model_construct(name="Ben Cole", mail="ben@quillmarsh.example")
NOTICE = Notice(
    1042, "raised", "B1", "conductivity_high", "", "high", T0, T0, 3300.0, 3200.0, "uS/cm", "", "good", "unacknowledged"
)
TELLING = Telling("news", ANA.name, ANA.mail, (NOTICE,))
TOKEN = token_of(TELLING, PLANT, KEY)
QUOTED = f"> Quillmarsh Creamery B1: conductivity high\n> ack\n> {TOKEN_LINE}{TOKEN}\n> more\n"


def mail(body: str, *, sender: str = f"Ana Ruiz <{ANA.mail}>", subtype: str = "plain", **headers: str) -> bytes:
    m = EmailMessage(policy=SMTP)
    m["From"], m["To"], m["Subject"] = sender, "boilers@quillmarsh.example", "Re: B1: conductivity high [1042]"
    m["Message-ID"] = "<reply.1@phone.example>"
    for name, value in headers.items():
        m[name.replace("_", "-")] = value
    m.set_content(body, subtype=subtype)
    return m.as_bytes()


def read(raw: bytes, now_ms: int = T0 + HOUR_MS) -> Reply:
    return read_reply(raw, (ANA, BEN), PLANT, KEY, now_ms)


GOOD = {
    "a telephone": f"Ack\n\nFrom a phone\n\n> On Nov 4, 2026, at 3:12 AM, Boilers <b@x.example> wrote:\n>\n{QUOTED}",
    "a plain program": f"ack, on my way.\n\nOn Wed, 4 Nov 2026 at 03:12, Boiler house <b@x.example> wrote:\n{QUOTED}",
    "a broken attribution": f"ACK\n\nOn Wed, 4 Nov 2026 at 03:12, Boiler house\n<b@x.example> wrote:\n\n{QUOTED}",
    "an office program": (
        "Acknowledged.\n\nAna\n\n-----Original Message-----\nFrom: Boiler house\nSent: Wednesday\nTo: Ana\n"
        f"Subject: B1\n\nsomething\n{TOKEN_LINE}{TOKEN}\n"
    ),
    "a header block": f"ack\n__________________\nFrom: Boiler house\nSent: Wednesday\n\n{TOKEN_LINE}{TOKEN}\n",
    "German": f"ack\n\nAm Mi., 4. Nov. 2026 um 03:12 Uhr schrieb Boiler house <b@x.example>:\n{QUOTED}",
    "French": f"ack\n\nLe mer. 4 nov. 2026 à 03:12, Boiler house <b@x.example> a écrit :\n{QUOTED}",
    "a token broken by the quotation": f"ack\n\n> {TOKEN_LINE}{TOKEN[:9]}\n> {TOKEN[9:]}\n",
    "marks around it": f'  "ack!"\n\n{QUOTED}',
}  # fmt: skip


@pytest.mark.parametrize("name", GOOD)
def test_a_reply_acknowledges_what_its_mail_named(name: str) -> None:
    found = read(mail(GOOD[name]))
    assert (found.what, found.why) == ("acknowledges", "")
    assert found.person is ANA and found.token is not None and found.token.numbers == (1042,)
    assert found.message_id == "<reply.1@phone.example>"


LINE = f"{TOKEN_LINE}{TOKEN}"
PAGES = {
    "quote in a block": f'<div>Ack</div><br><div class="a_quote"><blockquote>ack {LINE}</blockquote></div>',
    "quote in a division": f'<p>ack</p><div id="divRplyFwdMsg">From: b<br>Token: x</div><div>{LINE}</div>',
    "style first": (
        "<html><head><style>p { color: red }</style></head>"
        f"<body><p>ack</p><blockquote>{LINE}</blockquote></body></html>"
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", PAGES)
def test_a_reply_in_html_alone(name: str) -> None:
    assert read(mail(PAGES[name], subtype="html")).what == "acknowledges"


def test_the_word_in_the_quotation_alone_counts_for_nothing() -> None:
    assert "above the quotation" in read(mail(QUOTED)).why
    page = f"<div><br></div><blockquote>ack<br>{TOKEN_LINE}{TOKEN}</blockquote>"
    assert read(mail(page, subtype="html")).what == "refused"
    below = f"<blockquote>{TOKEN_LINE}{TOKEN}</blockquote><p>ack</p>"
    assert read(mail(below, subtype="html")).what == "refused"


@pytest.mark.parametrize(
    ("body", "said"),
    [
        (f"I cannot ack this now\n\n{QUOTED}", 'found "i"'),
        (f"thanks\n\n{QUOTED}", 'found "thanks"'),
        (f"\n\n{QUOTED}", "nothing above the quotation"),
        ("ack\n\n> no token here\n", "carries no token"),
        (f"ack\n\n{TOKEN_LINE}{TOKEN[:-1]}A\n", "was not written by this log"),
        (f"ack\n\n{TOKEN_LINE}{TOKEN.replace('1042', '1043')}\n", "was not written by this log"),
        (f"ack\n\n{TOKEN_LINE}{token_of(replace(TELLING, address=BEN.mail), PLANT, KEY)}\n", "not written by this log"),
        (f"ack\n\n{TOKEN_LINE}{token_of(TELLING, PLANT, bytes(32))}\n", "not written by this log"),
        (f"ack\n\n{TOKEN_LINE}{token_of(TELLING, 'Another dairy', KEY)}\n", "not written by this log"),
    ],
)
def test_what_is_refused_says_why(body: str, said: str) -> None:
    found = read(mail(body))
    assert found.what == "refused" and said in found.why and found.person is ANA and found.token is None


def test_a_token_of_another_person_and_a_forged_sender_are_told_apart() -> None:
    body = f"ack\n\n{QUOTED}"
    assert read(mail(body, sender=BEN.mail)).what == "refused"
    assert read(mail(body, sender="Ana Ruiz <ana@elsewhere.example>")).what == "stranger"
    assert read(mail(body, sender=f"{ANA.mail}, mallory@elsewhere.example")).what == "stranger"
    assert read(mail(body, sender=f'"{ANA.mail}" <mallory@elsewhere.example>')).what == "stranger"


def test_a_token_is_old_after_thirty_days() -> None:
    body = f"ack\n\n{QUOTED}"
    assert read(mail(body), T0 + VALID_H * HOUR_MS).what == "acknowledges"
    assert "older than 30 days" in read(mail(body), T0 + (VALID_H + 1) * HOUR_MS).why


@pytest.mark.parametrize(
    "headers",
    [
        {"Auto_Submitted": "auto-replied"},  # RFC 3834, 5
        {"Auto_Submitted": "auto-generated; owner-email=x"},
        {"Precedence": "bulk"},
        {"List_Id": "<list.quillmarsh.example>"},
        {"Return_Path": "<>"},
        {"X_Autoreply": "yes"},
    ],
)
def test_nothing_automatic_acknowledges(headers: dict[str, str]) -> None:
    assert read(mail(f"ack\n\n{QUOTED}", **headers)).what == "automatic"
    assert read(mail(f"ack\n\n{QUOTED}", Auto_Submitted="no")).what == "acknowledges"


@pytest.mark.parametrize("kind", ["delivery-status", "disposition-notification"])
def test_reports_of_delivery_and_of_reading_never_acknowledge(kind: str) -> None:  # RFC 3464, RFC 8098
    raw = (
        f"From: Ana Ruiz <{ANA.mail}>\r\nMessage-ID: <r@x>\r\nMIME-Version: 1.0\r\n"
        f'Content-Type: multipart/report; report-type={kind}; boundary="b"\r\n\r\n'
        "--b\r\nContent-Type: text/plain\r\n\r\n"
        f"ack\r\n\r\n{QUOTED}\r\n--b--\r\n"
    )
    assert read(raw.encode()).what == "automatic"


def test_odd_mails_are_judged_and_never_raise() -> None:
    assert read(b"").what == "stranger"
    assert read(b"x" * (LARGEST + 1)).why.endswith("is not read")
    body = f"ack\n\n{QUOTED}"
    odd = mail(body).replace(b'charset="utf-8"', b'charset="klingon"')
    assert read(odd).what == "acknowledges"
    assert read(b"From: \xff\xfe <ana@quillmarsh.example>\r\n\r\nack\r\n").what in ("refused", "stranger")


@settings(max_examples=200)
@given(st.binary(max_size=400))
def test_no_bytes_raise_or_acknowledge(raw: bytes) -> None:
    assert read(raw).what != "acknowledges"
    assert read(f"From: {ANA.mail}\r\n".encode() + raw).what != "acknowledges"


@settings(max_examples=200)
@given(st.text(max_size=300), st.text(max_size=100))
def test_no_text_without_the_token_acknowledges(text: str, more: str) -> None:
    own_text(text)
    page_text(text, quotes=False)
    raw = f"From: {ANA.mail}\r\nContent-Type: text/plain; charset=utf-8\r\n\r\nack {text}\r\n{TOKEN_LINE}{more}\r\n"
    assert read(raw.encode("utf-8", "replace")).what != "acknowledges"


@given(
    st.lists(st.integers(1, 99_999), min_size=1, max_size=9),
    st.integers(0, 40),
    st.sampled_from(["\n> ", "\r\n>> ", " "]),
)
def test_a_token_comes_back_however_a_quotation_breaks_it(numbers: list[int], at: int, breaks: str) -> None:
    telling = replace(TELLING, notices=tuple(replace(NOTICE, occurrence=n) for n in numbers))
    token = token_of(telling, PLANT, KEY)
    found = find(f"> {TOKEN_LINE}{token[:at]}{breaks}{token[at:]}\n\nmore words follow here\n")
    assert found is not None and found.numbers == tuple(numbers)
    assert holds(found, PLANT, ANA.mail.upper(), KEY) and not holds(found, PLANT, BEN.mail, KEY)
    assert not expired(found, T0) and T0 <= found.issued_ms <= T0 + HOUR_MS


def test_the_key_lies_in_a_file_of_its_own_that_nobody_else_reads(tmp_path: Path) -> None:
    file = tmp_path / "w.db.mailkey"
    key = key_of(file)
    assert len(key) == 32 and key_of(file) == key and file.stat().st_mode & 0o777 == 0o600
    assert key_of(tmp_path / "other") != key
    file.write_bytes(b"short")
    with pytest.raises(ValueError, match="wants a key of 32 bytes"):
        key_of(file)


def test_a_mail_that_names_nothing_or_a_short_copy_has_no_token() -> None:
    assert token_of(replace(TELLING, notices=()), PLANT, KEY) == ""
    assert token_of(replace(TELLING, short=True), PLANT, KEY) == ""
    assert token_of(replace(TELLING, notices=(replace(NOTICE, event="acknowledged"),)), PLANT, KEY) == ""
