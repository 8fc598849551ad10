"""A document of a feed once read, and the ways it can be refused."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import pandas as pd

from scheduler.errors import shown


class Refused(Exception):
    """A document is kept out; the text says why, in a clause that can stand after the feed's name."""


class Unreachable(Exception):
    """No document came; the text says why."""


@dataclass(frozen=True)
class Bulletin:
    """What a document says.

    Parameters
    ----------
    rows : DataFrame            Columns of the series in its default units, wind at 2 m; text columns as written.
    issued : datetime or None   The service's own time of update, with its offset; None where it names none.
    latitude, longitude : float or None    Where it is for [deg].
    notes : tuple of str        What was left empty or estimated.
    """

    rows: pd.DataFrame
    issued: datetime | None = None
    latitude: float | None = None
    longitude: float | None = None
    notes: tuple[str, ...] = field(default=())


def json_object(data: bytes) -> Mapping[str, Any]:
    """Read a JSON object.

    Raises
    ------
    Refused   It is none: an error page, half a document, or another kind of file.
    """
    head = data[:200].lstrip().lower()
    if head.startswith((b"<!doctype", b"<html", b"<?xml", b"<")):
        raise Refused("a web page came in place of data")
    if not head:
        raise Refused("an empty document came")
    try:
        found = json.loads(data)
    except (ValueError, RecursionError) as reason:
        cut = "it seems to be cut off" if head[:1] in (b"{", b"[") else "it is no JSON"
        raise Refused(f"the document cannot be read: {cut}") from reason
    if not isinstance(found, dict):
        raise Refused("the document is JSON, but no object")
    return found


def number(value: object, what: str) -> float:
    """Read one number of a document, NaN for null.

    Raises
    ------
    Refused   It is no number.
    """
    if value is None:
        return float("nan")
    if isinstance(value, bool) or not isinstance(value, (int, float)) or abs(value) > 1e12 or value != value:
        raise Refused(f"{what} holds {shown(value)!r}, which is no number")
    return float(value)


def moment(value: object, what: str) -> datetime:
    """Read a time with its offset.

    Raises
    ------
    Refused   It is none, or has no offset.
    """
    try:
        found = datetime.fromisoformat(value) if isinstance(value, str) else None
    except ValueError:
        found = None
    if found is None or found.tzinfo is None:
        raise Refused(f"{what} holds {shown(value)!r}; a time with its offset is needed, as 2026-07-14T18:00:00+00:00")
    return found
