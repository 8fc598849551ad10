"""What stands in a served folder, who may ask, and commands at work: piece by piece, without a server."""

import asyncio
import gc
import os
from datetime import date
from types import SimpleNamespace

import pandas as pd
import pytest
from starlette.datastructures import Headers

from scheduler.serve import dropped, guard, jobs, pages, run, sites
from scheduler.serve.guard import Guard, Rule, policy
from scheduler.serve.jobs import Busy, Job, Jobs
from scheduler.serve.sites import Served, served, trouble

# ------------------------------------------------------------------------------------------------------------- sites


@pytest.fixture
def place(tmp_path):
    for night, names in (
        ("2026-07-12", ("night.html", "plan.json")),
        ("2026-07-13", ("zones.html",)),
        ("2026-07-14", ()),
    ):
        (tmp_path / "out" / night).mkdir(parents=True)
        for name in names:
            (tmp_path / "out" / night / name).write_text("x")
    for name in ("2026-13-40", "old", "2026-07-1", "20260715"):
        (tmp_path / "out" / name).mkdir()
    (tmp_path / "out" / "2026-07-16").write_text("no folder")
    return Served("links", tmp_path)


def test_nights_are_folders_named_by_a_date_the_newest_first(place):
    assert place.nights() == [date(2026, 7, 14), date(2026, 7, 13), date(2026, 7, 12)]
    assert Served("new", place.folder / "none").nights() == []


def test_only_pages_of_a_night_are_given_and_none_through_a_link(place):
    night = date(2026, 7, 12)
    assert place.page(night, "night.html") == place.folder / "out" / "2026-07-12" / "night.html"
    assert place.page(night, "plan.json") is None and place.page(night, "zones.html") is None
    (place.folder / "out" / "2026-07-12" / "salts.html").symlink_to(place.folder / "out" / "2026-07-12" / "plan.json")
    assert place.page(night, "salts.html") is None
    assert place.newest("zones.html")[0] == date(2026, 7, 13) and place.newest("night.html")[0] == night
    assert place.newest("keypad.html") is None


def test_the_newest_plan_is_read_and_an_unreadable_one_hides_no_older(place, monkeypatch):
    read = []
    monkeypatch.setattr(sites, "read_plan", lambda path: read.append(path.parent.name) or "plan")
    assert place.plan() == "plan" and read == ["2026-07-12"]
    (place.folder / "out" / "2026-07-13" / "plan.json").write_text("{")

    def refuses(path):
        raise ValueError(path)

    monkeypatch.setattr(sites, "read_plan", refuses)
    assert place.plan() is None and Served("new", place.folder / "none").plan() is None


def test_reports_are_listed_newest_first_and_cases_by_name(place):
    for at, name in enumerate(("b", "a", "none", "c")):
        (place.folder / "whatif" / name).mkdir(parents=True)
        if name != "none":
            page = place.folder / "whatif" / name / "whatif.html"
            page.write_text("x")
            os.utime(page, (at, at))
    assert place.reports("whatif") == ["c", "a", "b"] and place.reports("season") == []
    (place.folder / "cases").mkdir()
    for name in ("b.toml", "a-1.toml", "no name.toml", "x" * 61 + ".toml", "y" * 60 + ".toml", "c.txt"):
        (place.folder / "cases" / name).touch()
    assert place.cases() == ["a-1", "b", "y" * 60]


def test_each_folder_has_a_name_of_its_own_in_addresses(tmp_path):
    names = ["a/Links & Dunes", "b/links dunes", "c/--", "d/LINKS-DUNES", "e/links-dunes-2"]
    found = served([tmp_path / name for name in names])
    assert list(found) == ["links-dunes", "links-dunes-2", "site", "links-dunes-3", "links-dunes-2-2"]
    assert found["site"] == Served("site", (tmp_path / "c" / "--").resolve())


@pytest.mark.parametrize(
    ("status", "dry", "told"),
    [
        ((["disk full", "x"], None), [0], (3, "disk full")), ((["a feed is old"], "plan"), [0], (2, "a feed is old")),
        (([], None), None, (3, "no plan stands")), (None, None, (3, "no plan stands")),
        (([], "plan"), [1200, 34], (1, "1,234 dry zone-days in the coming nights")),
        (None, [0, 0], (0, "nothing to look at")), (([], None), [0], (0, "nothing to look at")),
    ],
)  # fmt: skip
def test_how_much_trouble_a_site_is_in(status, dry, told):
    told_of = None if status is None else SimpleNamespace(trouble=status[0], plan=status[1])
    plan = None if dry is None else SimpleNamespace(surfaces=[SimpleNamespace(dry_zone_days=d) for d in dry])
    assert trouble(SimpleNamespace(status=lambda: told_of, plan=lambda: plan)) == told


