"""One document of a feed: from an address, a file or a command, within its time and size.

Certificates are checked, redirects are followed within the same host only, and what is packed is unpacked no further
than the largest size allowed. Secrets come from the environment by name and are taken out of every message.
"""

from __future__ import annotations

import hashlib
import os
import signal
import stat
import subprocess
import time
import zlib
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any
from urllib.parse import urljoin, urlsplit

from scheduler.feeds.bulletin import Unreachable
from scheduler.site.unattended import SECRET
from scheduler.site.unattended_records import Feed

LARGEST = 32 * 1024 * 1024  # bytes of one document, unpacked
REDIRECTS = 3
PIECE = 64 * 1024  # bytes unpacked at once


@dataclass(frozen=True)
class Conditions:
    """What a server said of the document held, so that it need not send it again."""

    etag: str = ""
    last_modified: str = ""


@dataclass(frozen=True)
class Document:
    """What came. `data` is None where the server says the document held is still the newest.

    conditions : for the next request;  expires : before which it is not worth asking, None if not said;  sent : by the
    server's clock, None if not said.
    """

    data: bytes | None
    conditions: Conditions = field(default_factory=Conditions)
    expires: datetime | None = None
    sent: datetime | None = None


def secrets_of(texts: Iterable[str]) -> tuple[str, ...]:
    """Names of the environment variables that texts ask for."""
    return tuple(dict.fromkeys(name for text in texts for name in SECRET.findall(text)))


def filled(text: str) -> str:
    """Put the secrets a text names in their places.

    Raises
    ------
    Unreachable   An environment variable is not set.
    """
    for name in secrets_of([text]):
        if not os.environ.get(name):
            raise Unreachable(f"the environment variable {name} is not set")
    return SECRET.sub(lambda match: os.environ[match[1]], text)


def without_secrets(text: str, texts: Iterable[str]) -> str:
    """Take the values of secrets named in `texts` out of a message, and addresses' queries with them."""
    for name in secrets_of(texts):
        value = os.environ.get(name, "")
        if value:
            text = text.replace(value, f"${{{name}}}")
    return text


def user_agent(contact: str) -> str:
    """Name of this program and whom to write to about its requests."""
    try:
        number = version("evenfall")
    except PackageNotFoundError:
        number = "0"
    return f"evenfall/{number} ({contact})"


def fetch(feed: Feed, folder: Path, contact: str, held: Conditions) -> Document:
    """Fetch the document of a feed.

    Parameters
    ----------
    feed : Feed
    folder : Path        From which a relative file counts, and in which a command runs: the site's.
    contact : str        For the User-Agent.
    held : Conditions    Of the document held.

    Raises
    ------
    Unreachable   Nothing came; the text holds no secret.
    """
    texts = (*feed.location, *(value for _, value in feed.headers))
    try:
        if feed.kind == "url":
            return _from_address(feed, contact, held)
        if feed.kind == "command":
            return Document(_from_command(feed, folder))
        return Document(_from_file(folder / feed.location[0]))
    except Unreachable as reason:
        raise Unreachable(without_secrets(str(reason), texts)) from None
    except OSError as reason:
        raise Unreachable(without_secrets(reason.strerror or type(reason).__name__, texts)) from None


def _from_file(path: Path) -> bytes:
    """Read a file: a regular one only, up to the largest size."""
    if not path.exists():
        raise Unreachable("there is no such file")
    about = path.stat()
    if not stat.S_ISREG(about.st_mode):
        raise Unreachable("it is no regular file")
    if about.st_size > LARGEST:
        raise Unreachable(f"the file is larger than {LARGEST // 2**20} MiB")
    return path.read_bytes()


def _from_command(feed: Feed, folder: Path) -> bytes:
    """Run a command, without a shell, and take what it prints."""
    words = [filled(word) for word in feed.location]
    process = subprocess.Popen(
        words, cwd=folder, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        start_new_session=os.name == "posix",
    )  # fmt: skip
    until, data = time.monotonic() + feed.timeout, bytearray()
    try:
        assert process.stdout is not None
        os.set_blocking(process.stdout.fileno(), False)
        while True:
            piece = process.stdout.read(PIECE)
            if piece:
                data += piece
            elif piece == b"" or process.poll() is not None:
                data += process.stdout.read() or b""
                break
            else:
                time.sleep(0.02)
            if len(data) > LARGEST:
                raise Unreachable(f"the command printed more than {LARGEST // 2**20} MiB")
            if time.monotonic() > until:
                raise Unreachable(f"the command took longer than {feed.timeout:g} s")
        with suppress(subprocess.TimeoutExpired):
            process.wait(max(0.1, until - time.monotonic()))
        if process.returncode != 0:
            raise Unreachable(f"the command ended with code {process.returncode}")
        return bytes(data)
    finally:
        _stop(process)


