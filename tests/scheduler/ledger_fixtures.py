"""Fixtures of the ledger tests: every test that asks for `ledger` runs on SQLite and on a real PostgreSQL server."""

from __future__ import annotations

import itertools

import pytest

from scheduler.ledger import open_ledger
from tests.postgres import binaries, new_database, postgres_server

_numbers = itertools.count()


@pytest.fixture(scope="session")
def postgres():
    if binaries() is None:
        pytest.skip("no PostgreSQL server binaries (Debian package `postgresql`)")
    with postgres_server() as url:
        yield url


@pytest.fixture(params=["sqlite", "postgresql"])
def ledger_url(request, tmp_path):
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'shared.sqlite'}"
    return new_database(request.getfixturevalue("postgres"), f"test{next(_numbers)}")


@pytest.fixture
def ledger(ledger_url, tmp_path):
    opened = open_ledger(tmp_path, ledger_url, "links")
    yield opened
    opened.close()
