"""Hours, locks, notices, timers and the doctor of an unattended evening, each by a few numbers."""

import json
import logging
import smtplib
import ssl
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from zoneinfo import ZoneInfo

import pytest

from models.choices import UNATTENDED
from scheduler.document.rung import LABELS, Rung
from scheduler.errors import InputProblems, NoPlan, Problem
from scheduler.feeds.bulletin import Refused, Unreachable
from scheduler.nightly import doctor, lock, notice, timer, worker
from scheduler.nightly import log as nightly_log
from scheduler.nightly.hours import hours_of, moment_of
from scheduler.site.records import NightlyRule, WindowRule

NIGHT = date(2026, 7, 14)  # a Tuesday
BERLIN = ZoneInfo("Europe/Berlin")


# -------------------------------------------------------------------------------------------------------------- hours


def test_a_plan_stands_before_the_window_opens_and_the_run_begins_before_that():
    window = WindowRule((1260, 1770), {1: (1200, 1700)})
    found = hours_of(NIGHT, window, NightlyRule(), BERLIN)
    opens = datetime(2026, 7, 14, 18, 0, tzinfo=UTC)  # 20:00 of a Tuesday in summer
    assert (found.opens, found.by) == (opens, opens - timedelta(minutes=UNATTENDED.before_opening))
    assert found.starts == found.by - timedelta(minutes=UNATTENDED.run)
    told = hours_of(NIGHT, window, NightlyRule(1080, 1170), BERLIN)
    assert (told.starts.hour, told.by.hour, told.by.minute) == (16, 17, 30)
    assert hours_of(NIGHT, window, NightlyRule(None, 1170), BERLIN).starts == told.by - timedelta(
        minutes=UNATTENDED.run
    )
    # clocks go back on 25 October at 03:00: 26 hours after midnight of the 24th is 02:00, summer time
    assert moment_of(date(2026, 10, 24), 1560, BERLIN) == datetime(2026, 10, 25, 0, 0, tzinfo=UTC)
    assert moment_of(date(2026, 10, 24), 1680, BERLIN) == datetime(2026, 10, 25, 3, 0, tzinfo=UTC)


def place(opens=1260, by_weekday=None, rule=None, name="South Links", zone="Europe/Berlin"):
    return SimpleNamespace(
        window=WindowRule((opens, opens + 480), by_weekday or {}),
        nightly=rule or NightlyRule(),
        time_zone=ZoneInfo(zone),
        name=name,
        folder=Path("/srv/a b"),
    )


def test_a_timer_names_each_time_of_the_week_once_on_the_site_s_clock():
    early = UNATTENDED.before_opening + UNATTENDED.run
    at = 1260 - early
    assert timer._calendar(place()) == [f"*-*-* {at // 60:02d}:{at % 60:02d}:00 Europe/Berlin"]
    two = timer._calendar(place(by_weekday={5: (1200, 1700), 6: (1200, 1700)}))
    other = 1200 - early
    assert two == [
        f"Sat,Sun *-*-* {other // 60:02d}:{other % 60:02d}:00 Europe/Berlin",
        f"Mon,Tue,Wed,Thu,Fri *-*-* {at // 60:02d}:{at % 60:02d}:00 Europe/Berlin",
    ]
    # a window that opens at 01:00 of the morning after: the run may begin before midnight, on the evening's own date
    assert timer._calendar(place(opens=1500))[0].startswith(f"*-*-* {(1500 - early) // 60:02d}")
    assert timer._calendar(place(rule=NightlyRule(1080, 1170))) == ["*-*-* 18:00:00 Europe/Berlin"]
    late = timer._calendar(place(opens=2000, by_weekday={0: (1260, 1700)}, rule=NightlyRule(1470, None)))
    assert late == ["*-*-* 00:30:00 Europe/Berlin"]  # on every day, each the day after its evening
    once = timer._calendar(place(by_weekday={0: (1200, 1700)}, rule=NightlyRule(None, 1450)))
    assert len(once) == 1