def _stop(process: subprocess.Popen[bytes]) -> None:
    """End a command and what it started."""
    if process.poll() is None:
        with suppress(OSError):
            if os.name == "posix":
                os.killpg(process.pid, signal.SIGKILL)
            else:
                process.kill()
        process.wait()
    if process.stdout is not None:
        process.stdout.close()


def _from_address(feed: Feed, contact: str, held: Conditions) -> Document:
    """Ask a server, within the feed's time."""
    import httpx

    until = time.monotonic() + feed.timeout
    address = filled(feed.location[0])
    headers = {"User-Agent": user_agent(contact), "Accept-Encoding": "gzip", "Accept": "*/*"}
    headers |= {name: filled(value) for name, value in feed.headers}
    if held.etag:
        headers["If-None-Match"] = held.etag
    if held.last_modified:
        headers["If-Modified-Since"] = held.last_modified
    try:
        with httpx.Client(timeout=feed.timeout, follow_redirects=False, verify=trusted()) as client:
            for _ in range(REDIRECTS + 1):
                with client.stream("GET", address, headers=headers) as answer:
                    if answer.has_redirect_location:
                        address = _same_host(address, answer.headers.get("location", ""))
                        continue
                    return _answered(answer.status_code, answer.headers, answer.iter_raw(), until, feed.timeout)
    except (httpx.HTTPError, httpx.InvalidURL, zlib.error, ValueError) as reason:
        raise Unreachable(_why(reason, feed.timeout)) from None
    raise Unreachable("the server sends the request on and on")


@cache
def trusted() -> Any:
    """Give the authorities that servers are checked against, an `ssl.SSLContext`, read once for all of an evening."""
    import httpx

    return httpx.create_ssl_context()


def _same_host(address: str, location: str) -> str:
    """The address a server points to, if it is its own."""
    target = urljoin(address, location)
    before, after = urlsplit(address), urlsplit(target)
    if not location or after.netloc != before.netloc or after.scheme not in (before.scheme, "https"):
        raise Unreachable(f"the server sends the request elsewhere, to {after.hostname or 'nowhere'}; not followed")
    return target


def _answered(
    status: int, headers: Mapping[str, str], pieces: Iterable[bytes], until: float, timeout: float
) -> Document:
    """Take an answer's body, unpacked, within size and time."""
    conditions = Conditions(headers.get("etag", "")[:500], headers.get("last-modified", "")[:100])
    times = _http_date(headers.get("expires")), _http_date(headers.get("date"))
    if status == 304:
        return Document(None, conditions, *times)
    if status != 200:
        raise Unreachable(f"the server answers with status {status}")
    packed = headers.get("content-encoding", "").lower()
    if packed not in ("", "identity", "gzip", "deflate"):
        raise Unreachable(f"the answer is packed as {packed!r}, which is not known")
    unpack = zlib.decompressobj(47) if packed in ("gzip", "deflate") else None
    data, received = bytearray(), 0
    for piece in pieces:
        received += len(piece)
        if time.monotonic() > until:
            raise Unreachable(f"the answer took longer than {timeout:g} s")
        while piece:
            data += piece if unpack is None else unpack.decompress(piece, PIECE)
            piece = b"" if unpack is None else unpack.unconsumed_tail
            if len(data) > LARGEST:
                raise Unreachable(f"the answer is larger than {LARGEST // 2**20} MiB")
    if unpack is not None and not unpack.eof:
        raise Unreachable("the answer was cut off")
    said = headers.get("content-length", "")
    if said.isdigit() and received < int(said):
        raise Unreachable("the answer was cut off")
    return Document(bytes(data), conditions, *times)


def _http_date(text: str | None) -> datetime | None:
    """A moment of a header, or None."""
    try:
        found = parsedate_to_datetime(text) if text else None
    except ValueError:
        return None
    return found if found is None or found.tzinfo is not None else found.replace(tzinfo=UTC)


def _why(reason: Exception, timeout: float) -> str:
    """A failed request in plain words."""
    import httpx

    if isinstance(reason, httpx.TimeoutException):
        return f"no answer within {timeout:g} s"
    if isinstance(reason, httpx.ConnectError):
        untrusted = "CERTIFICATE" in str(reason).upper()
        return "the server's certificate is not valid" if untrusted else "the server cannot be reached"
    if isinstance(reason, httpx.RemoteProtocolError):
        return "the answer was cut off"
    if isinstance(reason, zlib.error):
        return "the answer cannot be unpacked"
    return f"the request failed ({type(reason).__name__})"


def digest_of(data: bytes) -> str:
    """A short name for the content of a document."""
    return hashlib.sha256(data).hexdigest()[:32]
