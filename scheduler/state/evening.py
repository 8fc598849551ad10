"""Where each zone stands at opening time: from the filter over its record, or one step down without it.

With believed readings and a log of applied water the filter speaks for zones with a probe, and for others of their
surface. Without either, a probe reading is turned into root-zone depletion by weighting its depths and carried to
opening time by the balance; a zone without one stands where the balance puts it, or at field capacity. Every estimate
has a spread.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
import pandas as pd

from models.choices import READINGS, SPREAD
from models.drainage import drainage_day
from models.soil import adjusted_depletion_fraction
from models.textures import TEXTURES
from scheduler.edge import format_short_date, format_time
from scheduler.errors import counted
from scheduler.notes import Note
from scheduler.site import Site
from scheduler.state.demand import Demand, et_to_come, zone_etc, zone_rain
from scheduler.state.filtered import LONGEST_RUN, Filtered, run_record
from scheduler.state.lingering import lingers
from scheduler.state.quality import believed, examine
from scheduler.state.ran import Ran, what_ran
from scheduler.state.readings import recent

EXAMINED = LONGEST_RUN  # [d] of readings looked over: all that the filter runs over, so that it hears them
DECIMALS = 6  # of a millimetre kept in an estimate; the last bits of a sum hang on the number of threads that took it
FELT = ("moisture", "ec", "temperature")  # doubted values that a sheet names


@dataclass(frozen=True)
class StartState:
    """Depletion at tonight's opening.

    Parameters
    ----------
    depletion : ndarray (Z,)   [mm], 0 to TAW.
    spread : ndarray (Z,)      One standard deviation [mm].
    origin : ndarray (Z,)      "probe", "kin", "balance" or "field capacity".
    taw : ndarray (Z,)         [mm].
    surplus : ndarray (Z,)     Water above field capacity, on its way down [mm]; 0 where depletion is above 0.
    readings, used, doubtful : int   Probes with a recent reading; probes used; probes set aside.
    newest_reading : Timestamp or None
    newest_applied : date or None
    applied_nights : int
    planned_nights : int       Nights after the log that count as run as planned.
    logged : bool              Whether the log, and plans after its end, reach to the evening.
    notes : tuple of Note
    lingers : ndarray (Z,) or None   Share of water led past field capacity that is in the roots on the next evening, as
                               probes say; None where none say it.
    """

    depletion: np.ndarray
    spread: np.ndarray
    origin: np.ndarray
    taw: np.ndarray
    surplus: np.ndarray
    readings: int
    used: int
    doubtful: int
    newest_reading: pd.Timestamp | None
    newest_applied: date | None
    applied_nights: int
    planned_nights: int
    logged: bool
    notes: tuple[Note, ...]
    lingers: np.ndarray | None = None


def evening_state(
    site: Site, night: date, opens: int, demand: Demand, net_rate: np.ndarray, flags: pd.DataFrame | None = None
) -> StartState:
    """Estimate where each zone stands, by the filter where the record allows it.

    Parameters
    ----------
    site : Site
    night : date            The evening's date; nothing read or applied after it is used.
    opens : int             Opening time [min after 00:00 of the evening's date].
    demand : Demand
    net_rate : ndarray (Z,) Net application rate [mm/min].
    flags : DataFrame, optional   Flags of the readings where they have been examined already.

    Returns
    -------
    StartState
    """
    rows = recent(site, night, opens, EXAMINED)
    notes: list[Note] = []
    if flags is None and len(rows):
        examined = examine(site, rows)
        flags = examined.flags
        notes += [n for n in examined.notes if n.kind == "warning"]
    good = rows if flags is None or not len(rows) else believed(rows, flags)
    trusted = replace(site, probes=good if len(good) else site.probes)
    simple = starting_state(trusted, night, opens, demand, net_rate)
    opening = pd.Timestamp(night) + timedelta(minutes=opens)
    heard = rows[(rows["time"] > opening - timedelta(days=SPREAD.oldest_reading)) & rows["moisture"].notna()][
        "probe"
    ].nunique()
    if flags is not None:
        notes += _flag_notes(flags, opening, site.units)
    state = replace(simple, readings=int(heard), doubtful=max(int(heard) - simple.used, 0))
    filtered = _filtered(trusted, night, demand, state, good, notes)
    if filtered is not None:
        state = replace(_joined(state, filtered), lingers=lingers(trusted, filtered))
    return replace(_kept_digits(state), notes=(*state.notes, *notes))


def _kept_digits(state: StartState) -> StartState:
    """Drop what lies beyond a millionth of a millimetre: machines differ there, and a full night must not."""
    depletion, surplus, spread = (np.round(a, DECIMALS) for a in (state.depletion, state.surplus, state.spread))
    return replace(state, depletion=np.minimum(depletion, state.taw), surplus=surplus, spread=spread)


def _filtered(
    site: Site, night: date, demand: Demand, state: StartState, good: pd.DataFrame, notes: list[Note]
) -> Filtered | None:
    """Run the filter, or say why not."""
    if not state.used:
        return None  # the step down to the balance is said by whoever found no probe
    if not state.logged:
        notes.append(Note("step_down", "state", "no log of recent nights: probes speak for their own zone only"))
        return None
    filtered = run_record(site, demand, what_ran(site, night, demand.past, []), good)
    if filtered is None:
        text = "too few days of weather or of readings to learn from: probes speak for their own zone only"
        notes.append(Note("step_down", "state", text))
    return filtered


def _joined(state: StartState, filtered: Filtered) -> StartState:
    """Let the filter speak for the zones that a probe informs, their own or a kin's."""
    told = np.isin(filtered.estimate.informed_by, ("probe", "kin"))
    rows = filtered.rows[told]
    depletion, spread, origin = state.depletion.copy(), state.spread.copy(), state.origin.copy()
    surplus = state.surplus.copy()
    surplus[rows] = filtered.estimate.surplus[told]
    depletion[rows] = np.clip(filtered.estimate.depletion[told], 0.0, state.taw[rows])
    spread[rows] = np.minimum(filtered.estimate.spread[told], SPREAD.widest * state.taw[rows])
    origin[rows] = filtered.estimate.informed_by[told].astype(object)
    return replace(state, depletion=depletion, surplus=surplus, spread=spread, origin=origin)


def _flag_notes(flags: pd.DataFrame, opening: pd.Timestamp, units: str) -> list[Note]:
    """Name the probes doubted in the last days, with the reason; one warning a probe and value."""
    late = flags[(flags["ends"] > opening - timedelta(days=SPREAD.oldest_reading)) & (flags["starts"] <= opening)]
    late = late[late["what"].isin(FELT) & (late["rule"] != "unrecorded")]
    found = []
    for (probe, _), rows in late.sort_values("ends").groupby(["probe", "what"], sort=True):
        row, count = rows.iloc[-1], len(rows)
        more = f"; {counted(count - 1, 'more doubt')} in these days" if count > 1 else ""
        ends = row["ends"].to_pydatetime()
        when = f"{format_short_date(ends.date(), units)}, {format_time(ends, units)}"
        found.append(Note("warning", f"probe {probe}", f"{row['reason']} (up to {when}); not used{more}", probe))
    return found


def starting_state(site: Site, night: date, opens: int, demand: Demand, net_rate: np.ndarray) -> StartState:
    """Estimate where each zone stands by its latest readings and the plain balance, without the filter.

    Parameters
    ----------
    site : Site
    night : date            The evening's date; nothing read or applied after it is used.
    opens : int             Opening time [min after 00:00 of the evening's date].
    demand : Demand
    net_rate : ndarray (Z,) Net application rate [mm/min].

    Returns
    -------
    StartState
    """
    zones, notes, past = site.zones, [], demand.past
    ran = what_ran(site, night, past, notes)
    etc, (rain, _) = zone_etc(site, past), zone_rain(site, past)
    fraction = adjusted_depletion_fraction(zones.depletion_fraction, etc)
    probed = _probed(site, pd.Timestamp(night) + timedelta(minutes=opens), zones.taw, notes)
    known = ran.begins is not None and demand.observed_days > 0
    begun = _begun(site, past["date"].to_numpy(), ran, probed, etc, known)
    depletion = _carried(site, begun, ran, net_rate, _Course(etc, rain, fraction))
    age = etc.shape[1] - 1 - begun.day
    spread = _spread(site, begun.origin, age, probed, etc, zones.taw, np.nan_to_num(ran.spread))
    if not known:
        _note_no_balance(begun.origin, ran.begins is not None, notes)
    return StartState(
        depletion=np.clip(depletion, 0.0, zones.taw),
        spread=spread,
        origin=begun.origin,
        taw=zones.taw,
        surplus=np.maximum(-depletion, 0.0),
        readings=probed.readings,
        used=probed.used,
        doubtful=probed.doubtful,
        newest_reading=probed.newest,
        newest_applied=ran.newest,
        applied_nights=ran.nights,
        planned_nights=len(ran.planned),
        logged=ran.begins == 0 and ran.newest is not None,
        notes=tuple(notes),
    )


@dataclass(frozen=True)
class _Begun:
    """Where the plain balance of each zone begins: depletion (Z,) [mm], index of its date, and what told it."""

    depletion: np.ndarray
    day: np.ndarray
    origin: np.ndarray


@dataclass(frozen=True)
class _Course:
    """ET and rain [mm] and depletion fraction [-] of each zone and date, (Z, days)."""

    etc: np.ndarray
    rain: np.ndarray
    fraction: np.ndarray


def _begun(site: Site, days: np.ndarray, ran: Ran, probed: _Probed, etc: np.ndarray, known: bool) -> _Begun:
    """Begin at the newest reading, else at the start of the record, else at field capacity tonight."""
    z, taw = len(site.zones), site.zones.taw
    day = np.full(z, ran.begins if known else len(days) - 1)
    origin = np.full(z, "balance" if known else "field capacity", dtype=object)
    if len(probed.zone):
        place = np.searchsorted(days, probed.date.astype(days.dtype))
        usable = (place < len(days)) & (probed.date >= days[0])
        day[probed.zone[usable]] = place[usable]
        origin[probed.zone[usable]] = "probe"
    read, to_come = np.zeros(z), np.zeros(z)
    read[probed.zone] = probed.depletion
    to_come[probed.zone] = probed.et_to_come
    # A reading at some hour of its date still has the rest of that date's ET before it.
    rest = to_come * etc[np.arange(z), np.clip(day, 0, len(days) - 1)]
    told = np.clip(np.nan_to_num(ran.depletion), 0.0, taw)
    return _Begun(np.where(origin == "probe", np.clip(read + rest, 0.0, taw), told), day, origin)


def _carried(site: Site, begun: _Begun, ran: Ran, net_rate: np.ndarray, water: _Course) -> np.ndarray:
    """Depletion (Z,) [mm] of the last date, below 0 where water stands above field capacity."""
    taw, net, depletion = site.zones.taw, ran.minutes * net_rate[:, None], begun.depletion
    for i in range(int(begun.day.min()) + 1, water.etc.shape[1]):
        moving, p = begun.day < i, water.fraction[:, i]
        day = drainage_day(depletion, net[:, i - 1], water.etc[:, i], water.rain[:, i], taw, p, site.zones.drainage)
        depletion = np.where(moving, day.depletion, depletion)
        if i <= ran.first_known:  # nights before the log begins were not dry ones: somebody watered
            depletion = np.where(moving & (begun.origin != "probe"), np.minimum(depletion, p * taw), depletion)
    return depletion


@dataclass(frozen=True)
class _Probed:
    """Zones with a trustworthy reading: root-zone depletion at its time, arrays over those zones."""

    zone: np.ndarray
    depletion: np.ndarray
    date: np.ndarray
    et_to_come: np.ndarray
    depths: np.ndarray
    readings: int
    used: int
    doubtful: int
    newest: pd.Timestamp | None


def _probed(site: Site, opening: pd.Timestamp, taw: np.ndarray, notes: list[Note]) -> _Probed:
    """Newest trustworthy readings by depth, combined to the root zone."""
    rows = site.probes[(site.probes["time"] <= opening) & site.probes["moisture"].notna()]
    newest = rows["time"].max() if len(rows) else None
    rows = rows[rows["time"] > opening - timedelta(days=SPREAD.oldest_reading)]
    if not len(rows):
        if newest is not None:
            days = (opening - newest).days
            notes.append(Note("step_down", "probes", f"newest reading is {days} days old and no longer used"))
        elif not len(site.probes):
            notes.append(
                Note("step_down", "probes", "no probe readings: zones stand where the water balance puts them")
            )
        return _nothing(newest, 0, 0)
    latest = _latest_by_probe(rows)
    places = _places(site, latest, opening)
    saturation = np.array([TEXTURES[s].saturation for s in site.zones.soil])
    physical = (places["moisture"] > 0) & (places["moisture"] <= np.maximum(saturation[places["z"]], 0.3) + 0.05)
    doubtful = places[~physical | places["stuck"]]
    for row in doubtful.itertuples():
        why = (
            "has not moved for two days" if row.stuck else f"reads {row.moisture:.2f} m3/m3, which its soil cannot hold"
        )
        notes.append(Note("warning", f"probe {row.probe}", f"{why}; set aside tonight", str(row.probe)))
    places = places[physical & ~places["stuck"]]
    if not len(places):
        return _nothing(newest, len(latest), len(doubtful))
    zone, theta, depths = _root_zone_moisture(places, site.zones.fed_depth)
    first = places.groupby("z")["time"].max().reindex(zone)
    hours = (first - first.dt.normalize()).dt.total_seconds().to_numpy() / 3600.0
    z = site.zones
    depletion = 1000.0 * (z.field_capacity[zone] - theta) * z.fed_depth[zone]
    outside = (depletion < -0.25 * taw[zone]) | (depletion > 1.1 * taw[zone])
    for i in np.flatnonzero(outside):
        side = "wetter than field capacity" if depletion[i] < 0 else "drier than the wilting point"
        notes.append(Note("info", f"zone {z.zone[zone[i]]}", f"probes read {side}; taken as the nearer of the two"))
    return _Probed(
        zone=zone,
        depletion=np.clip(depletion, 0.0, taw[zone]),
        date=first.dt.normalize().to_numpy(),
        et_to_come=et_to_come(hours),
        depths=depths,
        readings=len(latest),
        used=len(places),
        doubtful=len(doubtful),
        newest=newest,
    )


def _nothing(newest: pd.Timestamp | None, readings: int, doubtful: int) -> _Probed:
    none = np.zeros(0)
    return _Probed(
        none.astype(np.int64), none, none.astype("datetime64[ns]"), none, none, readings, 0, doubtful, newest
    )


def _latest_by_probe(rows: pd.DataFrame) -> pd.DataFrame:
    """Newest reading of each probe, as the median of its last three, and whether the probe is stuck."""
    rows = rows.sort_values(["probe", "time"])
    last_time = rows.groupby("probe")["time"].transform("max")
    recent = rows[rows["time"] >= last_time - timedelta(hours=6)].groupby("probe").tail(3).groupby("probe")
    table = pd.DataFrame({"time": recent["time"].max(), "moisture": recent["moisture"].median()})
    window = rows[rows["time"] >= last_time - timedelta(hours=READINGS.stuck_for)].groupby("probe")
    span = window["time"].max() - window["time"].min() >= timedelta(hours=READINGS.stuck_for - 12)
    still = (window["moisture"].max() - window["moisture"].min()) <= 0.0
    table["stuck"] = still & span & (window.size() >= READINGS.stuck_readings)
    return table.reset_index()


def _places(site: Site, latest: pd.DataFrame, opening: pd.Timestamp) -> pd.DataFrame:
    """Readings with the zone and depth their probe was buried at when they were taken."""
    table = latest.merge(site.probe_sites, on="probe", how="inner")
    begun = table["from"].isna() | (table["from"] <= table["time"])
    standing = table["until"].isna() | (table["until"] >= table["time"].dt.normalize())
    table = table[begun & standing]
    index = pd.Series(np.arange(len(site.zones)), index=site.zones.zone)
    table = table.assign(z=table["zone"].map(index))
    return table[table["z"].notna()].astype({"z": np.int64})


def _root_zone_moisture(places: pd.DataFrame, root_depth: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mean moisture of the root zone of each probed zone: each depth stands for the soil nearest to it.

    Returns zones, moisture [m3/m3] and the number of depths, each of shape (zones with probes,).
    """
    mean = places.groupby(["z", "depth"], as_index=False)["moisture"].mean().sort_values(["z", "depth"])
    z, depth, theta = (mean[c].to_numpy() for c in ("z", "depth", "moisture"))
    depth = depth / 100.0
    same_above = np.concatenate(([False], z[1:] == z[:-1]))
    same_below = np.concatenate((z[1:] == z[:-1], [False]))
    middle = 0.5 * (depth[1:] + depth[:-1])
    top = np.where(same_above, np.concatenate(([0.0], middle)), 0.0)
    bottom = np.where(same_below, np.concatenate((middle, [0.0])), np.maximum(root_depth[z], depth))
    thickness = np.clip(np.minimum(bottom, root_depth[z]) - np.minimum(top, root_depth[z]), 1e-6, None)
    zone, inverse = np.unique(z, return_inverse=True)
    weight = np.bincount(inverse, weights=thickness)
    return zone, np.bincount(inverse, weights=thickness * theta) / weight, np.bincount(inverse).astype(float)


def _spread(
    site: Site,
    origin: np.ndarray,
    age: np.ndarray,
    probed: _Probed,
    etc: np.ndarray,
    taw: np.ndarray,
    begun: np.ndarray,
) -> np.ndarray:
    """One standard deviation of each estimate [mm]."""
    daily = SPREAD.daily_error * etc.mean(axis=1)
    depths = np.ones(len(taw))
    depths[probed.zone] = np.maximum(probed.depths, 1.0)
    reading = 1000.0 * site.zones.fed_depth * SPREAD.probe_error / np.sqrt(depths)
    drift = daily * np.sqrt(np.maximum(age, 0))
    known = np.hypot(np.where(origin == "probe", reading, begun), drift)
    spread = np.where(origin == "field capacity", SPREAD.unknown * taw, known)
    return np.minimum(spread, SPREAD.widest * taw)


def _note_no_balance(origin: np.ndarray, weather_missing: bool, notes: list[Note]) -> None:
    """Say which zones could only be placed at field capacity, and why."""
    count = int((origin == "field capacity").sum())
    if count:
        why = "no weather observed" if weather_missing else "no log and no plan of recent nights"
        zones = counted(count, "zone")
        notes.append(Note("step_down", "state", f"{zones} without a probe taken as at field capacity ({why})"))
