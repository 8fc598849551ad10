"""What is written to the ledger: an intake's rows, estimates, published plans, learned values, flags.

Each function that takes a `Ledger` is one transaction: when it returns, what it wrote is on the disk. Those that take
a connection belong to the transaction of their caller.
"""

from __future__ import annotations

import getpass
import hashlib
import json
import re
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

import pandas as pd
import sqlalchemy as sa
from sqlalchemy import Connection

from scheduler.document.parts import PlanDocument
from scheduler.ledger.connect import Ledger
from scheduler.ledger.merge import Counts, Series, merge
from scheduler.ledger.tables import estimates, flags, intakes, learned, plans

DECISIONS = ("accepted", "rejected")
MADE = re.compile(r'"made":"[^"]*"')  # of a plan as text, where it comes before any other "made"
PACKED = 3  # [-] of zlib: half the time of its usual level for a fifth more room


@dataclass(frozen=True)
class Published:
    """A plan in the ledger: its number, the one it supersedes, and whether it was written just now."""

    plan_id: int
    supersedes: int | None
    new: bool


def moment() -> str:
    """Give the moment in UTC, as the ledger writes it."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def who_writes() -> str:
    """Give the name of the user of this machine, or nothing where it has none."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return ""


def begin_intake(connection: Connection, ledger: Ledger, what: str, who: str | None = None) -> int:
    """Open an entry that the written rows name as their writer."""
    row = {"site_id": ledger.site_id, "made_at": moment(), "who": who_writes() if who is None else who, "what": what}
    return int(connection.execute(intakes.insert().values(row).returning(intakes.c.intake_id)).scalar_one())


def end_intake(connection: Connection, intake_id: int, counts: Counts) -> None:
    """Close the entry with the numbers of rows."""
    done = {"new_rows": counts.new, "changed_rows": counts.changed + counts.withdrawn}
    connection.execute(intakes.update().where(intakes.c.intake_id == intake_id).values(done))


def write_estimates(ledger: Ledger, night: date, frame: pd.DataFrame, who: str | None = None) -> Counts:
    """Keep where each zone stood at opening time of a night; a later estimate replaces, with history.

    Parameters
    ----------
    ledger : Ledger
    night : date
    frame : DataFrame
        zone, depletion [mm], spread [mm], ece [dS/m], state_from, and optionally detail (JSON text); one row a zone.
    who : str, optional
        Who wrote it; the machine's user if None.
    """
    data = frame.assign(night=night.isoformat())
    if "detail" not in data:
        data["detail"] = ""
    data = data.astype({"depletion": float, "spread": float, "ece": float})
    with ledger.writing() as connection:
        intake_id = begin_intake(connection, ledger, f"estimates of {night.isoformat()}", who)
        counts = merge(connection, Series.of(estimates), data, ledger.site_id, intake_id)
        if not counts.written:
            connection.rollback()
            return counts
        end_intake(connection, intake_id, counts)
    return counts


def publish_plan(ledger: Ledger, document: PlanDocument) -> Published:
    """Keep a plan as published; an earlier plan of its night stays and is superseded, the very same is not doubled.

    Parameters
    ----------
    ledger : Ledger
    document : PlanDocument
    """
    night, text = document.night.isoformat(), document.model_dump_json()
    digest = _digest(text)
    with ledger.writing() as connection:
        row = connection.execute(
            sa.select(plans.c.plan_id, plans.c.digest, plans.c.supersedes)
            .where(plans.c.site_id == ledger.site_id, plans.c.night == night)
            .order_by(plans.c.plan_id.desc())
            .limit(1)
        ).first()
        if row is not None and row.digest == digest:
            return Published(row.plan_id, row.supersedes, new=False)
        supersedes = None if row is None else int(row.plan_id)
        values = {
            "site_id": ledger.site_id,
            "night": night,
            "made": document.made.isoformat(),
            "status": document.status.value,
            "published_at": moment(),
            "digest": digest,
            "supersedes": supersedes,
            "document": zlib.compress(text.encode(), PACKED),
            "brief": brief_of(document),
        }
        plan_id = int(connection.execute(plans.insert().values(values).returning(plans.c.plan_id)).scalar_one())
    return Published(plan_id, supersedes, new=True)


