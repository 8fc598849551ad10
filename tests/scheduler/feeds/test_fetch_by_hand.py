"""One document from an address, a file or a command: what is let in, how far it is unpacked, what is never said."""

import gzip
import zlib
from datetime import UTC, datetime
from types import SimpleNamespace

import httpx
import pytest

from scheduler.feeds import fetch
from scheduler.feeds.bulletin import Unreachable
from scheduler.feeds.fetch import Conditions

LATER = float("inf")


def refused(call, *given):
    with pytest.raises(Unreachable) as reason:
        call(*given)
    return str(reason.value)


def test_secrets_are_filled_in_by_name_and_taken_out_of_every_word(monkeypatch):
    monkeypatch.setenv("KEY", "abc")
    monkeypatch.delenv("NONE", raising=False)
    assert fetch.secrets_of(["a ${KEY} ${NONE}", "${KEY}"]) == ("KEY", "NONE")
    assert fetch.filled("x=${KEY}&y=${KEY}") == "x=abc&y=abc" and fetch.filled("plain") == "plain"
    assert refused(fetch.filled, "${NONE}") == "the environment variable NONE is not set"
    assert fetch.without_secrets("abc said abcabc", ["${KEY}", "${NONE}"]) == "${KEY} said ${KEY}${KEY}"
    assert fetch.user_agent("a@b.example").endswith(" (a@b.example)") and fetch.user_agent("x").startswith("evenfall/")
    assert len(fetch.digest_of(b"a")) == 32 and fetch.digest_of(b"a") != fetch.digest_of(b"b")


@pytest.mark.parametrize(
    ("location", "target"),
    [
        ("/b", "https://a.example/b"),
        ("https://a.example/c?x=1", "https://a.example/c?x=1"),
        ("http://a.example/b", None),
        ("https://b.example/b", None),
        ("https://a.example:8443/b", None),
        ("", None),
        ("ftp://a.example/b", None),
    ],
)
def test_a_redirect_is_followed_on_the_same_host_and_never_to_less_protection(location, target):
    if target is None:
        assert "not followed" in refused(fetch._same_host, "https://a.example/a", location)
    else:
        assert fetch._same_host("https://a.example/a", location) == target
    assert fetch._same_host("http://a.example/a", "https://a.example/a") == "https://a.example/a"


def answered(body=(b"abc",), status=200, until=LATER, **headers):
    given = {name.replace("_", "-"): value for name, value in headers.items()}
    return fetch._answered(status, given, body, until, 5.0)


def test_an_answer_is_taken_whole_with_what_its_server_said():
    found = answered((b"ab", b"c"), etag="e" * 600, last_modified="m", expires="Tue, 14 Jul 2026 21:00:00 GMT",
                     date="Tue, 14 Jul 2026 20:00:00 -0000", content_length="3")  # fmt: skip
    assert found.data == b"abc" and found.conditions == Conditions("e" * 500, "m")
    assert found.expires == datetime(2026, 7, 14, 21, tzinfo=UTC) and found.sent == datetime(
        2026, 7, 14, 20, tzinfo=UTC
    )
    same = answered(status=304, etag="e")
    assert same.data is None and same.conditions.etag == "e" and same.expires is None
    assert fetch._http_date("nonsense") is None is fetch._http_date(None)


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"status": 404}, "status 404"),
        ({"status": 201}, "status 201"),
        ({"content_encoding": "br"}, "'br', which is not known"),
        ({"content_length": "4"}, "cut off"),
        ({"until": 0.0}, "took longer than 5 s"),
        ({"body": (gzip.compress(b"abc" * 99)[:-9],), "content_encoding": "gzip"}, "cut off"),
    ],
)
def test_an_answer_that_is_not_whole_is_none(given, words):
    assert words in refused(lambda: answered(**given))


def test_an_answer_is_unpacked_no_further_than_the_largest_size(monkeypatch):
    body = b"x" * 100_000
    for packed, how in ((gzip.compress(body), "gzip"), (zlib.compress(body), "deflate")):
        assert answered((packed[:50], packed[50:]), content_encoding=how).data == body
    assert answered((body,), content_encoding="identity", content_length="100").data == body
    monkeypatch.setattr(fetch, "LARGEST", 100_000)
    assert answered((gzip.compress(body),), content_encoding="gzip").data == body
    monkeypatch.setattr(fetch, "LARGEST", 99_999)
    assert "larger than 0 MiB" in refused(lambda: answered((gzip.compress(body),), content_encoding="gzip"))
    assert "larger than" in refused(lambda: answered((body,)))


def feed(kind, *location, **more):
    usual = {"kind": kind, "location": location, "headers": (), "timeout": 5.0}
    return SimpleNamespace(**usual | more)


