"""What is asked of the ledger. Frames have the columns and types of the site's own: either can feed the next step."""

from __future__ import annotations

import json
import zlib
from datetime import date
from typing import Any

import pandas as pd
import sqlalchemy as sa
from sqlalchemy import Connection

from scheduler.document.parts import PlanDocument
from scheduler.document.reading import document_of
from scheduler.ledger import readings as _readings
from scheduler.ledger.connect import Ledger, LedgerUnusable
from scheduler.ledger.tables import (
    applied,
    estimates,
    events,
    flags,
    learned,
    meter,
    plans,
    weather,
)
from scheduler.ledger.writers import brief_of


def readings(ledger: Ledger, since: Any = None, until: Any = None) -> pd.DataFrame:
    """Give probe readings from `since` up to `until` (local times, both included): columns as Site.probes."""
    with ledger.reading() as connection:
        return _readings.read_readings(connection, ledger.site_id, since, until)


def observed_weather(ledger: Ledger, since: date | None = None, before: date | None = None) -> pd.DataFrame:
    """Give the observed days, as Site.weather."""
    return _frame(ledger, weather, weather.c.date, since, before, dates=("date",))


def applied_water(ledger: Ledger, since: date | None = None, before: date | None = None) -> pd.DataFrame:
    """Give what really ran, as Site.applied."""
    return _frame(ledger, applied, applied.c.night, since, before, dates=("night",))


def meter_readings(ledger: Ledger) -> pd.DataFrame:
    """Give the readings of water meters, as Site.meter."""
    data = _frame(ledger, meter, meter.c.time, None, dates=())
    data["time"] = pd.to_datetime(data["time"], format="%Y-%m-%dT%H:%M:%SZ").astype("datetime64[ns]")
    return data.astype({"starts": bool})


def calendar(ledger: Ledger) -> pd.DataFrame:
    """Give the events that stand, as Site.calendar."""
    return _frame(ledger, events, events.c["until"], None, dates=("from", "until"), standing=True)


def read_flags(connection: Connection, ledger: Ledger, since: Any = None) -> pd.DataFrame:
    """Give the flags that stand and reach to `since`: probe, rule, what, starts, ends (local times), reason."""
    names = ["probe", "rule", "what", "starts", "ends", "reason"]
    query = sa.select(*(flags.c[n] for n in names)).where(flags.c.site_id == ledger.site_id, flags.c.withdrawn == 0)
    if since is not None:
        query = query.where(
            flags.c.ends >= int(pd.Timestamp(since).to_datetime64().astype("datetime64[s]").astype("int64"))
        )
    query = query.order_by(flags.c.probe, flags.c.starts, flags.c.rule)
    data = pd.DataFrame.from_records([tuple(r) for r in connection.execute(query)], columns=names)
    for name in ("starts", "ends"):
        data[name] = _readings.to_times(data[name].to_numpy(dtype="int64"))
    return data


def estimates_since(ledger: Ledger, since: date, before: date) -> pd.DataFrame:
    """Give where each zone stood on the evenings of a span: night (datetime64), zone, depletion, spread [mm], ece."""
    names = ["night", "zone", "depletion", "spread", "ece"]
    query = sa.select(*(estimates.c[n] for n in names)).where(
        estimates.c.site_id == ledger.site_id,
        estimates.c.night >= since.isoformat(),
        estimates.c.night < before.isoformat(),
    )
    with ledger.reading() as connection:
        data = pd.DataFrame.from_records([tuple(r) for r in connection.execute(query)], columns=names)
    data["night"] = pd.to_datetime(data["night"]).astype("datetime64[ns]")
    return data.astype({"depletion": float, "spread": float, "ece": float})


def current_plan(ledger: Ledger, night: date) -> PlanDocument | None:
    """Give the plan that stands for a night, whole; None if none was published."""
    query = _plans_of(ledger).where(plans.c.night == night.isoformat()).order_by(plans.c.plan_id.desc()).limit(1)
    with ledger.reading() as connection:
        row = connection.execute(query).first()
    return None if row is None else _document(row.document)


def latest_plan(ledger: Ledger, before: date | None = None) -> PlanDocument | None:
    """Give the standing plan of the latest night, or of the latest night before a date."""
    query = _plans_of(ledger)
    if before is not None:
        query = query.where(plans.c.night < before.isoformat())
    with ledger.reading() as connection:
        row = connection.execute(query.order_by(plans.c.night.desc(), plans.c.plan_id.desc()).limit(1)).first()
    return None if row is None else _document(row.document)


