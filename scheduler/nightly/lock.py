"""One nightly run at a time a site. The lock goes with the process that holds it, however it ends."""

from __future__ import annotations

import json
import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path

NAME = ".nightly.lock"


class Held(Exception):
    """Another run holds the lock; the text says who."""


@contextmanager
def locked(folder: Path, now: datetime) -> Iterator[None]:
    """Hold the lock of a site folder.

    Raises
    ------
    Held      Another run holds it.
    OSError   The folder cannot be written.
    """
    handle = os.open(folder / NAME, os.O_RDWR | os.O_CREAT, 0o644)
    try:
        if not _take(handle):
            raise Held(_holder(handle))
        about = {"pid": os.getpid(), "host": socket.gethostname(), "since": now.isoformat(timespec="seconds")}
        os.ftruncate(handle, 0)
        os.lseek(handle, 0, os.SEEK_SET)
        os.write(handle, json.dumps(about).encode())
        yield
    finally:
        os.close(handle)


def _take(handle: int) -> bool:
    """Take the lock if it is free; the system gives it back when the process ends."""
    try:
        import fcntl
    except ImportError:  # not on Windows
        return _take_on_windows(handle)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _take_on_windows(handle: int) -> bool:
    import msvcrt

    with suppress(OSError):
        os.lseek(handle, 1 << 20, os.SEEK_SET)  # far past the text, which others may read
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
        return True
    return False


def _holder(handle: int) -> str:
    """Who holds the lock, in words."""
    try:
        os.lseek(handle, 0, os.SEEK_SET)
        about = json.loads(os.read(handle, 4096))
        return f"process {about['pid']} on {about['host']}, since {about['since']}"
    except (OSError, ValueError, KeyError, TypeError):
        return "another run, which has not yet said who it is"