def test_a_timer_s_texts_hold_the_command_quoted_for_each_system(monkeypatch):
    monkeypatch.setattr(timer, "_program", lambda: ["/opt/even fall"])
    text = timer.timer_text(place(name="100 % \x07Links"))
    assert "ExecStart='/opt/even fall' nightly '/srv/a b'\n" in text and "evenfall-100-links.timer" in text
    assert "Description=Evenings of 100 %% Links\n" in text and "SuccessExitStatus=6" in text
    assert f"*/{timer.EVERY} * * * * '/opt/even fall' nightly --when-due --once '/srv/a b'\n" in text
    assert '/TR "\\"/opt/even fall\\" \\"nightly\\" \\"--when-due\\" \\"--once\\" \\"/srv/a b\\""' in text
    assert timer._escaped("a%b$c") == "a%%b$$c"


# ------------------------------------------------------------------------------------------------------- lock and log


def test_a_site_is_held_by_one_run_that_says_who_it_is(tmp_path):
    now = datetime(2026, 7, 14, 18, 0, 1, 5, tzinfo=UTC)
    with lock.locked(tmp_path, now):
        told = json.loads((tmp_path / lock.NAME).read_text())
        assert told["since"] == "2026-07-14T18:00:01+00:00"
        with (
            pytest.raises(lock.Held, match=rf"process {told['pid']} on .*, since 2026-07-14T18:00:01"),
            lock.locked(tmp_path, now),
        ):
            pass
    with lock.locked(tmp_path, now):
        pass  # given back
    (tmp_path / lock.NAME).write_text("{")
    handle = lock.os.open(tmp_path / lock.NAME, lock.os.O_RDWR)
    assert lock._holder(handle).startswith("another run")
    lock.os.close(handle)


def test_the_log_holds_what_happens_within_and_no_secret(tmp_path, monkeypatch):
    monkeypatch.setenv("KEY", "abc-secret")
    (tmp_path / "site.toml").write_text('headers = { "X" = "${KEY}" }')
    logger = logging.getLogger("scheduler.nightly.test")
    top, before = logging.getLogger("scheduler"), logging.getLogger("scheduler").level
    with nightly_log.site_log(tmp_path):
        logger.info("asked with %s", "abc-secret")
    logger.info("after")
    text = (tmp_path / nightly_log.NAME).read_text()
    assert "INFO asked with ${KEY}" in text and "after" not in text and top.level == before
    with nightly_log.site_log(tmp_path / "nowhere"):
        pass  # without one where it cannot be written
    assert nightly_log._texts_with_secrets(tmp_path / "nowhere") == ()


# ------------------------------------------------------------------------------------------------------------- notice


def cycle(start, end):
    return SimpleNamespace(
        start=datetime(2026, 7, 14, 22) + timedelta(minutes=start),
        end=datetime(2026, 7, 14, 22) + timedelta(minutes=end),
    )


def document(*cycles, running=2, flushes=(), give_way=(), rung=Rung.FULL):
    night = SimpleNamespace(zones_running=running, volume_m3=120.0, minutes=90.0)
    return SimpleNamespace(
        site=SimpleNamespace(units="metric", zones=12, name="Links"),
        nights=[night, SimpleNamespace(zones_running=7, volume_m3=7.0, minutes=7.0)],
        rung=rung,
        night=NIGHT,
        zones=[SimpleNamespace(cycles=[c]) for c in cycles],
        flushes=[SimpleNamespace(zone=z, nights=n) for z, n in flushes],
        give_way=[SimpleNamespace(words=w) for w in give_way],
    )


