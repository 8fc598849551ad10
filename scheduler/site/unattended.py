"""site.toml of an unattended evening: feeds, the notice, and the hours of the nightly run.

Secrets never stand in the file: `${NAME}` names an environment variable, and is the only way to give one.
"""

from __future__ import annotations

import re
from urllib.parse import parse_qsl, urlsplit

from scheduler.errors import listing, near_miss, read_but
from scheduler.site import schema
from scheduler.site.columns import FILES
from scheduler.site.findings import TomlFindings
from scheduler.site.settle import Settings
from scheduler.site.unattended_records import Feed, NightlyRule, NoticeRule

SECRET = re.compile(r"\$\{([A-Za-z_][A-Za-z0-9_]*)\}")
SECRET_NAMES = re.compile(r"key|token|secret|passw|auth|appid|api_?id|signature|cookie", re.IGNORECASE)
LOOPBACK = ("localhost", "127.0.0.1", "::1")
ONLY_CSV = ("probes", "applied")  # series that no weather service gives
WAYS = ("url", "file", "command")


def settle_unattended(model: schema.SiteFile, settings: Settings, reader: TomlFindings) -> None:
    """Fill in what site.toml says of feeds, notice and nightly run."""
    settings.contact = model.site.contact or ""
    settings.invented = model.site.invented
    feeds: list[Feed] = []
    for i, keys in enumerate(model.feed):
        feed = _feed(keys, i, model, reader)
        if feed.name in (f.name for f in feeds):
            path = ("feed", i, "name") if keys.name else ("feed", i)
            reader.problem(path, read_but(feed.name, "a name that no other feed has is needed"))
        feeds.append(feed)
    settings.feeds = tuple(feeds)
    settings.notice = None if model.notice is None else _notice(model.notice, reader)
    settings.nightly = _nightly(model.nightly, settings, reader)


def _feed(keys: schema.FeedKeys, i: int, model: schema.SiteFile, reader: TomlFindings) -> Feed:
    """Read one feed: exactly one of url, file and command, a format its series can have, no secret in the open."""
    path = ("feed", i)
    given = {way: getattr(keys, way) for way in WAYS if getattr(keys, way) is not None}
    if len(given) != 1:
        told = f"read {listing(list(given))}" if given else "read none of them"
        reader.problem(path, f"exactly one of url, file and command is needed; {told}")
    if keys.series in ONLY_CSV and keys.format != "csv":
        reader.problem((*path, "format"), read_but(keys.format, f"a feed for {keys.series} can be csv only"))
    kind, location = next(iter(given.items()), ("file", ""))
    if kind == "url":
        _check_address(str(location), (*path, "url"), reader)
        if not model.site.contact:
            reader.problem(
                ("site", "contact"),
                "a feed asks a service for data, and services want a contact: a mail address or a page is needed",
            )
    _check_headers(keys.headers, (*path, "headers"), reader)
    allowed = [name for c in FILES[keys.series] for name in (c.name, *c.also)]
    for header, target in keys.columns.items():
        name = re.sub(r"\[.*", "", target).strip().casefold()
        if target and name not in allowed:
            words = f"allowed: a column of {keys.series}.csv, with or without its unit{near_miss(name, allowed)}"
            reader.problem((*path, "columns", header), read_but(target, words))
    if keys.columns and keys.format != "csv":
        reader.problem((*path, "columns"), "columns are for the format csv only")
    return Feed(
        name=keys.name or f"{keys.series} {i + 1}",
        series=keys.series,
        kind=kind,
        location=tuple(location) if kind == "command" else (str(location),),
        format=keys.format,
        every=keys.every,
        timeout=keys.timeout,
        headers=tuple(keys.headers.items()),
        columns=dict(keys.columns),
    )


