"""Writing files so that a reader never meets half of one.

A file is written beside its destination, flushed to the disk, and moved over the old one in a single step. If anything
fails on the way, the old file is still there, whole, and the unfinished one is removed.
"""

from __future__ import annotations

import os
import stat
import tempfile
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import BinaryIO

NEW_FILE_MODE = 0o644  # owner writes, all read: sheets are for people


def write_atomic(path: Path, content: str | bytes) -> Path:
    """Write text (UTF-8, line ends as given) or bytes to `path` in one step.

    Parameters
    ----------
    path : Path                     Destination; its folder is made if it does not exist.
    content : str or bytes          The whole file.

    Returns
    -------
    Path                            The destination, as given.

    Raises
    ------
    OSError                         The folder cannot be written; the old file is unchanged.
    UnicodeEncodeError              The text cannot be UTF-8; the old file is unchanged.
    """
    data = content.encode("utf-8") if isinstance(content, str) else content
    return write_atomic_with(path, lambda stream: stream.write(data))


def write_atomic_with(path: Path, writer: Callable[[BinaryIO], object]) -> Path:
    """Let `writer` fill a binary stream and put the result at `path` in one step.

    Parameters
    ----------
    path : Path                     Destination; its folder is made if it does not exist.
    writer : callable               Called once with an open binary stream; whatever it raises is passed on.

    Returns
    -------
    Path                            The destination, as given.

    Raises
    ------
    OSError                         The folder cannot be written; the old file is unchanged.
    """
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    try:
        mode = stat.S_IMODE(path.stat().st_mode)
    except FileNotFoundError:
        mode = NEW_FILE_MODE
    handle, name = tempfile.mkstemp(prefix=f".{path.name[:60]}.", suffix=".part", dir=path.parent)
    unfinished = Path(name)
    try:
        with os.fdopen(handle, "wb") as stream:
            writer(stream)
            stream.flush()
            os.fsync(stream.fileno())
        unfinished.chmod(mode)
        unfinished.replace(path)
    except BaseException:
        with suppress(FileNotFoundError):
            unfinished.unlink()
        raise
    _flush_folder(path.parent)
    return path


def _flush_folder(folder: Path) -> None:
    """Make the move durable too. Some systems cannot open a folder; the file is whole there all the same."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