def test_a_notice_is_the_first_screen_as_text():
    text = notice.first_screen("Links", NIGHT, document(cycle(5, 9), cycle(0, 4), cycle(20, 60)), [])
    assert text.splitlines()[:3] == [
        "Links, night of Tuesday 14 July 2026",
        "2 zones of 12 run from 22:00 to 23:00",
        "120.0 m³, 1 h 30 min of run time",
    ]
    assert "To look at" not in text and text.endswith("Local codes, permits and drought orders come first.\n")
    one = notice.first_screen("Links", NIGHT, document(cycle(0, 4), running=1), [])
    assert "1 zone of 12 runs from 22:00 to 22:04" in one
    quiet = notice.first_screen("Links", NIGHT, document(), ["late"])
    assert "Nothing runs tonight." in quiet and "To look at:\n- late\n" in quiet
    flushed = document(
        flushes=[("G1", (NIGHT,)), ("G2", (NIGHT + timedelta(days=1),))], give_way=[f"w{i}" for i in range(7)]
    )
    text = notice.first_screen("Links", NIGHT, flushed, [])
    assert "Salt flush: G1. Keep people off" in text and "w4" in text and "w5" not in text
    lower = next(rung for rung in Rung if LABELS[rung])
    assert notice.first_screen("Links", NIGHT, document(rung=lower), []).startswith(LABELS[lower])


@pytest.mark.parametrize(("count", "more"), [(10, None), (11, "- and 1 more; see status.json")])
def test_ten_troubles_are_told_and_the_rest_counted(count, more):
    lines = notice.first_screen("Links", NIGHT, None, [f"t{i}" for i in range(count)]).splitlines()
    assert [line for line in lines if line.startswith("- t")] == [f"- t{i}" for i in range(10)]
    assert (more in lines) if more else not any("more; see" in line for line in lines)


@pytest.mark.parametrize(
    ("server", "found"),
    [
        ("mail.a.example", ("mail.a.example", 587)),
        ("mail.a.example:25", ("mail.a.example", 25)),
        ("[::1]", ("::1", 587)),
        ("[::1]:465", ("::1", 465)),
    ],
)
def test_a_mail_is_handed_in_at_the_usual_port_unless_told(server, found):
    assert notice._host_and_port(server) == found


class Server:
    def __init__(self, host, port, timeout, context=None):
        self.seen = [type(self).__name__, host, port]
        type(self).made = self

    def __enter__(self):
        return self

    def __exit__(self, *given):
        pass

    def starttls(self, context):
        self.seen.append("tls")

    def login(self, user, password):
        self.seen.append((user, password))

    def send_message(self, message):
        self.message = message


@pytest.mark.parametrize(
    ("port", "plain", "user", "seen"),
    [(587, False, "me", ["Plain", "h", 587, "tls", ("me", "pw")]), (587, True, "", ["Plain", "h", 587]),
     (465, False, "", ["Sealed", "h", 465])],
)  # fmt: skip
def test_a_mail_is_sealed_unless_told_and_holds_a_sheet_that_is_not_too_large(
    monkeypatch, tmp_path, port, plain, user, seen
):
    plain_server, sealed = type("Plain", (Server,), {}), type("Sealed", (Server,), {})
    monkeypatch.setattr(smtplib, "SMTP", plain_server)
    monkeypatch.setattr(smtplib, "SMTP_SSL", sealed)
    monkeypatch.setenv("PW", "pw")
    rule = SimpleNamespace(sender="a@x.example", to=("b@x.example", "c@x.example"), server=f"h:{port}", plain=plain,
                           user=user, password="${PW}")  # fmt: skip
    sheet = tmp_path / "night.html"
    sheet.write_text("<p>x</p>")
    notice._mail(rule, "\nTonight all is well\nmore\n", sheet)
    made = (sealed if port == 465 else plain_server).made
    assert (
        made.seen == seen and made.message["To"] == "b@x.example, c@x.example" and made.message["From"] == "a@x.example"
    )
    assert made.message["Subject"] == "Tonight all is well"
    assert [part.get_filename() for part in made.message.iter_attachments()] == ["night.html"]
    monkeypatch.setattr(notice, "LARGEST_SHEET", 7)
    notice._mail(rule, "x\n", sheet)
    assert not list((sealed if port == 465 else plain_server).made.message.iter_attachments())


