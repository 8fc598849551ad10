"""The notice of a night: the first screen of its sheet as text, by mail or as a POST; no secret is in it."""

from __future__ import annotations

import json
import smtplib
import ssl
from collections.abc import Sequence
from datetime import date
from email.message import EmailMessage
from email.utils import formatdate, make_msgid
from pathlib import Path
from typing import Any

from scheduler.document.parts import PlanDocument
from scheduler.document.rung import LABELS
from scheduler.edge import format_date, format_duration, format_time, format_volume
from scheduler.errors import counted
from scheduler.feeds.bulletin import Unreachable
from scheduler.feeds.fetch import filled, trusted, user_agent, without_secrets
from scheduler.site.unattended_records import NoticeRule

PATIENCE = 30.0  # [s] a server is waited for
LARGEST_SHEET = 10 * 1024 * 1024  # bytes of a night sheet that go with a mail
LISTED = 5


def first_screen(site: str, night: date, document: PlanDocument | None, trouble: Sequence[str]) -> str:
    """What a person needs first, as plain text.

    Parameters
    ----------
    site : str
    night : date
    document : PlanDocument or None   The plan that stands for the night.
    trouble : sequence of str    What went wrong, worst first.
    """
    if document is None:
        lines = [f"{site}, night of {night.isoformat()}: NO PLAN"]
    else:
        units, tonight = document.site.units, document.nights[0]
        lines = [LABELS[document.rung]] if LABELS[document.rung] else []
        lines += [f"{site}, night of {format_date(night, units)}"]
        cycles = [c for z in document.zones for c in z.cycles]
        if cycles:
            first, last = min(c.start for c in cycles), max(c.end for c in cycles)
            verb = "runs" if tonight.zones_running == 1 else "run"
            runs = f"{counted(tonight.zones_running, 'zone')} of {document.site.zones:,} {verb}"
            lines.append(f"{runs} from {format_time(first, units)} to {format_time(last, units)}")
            water = format_volume(tonight.volume_m3, units)
            lines.append(f"{water}, {format_duration(tonight.minutes)} of run time")
        else:
            lines.append("Nothing runs tonight.")
        flushed = [f.zone for f in document.flushes if document.night in f.nights]
        if flushed:
            lines.append(f"Salt flush: {', '.join(flushed)}. Keep people off these surfaces.")
        lines += [row.words for row in document.give_way][:LISTED]
    if trouble:
        lines += ["", "To look at:", *(f"- {words}" for words in trouble[: 2 * LISTED])]
        if len(trouble) > 2 * LISTED:
            lines.append(f"- and {len(trouble) - 2 * LISTED} more; see status.json")
    lines += ["", "The plan is advice. Local codes, permits and drought orders come first."]
    return "\n".join(lines) + "\n"


def send(rule: NoticeRule, text: str, sheet: Path | None, document: PlanDocument | None, contact: str) -> list[str]:
    """Send a notice every way the rule names.

    Returns
    -------
    list of str   What could not be sent, and why; without secrets.
    """
    faults = []
    if rule.to:
        try:
            _mail(rule, text, sheet)
        except (Unreachable, OSError, smtplib.SMTPException, ValueError) as reason:
            faults.append(f"mail: {_why(reason, (rule.password,))}")
    if rule.webhook:
        try:
            _post(rule, text, document, contact)
        except (Unreachable, OSError, ValueError) as reason:
            faults.append(f"webhook: {_why(reason, (rule.webhook, *(v for _, v in rule.headers)))}")
    return faults


def _mail(rule: NoticeRule, text: str, sheet: Path | None) -> None:
    """Send a mail, protected by TLS unless the rule says plain."""
    message = EmailMessage()
    message["From"], message["To"] = rule.sender, ", ".join(rule.to)
    message["Subject"] = next(line for line in text.splitlines() if line)[:150]
    message["Date"], message["Message-ID"] = formatdate(localtime=False), make_msgid(domain="evenfall.invalid")
    message.set_content(text)
    if sheet is not None and sheet.stat().st_size <= LARGEST_SHEET:
        message.add_attachment(sheet.read_bytes(), maintype="text", subtype="html", filename=sheet.name)
    host, port = _host_and_port(rule.server)
    trusted = ssl.create_default_context()
    password = filled(rule.password)
    if port == 465:
        with smtplib.SMTP_SSL(host, port, timeout=PATIENCE, context=trusted) as server:
            _hand_over(server, rule, password, message)
        return
    with smtplib.SMTP(host, port, timeout=PATIENCE) as server:
        if not rule.plain:
            server.starttls(context=trusted)
        _hand_over(server, rule, password, message)


def _hand_over(server: smtplib.SMTP, rule: NoticeRule, password: str, message: EmailMessage) -> None:
    if rule.user:
        server.login(rule.user, password)
    server.send_message(message)


def _host_and_port(server: str) -> tuple[str, int]:
    """Host and port of a mail server; 587, for handing in mail, where none is named."""
    if server.startswith("["):
        host, _, rest = server[1:].partition("]")
        return host, int(rest[1:] or 587)
    host, _, port = server.partition(":")
    return host, int(port or 587)


def _post(rule: NoticeRule, text: str, document: PlanDocument | None, contact: str) -> None:
    """POST the notice as JSON: text for people, and the figures of the night."""
    import httpx

    body: dict[str, Any] = {"schema": "evenfall-notice/1", "text": text}
    if document is not None:
        tonight = document.nights[0]
        body |= {
            "site": document.site.name,
            "night": document.night.isoformat(),
            "rung": document.rung.value,
            "zones_running": tonight.zones_running,
            "volume_m3": tonight.volume_m3,
        }
    headers = {"User-Agent": user_agent(contact or "no contact"), "Content-Type": "application/json"}
    headers |= {name: filled(value) for name, value in rule.headers}
    try:
        answer = httpx.post(
            filled(rule.webhook),
            content=json.dumps(body),
            headers=headers,
            timeout=PATIENCE,
            follow_redirects=False,
            verify=trusted(),
        )
    except (httpx.HTTPError, httpx.InvalidURL) as reason:
        raise Unreachable(f"it cannot be reached ({type(reason).__name__})") from None
    if not 200 <= answer.status_code < 300:
        raise Unreachable(f"the server answers with status {answer.status_code}")


def _why(reason: Exception, texts: Sequence[str]) -> str:
    """A failure in words, without secrets."""
    if isinstance(reason, ssl.SSLCertVerificationError):
        return "the server's certificate is not valid"
    if isinstance(reason, smtplib.SMTPAuthenticationError):
        return "the mail server refuses the user or the password"
    if isinstance(reason, TimeoutError):
        return f"no answer within {PATIENCE:g} s"
    words = reason.strerror if isinstance(reason, OSError) and reason.strerror else str(reason) or type(reason).__name__
    return without_secrets(words, texts)
