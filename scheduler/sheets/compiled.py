"""Compiled templates, kept as Python keeps its compiled modules: beside the source, where it is told, or not at all."""

from __future__ import annotations

import sys
from contextlib import suppress
from importlib.util import cache_from_source
from pathlib import Path
from pickle import UnpicklingError

from jinja2 import BytecodeCache
from jinja2.bccache import Bucket

from scheduler.files import write_atomic


class BesideModules(BytecodeCache):
    """Code of the templates of one folder, in the folder where Python keeps that of the modules beside them.

    The template engine knows by a checksum of the source, and by its own and Python's version, what is out of date.

    Parameters
    ----------
    folder : Path   Of the templates.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def load_bytecode(self, bucket: Bucket) -> None:
        """Read what is kept of a template; anything else than such a file counts as nothing."""
        with suppress(OSError, EOFError, ValueError, TypeError, UnpicklingError), self._file(bucket).open("rb") as kept:
            bucket.load_bytecode(kept)

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Keep a template, where Python may keep modules and the place can be written."""
        if sys.dont_write_bytecode:
            return
        file = self._file(bucket)
        with suppress(OSError):
            file.parent.mkdir(parents=True, exist_ok=True)
            write_atomic(file, bucket.bytecode_to_string())

    def _file(self, bucket: Bucket) -> Path:
        return Path(cache_from_source(str(self.folder / f"{bucket.key}.py")))