# ------------------------------------------------------------------------------------------------------------- guard

OURS = {
    "host": "127.0.0.1:8000",
    "origin": "http://127.0.0.1:8000",
    "sec-fetch-site": "same-origin",
    "content-length": "3",
}


def answer(method="POST", token="", query=b"", **headers):
    given = {k: v for k, v in (OURS | {k.replace("_", "-"): v for k, v in headers.items()}).items() if v is not None}
    scope = {"type": "http", "method": method, "path": "/links", "query_string": query}
    rule = Rule(frozenset({"127.0.0.1", "course.example"}), token)
    found = Guard(None, rule)._refusal(scope, Headers(given))
    return None if found is None else found.status_code


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, None), ({"origin": None}, None), ({"sec_fetch_site": None}, None),
        ({"origin": None, "sec_fetch_site": None}, 403), ({"sec_fetch_site": "cross-site"}, 403),
        ({"sec_fetch_site": "same-site"}, 403), ({"origin": "http://127.0.0.1:9000"}, 403), ({"origin": "null"}, 403),
        ({"origin": None, "sec_fetch_site": "none"}, 403), ({"content_length": None}, 413),
        ({"content_length": str(guard.LARGEST_BODY)}, None), ({"content_length": str(guard.LARGEST_BODY + 1)}, 413),
        ({"content_length": "-1"}, 413), ({"transfer_encoding": "chunked"}, 413), ({"host": "evil.example"}, 421),
        ({"host": "127.0.0.1.evil"}, 421), ({"host": None}, 421), ({"method": "PUT"}, 405), ({"method": "DELETE"}, 405),
        ({"method": "GET", "origin": "http://evil", "sec_fetch_site": "cross-site", "content_length": None}, None),
        ({"method": "HEAD", "content_length": None}, None),
    ],
)  # fmt: skip
def test_only_our_own_pages_may_change_anything(headers, status):
    assert answer(**headers) == status


@pytest.mark.parametrize(
    ("given", "status"),
    [
        ({}, 401), ({"authorization": "Bearer abc"}, None), ({"authorization": "abc"}, None),
        ({"authorization": "Bearer abd"}, 401),
        ({"cookie": f"x=1; {guard.COOKIE}=abc"}, None), ({"cookie": f"{guard.COOKIE}=ab"}, 401), ({"cookie": "abc"},
        401),
        ({"query": b"token=abc", "method": "GET"}, 303), ({"query": b"token=abc", "method": "HEAD"}, 303),
        ({"query": b"token=abc"}, 401), ({"query": b"token=", "method": "GET"}, 401), ({"query": b"",
        "authorization": ""}, 401),
    ],
)  # fmt: skip
def test_beyond_this_machine_every_request_needs_the_token(given, status):
    assert answer(**given, token="abc") == status


def test_a_token_of_the_address_moves_into_a_cookie():
    scope = {"method": "GET", "path": "/links/tonight", "query_string": b"token=abc"}
    found = Guard(None, Rule(frozenset(), "abc"))._token_refusal(scope, Headers({}))
    assert found.headers["location"] == "/links/tonight"
    cookie = found.headers["set-cookie"].lower()
    assert (
        f"{guard.COOKIE}=abc" in cookie and "httponly" in cookie and "samesite=strict" in cookie and "path=/" in cookie
    )


@pytest.mark.parametrize(
    ("text", "host"),
    [("Course.Example:8000", "course.example"), ("[::1]:80", "[::1]"), ("a", "a"), ("a:", ""), ("a:123456", ""),
     ("a b", ""), (" a:1 ", "a"), ("a@b", ""), ("", "")],
)  # fmt: skip
def test_the_host_of_a_request_is_without_its_port(text, host):
    assert guard._host(text) == host


def test_forms_carry_their_token():
    rule = Rule(frozenset(), form="secret")
    guard.check_form("secret", rule)
    for given in ("", "Secret", None, 5):
        with pytest.raises(PermissionError, match="before the last start"):
            guard.check_form(given, rule)
    with pytest.raises(PermissionError):
        guard.check_form("", Rule(frozenset(), form=""))
    assert Rule(frozenset()).form != Rule(frozenset()).form and len(Rule(frozenset()).form) >= 32