def _notice(keys: schema.NoticeKeys, reader: TomlFindings) -> NoticeRule:
    """Read who is told of a night."""
    if keys.to is None and keys.webhook is None:
        reader.problem(("notice",), "to (mail addresses) or webhook (an address) is needed")
    for address in (*(keys.to or ()), *((keys.sender,) if keys.sender else ())):
        if not re.fullmatch(r"[^\s@<>,;\"\\]+@[^\s@<>,;\"\\]+", address):
            key = "from" if address == keys.sender else "to"
            reader.problem(("notice", key), read_but(address, "a mail address like name@example.org is allowed"))
    if keys.to is not None:
        for key, value in (("from", keys.sender), ("server", keys.server)):
            if value is None:
                reader.problem(("notice", key), "this key is missing; it is needed to send mail")
    if keys.server is not None and not re.fullmatch(
        r"[A-Za-z0-9.-]+(:\d{1,5})?|\[[0-9A-Fa-f:]+\](:\d{1,5})?", keys.server
    ):
        reader.problem(("notice", "server"), read_but(keys.server, "a host like mail.example.org:587 is allowed"))
    if keys.password is not None and not SECRET.fullmatch(keys.password):
        reader.problem(
            ("notice", "password"),
            'a password is not written here; name an environment variable that holds it, like "${MAIL_PASSWORD}"',
        )
    if keys.webhook is not None:
        _check_address(keys.webhook, ("notice", "webhook"), reader, whole_secret=True)
    _check_headers(keys.headers, ("notice", "headers"), reader)
    return NoticeRule(
        keys.when, keys.to or (), keys.sender or "", keys.server or "", keys.user or "", keys.password or "",
        keys.plain, keys.webhook or "", tuple(keys.headers.items()), keys.attach,
    )  # fmt: skip


def _nightly(keys: schema.NightlyKeys, settings: Settings, reader: TomlFindings) -> NightlyRule:
    """Read the hours of the nightly run: before the window opens, on every weekday."""
    windows = [settings.window.default, *settings.window.by_weekday.values()]
    earliest = min(opens for opens, _ in windows)
    clock = f"{earliest % 1440 // 60:02d}:{earliest % 60:02d}"
    if keys.by is not None and keys.by >= earliest:
        reader.problem(("nightly", "by"), f"a time before the window opens ({clock}) is allowed")
    last = keys.by if keys.by is not None else earliest
    if keys.starts is not None and keys.starts >= last:
        reader.problem(("nightly", "starts"), f"a time before {last // 60:02d}:{last % 60:02d} is allowed")
    return NightlyRule(keys.starts, keys.by, keys.profiles, keys.copy_to or "")


def _check_address(text: str, path: tuple[object, ...], reader: TomlFindings, whole_secret: bool = False) -> None:
    """Refuse what is no web address, and secrets written in the open."""
    if whole_secret and SECRET.fullmatch(text):
        return
    parts = urlsplit(text)
    if parts.scheme not in ("http", "https") or not parts.netloc:
        reader.problem(path, read_but(text, "an address that begins with https:// is allowed"))
        return
    if parts.scheme == "http" and (parts.hostname or "") not in LOOPBACK:
        reader.note(
            "warning", f"{'.'.join(map(str, path))}: http:// is not protected on its way; use https:// if you can"
        )
    if parts.username is not None or parts.password is not None:
        reader.problem(path, "a name or password inside the address is not allowed; use a header with ${NAME}")
    for name, value in parse_qsl(parts.query):
        if SECRET_NAMES.search(name) and value and not SECRET.search(value):
            text = f'"{name}" looks like a secret; name an environment variable that holds it: {name}=${{MY_KEY}}'
            reader.problem(path, text)


def _check_headers(headers: dict[str, str], path: tuple[object, ...], reader: TomlFindings) -> None:
    """Refuse headers that cannot be sent, and secrets written in the open."""
    for name, value in headers.items():
        if not re.fullmatch(r"[A-Za-z0-9-]{1,80}", name) or not value.isprintable():
            reader.problem((*path, name), "a header name of letters, digits and hyphens, and a plain text, are allowed")
        elif SECRET_NAMES.search(name) and not SECRET.search(value):
            text = f'a secret is not written here; name an environment variable that holds it: "{name}" = "${{MY_KEY}}"'
            reader.problem((*path, name), text)