def test_a_file_counts_from_the_site_s_folder(tmp_path, monkeypatch):
    (tmp_path / "a.csv").write_bytes(b"12345")
    assert fetch.fetch(feed("file", "a.csv"), tmp_path, "", Conditions()).data == b"12345"
    assert refused(fetch.fetch, feed("file", "b.csv"), tmp_path, "", Conditions()) == "there is no such file"
    assert refused(fetch.fetch, feed("file", "."), tmp_path, "", Conditions()) == "it is no regular file"
    monkeypatch.setattr(fetch, "LARGEST", 5)
    assert fetch._from_file(tmp_path / "a.csv") == b"12345"
    monkeypatch.setattr(fetch, "LARGEST", 4)
    assert "larger than" in refused(fetch._from_file, tmp_path / "a.csv")


def test_a_command_runs_in_the_site_s_folder_and_must_end_well_in_time(tmp_path, monkeypatch):
    monkeypatch.setenv("KEY", "abc")
    assert fetch.fetch(feed("command", "sh", "-c", "pwd; echo ${KEY}"), tmp_path, "", Conditions()).data.split() == [
        str(tmp_path.resolve()).encode(), b"abc",
    ]  # fmt: skip
    assert (
        refused(fetch._from_command, feed("command", "sh", "-c", "exit 3"), tmp_path) == "the command ended with code 3"
    )
    slow = feed("command", "sleep", "9", timeout=0.05)
    assert refused(fetch._from_command, slow, tmp_path) == "the command took longer than 0.05 s"
    said = refused(fetch.fetch, feed("command", "no-such-program-abc", "${KEY}"), tmp_path, "", Conditions())
    assert "abc" not in said.replace("no-such-program-abc", "")


def asked(monkeypatch, *answers, held=None, **more):
    """Ask a server that answers so, one after the other; what it was asked."""
    seen, left = [], list(answers)

    class Stream:
        def __init__(self, answer):
            self.status_code, self.headers, self.body = answer
            self.has_redirect_location = 300 < self.status_code < 304

        def __enter__(self):
            return self

        def __exit__(self, *given):
            pass

        def iter_raw(self):
            return iter([self.body])

    class Client:
        def __init__(self, **given):
            seen.append(given)

        def __enter__(self):
            return self

        def __exit__(self, *given):
            pass

        def stream(self, method, address, headers):
            seen.append((method, address, headers))
            answer = left.pop(0)
            if isinstance(answer, Exception):
                raise answer
            return Stream(answer)

    monkeypatch.setattr(httpx, "Client", Client)
    monkeypatch.setattr(fetch, "trusted", lambda: "authorities")
    given = feed("url", "https://a.example/x", headers=(("X-Key", "${KEY}"),), **more)
    return fetch._from_address(given, "me", held or Conditions()), seen


def test_a_server_is_asked_with_who_asks_its_key_and_what_is_held(monkeypatch):
    monkeypatch.setenv("KEY", "abc")
    found, (client, (method, address, headers)) = asked(monkeypatch, (200, {}, b"body"), held=Conditions("e", "m"))
    assert found.data == b"body" and (method, address) == ("GET", "https://a.example/x")
    assert client == {"timeout": 5.0, "follow_redirects": False, "verify": "authorities"}
    assert (headers["X-Key"], headers["If-None-Match"], headers["If-Modified-Since"]) == ("abc", "e", "m")
    _, (_, (_, _, headers)) = asked(monkeypatch, (200, {}, b""))
    assert "If-None-Match" not in headers and "If-Modified-Since" not in headers


def test_three_redirects_are_followed_and_not_four(monkeypatch):
    monkeypatch.setenv("KEY", "abc")
    on = (302, {"location": "/y"}, b"")
    found, seen = asked(monkeypatch, on, on, on, (200, {}, b"end"))
    assert found.data == b"end" and seen[-1][1] == "https://a.example/y"
    assert refused(lambda: asked(monkeypatch, on, on, on, on)) == "the server sends the request on and on"


@pytest.mark.parametrize(
    ("reason", "words"),
    [
        (httpx.ReadTimeout("x"), "no answer within 5 s"),
        (httpx.ConnectError("certificate verify failed"), "certificate is not valid"),
        (httpx.ConnectError("refused"), "cannot be reached"),
        (httpx.RemoteProtocolError("x"), "cut off"),
        (zlib.error("x"), "cannot be unpacked"),
        (ValueError("x"), "the request failed (ValueError)"),
    ],
)
def test_a_request_that_failed_is_told_in_plain_words(monkeypatch, reason, words):
    monkeypatch.setenv("KEY", "abc")
    assert words in refused(lambda: asked(monkeypatch, reason))