def test_a_page_may_run_what_stands_in_it_and_nothing_else():
    text = "<script>a()</script><STYLE media='print'>b</STYLE><script src='/x.js'></script><script>a()</script>"
    rule = policy(text)
    script, style = (next(p for p in rule.split("; ") if p.startswith(f"{kind}-src ")) for kind in ("script", "style"))
    assert script.count("sha256-") == 1 and style.count("sha256-") == 1 and "style-src-attr" not in rule
    assert policy("").split("; ")[:3] == ["default-src 'none'", "script-src 'self'", "style-src 'self'"]
    assert "style-src-attr 'unsafe-inline'" in policy('<p style="x">')
    assert {"base-uri 'none'", "frame-ancestors 'none'", "form-action 'self'"} <= set(rule.split("; "))


# -------------------------------------------------------------------------------------------------------------- jobs


class Process:
    """A command that ends when it is told to."""

    pid = 4711

    def __init__(self, words=(), **given):
        self.words, self.given, self.stdout, self.code = list(words), given, ["one\n", "\n", "  two  \n"], None

    def poll(self):
        return self.code

    def wait(self):
        return 0 if self.code is None else self.code


@pytest.fixture
def work(monkeypatch):
    monkeypatch.setattr(jobs.subprocess, "Popen", Process)
    monkeypatch.setattr(jobs.threading, "Thread", lambda **given: SimpleNamespace(start=lambda: None))
    return Jobs()


def begin(work, title="Tonight", site="a"):
    return work.start(title, site, ["plan", "x"], "/a/tonight", None)


def test_one_command_at_a_time_for_a_site_and_two_over_all(work):
    one = begin(work)
    assert one.process.words[1:] == ["-m", "scheduler.cli", "plan", "x"] and one.state == "at work"
    with pytest.raises(Busy, match="^Tonight is still at work for this site$"):
        begin(work, "Salts")
    two = begin(work, site="b")
    with pytest.raises(Busy, match="two commands are at work already"):
        begin(work, site="c")
    two.code = 0
    three = begin(work, site="c")
    assert work.get(one.key) is one and work.get("none") is None and len({j.key for j in (one, two, three)}) == 3
    one.code = 1
    again = begin(work)
    assert work.of("a") == [again, one] and work.of("b") == [two]


def test_what_a_command_prints_is_kept_and_how_it_ended(work):
    one = begin(work)
    one.began -= 5.0
    work._follow(one)
    assert (list(one.lines), one.code, one.state) == (["one", "  two"], 0, "done") and 5.0 <= one.seconds < 50.0
    assert Job("k", "t", "s", "r", Process(), code=2).state == "failed"
    one.process.stdout = [f"{i}\n" for i in range(jobs.KEPT_LINES + 5)]
    work._follow(one)
    assert len(one.lines) == jobs.KEPT_LINES and one.lines[-1] == str(jobs.KEPT_LINES + 4)


def test_the_oldest_commands_that_ended_are_forgotten(work, monkeypatch):
    monkeypatch.setattr(jobs, "KEPT_JOBS", 2)
    made = []
    for i in range(4):
        made.append(begin(work, str(i)))
        made[-1].code = 0
    last = begin(work, "last")
    assert [j.title for j in work.of("a")] == ["last", "3", "2"] and work.get(made[0].key) is None
    assert work.get(last.key) is last


def test_a_command_is_stopped_with_what_it_started_and_once(work, monkeypatch):
    killed = []
    monkeypatch.setattr(jobs.os, "killpg", lambda pid, what: killed.append((pid, what)))
    one, two = begin(work), begin(work, site="b")
    two.process.code = 0  # it has just ended
    work.stop_all()
    assert killed == [(4711, jobs.signal.SIGTERM)] and one.stopped and not two.stopped
    one.code = -15
    assert one.state == "stopped"
    one.stop()
    assert len(killed) == 1


# ------------------------------------------------------------------------------------------------------------- pages


