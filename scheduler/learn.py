"""What the record says of each zone, against what zones.csv says: shown before and after, kept only when accepted.

The mathematics is in `models/learning.py`. A value is proposed where it differs from what is used now by more than a
manager would care about. Accepted values live in the ledger and are used from the next evening on.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from models.learning import (
    Learned,
    Record,
    learn_application_rate,
    learn_field_capacity,
    learn_microclimate,
    spot_changes,
    uniformity_hints,
)
from scheduler.errors import counted
from scheduler.ledger import Ledger, decide_learned, propose_learned
from scheduler.ledger.keeping import QUANTITIES
from scheduler.notes import Note
from scheduler.site import Site
from scheduler.state.demand import evening_demand
from scheduler.state.filtered import LONGEST_RUN, run_record
from scheduler.state.quality import believed, examine
from scheduler.state.ran import applied_minutes
from scheduler.state.readings import recent

LEAST_CHANGE = {"microclimate": 0.02, "application_rate": 0.02, "field_capacity": 0.02}  # of the value; our choice
COLUMNS = ["zone", "quantity", "before", "value", "low", "high", "events", "through"]


@dataclass(frozen=True)
class Lesson:
    """What was learned of a site.

    Parameters
    ----------
    table : DataFrame     zone, quantity, before, value, low, high (95 %), events (of its own probes), through
                          ("probe", "kin"); microclimate [-], application_rate [mm/h], field_capacity [m3/m3]; only
                          values that differ from those in use.
    hints : DataFrame     zone, before, value, low, high, events: DU_LQ of zones with several probes; never stored.
    nights, probes : int  Nights and sensors learned from.
    notes : tuple of Note
    """

    table: pd.DataFrame
    hints: pd.DataFrame
    nights: int
    probes: int
    notes: tuple[Note, ...]


def learn(site: Site, night: date) -> Lesson:
    """Learn from the record up to an evening.

    Parameters
    ----------
    site : Site     With the values in use now.
    night : date    Nothing newer is used.
    """
    opens, _ = site.window.of(night)
    demand = evening_demand(site, night, 1)
    rows = recent(site, night, opens, LONGEST_RUN + 2)
    notes: list[Note] = []
    if not len(rows):
        return _nothing("no probe readings: there is nothing to learn from")
    examined = examine(site, rows)
    notes += [n for n in examined.notes if n.kind == "warning"]
    minutes, newest, _ = applied_minutes(site, night, demand.past, notes)
    if newest is None:
        return _nothing("no log of applied water: there is nothing to learn from")
    found = run_record(site, demand, minutes, believed(rows, examined.flags), LONGEST_RUN)
    if found is None:
        return _nothing("too few days of weather or readings to learn from")
    nights = found.run.depletion.shape[1]
    depletion = np.concatenate((found.start[:, None], found.run.depletion), axis=1)
    record = Record(
        found.setup.zones,
        found.setup.probes,
        found.moisture,
        found.irrigation,
        found.etc,
        found.rain,
        np.clip(depletion, 0.0, None),
        found.p,
    )
    spots = spot_changes(record)
    zones = site.zones
    climate = learn_microclimate(record, spots, prior=zones.microclimate[found.rows])
    ratio = climate.values / climate.prior
    rate = learn_application_rate(record, spots, ratio)
    capacity = learn_field_capacity(record)
    names = zones.zone[found.rows]
    nominal = zones.application_rate[found.rows]
    tables = [
        _rows(names, "microclimate", climate, np.ones(len(names))),
        _rows(names, "application_rate", rate, nominal),
        _rows(names, "field_capacity", capacity, np.ones(len(names))),
    ]
    hints = _rows(names, "du_lq", uniformity_hints(record, spots, ratio), np.ones(len(names)), least=2)
    return Lesson(pd.concat(tables, ignore_index=True), hints, nights, len(found.sensors), tuple(notes))


def choose(lesson: Lesson, site: Site, only: Sequence[str] | None) -> pd.DataFrame:
    """Give the rows to accept: all, or those of the named zones and quantities.

    Raises
    ------
    ValueError   A name is neither a zone nor a quantity.
    """
    if only is None:
        return lesson.table
    unknown = [n for n in only if n not in QUANTITIES and n not in set(site.zones.zone)]
    if unknown:
        raise ValueError(f'read "{unknown[0]}"; a zone or one of {", ".join(QUANTITIES)} is allowed')
    quantities, names = [n for n in only if n in QUANTITIES], [n for n in only if n not in QUANTITIES]
    table = lesson.table
    if quantities:
        table = table[table["quantity"].isin(quantities)]
    return table[table["zone"].isin(names)] if names else table


def accept(ledger: Ledger, rows: pd.DataFrame) -> int:
    """Keep values as accepted; they are used from the next evening on."""
    if rows.empty:
        return 0
    evidence = [f"{counted(int(e), 'event')} ({t})" for e, t in zip(rows["events"], rows["through"], strict=True)]
    return decide_learned(ledger, propose_learned(ledger, rows.assign(evidence=evidence)), "accepted")


def _rows(names: np.ndarray, quantity: str, found: Learned, scale: np.ndarray, least: int = 1) -> pd.DataFrame:
    """Give the values that differ, or for hints those with enough behind them."""
    change = np.abs(found.values - found.prior) > LEAST_CHANGE.get(quantity, 0.0) * np.abs(found.prior)
    told = change & (np.isfinite(found.values)) if quantity in QUANTITIES else found.events >= least
    any_event = found.events.sum() > 0
    rows = np.flatnonzero(told & any_event)
    return pd.DataFrame(
        {
            "zone": names[rows],
            "quantity": quantity,
            "before": (found.prior * scale)[rows],
            "value": (found.values * scale)[rows],
            "low": (found.low * scale)[rows],
            "high": (found.high * scale)[rows],
            "events": found.events[rows],
            "through": np.where(found.events[rows] > 0, "probe", "kin"),
        },
        columns=COLUMNS,
    )


def _nothing(why: str) -> Lesson:
    empty = pd.DataFrame(columns=COLUMNS)
    return Lesson(empty, empty, 0, 0, (Note("step_down", "learning", why),))
