"""A PostgreSQL server for the length of a test session: its own folder, its own socket, no network."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import sqlalchemy as sa

USER = "postgres"


def binaries() -> Path | None:
    """Find initdb and pg_ctl: on the path, or where Debian puts them."""
    found = shutil.which("initdb")
    if found:
        return Path(found).resolve().parent
    places = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda p: float(p.parent.parent.name))
    return places[-1].parent if places else None


@contextmanager
def postgres_server() -> Iterator[str]:
    """Start a server and give the URL of its first database; stop it and remove it at the end."""
    where = binaries()
    if where is None:
        raise FileNotFoundError("no PostgreSQL server on this machine")
    root = Path(tempfile.mkdtemp(prefix="evenfall-pg-"))
    as_user = []
    if os.geteuid() == 0:  # the server refuses to run as root
        shutil.chown(root, USER, USER)
        as_user = ["runuser", "-u", USER, "--"]
    data = root / "data"
    run = {"check": True, "cwd": root, "stdout": subprocess.DEVNULL, "timeout": 60}
    try:
        subprocess.run([*as_user, where / "initdb", "-D", data, "-A", "trust", "-U", USER, "-N", "-E", "UTF8"], **run)
        options = f"-k {root} -c listen_addresses='' -c fsync=off -c shared_buffers=32MB"
        start = [*as_user, where / "pg_ctl", "-D", data, "-w", "-l", root / "log", "-o", options, "start"]
        subprocess.run(start, **run)
        try:
            yield f"postgresql://{USER}@/postgres?host={root}"
        finally:
            subprocess.run([*as_user, where / "pg_ctl", "-D", data, "-m", "immediate", "-w", "stop"], **run)
    finally:
        shutil.rmtree(root, ignore_errors=True)


def new_database(server_url: str, name: str) -> str:
    """Make an empty database and give its URL."""
    url = sa.make_url(server_url).set(drivername="postgresql+psycopg")
    engine = sa.create_engine(url, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.execute(sa.text(f'CREATE DATABASE "{name}"'))
    engine.dispose()
    return url.set(drivername="postgresql", database=name).render_as_string()
