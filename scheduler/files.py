"""Writing files so that a reader never meets half of one.

A file is written beside its destination, flushed to the disk, and moved over the old one in a single step. If anything
fails on the way, the old file is still there, whole, and the unfinished one is removed.

Files that belong together are written into a hidden folder first; its renaming is the step that decides, and whoever
comes next finishes moves that were cut off (`finish_sets`). So a set is the old one or the new one, never a mixture.
"""

from __future__ import annotations

import os
import shutil
import stat
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

NEW_FILE_MODE = 0o644  # owner writes, all read: sheets are for people
UNFINISHED, DECIDED = ".unfinished-", ".decided-"  # hidden folders of a set, before and after the step that decides
ABANDONED = 3600  # [s] after which what a killed program left is swept; another may still be writing before


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
    except BaseException as error:
        with suppress(FileNotFoundError):
            unfinished.unlink()
        if isinstance(error, OSError) and error.errno and error.filename is None:  # a full disk names none
            error.filename = str(path)
        raise
    _flush_folder(path.parent)
    return path


@contextmanager
def whole_set(folder: Path) -> Iterator[Path]:
    """Write files that belong together: into the folder given, from where all of them go to `folder`, or none.

    Parameters
    ----------
    folder : Path                   Destination; it is made if it does not exist.

    Yields
    ------
    Path                            An empty folder to write the files into; folders inside it are kept.

    Raises
    ------
    OSError                         The folder cannot be written; what stood there is unchanged.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    finish_sets(folder)
    unfinished = Path(tempfile.mkdtemp(prefix=UNFINISHED, dir=folder))
    try:
        yield unfinished
        for inner in {path.parent for path in unfinished.rglob("*")}:
            _flush_folder(inner)
        decided = unfinished.rename(folder / unfinished.name.replace(UNFINISHED, DECIDED))
    except BaseException as error:
        shutil.rmtree(unfinished, ignore_errors=True)
        if isinstance(error, OSError) and error.filename is not None:
            error.filename = str(error.filename).replace(f"{unfinished.name}{os.sep}", "")
        raise
    _flush_folder(folder)
    _move_set(decided, folder)


def finish_sets(folder: Path) -> None:
    """Finish the moves of sets that were decided and cut off, and sweep what a killed program left long ago.

    Parameters
    ----------
    folder : Path                   May not exist.

    Raises
    ------
    OSError                         The folder cannot be written.
    """
    if not folder.is_dir():
        return
    for path in sorted(folder.glob(".*")):
        if path.name.startswith(DECIDED):
            _move_set(path, folder)
        elif path.name.startswith(UNFINISHED) or path.name.endswith(".part"):
            with suppress(OSError):
                if time.time() - path.stat().st_mtime > ABANDONED:
                    shutil.rmtree(path) if path.is_dir() else path.unlink()


def _move_set(decided: Path, folder: Path) -> None:
    """Move the files of a decided set to their places; another program may be doing the same."""
    for path in sorted(decided.rglob("*")):
        if path.is_dir():
            continue
        target = folder / path.relative_to(decided)
        target.parent.mkdir(parents=True, exist_ok=True)
        with suppress(FileNotFoundError):
            path.chmod(stat.S_IMODE(target.stat().st_mode))
        with suppress(FileNotFoundError):
            path.replace(target)
    _flush_folder(folder)
    shutil.rmtree(decided, ignore_errors=True)


def _flush_folder(folder: Path) -> None:
    """Make the move durable too. Some systems cannot open a folder; the file is whole there all the same."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
