"""What the record says of each zone, against what zones.csv says: shown before and after, kept only when accepted.

A lesson is a function of what was told and of the whole record, whatever was accepted before: accepting it every week,
or once at the end, gives the same. The mathematics is in `models/spot_fit.py`, `models/learning.py` and
`models/plateaus.py`. A surface whose lessons did not foretell weeks they were not told better than the values told
did, by more than chance, teaches nothing yet; the table says so and why. Accepted values live in the ledger and are
used from the next evening on; one that the record no longer bears out is offered back.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from models.kin import EstimationZones, kin_groups
from models.learning import CHANCE, QUESTION, UNTOLD, Learned, Lessons, Proof, learn_zones, prove
from models.onset import Onset, learn_onset
from models.plateaus import field_capacity_holds, find_plateaus, learn_field_capacity, uniformity_hints
from models.sensor_line import LEAST_READINGS
from models.soil import adjusted_depletion_fraction
from models.spot_fit import WARM_UP, Record, SpotFits, fit_spots
from scheduler.errors import counted
from scheduler.ledger import Ledger, decide_learned, propose_learned
from scheduler.ledger.keeping import QUANTITIES
from scheduler.notes import Note
from scheduler.site import Site
from scheduler.state.demand import evening_demand, zone_etc, zone_rain
from scheduler.state.quality import believed, examine
from scheduler.state.ran import applied_minutes
from scheduler.state.readings import evening_readings, read_together, recent, sensors_of

LONGEST_RECORD = 400  # [d] that are learned from: a season and what came before it
LEAST_DAYS = 5  # [d] of weather without which nothing is learned
# Steps in which values are given, and the change below which a value stays as told.
STEP = {"microclimate": 0.01, "application_rate": 0.1, "field_capacity": 0.005, "depletion_fraction": 0.01}
# Of the value told.
LEAST_CHANGE = {"microclimate": 0.02, "application_rate": 0.02, "field_capacity": 0.02, "depletion_fraction": 0.02}
OF_A_TABLE = ("depletion_fraction",)  # of no zone told: far from it is no sign of a wrong flow, area or probe
LEAST_METERED = 5  # nights with a volume that make a meter of a log
RECKONED = 0.003  # [-] volumes this near to flow times minutes were reckoned, not metered
WATER = "flow, area, nozzle or probe"  # what may be wrong where a value is far from the one told
ASK = {"field_capacity": "the soil told, its depth or the probe"}
COLUMNS = ["zone", "quantity", "told", "before", "value", "low", "high", "events", "through"]
ASKED = ["zone", "quantity", "told", "value", "words"]


@dataclass(frozen=True)
class Lesson:
    """What was learned of a site.

    Parameters
    ----------
    table : DataFrame       zone, quantity, told, before (in use now), value, low, high (95 %), events (evenings of its
                            own probes, or plateaus), through ("probe", "kin", "told" where a value goes back to what
                            was told); microclimate [-], application_rate [mm/h], field_capacity [m3/m3],
                            depletion_fraction [-]; only values that differ from those in use.
    questions : DataFrame   zone, quantity, told, value, words: changes too large to be offered.
    reasons : tuple of (surface, text)    What each surface taught, or why nothing yet.
    hints : DataFrame       Like `table`, of DU_LQ of zones with several probes; never stored.
    nights, probes : int    Nights and sensors learned from.
    notes : tuple of Note
    """

    table: pd.DataFrame
    questions: pd.DataFrame
    reasons: tuple[tuple[str, str], ...]
    hints: pd.DataFrame
    nights: int
    probes: int
    notes: tuple[Note, ...]


@dataclass(frozen=True)
class _Known:
    """A record with what it says: everything in the rows of all zones."""

    record: Record
    names: tuple[str, ...]  # of the surfaces, by number
    fits: SpotFits
    lessons: Lessons
    proof: Proof
    onset: Onset


def learn(told: Site, in_use: Site, night: date) -> Lesson:
    """Learn from the record up to an evening.

    Parameters
    ----------
    told : Site     As the folder has it, without any accepted value.
    in_use : Site   With the values in use now.
    night : date    Nothing newer is used.
    """
    notes: list[Note] = []
    record, names = _record(told, night, notes)
    if record is None:
        return _nothing(names)
    meter = _metered(told, night)
    [fits] = fit_spots(record)
    lessons, proof = learn_zones(record, fits, metered=meter), prove(record, metered=meter)
    known = _Known(record, names, fits, lessons, proof, learn_onset(record, fits))
    learned = _values(told, known)
    tables, questions = [], []
    for quantity, found in learned.items():
        now = getattr(in_use.zones, quantity)
        holds = _holds(known, quantity)
        rows, asked = _rows(told, quantity, found, now, holds)
        tables.append(rows)
        questions.append(asked)
    hints = _hints(told, uniformity_hints(record, fits))
    return Lesson(
        pd.concat(tables, ignore_index=True),
        pd.concat(questions, ignore_index=True),
        _reasons(known),
        hints,
        record.nights,
        int(np.size(record.probes.zone)),
        tuple(notes),
    )


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


# ---------------------------------------------------------------------------------------------------------- the record


def _record(site: Site, night: date, notes: list[Note]) -> tuple[Record | None, tuple[str, ...]]:
    """Everything the models ask, at the values told; None and why where there is too little."""
    opens, _ = site.window.of(night)
    rows = recent(site, night, opens, LONGEST_RECORD + 2)
    if not len(rows):
        return None, ("no probe readings: there is nothing to learn from",)
    examined = examine(site, rows)
    notes += [n for n in examined.notes if n.kind == "warning"]
    demand = evening_demand(site, night, 1, LONGEST_RECORD)
    minutes, newest, _ = applied_minutes(site, night, demand.past, notes)
    if newest is None:
        return None, ("no log of applied water: there is nothing to learn from",)
    days = pd.DatetimeIndex(demand.past["date"])
    if demand.observed_days < LEAST_DAYS or len(days) <= LEAST_DAYS:
        return None, ("too few days of weather to learn from",)
    zones = site.zones
    etc, (rain, _) = zone_etc(site, demand.past), zone_rain(site, demand.past)
    sensors = sensors_of(site)
    moisture = evening_readings(site, sensors, believed(rows, examined.flags), days, etc)
    first = _first_night(site, night, days)
    sensors, moisture = read_together(sensors, moisture[:, first + 1 :], zones.fed_depth)
    heard = (~np.isnan(moisture)).any(axis=1)
    if not heard.any() or moisture.shape[1] == 0:
        return None, ("too few readings to learn from",)
    sensors, moisture = sensors.part(heard), moisture[heard]
    names = tuple(dict.fromkeys(str(s) for s in zones.surface))
    no_exposure = [""] * len(zones)
    known = EstimationZones(
        kin_groups(list(zones.surface), list(zones.soil), list(zones.exposure)),
        zones.taw,
        zones.field_capacity,
        zones.fed_depth,
        zones.du_lq,
    )
    applied = minutes * zones.gross_rate[:, None]
    p = adjusted_depletion_fraction(zones.depletion_fraction, etc)
    record = Record(
        known,
        sensors.for_estimate(np.arange(len(zones))),
        moisture,
        applied[:, first:-1],
        etc[:, first + 1 :],
        rain[:, first + 1 :],
        p[:, first + 1 :],
        np.array([names.index(str(s)) for s in zones.surface], dtype=np.int64),
        kin_groups(list(zones.surface), list(zones.soil), no_exposure),
        zones.over_gravel,
    )
    return record, names


def _first_night(site: Site, night: date, days: pd.DatetimeIndex) -> int:
    """Column of the first night of the log: before it somebody watered, nobody knows when."""
    first = site.applied.loc[site.applied["night"] < pd.Timestamp(night), "night"].min()
    return int(np.clip(days.searchsorted(first), 0, len(days) - 1))


def _metered(site: Site, night: date) -> np.ndarray:
    """Log of metered over told rate (Z,), NaN where the log's volumes are none or were reckoned from the flow."""
    zones = site.zones
    out = np.full(len(zones), np.nan)
    log = site.applied[(site.applied["night"] < pd.Timestamp(night)) & (site.applied["minutes"] > 0)]
    log = log[log["volume"].notna() & (log["volume"] > 0)]
    index = pd.Series(np.arange(len(zones)), index=zones.zone)
    z = log["zone"].map(index)
    log, z = log[z.notna()], z[z.notna()].astype(int).to_numpy()
    if not len(log):
        return out
    depth = 1000.0 * log["volume"].to_numpy(float) / zones.area[z]
    ratio = np.log(depth / (log["minutes"].to_numpy(float) * zones.application_rate[z] / 60.0))
    by_flow = np.log(log["volume"].to_numpy(float) / (log["minutes"].to_numpy(float) * 60.0 * zones.flow[z] / 1000.0))
    table = pd.DataFrame({"z": z, "ratio": ratio, "by_flow": by_flow}).groupby("z").median()
    number = np.bincount(z, minlength=len(zones))[table.index]
    table = table[(number >= LEAST_METERED) & (table["by_flow"].abs() > RECKONED)]
    out[table.index] = table["ratio"]
    return out