def runs_in_brief(ledger: Ledger, since: date) -> pd.DataFrame:
    """Give the run times of the standing plans of every night from a date on, in order of nights.

    Parameters
    ----------
    ledger : Ledger
    since : date

    Returns
    -------
    DataFrame   night (datetime64), zone, minutes [min], depletion and spread before the night [mm, NaN = not known].
    """
    query = sa.select(plans.c.night, plans.c.plan_id, plans.c.brief).where(
        plans.c.site_id == ledger.site_id, plans.c.night >= since.isoformat()
    )
    with ledger.reading() as connection:
        stands = {row.night: row for row in connection.execute(query.order_by(plans.c.plan_id))}
        parts = []
        for night in sorted(stands):
            brief = stands[night].brief
            if brief is None:  # published before plans were kept in brief
                whole = sa.select(plans.c.document).where(plans.c.plan_id == stands[night].plan_id)
                brief = brief_of(_document(connection.execute(whole).scalar_one()))
            parts.append((night, _unpacked(brief)))
    columns: dict[str, list[Any]] = {"zone": [], "minutes": [], "depletion": [], "spread": []}
    for _, part in parts:
        for name, values in columns.items():
            values.extend(part[name])
    nights = [night for night, part in parts for _ in part["zone"]]
    frame = pd.DataFrame({"night": pd.to_datetime(pd.Series(nights, dtype=object)).astype("datetime64[ns]"), **columns})
    return frame.astype({"zone": object, "minutes": float, "depletion": float, "spread": float})


def made_by_night(ledger: Ledger, since: date) -> dict[str, str]:
    """Give when the standing plan of each night from a date on was made, as its document says."""
    query = sa.select(plans.c.night, plans.c.made).where(
        plans.c.site_id == ledger.site_id, plans.c.night >= since.isoformat()
    )
    with ledger.reading() as connection:
        return {row.night: row.made for row in connection.execute(query.order_by(plans.c.plan_id))}


def accepted_values(ledger: Ledger, quantity: str | None = None) -> pd.DataFrame:
    """Give the latest accepted value of each zone and quantity, with its interval and who decided when."""
    data = learned_values(ledger)
    data = data[data["decision"] == "accepted"]
    if quantity is not None:
        data = data[data["quantity"] == quantity]
    data = data.drop_duplicates(["zone", "quantity"], keep="last")
    return data[["zone", "quantity", "value", "low", "high", "decided_at", "decided_by"]].reset_index(drop=True)


def learned_values(ledger: Ledger) -> pd.DataFrame:
    """Give every proposal with its decision, in the order it was accepted or proposed."""
    names = [c.name for c in learned.columns if c.name != "site_id"]
    query = sa.select(*(learned.c[n] for n in names)).where(learned.c.site_id == ledger.site_id)
    query = query.order_by(learned.c.decided_at, learned.c.learned_id)
    with ledger.reading() as connection:
        data = pd.DataFrame.from_records([tuple(r) for r in connection.execute(query)], columns=names)
    return data.astype(dict.fromkeys(("before", "value", "low", "high"), float))


def _frame(
    ledger: Ledger,
    table: sa.Table,
    time: sa.ColumnElement[str],
    since: date | None,
    before: date | None = None,
    *,
    dates: tuple[str, ...],
    standing: bool = False,
) -> pd.DataFrame:
    names = [c.name for c in table.columns if c.name not in ("site_id", "intake_id", "withdrawn")]
    query = sa.select(*(table.c[n] for n in names)).where(table.c.site_id == ledger.site_id)
    if since is not None:
        query = query.where(time >= since.isoformat())
    if before is not None:
        query = query.where(time < before.isoformat())
    if standing:
        query = query.where(table.c.withdrawn == 0)
    query = query.order_by(*(c for c in table.primary_key.columns if c.name != "site_id"))
    with ledger.reading() as connection:
        data = pd.DataFrame.from_records([tuple(r) for r in connection.execute(query)], columns=names)
    for name in names:
        if isinstance(table.c[name].type, sa.Double):
            data[name] = data[name].astype(float)
        elif name in dates:
            data[name] = pd.to_datetime(data[name].where(data[name] != "", None)).astype("datetime64[ns]")
    return data


def _plans_of(ledger: Ledger) -> sa.Select[Any]:
    return sa.select(plans).where(plans.c.site_id == ledger.site_id)


def _document(blob: bytes) -> PlanDocument:
    """Read a plan as it was published, brought to today's form where it is of an earlier one."""
    try:
        return document_of(_unpacked(blob))
    except ValueError as error:
        raise LedgerUnusable(f"a plan in it cannot be read: {error}") from error


def _unpacked(blob: bytes) -> dict[str, Any]:
    try:
        values: dict[str, Any] = json.loads(zlib.decompress(blob))
    except (zlib.error, ValueError) as error:
        raise LedgerUnusable(f"a plan in it cannot be read: {error}") from error
    return values