def test_a_sheet_has_the_bar_above_it_and_its_policy(tmp_path):
    path = tmp_path / "night.html"
    path.write_text("<html><head><style>x</style></head><body>one<body></html>", encoding="utf-8")
    found = pages.sheet(path, Served("links", tmp_path), "zones", False, date(2026, 7, 14))
    text = found.body.decode()
    assert text.count("/static/bar.css") == 1 and text.index("bar.css") < text.index("</head>") < text.index("<body>")
    assert text.index("<body>") < text.index('aria-current="page"') < text.index("one<body>")
    assert found.headers["content-security-policy"] == policy(text)
    assert pages.day(date(2026, 7, 14)) == "Tue 14 Jul 2026"


# --------------------------------------------------------------------------------------------------- the guard at work


def asked(method, body=b"", **headers):
    """What the guard answers, or what stands behind it."""
    sent, seen = [], []

    async def behind(scope, receive, send):
        seen.append(await receive())
        await send({"type": "http.response.start", "status": 200, "headers": [(b"cache-control", b"private")]})
        await send({"type": "http.response.body", "body": b"in"})

    async def receive():
        return {"type": "http.request", "body": body, "more_body": False}

    async def send(message):
        sent.append(message)

    given = [(k.replace("_", "-").encode(), v.encode()) for k, v in headers.items()]
    scope = {"type": "http", "method": method, "path": "/", "query_string": b"", "headers": given}
    asyncio.run(Guard(behind, Rule(frozenset({"127.0.0.1"})))(scope, receive, send))
    answer = {k.decode(): v.decode() for k, v in sent[0]["headers"]}
    return sent[0]["status"], b"".join(m.get("body", b"") for m in sent[1:]), answer, seen


def test_every_answer_carries_what_a_browser_may_do_with_it(monkeypatch):
    status, body, answer, seen = asked("GET", host="127.0.0.1")
    assert (status, body, len(seen)) == (200, b"in", 1) and answer["cache-control"] == "private"
    assert answer["content-security-policy"] == policy("") and answer["x-frame-options"] == "DENY"
    status, body, answer, seen = asked("GET", host="evil.example")
    assert (status, body, seen) == (421, b"this name is not served here", []) and answer["cache-control"] == "no-store"
    assert answer["content-security-policy"] == policy("") and answer["x-content-type-options"] == "nosniff"
    monkeypatch.setattr(guard, "LARGEST_BODY", 4)
    for body, kind in ((b"1234", "http.request"), (b"12345", "http.disconnect")):
        assert asked("GET", body, host="127.0.0.1")[3][0]["type"] == kind


@pytest.mark.parametrize(
    ("series", "data", "why"),
    [
        ("meter", b"x", "meter is none of"), ("applied", b"n" * 9, "it is larger"), ("applied", b"\0x",
        "it is no text"),
        ("applied", b"ok", "it holds no rows"),
    ],
)  # fmt: skip
def test_a_dropped_file_is_taken_whole_or_not_at_all(monkeypatch, series, data, why):
    monkeypatch.setattr(dropped, "LARGEST", 8)
    kept = []
    monkeypatch.setattr(dropped, "read_csv", lambda *given: kept.append(given) or SimpleNamespace(rows=pd.DataFrame()))
    monkeypatch.setattr(dropped, "add_rows", lambda *given: kept.append(given))
    with pytest.raises(dropped.Refused, match=why.replace("it is larger", "the file is larger")):
        dropped.take_dropped("site", series, data, None)
    assert kept == ([] if data != b"ok" else [(b"ok", "applied", "site", {})])


def test_rows_of_a_dropped_file_are_added_to_its_series(monkeypatch):
    rows = pd.DataFrame({"a": [1]})
    monkeypatch.setattr(dropped, "read_csv", lambda data, series, site, more: SimpleNamespace(rows=rows))
    monkeypatch.setattr(dropped, "add_rows", lambda *given: given)
    assert dropped.take_dropped("site", "probes", b"\xef\xbb\xbfx", "now") == ("site", "probes", rows, "now")
    assert dropped.LARGEST == 20 * 2**20


def test_a_server_goes_on_for_months_and_looks_for_garbage(tmp_path, monkeypatch):
    (tmp_path / "site.toml").touch()
    looks = []
    monkeypatch.setattr(run, "server_of", lambda *_: SimpleNamespace(run=lambda: looks.append(gc.isenabled())))
    before = gc.isenabled()
    try:
        gc.disable()
        run.run([tmp_path], "127.0.0.1", 8000, None, [], lambda text: None)
    finally:
        (gc.enable if before else gc.disable)()
    assert looks == [True]