def brief_of(document: PlanDocument) -> bytes:
    """Give what a later evening asks of a plan: zone, minutes [min], depletion and spread before [mm], compressed."""
    zones = document.zones
    brief = {
        "zone": [z.id for z in zones],
        "minutes": [z.minutes for z in zones],
        "depletion": [z.before.depletion_mm for z in zones],
        "spread": [z.before.spread_mm for z in zones],
    }
    return zlib.compress(json.dumps(brief, ensure_ascii=False, separators=(",", ":")).encode())


def propose_learned(ledger: Ledger, frame: pd.DataFrame) -> list[int]:
    """Keep proposals of learned values; open ones of the same zone and quantity are marked as replaced.

    Parameters
    ----------
    ledger : Ledger
    frame : DataFrame
        zone, quantity, before, value, low, high, evidence (text).

    Returns
    -------
    list of int
        Their numbers, in the order of the frame.
    """
    numbers = []
    now = moment()
    with ledger.writing() as connection:
        for row in frame.to_dict("records"):
            same = sa.and_(
                learned.c.site_id == ledger.site_id,
                learned.c.zone == row["zone"],
                learned.c.quantity == row["quantity"],
                learned.c.decision == "",
            )
            connection.execute(learned.update().where(same).values(decision="replaced", decided_at=now))
            values: dict[str, Any] = {name: _float(row[name]) for name in ("before", "value", "low", "high")}
            values |= {"site_id": ledger.site_id, "zone": row["zone"], "quantity": row["quantity"], "proposed_at": now}
            values["evidence"] = str(row.get("evidence", ""))
            numbers.append(
                int(connection.execute(learned.insert().values(values).returning(learned.c.learned_id)).scalar_one())
            )
    return numbers


def decide_learned(ledger: Ledger, numbers: Sequence[int], decision: str, who: str | None = None) -> int:
    """Accept or reject open proposals; return how many were open.

    The latest accepted value of a zone and quantity counts.

    Raises
    ------
    ValueError
        The decision is neither "accepted" nor "rejected".
    """
    if decision not in DECISIONS:
        raise ValueError(f"decision: {decision!r}; allowed: {DECISIONS}")
    row = {"decision": decision, "decided_at": moment(), "decided_by": who_writes() if who is None else who}
    with ledger.writing() as connection:
        open_ones = [
            learned.c.site_id == ledger.site_id,
            learned.c.learned_id.in_(list(numbers)),
            learned.c.decision == "",
        ]
        return int(connection.execute(learned.update().where(*open_ones).values(row)).rowcount)


def merge_flags(connection: Connection, ledger: Ledger, frame: pd.DataFrame, since: int, intake_id: int) -> Counts:
    """Bring the flags of a re-examined span up to date.

    Flags that began before `since` [s, local clock] stay as history of that time; one that goes on into the span is
    lengthened. A flag of the span that is no longer raised is withdrawn.

    Parameters
    ----------
    connection : Connection
    ledger : Ledger
    frame : DataFrame
        probe, rule, what, starts, ends [s], reason.
    since : int
        First second examined.
    intake_id : int
    """
    mine = sa.and_(
        flags.c.site_id == ledger.site_id, flags.c.starts < since, flags.c.ends >= since, flags.c.withdrawn == 0
    )
    query = sa.select(flags.c.probe, flags.c.rule, flags.c.what, flags.c.starts, flags.c.reason).where(mine)
    running = {(r.probe, r.rule, r.what): r for r in connection.execute(query)}
    data = frame.copy()
    if running and len(data):
        first = data.sort_values("starts").drop_duplicates(["probe", "rule", "what"]).index
        for i in first:
            begun = running.get((data.at[i, "probe"], data.at[i, "rule"], data.at[i, "what"]))
            if begun is not None:
                data.at[i, "starts"] = begun.starts
    early = data["starts"] < since
    series = Series.of(flags)
    counts = merge(
        connection, series, data[~early], ledger.site_id, intake_id, whole=True, where=flags.c.starts >= since
    )
    for row in data[early].itertuples(index=False):  # few: only what goes on from before
        part = pd.DataFrame([row._asdict()])
        counts += merge(connection, series, part, ledger.site_id, intake_id)
    return counts


def _digest(text: str) -> str:
    """Tell plans apart by all but the moment they were made."""
    return hashlib.sha256(MADE.sub('"made":""', text, count=1).encode()).hexdigest()


def _float(value: Any) -> float | None:
    return None if value is None or value != value else float(value)
