"""One log file a site, rotated, without secrets."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from logging.handlers import RotatingFileHandler
from pathlib import Path

from scheduler.feeds.fetch import without_secrets
from scheduler.site.unattended import SECRET

NAME = "nightly.log"
LARGEST, KEPT = 512 * 1024, 5  # bytes of one file, and older files kept


class _WithoutSecrets(logging.Filter):
    """Take the values of the secrets a site names out of every line."""

    def __init__(self, texts: tuple[str, ...]) -> None:
        super().__init__()
        self.texts = texts

    def filter(self, record: logging.LogRecord) -> bool:
        record.msg, record.args = without_secrets(record.getMessage(), self.texts), ()
        return True


@contextmanager
def site_log(folder: Path) -> Iterator[None]:
    """Write what happens within into the log of a site; without one where its folder cannot be written."""
    top = logging.getLogger("scheduler")
    try:
        handler = RotatingFileHandler(folder / NAME, maxBytes=LARGEST, backupCount=KEPT, encoding="utf-8", delay=False)
    except OSError:
        yield
        return
    handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(message)s"))
    handler.addFilter(_WithoutSecrets(_texts_with_secrets(folder)))
    level, top.level = top.level, logging.INFO
    top.addHandler(handler)
    try:
        yield
    finally:
        top.removeHandler(handler)
        top.setLevel(level)
        handler.close()


def _texts_with_secrets(folder: Path) -> tuple[str, ...]:
    """The names of secrets in site.toml, found as text: the log must hold none even where the file cannot be read."""
    try:
        text = (folder / "site.toml").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return ()
    return tuple(match[0] for match in SECRET.finditer(text))
