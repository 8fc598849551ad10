"""Opening the ledger: a SQLite file beside the site, or a PostgreSQL database for a group of sites.

What is committed is on the disk: SQLite runs with a write-ahead log and `synchronous = FULL`, PostgreSQL as its
server is set. One writer at a time: SQLite takes the lock when a writing transaction begins, PostgreSQL locks the row
of the site. A file on a network drive that cannot share memory falls back to SQLite's rollback journal, which is as
safe and slower.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy import Connection, Engine, event
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, SQLAlchemyError

from scheduler.ledger.migrations import WrongVersion, bring_up, is_current
from scheduler.ledger.tables import sites

FILE_NAME = "ledger.sqlite"  # in the site folder
PATIENCE = 60  # how long a writer waits for another [s]
DAMAGED = ("malformed", "not a database")  # what SQLite says of a damaged file
MENDING = "the file is damaged: set it aside, and the next command makes a new one from what the site folder holds"
SCHEMA_LOCK = 715_517_001  # any number of our own; two programs must not make the tables at once


class LedgerUnusable(Exception):
    """The ledger cannot be opened or written; the text says where and why."""


@dataclass(frozen=True)
class Ledger:
    """An open ledger, seen from one site. Use `with ledger.reading() as c` or `with ledger.writing() as c`."""

    engine: Engine
    site_id: int
    site_key: str

    @property
    def where(self) -> str:
        """Name the database, without passwords."""
        return self.engine.url.render_as_string(hide_password=True)

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Give a connection that sees one state of the ledger throughout."""
        with self._named(), self.engine.connect() as connection:
            connection = connection.execution_options(**self._one_state())
            with connection.begin():
                yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """Give the only writing connection of this site; leaving the block commits, an exception undoes everything."""
        with self._named(), self.engine.connect() as connection:
            connection = connection.execution_options(writes=True)
            with connection.begin():
                connection.execute(
                    sa.select(sites.c.site_id).where(sites.c.site_id == self.site_id).with_for_update()
                ).one()
                yield connection

    def close(self) -> None:
        """Let go of all connections."""
        self.engine.dispose()

    def _one_state(self) -> dict[str, Any]:
        return {} if self.engine.dialect.name == "sqlite" else {"isolation_level": "REPEATABLE READ"}

    @contextmanager
    def _named(self) -> Iterator[None]:
        """Say which ledger failed."""
        try:
            yield
        except (SQLAlchemyError, self.engine.dialect.loaded_dbapi.Error) as error:  # rows in bulk go past SQLAlchemy
            raise LedgerUnusable(f"{self.where}: {_cause(error)}") from error


def default_url(folder: Path) -> str:
    """Give the URL of the ledger file of a site folder."""
    return sa.URL.create("sqlite", database=str(Path(folder) / FILE_NAME)).render_as_string()


def open_ledger(
    folder: Path, url: str | None = None, site_key: str | None = None, patience: float = PATIENCE
) -> Ledger:
    """Open the ledger of a site, making or upgrading its tables where needed.

    Parameters
    ----------
    folder : Path
        The site folder.
    url : str, optional
        `[ledger] url` of site.toml: `postgresql://user@host/database`, `sqlite:///path`, or a path of a SQLite file,
        relative to the folder. None is `ledger.sqlite` in the folder.
    site_key : str, optional
        What this site is called where several share a database; the folder's name if None. In a file of its own the
        key is "site", so that a folder can be renamed.
    patience : float
        How long to wait for another writer of a SQLite file, or for a server to answer [s].

    Raises
    ------
    LedgerUnusable
        No such database, no permission, a damaged file, or one written by a newer program.
    """
    folder = Path(folder)
    try:
        target = sa.make_url(_full_url(folder, url))
        if target.drivername in ("postgresql", "postgres"):
            target = target.set(drivername="postgresql+psycopg")
        engine = _engine(target, patience)
    except (ArgumentError, NoSuchModuleError, ImportError) as error:
        raise LedgerUnusable(f"[ledger] url: {error}") from error
    key = site_key or ("site" if target.get_backend_name() == "sqlite" and url is None else folder.resolve().name)
    try:
        with engine.connect() as connection:
            with connection.begin():
                site_id = _known_site(connection, key)
            if site_id is None:
                connection = connection.execution_options(writes=True)
                with connection.begin():
                    if engine.dialect.name != "sqlite":
                        connection.execute(sa.select(sa.func.pg_advisory_xact_lock(SCHEMA_LOCK)))
                    bring_up(connection)
                    site_id = _site_id(connection, key)
    except (SQLAlchemyError, WrongVersion) as error:
        engine.dispose()
        raise LedgerUnusable(f"{target.render_as_string(hide_password=True)}: {_cause(error)}") from error
    return Ledger(engine, site_id, key)


def _full_url(folder: Path, url: str | None) -> str:
    if url is None:
        return default_url(folder)
    return url if "://" in url else sa.URL.create("sqlite", database=str(folder / url)).render_as_string()


def _engine(url: sa.URL, patience: float) -> Engine:
    if url.get_backend_name() == "sqlite":
        engine = sa.create_engine(url, connect_args={"timeout": patience})
        event.listen(engine, "connect", _prepare_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
        return engine
    if url.get_backend_name() != "postgresql":
        raise ArgumentError(f'read "{url.drivername}"; sqlite and postgresql are allowed')
    waits = {"connect_timeout": max(2, round(patience)), "options": f"-c lock_timeout={round(1000 * patience)}"}
    return sa.create_engine(url, pool_pre_ping=True, connect_args=waits)


def _prepare_sqlite(connection: Any, _record: object) -> None:
    connection.isolation_level = None  # transactions begin where we say so
    cursor = connection.cursor()
    cursor.execute("PRAGMA journal_mode = WAL")
    cursor.execute("PRAGMA synchronous = FULL")
    cursor.execute("PRAGMA foreign_keys = ON")
    cursor.execute("PRAGMA cache_size = -65536")  # 64 MiB
    cursor.close()


def _begin_sqlite(connection: Connection) -> None:
    writes = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def _cause(error: Exception) -> str:
    """Give what the database said, on one line, without the statement that it was said of."""
    words = str(error.orig if isinstance(error, DBAPIError) else error)
    said = "; ".join(line.strip() for line in words.splitlines() if line.strip())
    return f"{said}; {MENDING}" if any(sign in said for sign in DAMAGED) else said


def _known_site(connection: Connection, key: str) -> int | None:
    """Give the number of a site in a ledger of today's version: it can be read while another program writes."""
    if not is_current(connection):
        return None
    found = connection.execute(sa.select(sites.c.site_id).where(sites.c.key == key)).scalar()
    return None if found is None else int(found)


def _site_id(connection: Connection, key: str) -> int:
    found = connection.execute(sa.select(sites.c.site_id).where(sites.c.key == key)).scalar()
    if found is None:
        found = connection.execute(sites.insert().values(key=key).returning(sites.c.site_id)).scalar_one()
    return int(found)
