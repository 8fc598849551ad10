"""Seasons ahead that were lived through, kept by key: what a stopped run goes on from; nothing is kept twice."""

from __future__ import annotations

import json
import zlib
from collections.abc import Mapping
from typing import Any

import sqlalchemy as sa

from scheduler.ledger.connect import Ledger
from scheduler.ledger.tables import outlooks
from scheduler.ledger.writers import moment


def keep_outlook(ledger: Ledger, key: str, case: str, year: str, outlook: Mapping[str, Any]) -> bool:
    """Keep what a case came to in one weather year; False where it was kept before.

    Parameters
    ----------
    ledger : Ledger
    key : str           Digest of all it hangs on: the same key is the same outlook.
    case, year : str    What people call them.
    outlook : mapping   Plain values.
    """
    own = (outlooks.c.site_id == ledger.site_id) & (outlooks.c.key == key)
    with ledger.writing() as connection:
        if connection.execute(sa.select(outlooks.c.key).where(own)).first() is not None:
            return False
        values = {
            "site_id": ledger.site_id,
            "key": key,
            "made_at": moment(),
            "case_name": case,
            "weather_year": year,
            "outlook": zlib.compress(json.dumps(outlook).encode()),
        }
        connection.execute(outlooks.insert().values(values))
    return True


def kept_outlook(ledger: Ledger, key: str) -> dict[str, Any] | None:
    """What is kept under a key, or None."""
    query = sa.select(outlooks.c.outlook).where((outlooks.c.site_id == ledger.site_id) & (outlooks.c.key == key))
    with ledger.reading() as connection:
        row = connection.execute(query).first()
    return None if row is None else json.loads(zlib.decompress(row.outlook))
