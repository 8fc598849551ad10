"""The versions of the schema: a plain list of steps, each one transaction.

A new ledger is made as `tables.py` says and marked with `VERSION`. An older one is brought up step by step, each step
whole or not at all, in the order of the list. To change the schema: change `tables.py`, append the statements that
turn the last version into the new one to `STEPS`, and keep the old description in the tests
(`tests/scheduler/ledger_schema.json`).
"""

from __future__ import annotations

from collections.abc import Callable

import sqlalchemy as sa
from sqlalchemy import Connection

from scheduler.ledger.tables import metadata, schema_version

FIRST = 1


def _plans_in_brief(connection: Connection) -> None:
    """Version 2: plans also hold in brief what later evenings ask of them."""
    kind = "BLOB" if connection.dialect.name == "sqlite" else "BYTEA"
    connection.execute(sa.text(f"ALTER TABLE plans ADD COLUMN brief {kind}"))


def _days_of_readings(connection: Connection) -> None:
    """Version 3: a digest of each day's readings, so that a file read again is known without comparing its rows."""
    clustered = " WITHOUT ROWID" if connection.dialect.name == "sqlite" else ""
    connection.execute(
        sa.text(
            "CREATE TABLE reading_days (probe_id INTEGER NOT NULL REFERENCES probes (probe_id), day INTEGER NOT NULL, "
            f"digest BIGINT NOT NULL, PRIMARY KEY (probe_id, day)){clustered}"
        )
    )


def _water_meters(connection: Connection) -> None:
    """Readings of water meters."""
    clustered = " WITHOUT ROWID" if connection.dialect.name == "sqlite" else ""
    number = "DOUBLE" if connection.dialect.name == "sqlite" else "DOUBLE PRECISION"
    connection.execute(
        sa.text(
            "CREATE TABLE meter (site_id INTEGER NOT NULL REFERENCES sites (site_id), meter TEXT NOT NULL, "
            f"time TEXT NOT NULL, starts INTEGER NOT NULL, reading {number}, source TEXT NOT NULL DEFAULT '', "
            f"kind TEXT NOT NULL DEFAULT '', rolls_over_at {number}, note TEXT NOT NULL DEFAULT '', "
            f"intake_id INTEGER NOT NULL, PRIMARY KEY (site_id, meter, time, starts)){clustered}"
        )
    )


def _outlooks(connection: Connection) -> None:
    """Seasons ahead that were lived through."""
    lite = connection.dialect.name == "sqlite"
    connection.execute(
        sa.text(
            "CREATE TABLE outlooks (site_id INTEGER NOT NULL REFERENCES sites (site_id), key TEXT NOT NULL, "
            "made_at TEXT NOT NULL DEFAULT '', case_name TEXT NOT NULL DEFAULT '', "
            f"weather_year TEXT NOT NULL DEFAULT '', outlook {'BLOB' if lite else 'BYTEA'} NOT NULL, "
            f"PRIMARY KEY (site_id, key)){' WITHOUT ROWID' if lite else ''}"
        )
    )


# STEPS[i] turns version FIRST + i into FIRST + i + 1
STEPS: list[Callable[[Connection], None]] = [_plans_in_brief, _days_of_readings, _water_meters, _outlooks]


class WrongVersion(Exception):
    """The ledger was written by a newer program than this one."""


def newest() -> int:
    """Give the version this program writes."""
    return FIRST + len(STEPS)


def bring_up(connection: Connection) -> int:
    """Make the tables, or bring older ones to this program's version, within the transaction of `connection`.

    Returns
    -------
    int
        The version found, 0 for a ledger that was empty.

    Raises
    ------
    WrongVersion
        The ledger is newer than this program.
    """
    if not sa.inspect(connection).has_table("schema_version"):
        metadata.create_all(connection)
        _protect_plans(connection)
        connection.execute(schema_version.insert().values(version=newest()))
        return 0
    found = version_of(connection)
    if found > newest():
        raise WrongVersion(
            f"the ledger has version {found}, this program knows up to {newest()}; please use the newer program"
        )
    for step in range(found, newest()):
        STEPS[step - FIRST](connection)
        connection.execute(schema_version.update().values(version=step + 1))
    return found


def is_current(connection: Connection) -> bool:
    """Whether the tables are there and of this program's version."""
    return sa.inspect(connection).has_table("schema_version") and version_of(connection) == newest()


def version_of(connection: Connection) -> int:
    """Read the version of a ledger that has tables."""
    return int(connection.execute(sa.select(schema_version.c.version)).scalar_one())


def _protect_plans(connection: Connection) -> None:
    """Let the database itself refuse to change or delete a published plan."""
    words = "a published plan is never changed; publish a new one"
    if connection.dialect.name == "sqlite":
        for act in ("UPDATE", "DELETE"):
            connection.execute(
                sa.text(
                    f"CREATE TRIGGER plans_no_{act.lower()} BEFORE {act} ON plans "
                    f"BEGIN SELECT RAISE(ABORT, '{words}'); END"
                )
            )
    else:
        connection.execute(
            sa.text(
                "CREATE FUNCTION refuse_plan_change() RETURNS trigger LANGUAGE plpgsql AS "
                f"$$ BEGIN RAISE EXCEPTION '{words}'; END $$"
            )
        )
        connection.execute(
            sa.text(
                "CREATE TRIGGER plans_no_change BEFORE UPDATE OR DELETE ON plans "
                "FOR EACH ROW EXECUTE FUNCTION refuse_plan_change()"
            )
        )