# ---------------------------------------------------------------------------------------------------------- the lesson


def _values(site: Site, known: _Known) -> dict[str, Learned]:
    """Every quantity in its own unit."""
    lessons, zones = known.lessons, site.zones
    plateaus = find_plateaus(known.record, known.fits, lessons)
    return {
        "microclimate": lessons.of_demand(zones.microclimate),
        "application_rate": lessons.of_water(zones.application_rate),
        "field_capacity": learn_field_capacity(known.record, plateaus),
        "depletion_fraction": known.onset.of_fraction(zones.depletion_fraction),
    }


def _holds(known: _Known, quantity: str) -> np.ndarray:
    """Zones whose lesson has earned its place, (Z,)."""
    if quantity == "field_capacity":
        plateaus = find_plateaus(known.record, known.fits, known.lessons)
        return field_capacity_holds(known.record, plateaus)
    if quantity == "depletion_fraction":
        return known.onset.holds
    holds = dict(zip(known.proof.surface.tolist(), known.proof.holds.tolist(), strict=True))
    return np.array([holds.get(int(s), False) for s in known.record.surface])


def _rows(
    site: Site, quantity: str, found: Learned, now: np.ndarray, holds: np.ndarray
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Give the values to offer and those to ask about: each is what was learned, or what was told."""
    told, step = found.prior, STEP[quantity]
    moved = np.abs(found.values - told) > LEAST_CHANGE[quantity] * np.abs(told)
    far = (np.abs(found.values / told - 1.0) > QUESTION) & (quantity not in OF_A_TABLE)
    value = np.where(holds & moved & ~far, np.round(found.values / step) * step, told)
    rows = np.flatnonzero(np.abs(value - now) > 0.5 * step)
    back = value == told
    through = np.where(back, "told", np.where(found.events > 0, "probe", "kin"))
    names = site.zones.zone
    table = pd.DataFrame(
        {
            "zone": names[rows],
            "quantity": quantity,
            "told": told[rows],
            "before": now[rows],
            "value": value[rows],
            "low": found.low[rows],
            "high": found.high[rows],
            "events": found.events[rows],
            "through": through[rows],
        },
        columns=COLUMNS,
    )
    ask = np.flatnonzero(holds & far)
    words = f"that is too far off to be taken over; is it {ASK.get(quantity, WATER)}?"
    asked = pd.DataFrame(
        {"zone": names[ask], "quantity": quantity, "told": told[ask], "value": found.values[ask], "words": words},
        columns=ASKED,
    )
    return table, asked


def _hints(site: Site, found: Learned) -> pd.DataFrame:
    """DU_LQ of zones with several spots."""
    rows = np.flatnonzero(found.events >= 2)
    return pd.DataFrame(
        {
            "zone": site.zones.zone[rows],
            "quantity": "du_lq",
            "told": found.prior[rows],
            "before": found.prior[rows],
            "value": found.values[rows],
            "low": found.low[rows],
            "high": found.high[rows],
            "events": found.events[rows],
            "through": "probe",
        },
        columns=COLUMNS,
    )


def _reasons(known: _Known) -> tuple[tuple[str, str], ...]:
    """Say of each surface what its probes taught, or why nothing yet."""
    proof, out = known.proof, []
    speaking = np.bincount(known.record.surface[known.fits.zone[known.fits.evenings > 0]], minlength=len(known.names))
    standing = np.bincount(known.record.surface[known.fits.zone], minlength=len(known.names))
    needed = LEAST_READINGS + WARM_UP + UNTOLD
    for i, number in enumerate(proof.surface):
        name, spots, blocks = known.names[number], int(proof.spots[i]), int(proof.blocks[i])
        by = f"{100 * proof.better[i]:.0f} % better than the values told"
        tried = f"over {counted(blocks, 'forecast')} of two weeks at {counted(spots, 'spot')} it foretold readings"
        if not standing[number]:
            text = "nothing learned yet: no probe"
        elif not speaking[number] or not blocks:
            text = f"nothing learned yet: {needed} evenings with readings and a log are needed"
        elif proof.holds[i] and proof.chance[i] >= CHANCE:  # borne by the site as a whole
            by = by if proof.better[i] >= 0.01 else "as well as the values told"
            text = f"learned with the site's other spots: {tried} {by}, and over the site better by more than chance"
        elif proof.holds[i]:
            text = f"learned: {tried} {by}"
        elif proof.better[i] < 0.01:
            text = f"nothing learned yet: {tried} no better than the values told"
        elif min(proof.chance[i], proof.site_chance) >= CHANCE:
            text = f"nothing learned yet: {tried} {by}, which may be chance"
        else:
            text = f"nothing learned yet: {tried} {by}, but over the site those of the last two weeks worse"
        out.append((name, text))
    return (*out, *_dry_reasons(known))


def _dry_reasons(known: _Known) -> list[tuple[str, str]]:
    """Say of each surface with a probe past its dry limit what that taught of how far it may dry."""
    onset, record, out = known.onset, known.record, []
    for number, name in enumerate(known.names):
        own = np.flatnonzero((record.surface == number) & (onset.pairs > 0))
        if not own.size:
            continue
        ground = own[np.argmax(onset.better[own])]  # that which shows it best
        open_yet = "how far it may dry is not learned yet"
        tried = f"in {counted(int(onset.pairs[ground]), 'forecast')} of two weeks past its dry limit"
        if onset.holds[own].any():
            text = f"may dry farther: {tried} its readings went on falling as its turf's demand asked"
        elif onset.better[ground] > -np.log(CHANCE):
            text = f"{open_yet}: {tried} more was likely, but its zones may differ by as much"
        else:
            text = f"{open_yet}: {tried} what was told did as well"
        out.append((name, text))
    return out


def _nothing(why: tuple[str, ...]) -> Lesson:
    empty, asked = pd.DataFrame(columns=COLUMNS), pd.DataFrame(columns=ASKED)
    return Lesson(empty, asked, (), empty, 0, 0, (Note("step_down", "learning", why[0]),))
