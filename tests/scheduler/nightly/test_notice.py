"""Mail and webhook, against servers of our own on this machine."""

import json
import socketserver
import threading
from dataclasses import replace
from datetime import date

import pytest

from scheduler.document.reading import document_of
from scheduler.nightly.notice import first_screen, send
from scheduler.site.unattended_records import NoticeRule
from tests.scheduler.feeds.server import misbehaving
from tests.scheduler.sample_plan import sample_document, sample_plan

RULE = NoticeRule("always", (), "", "", "", "", True, "", (), True)


class Mail(socketserver.StreamRequestHandler):
    """Enough of RFC 5321 to take one mail."""

    def handle(self):
        def say(text):
            self.wfile.write(text.encode() + b"\r\n")

        say("220 here")
        while line := self.rfile.readline().decode().strip():
            word = line.split()[0].upper()
            if word in ("EHLO", "HELO", "MAIL", "RCPT", "RSET"):
                say("550 no" if self.server.refuse and word == "RCPT" else "250 well")
            elif word == "DATA":
                say("354 go on")
                while (text := self.rfile.readline().decode()) != ".\r\n":
                    self.server.mail.append(text)
                say("250 taken")
            elif word == "QUIT":
                say("221 bye")
                return
            else:
                say("502 what")


@pytest.fixture
def post_office():
    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), Mail) as server:
        server.daemon_threads, server.mail, server.refuse = True, [], False
        threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True).start()
        yield server
        server.shutdown()


def test_a_mail_holds_the_first_screen_and_the_sheet(post_office, tmp_path):
    sheet = tmp_path / "night.html"
    sheet.write_text("<p>the sheet</p>")
    text = first_screen("Links", date(2026, 7, 14), sample_document(), [])
    host = f"127.0.0.1:{post_office.server_address[1]}"
    rule = replace(RULE, to=("crew@example.org",), sender="plan@example.org", server=host)
    assert send(rule, text, sheet, sample_document(), "") == []
    mail = "".join(post_office.mail)
    assert "To: crew@example.org" in mail and "night.html" in mail and "run from" in mail


def test_what_cannot_be_sent_is_said_without_secrets(post_office, monkeypatch):
    monkeypatch.setenv("MAIL_PASSWORD", "very-secret")
    post_office.refuse = True
    host = f"127.0.0.1:{post_office.server_address[1]}"
    rule = replace(RULE, to=("crew@example.org",), sender="plan@example.org", server=host, password="${MAIL_PASSWORD}")
    (fault,) = send(rule, "text\n", None, None, "")
    assert fault.startswith("mail:") and "very-secret" not in fault
    (closed,) = send(replace(rule, server="127.0.0.1:9"), "text\n", None, None, "")
    assert "mail:" in closed


def test_a_webhook_gets_the_night_as_json(monkeypatch):
    monkeypatch.setenv("HOOK_TOKEN", "t0ken")
    plan = sample_document()
    with misbehaving() as server:
        rule = replace(RULE, webhook=server.give("/hook", b"", status=204), headers=(("X-Token", "${HOOK_TOKEN}"),))
        assert send(rule, "tonight\n", None, plan, "a@example.org") == []
        path, headers, body = server.asked[-1]
        told = json.loads(body)
        assert headers["X-Token"] == "t0ken" and "t0ken" not in body.decode()
        assert told["night"] == plan.night.isoformat() and told["rung"] == "full" and told["text"] == "tonight\n"
        rule = replace(rule, webhook=server.give("/down", b"", status=503))
        (fault,) = send(rule, "tonight\n", None, plan, "")
        assert "status 503" in fault and "t0ken" not in fault


def test_a_lower_rung_is_the_first_line():
    plan = document_of(sample_plan() | {"rung": "last plan scaled"})
    lines = first_screen("Links", date(2026, 7, 14), plan, ["weather.csv, line 3"]).splitlines()
    assert lines[0].startswith("NOT A NEW PLAN") and any("weather.csv, line 3" in line for line in lines)
    assert first_screen("Links", date(2026, 7, 14), None, []).startswith("Links, night of 2026-07-14: NO PLAN")
