"""What is reached over wires: the mail server and the links. Nothing is sent to a module, and no mail.

May import: config, daemon.core, daemon.store, drivers.modbus.adapter.
"""

from __future__ import annotations

import os
import socket
from pathlib import Path
from typing import Final

from config.model import Copy, Link, Mail, Mailbox, Plant
from daemon.app.doctor.report import Report
from daemon.store.line_protocol import key
from drivers.modbus.adapter import remark

TIMEOUT_S: Final = 10.0


def look_at_relay(report: Report, mail: Mail | None) -> None:
    """Does the mail server greet? Says hello and goodbye; no sender, no recipient, no login."""
    import smtplib
    import ssl

    if mail is None:
        report.note("mail", "no [mail] in the plant file: mails are written as files")
        return
    where = f"the mail server {mail.server}:{mail.port}"
    try:
        if mail.security == "tls":
            context = ssl.create_default_context(cafile=mail.ca_file)
            client: smtplib.SMTP = smtplib.SMTP_SSL(mail.server, mail.port, timeout=TIMEOUT_S, context=context)
        else:
            client = smtplib.SMTP(mail.server, mail.port, timeout=TIMEOUT_S)
        with client:
            client.ehlo()
            if mail.security == "starttls":
                client.starttls(context=ssl.create_default_context(cafile=mail.ca_file))
                client.ehlo()
    except (OSError, smtplib.SMTPException) as e:
        report.error(
            "mail",
            f"{where} is not reached: {e}",
            "Check name, port and security in [mail], the network, and any firewall between.",
        )
    else:
        report.note("mail", f"{where} greets; nothing was sent")
    secret = mail.password_file or mail.token_file
    if secret and not os.access(secret, os.R_OK):
        report.warning(
            "mail",
            f"{secret} cannot be read by this user",
            "The service's user must be able to; run doctor as that user to see it as the service does.",
        )


def look_at_mailbox(report: Report, mailbox: Mailbox | None) -> None:
    """Can the mailbox be opened? Nothing in it is read or changed."""
    from daemon.notify.mailbox import Box, MailboxTrouble

    if mailbox is None:
        return
    try:
        with Box(mailbox, TIMEOUT_S) as box:
            box.open()
    except MailboxTrouble as e:
        report.error("mailbox", str(e), "Until it can be read, alarms are acknowledged by command alone.")
    else:
        report.note("mailbox", f"{mailbox.folder} of {mailbox.user} at {mailbox.server} can be read")


def look_at_copy(report: Report, copy: Copy | None, name: str, behind: int) -> None:
    """Is the central server there, and does it take a line? One sign of life is sent under the plant's name."""
    from daemon.core.clock import SystemClock
    from daemon.store.copying import SKEW_S, CopyTrouble, Server

    if copy is None:
        return
    now_ms = SystemClock().now_ms()
    report.figures["copy_polls_behind"] = behind
    try:
        server = Server(copy, TIMEOUT_S)
        try:
            server.take([f"waterside_log,plant={key(name)} doctor=1 {now_ms}"])
            skew = server.ask_clock(now_ms / 1000)
        finally:
            server.close()
    except CopyTrouble as e:
        report.error("copy", str(e), "Check url, bucket and token_file in [copy], and the network. Nothing is lost.")
        return
    report.note("copy", f"{copy.url} takes lines; {behind} polls were not noted as taken")
    if skew is not None and abs(skew) > SKEW_S:
        side = "ahead of" if skew > 0 else "behind"
        report.warning(
            "copy",
            f"the clock of {copy.url} is {abs(skew):.0f} s {side} ours",
            "Set both by network time; dates there and here do not agree.",
        )


def look_at_links(report: Report, plant: Plant, running: bool, sysfs: Path | None = None) -> None:
    """Devices are there and may be used; TCP modules take a connection, asked only while the service does not poll."""
    for link in plant.links:
        if link.device is not None:
            _serial(report, link, link.device, sysfs)
        elif link.host is not None:
            _tcp(report, link, link.host, running)


def _serial(report: Report, link: Link, device: str, sysfs: Path | None) -> None:
    if not Path(device).exists():
        report.error(
            "link",
            f"{link.name}: {device} is not there",
            "Plug the adapter in, or name it by /dev/serial/by-id/... in the plant file, which does not change.",
        )
        return
    if not os.access(device, os.R_OK | os.W_OK):
        report.warning(
            "link",
            f"{link.name}: this user may not use {device}",
            "The service's user must be in the group of the device (most often dialout).",
        )
    found = remark(link.name, device) if sysfs is None else remark(link.name, device, sysfs)
    if found:
        first, _, rest = found.partition(". ")
        report.warning("link", first.removeprefix("Link "), rest)


def _tcp(report: Report, link: Link, host: str, running: bool) -> None:
    if running:
        report.note("link", f"{link.name}: not tried while the service polls it; see `waterside status`")
        return
    try:
        socket.create_connection((host, link.port), min(TIMEOUT_S, max(1.0, link.timeout_s))).close()
    except OSError as e:
        report.error(
            "link",
            f"{link.name}: {host}:{link.port} takes no connection ({e})",
            "Check power, cable, address and port of the module or gateway.",
        )
    else:
        report.note("link", f"{link.name}: {host}:{link.port} takes a connection; nothing was asked")