@pytest.mark.parametrize(
    ("reason", "words"),
    [
        (ssl.SSLCertVerificationError("x"), "the server's certificate is not valid"),
        (TimeoutError(), "no answer within 30 s"),
        (smtplib.SMTPAuthenticationError(535, b"abc"), "the mail server refuses the user or the password"),
        (OSError(111, "Connection refused"), "Connection refused"),
        (ValueError("abc broke"), "${KEY} broke"),
        (ValueError(), "ValueError"),
    ],
)
def test_what_could_not_be_sent_is_told_without_secrets(monkeypatch, reason, words):
    monkeypatch.setenv("KEY", "abc")
    assert notice._why(reason, ("${KEY}",)) == words


# ------------------------------------------------------------------------------------------------- worker and doctor


@pytest.mark.parametrize(
    ("fails", "code", "words"),
    [
        (None, 0, ()),
        (InputProblems([Problem("a.csv", 1, None, "x")] * 21), 3, None),
        (NoPlan("full"), 4, ("full",)),
        (OSError(28, "No space left", "/x"), 5, ("/x: No space left",)),
        (OSError("odd"), 5, ("odd",)),
    ],
)
def test_a_rung_made_in_a_process_of_its_own_tells_its_code(monkeypatch, fails, code, words):
    closed = []
    kept = SimpleNamespace(
        site="site", flags_for=lambda opening: ("flags", opening), history=lambda night: "history",
        keep=lambda document: "not kept" if document == "published" else None, close=lambda: closed.append(True),
    )  # fmt: skip

    def plan_on(*given):
        assert given == (Rung.FULL, "site", NIGHT, "now", ("flags", ("opening", NIGHT)))
        if fails:
            raise fails
        return "document"

    def publish(site, document, folder, history):
        assert (site, document, folder, history) == ("site", "document", "out", "history")
        return "published", ()

    monkeypatch.setattr("scheduler.site.load_site", lambda folder, without: (folder, without))
    monkeypatch.setattr(
        "scheduler.ledger.keeping.bring_in", lambda site: kept if site == (Path("x"), frozenset("w")) else None
    )
    monkeypatch.setattr("scheduler.nightly.rungs.plan_on", plan_on)
    monkeypatch.setattr("scheduler.evening.publish", publish)
    monkeypatch.setattr("scheduler.nights.opening_of", lambda site, night: ("opening", night))
    monkeypatch.setattr("scheduler.nights.out_folder", lambda site, night: "out")
    found = worker.plan_rung(Path("x"), NIGHT, Rung.FULL, frozenset("w"), "now")
    assert found.code == code and closed == [True] and found.remarks == (("not kept",) if code == 0 else ())
    assert len(found.words) == 20 if words is None else found.words == words


def site(**more):
    usual = {
        "feeds": (),
        "notice": None,
        "name": "Links",
        "zones": [0, 1],
        "folder": Path("/x"),
        "contact": "me",
        "longitude": 13.0,
        "time_zone": BERLIN,
        "window": WindowRule((1260, 1770)),
        "nightly": NightlyRule(1080, 1170),
    }
    return SimpleNamespace(**usual | more)


def test_the_doctor_looks_for_room_secrets_and_clocks(monkeypatch, tmp_path):
    for free, well in ((doctor.ROOM, True), (doctor.ROOM - 1, False)):
        monkeypatch.setattr(doctor.shutil, "disk_usage", lambda folder, free=free: SimpleNamespace(free=free))
        assert doctor._writes(tmp_path).well == well
    assert not doctor._writes(tmp_path / "none").well
    monkeypatch.setenv("A", "1")
    monkeypatch.delenv("B", raising=False)
    feed = SimpleNamespace(location=("https://x?${A}",), headers=(("h", "${B}"),))
    hook = SimpleNamespace(password="${B}", webhook="", headers=(("h", "${A}"),))
    (one,) = doctor._secrets(site(feeds=(feed,), notice=hook))
    assert not one.well and one.words == "environment variables not set: B"
    monkeypatch.setenv("B", "2")
    assert next(doctor._secrets(site(feeds=(feed,), notice=hook))).words == "2 environment variables set"
    assert list(doctor._secrets(site())) == []


