"""Who may ask, and what a browser may do with the answer.

On loopback the machine's user is trusted, but not every page in his browser: the host of a request must be ours, and
what changes anything must come from one of our own pages and carry their token. On another address every request needs
the token as well, once in the address or a header, then in a cookie.
"""

from __future__ import annotations

import asyncio
import base64
import hashlib
import hmac
import re
import secrets
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

LOOPBACK = frozenset({"127.0.0.1", "localhost", "[::1]"})
COOKIE = "evenfall_token"
LARGEST_BODY = 21 * 1024 * 1024  # bytes of a request; a dropped file is 20 MiB at most
PATIENCE = 20.0  # [s] a client may be silent within its request
SAFE = ("GET", "HEAD")
HEADERS = {
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
    "cache-control": "no-store",
}
_INLINE = re.compile(r"<(script|style)(?![^>]*\bsrc=)[^>]*>(.*?)</\1>", re.DOTALL | re.IGNORECASE)


@dataclass(frozen=True)
class Rule:
    """What is allowed.

    Parameters
    ----------
    hosts : frozenset of str   Names a request may be addressed to, without the port.
    token : str                Asked for with every request; "" on loopback.
    form : str                 Token of our own forms, new with every start.
    """

    hosts: frozenset[str]
    token: str = ""
    form: str = field(default_factory=lambda: secrets.token_urlsafe(24))


class Guard:
    """Stands before every route."""

    def __init__(self, app: ASGIApp, rule: Rule) -> None:
        self.app, self.rule = app, rule

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer why not."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        refused = self._refusal(scope, headers)
        if refused is not None:
            await _with_headers(refused, scope, receive, send)
            return

        async def sent(message: Message) -> None:
            if message["type"] == "http.response.start":
                answer = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    answer.setdefault(name, value)
                answer.setdefault("content-security-policy", policy(""))
            await send(message)

        await self.app(scope, _limited(receive), sent)

    def _refusal(self, scope: Scope, headers: Headers) -> Response | None:
        """Why a request is not let through, None if it is."""
        if _host(headers.get("host", "")) not in self.rule.hosts:
            return PlainTextResponse("this name is not served here", 421)
        if self.rule.token:
            refused = self._token_refusal(scope, headers)
            if refused is not None:
                return refused
        if scope["method"] in SAFE:
            return None
        if scope["method"] != "POST":
            return PlainTextResponse("only GET, HEAD and POST are answered", 405)
        site = headers.get("sec-fetch-site")
        origin = headers.get("origin")
        ours = origin is not None and urlsplit(origin).netloc == headers.get("host")
        if (site is not None and site != "same-origin") or not (ours or (origin is None and site == "same-origin")):
            return PlainTextResponse("requests of other pages are not answered", 403)
        length = headers.get("content-length", "")
        if "transfer-encoding" in headers or not length.isdigit() or int(length) > LARGEST_BODY:
            return PlainTextResponse(f"at most {LARGEST_BODY // 2**20} MiB, with their length, are taken", 413)
        return None

    def _token_refusal(self, scope: Scope, headers: Headers) -> Response | None:
        """Ask for the token; one given in the address moves into a cookie, so that it does not stay in sight."""
        given = headers.get("authorization", "").removeprefix("Bearer ")
        if _same(given, self.rule.token) or _same(_cookie(headers.get("cookie", "")), self.rule.token):
            return None
        query = parse_qs(scope.get("query_string", b"").decode("latin-1")).get("token", [""])[0]
        if _same(query, self.rule.token) and scope["method"] in SAFE:
            answer = RedirectResponse(scope["path"], 303)
            answer.set_cookie(COOKIE, self.rule.token, httponly=True, samesite="strict", secure=False, path="/")
            return answer
        return PlainTextResponse("a token is needed", 401)


async def form_of(request: Request, rule: Rule) -> dict[str, str]:
    """Read a form of ours.

    Raises
    ------
    PermissionError   It does not carry the token of our forms.
    """
    form = await request.form(max_files=0, max_fields=3000)
    values = {name: value for name, value in form.multi_items() if isinstance(value, str)}
    check_form(values.pop("form", ""), rule)
    return values


def check_form(given: object, rule: Rule) -> None:
    """Refuse a form that does not carry the token of our forms.

    Raises
    ------
    PermissionError
    """
    if not isinstance(given, str) or not _same(given, rule.form):
        raise PermissionError("this page is from before the last start; load it again")


def policy(page: str) -> str:
    """Content security policy of a page: our own files, and the scripts and styles that stand in it, by their hash."""
    found = {"script": [], "style": []}  # type: dict[str, list[str]]
    for kind, text in _INLINE.findall(page):
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        found[kind.lower()].append(f"'sha256-{digest}'")
    scripts, styles = (" ".join(dict.fromkeys(found[kind])) for kind in ("script", "style"))
    parts = (
        "default-src 'none'",
        f"script-src 'self' {scripts}".strip(),
        f"style-src 'self' {styles}".strip(),
        *(["style-src-attr 'unsafe-inline'"] if "style=" in page else []),
        "img-src 'self' data:",
        "connect-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
    return "; ".join(parts)


def _host(text: str) -> str:
    """Host of a request without its port, in lower case."""
    match = re.fullmatch(r"(\[[0-9a-f:.]+\]|[a-z0-9.-]+)(?::\d{1,5})?", text.strip().lower())
    return match[1] if match else ""


def _same(given: str, wanted: str) -> bool:
    return bool(wanted) and hmac.compare_digest(given.encode(), wanted.encode())


def _cookie(text: str) -> str:
    try:
        found = SimpleCookie(text).get(COOKIE)
    except CookieError:
        return ""
    return found.value if found else ""


def _limited(receive: Receive) -> Receive:
    """Take no more of a body than is allowed, whatever its length was said to be."""
    taken = 0

    async def next_message() -> Message:
        nonlocal taken
        try:
            message = await asyncio.wait_for(receive(), PATIENCE)
        except TimeoutError:
            return {"type": "http.disconnect"}
        taken += len(message.get("body", b""))
        if taken > LARGEST_BODY:
            return {"type": "http.disconnect"}
        return message

    return next_message


async def _with_headers(answer: Response, scope: Scope, receive: Receive, send: Send) -> None:
    for name, value in HEADERS.items():
        answer.headers.setdefault(name, value)
    answer.headers.setdefault("content-security-policy", policy(""))
    await answer(scope, receive, send)
