"""What a ledger holds, for tests that look into one: lists of plans, intakes and rows that nothing else asks for."""

from __future__ import annotations

import json
from datetime import date
from typing import Any

import pandas as pd
import sqlalchemy as sa

from scheduler.document.parts import PlanDocument
from scheduler.ledger import readings
from scheduler.ledger.connect import Ledger
from scheduler.ledger.queries import _document, _frame, _plans_of, read_flags
from scheduler.ledger.tables import (
    UNKNOWN_DEPTH,
    estimates,
    forecasts,
    history,
    intakes,
    outlooks,
    placements,
    plans,
    samples,
)


def newest_readings(ledger: Ledger) -> pd.Series:
    """Give the time of the newest reading of each probe, indexed by probe."""
    with ledger.reading() as connection:
        return readings.newest_times(connection, ledger.site_id)


def issued_forecasts(ledger: Ledger, since: date | None = None) -> pd.DataFrame:
    """Give every forecast issued on or after a date, as Site.forecast."""
    return _frame(ledger, forecasts, forecasts.c.issued, since, dates=("issued", "date"))


def soil_samples(ledger: Ledger, since: date | None = None) -> pd.DataFrame:
    """Give laboratory samples, as Site.samples."""
    data = _frame(ledger, samples, samples.c.date, since, dates=("date",))
    data["depth"] = data["depth"].where(data["depth"] != UNKNOWN_DEPTH)
    return data


def probe_places(ledger: Ledger) -> pd.DataFrame:
    """Give where probes stand and stood, as Site.probe_sites."""
    return _frame(ledger, placements, placements.c["from"], None, dates=("from", "until"), standing=True)


def standing_flags(ledger: Ledger, since: Any = None) -> pd.DataFrame:
    """Give the flags that stand and reach to `since`: probe, rule, what, starts, ends (local times), reason."""
    with ledger.reading() as connection:
        return read_flags(connection, ledger, since)


def estimates_of(ledger: Ledger, night: date) -> pd.DataFrame:
    """Give where each zone stood at opening time of a night: zone, depletion, spread, ece, state_from, detail."""
    names = ["zone", "depletion", "spread", "ece", "state_from", "detail"]
    query = sa.select(*(estimates.c[n] for n in names)).where(
        estimates.c.site_id == ledger.site_id, estimates.c.night == night.isoformat()
    )
    with ledger.reading() as connection:
        data = pd.DataFrame.from_records(
            [tuple(r) for r in connection.execute(query.order_by(estimates.c.zone))], columns=names
        )
    return data.astype({"depletion": float, "spread": float, "ece": float})


def plan_by_number(ledger: Ledger, plan_id: int) -> PlanDocument | None:
    """Give one published plan, superseded or not."""
    with ledger.reading() as connection:
        row = connection.execute(_plans_of(ledger).where(plans.c.plan_id == plan_id)).first()
    return None if row is None else _document(row.document)


def plan_list(ledger: Ledger) -> pd.DataFrame:
    """Give all plans without their documents: plan_id, night, made, status, published_at, supersedes, stands."""
    names = ["plan_id", "night", "made", "status", "published_at", "supersedes"]
    query = sa.select(*(plans.c[n] for n in names)).where(plans.c.site_id == ledger.site_id).order_by(plans.c.plan_id)
    with ledger.reading() as connection:
        data = pd.DataFrame.from_records([tuple(r) for r in connection.execute(query)], columns=names)
    data["stands"] = ~data.duplicated("night", keep="last")
    return data


def replaced_rows(ledger: Ledger, series: str | None = None) -> pd.DataFrame:
    """Give what rows said before they were replaced: series, key, said, and of both writers who, what and when."""
    writer, replacer = intakes.alias("writer"), intakes.alias("replacer")
    query = (
        sa.select(
            history.c.series,
            history.c.row_key,
            history.c.said,
            writer.c.made_at.label("written_at"),
            writer.c.who.label("written_by"),
            replacer.c.made_at.label("replaced_at"),
            replacer.c.who.label("replaced_by"),
            replacer.c.what.label("replaced_through"),
        )
        .join(writer, writer.c.intake_id == history.c.written_by)
        .join(replacer, replacer.c.intake_id == history.c.replaced_by)
        .where(history.c.site_id == ledger.site_id)
        .order_by(history.c.entry)
    )
    if series is not None:
        query = query.where(history.c.series == series)
    with ledger.reading() as connection:
        rows = connection.execute(query).all()
    names = ["series", "key", "said", "written_at", "written_by", "replaced_at", "replaced_by", "replaced_through"]
    data = pd.DataFrame.from_records([tuple(r) for r in rows], columns=names)
    data["key"] = [tuple(json.loads(text)) for text in data["key"]]
    data["said"] = [json.loads(text) for text in data["said"]]
    return data


def intake_list(ledger: Ledger) -> pd.DataFrame:
    """Give every intake that changed something: intake_id, made_at, who, what, new_rows, changed_rows."""
    names = ["intake_id", "made_at", "who", "what", "new_rows", "changed_rows"]
    query = (
        sa.select(*(intakes.c[n] for n in names))
        .where(intakes.c.site_id == ledger.site_id)
        .order_by(intakes.c.intake_id)
    )
    with ledger.reading() as connection:
        return pd.DataFrame.from_records([tuple(r) for r in connection.execute(query)], columns=names)


def outlook_list(ledger: Ledger) -> list[tuple[str, str, str]]:
    """What is kept: case, weather year and key, in that order."""
    query = sa.select(outlooks.c.case_name, outlooks.c.weather_year, outlooks.c.key).where(
        outlooks.c.site_id == ledger.site_id
    )
    with ledger.reading() as connection:
        return sorted((row.case_name, row.weather_year, row.key) for row in connection.execute(query))