@pytest.mark.parametrize(
    ("longitude", "well"), [(13.0, True), (75.1, False), (74.9, True), (-15.1, False), (-14.9, True)]
)
def test_a_site_s_clock_is_within_three_hours_of_its_sun(monkeypatch, longitude, well):
    monkeypatch.setattr(doctor, "choose_night", lambda site, night: night)
    found = list(doctor._clock(site(longitude=longitude), datetime(2026, 7, 14, 12, 0, tzinfo=UTC)))
    assert [f.well for f in found] == ([True] if well else [False, True])  # 2 h ahead of UTC in summer: 30 degrees
    assert found[-1].words == "it is 2026-07-14 14:00 there; run from 18:00, plan by 19:30, window opens 21:00"
    monkeypatch.setattr(doctor, "choose_night", lambda site, night: night - timedelta(days=30))
    assert (
        next(f for f in doctor._clock(site(), datetime(2026, 7, 14, 12, 0, tzinfo=UTC)) if f.what == "data").well
        is False
    )


@pytest.mark.parametrize(("off", "well"), [(119, True), (121, False), (-121, False)])
def test_a_feed_is_asked_and_its_server_s_clock_held_against_ours(monkeypatch, off, well):
    now = datetime(2026, 7, 14, 12, 0, tzinfo=UTC)
    feed = SimpleNamespace(name="w", location=("x ${A}",), headers=())
    monkeypatch.setattr(
        doctor, "fetch", lambda feed, folder, contact, held: SimpleNamespace(sent=now + timedelta(seconds=off))
    )
    monkeypatch.setattr(doctor, "looked_over", lambda site, feed, document, now: f"looked over at {now:%H:%M}")
    found = list(doctor._feed(site(), feed, now))
    assert found[0].words == "looked over at 14:00" and [f.well for f in found[1:]] == ([] if well else [False])

    def fails(reason):
        def call(*given):
            raise reason

        return call

    monkeypatch.setenv("A", "abc")
    monkeypatch.setattr(doctor, "looked_over", fails(Refused("abc is far")))
    assert [f.words for f in doctor._feed(site(), feed, now)] == ["it would be kept out: ${A} is far"]
    monkeypatch.setattr(doctor, "fetch", fails(Unreachable("down")))
    assert [f.words for f in doctor._feed(site(), feed, now)] == ["nothing came: down"]


def test_the_doctor_plans_one_night_and_goes_through_all(monkeypatch):
    asked = []
    monkeypatch.setattr(doctor, "replace", lambda site, nights: (site.name, nights))
    monkeypatch.setattr(doctor, "choose_night", lambda site, night: NIGHT)
    monkeypatch.setattr(doctor, "plan_tonight", lambda site, night, now: asked.append((site, night)))
    now = datetime(2026, 7, 14, 12, 0, tzinfo=UTC)
    assert doctor._solves(site(), now).well and asked == [(("Links", 1), NIGHT)]

    def full(*given):
        raise NoPlan("too full")

    monkeypatch.setattr(doctor, "plan_tonight", full)
    assert doctor._solves(site(), now).words == "too full" and not doctor._solves(site(), now).well
    for name in ("_writes", "_ledger", "_solves"):
        monkeypatch.setattr(doctor, name, lambda *given, name=name: name)
    monkeypatch.setattr(doctor, "_clock", lambda site, now: iter(["clock"]))
    monkeypatch.setattr(doctor, "load_site", lambda folder: site())
    found = list(doctor.examine(Path("/x")))
    assert found[0].words == "Links, 2 zones" and found[1:3] == ["_writes", "_ledger"] and found[3].what == "feeds"
    assert found[4:] == ["_solves", "clock"]

    def broken(folder):
        raise InputProblems([Problem("zones.csv", 2, None, "x"), Problem("zones.csv", 3, None, "y")])

    monkeypatch.setattr(doctor, "load_site", broken)
    found = list(doctor.examine(Path("/x")))
    assert (
        not found[0].well
        and found[0].words == "2 problems; the first: zones.csv, line 2: x"
        and found[1:] == ["_writes"]
    )
