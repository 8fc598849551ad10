"""The balance of water and salt over the past days, from a stated start through every sample."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from datetime import date

import numpy as np
import pandas as pd

from models.choices import SALT
from models.layers import (
    TWO_LAYER_ROOTS,
    LayeredState,
    Layers,
    ece_of,
    root_zone_ece,
    some_layers,
    state_from_ece,
)
from models.salt_step import LayeredDay, SaltTolerance, Turned, step
from models.salts import boundary_concentration
from models.soil import adjusted_depletion_fraction
from models.uneven_catch import PLACE_SHARE, place_catch
from scheduler.notes import Note
from scheduler.salinity.followed import Follower
from scheduler.site import Site
from scheduler.state.demand import zone_etc, zone_rain
from scheduler.state.ran import minutes_run, runs_before


@dataclass(frozen=True)
class SaltRun:
    """What the balance says; arrays over the zones it ran for, which are `zones` (M,); a zone may stand twice.

    ece : (M, L) at the end [dS/m];  age : (M, L) days since a sample, inf without;  path : (M, L, T) by date.
    depth, drainage : (M, T) net water of the night before each date, and what drained [mm].
    """

    zones: np.ndarray
    ece: np.ndarray
    age: np.ndarray
    dates: pd.DatetimeIndex
    path: np.ndarray
    depth: np.ndarray
    drainage: np.ndarray
    depletion: np.ndarray
    etc: np.ndarray
    rain: np.ndarray
    p: np.ndarray
    notes: tuple[Note, ...]

    def rows(self, some: slice) -> SaltRun:
        """Give the same for some of the rows."""
        apart = {"dates", "notes"}
        return replace(self, **{f.name: getattr(self, f.name)[some] for f in fields(self) if f.name not in apart})


class _Catch:
    """Places of a zone that catch unequal water, as in `models.uneven_catch`.

    Salt stays where little is caught and leaves where much is: the mean of a zone is not that of its mean water. But a
    place that gets too little to drain does not gather salt for ever: what salt keeps from its turf leaches it.
    """

    def __init__(self, du_lq: np.ndarray, threshold: np.ndarray, slope: np.ndarray) -> None:
        self.caught = place_catch(du_lq)  # (M, 3) of the mean
        self.row = np.repeat(np.arange(du_lq.size), PLACE_SHARE.size)
        self.threshold, self.slope = threshold[self.row], slope[self.row]

    def tolerance(self, places: Layers, state: LayeredState, salt_in: np.ndarray) -> SaltTolerance:
        """FAO-56 Eq. 90 for what places bear beyond their zone: the demand told is of the zone as it stands.

        `salt_in` (3 M,) [dS/m mm] comes with the night's water and may stay.
        """
        paste = (1000.0 * places.paste * places.rooted).sum(axis=1)
        ece = root_zone_ece(places, ece_of(places, state)) + salt_in / paste
        return SaltTolerance(np.maximum(self.threshold, self.mean(ece)[self.row]), self.slope, np.ones(ece.size))

    def over(self, depth: np.ndarray) -> np.ndarray:
        """A zone's mean depth (M,) over its places (3 M,)."""
        return (depth[:, None] * self.caught).ravel()

    def mean(self, values: np.ndarray) -> np.ndarray:
        """Means of the zones of what places have: (3 M,) or (3 M, L)."""
        found: np.ndarray = np.einsum(
            "mc...,c->m...", values.reshape(-1, PLACE_SHARE.size, *values.shape[1:]), PLACE_SHARE
        )
        return found

    def state(self, state: LayeredState) -> LayeredState:
        """The mean state of each zone."""
        return LayeredState(self.mean(state.depletion), self.mean(state.salt))

    def day(self, day: LayeredDay) -> LayeredDay:
        """The mean of a day: state, drainage and the salt that came in."""
        mean = self.mean
        return replace(day, state=self.state(day.state), drainage=mean(day.drainage), salt_in=mean(day.salt_in))


def salt_history(
    site: Site,
    layers: Layers,
    source_ec: np.ndarray,
    zones: np.ndarray,
    past: pd.DataFrame,
    samples: pd.DataFrame,
    night: date,
    follower: Follower | None = None,
) -> SaltRun:
    """Run water and salt over the past days for some zones, taking in each sample on its date.

    A night the log of applied water does not cover (before its first or after its last) is taken to have refilled the
    root zone. The start is the newest earlier sample, else the steady state of the zone's water (`start_leaching`).

    Parameters
    ----------
    site : Site
    layers : Layers             Of all zones.
    source_ec : ndarray (Z,)    ECw of each zone's water [dS/m].
    zones : ndarray (M,)        Zones to run; one may stand twice, so that it also runs as probes correct it.
    past : DataFrame            date, eto, rain; whole days.
    samples : DataFrame         As `layer_samples` gives them.
    night : date                Evening up to which the log is used.
    follower : Follower, optional    Corrects the balance by probes, in the last rows, which are the zones it is for.

    Returns
    -------
    SaltRun
    """
    part, days = some_layers(layers, zones), past["date"]
    catch = _Catch(*(of[zones] for of in (site.zones.du_lq, site.zones.ece_threshold, site.zones.ece_slope)))
    places, ec = some_layers(part, catch.row), source_ec[zones]
    soil = Turned.of(places)
    etc, (rain, _) = zone_etc(site, past)[zones], zone_rain(site, past)
    rain, p = rain[zones], adjusted_depletion_fraction(site.zones.depletion_fraction[zones], etc)
    applied, logged, notes = _log(site, zones, days, night)
    known = _by_date(samples, zones)
    of_date: dict[pd.Timestamp, list[tuple[pd.Timestamp, int, int, float]]] = {}
    for sample in known:
        of_date.setdefault(sample[0], []).append(sample)
    of_places = [of[catch.row] for of in (ec, etc, rain, p)]
    ece, age = _start(part, ec, [sample for sample in known if sample[0] <= days.iloc[0]], days.iloc[0])
    state = state_from_ece(places, np.zeros(catch.row.size), ece[catch.row])
    by_probe = len(zones) if follower is None else len(zones) - len(follower.readings.zones)  # first row of these
    if follower is not None:
        follower.starts(age[by_probe:])
    count = len(days)
    path = np.empty((*ece.shape, count))
    path[:, :, 0] = ece
    depth, drained, short = (np.zeros((len(zones), count)) for _ in range(3))
    for i, on_date in enumerate(days.iloc[1:], start=1):
        water = catch.over(applied[:, i - 1]) if logged[i - 1] else state.total_depletion
        tolerance = catch.tolerance(places, state, water * of_places[0])
        weather = (of[:, i] for of in of_places[1:])
        after = step(soil, places, state, tolerance, 0.0, SALT.slow, water, of_places[0], *weather)
        before, day, age = catch.state(state), catch.day(after), age + 1.0
        taken, salt = of_date.get(on_date, []), day.state.salt.copy()
        for _, row, layer, value in taken:
            salt[row, layer], age[row, layer] = value * part.paste_water[row, layer], 0.0
        if follower is not None:
            told = [(row - by_probe, layer, value) for _, row, layer, value in taken if row >= by_probe]
            rows = slice(by_probe, None)
            states = before.rows(rows), day.state.rows(rows)
            salt[rows] = follower.after(i, *states, day.salt_in[rows], bool(logged[i - 1]), told)
        changed = salt / np.maximum(day.state.salt, 1e-9)
        state = LayeredState(after.state.depletion, after.state.salt * changed[catch.row])
        path[:, :, i] = salt / part.paste_water
        depth[:, i], drained[:, i], short[:, i] = catch.mean(water), day.drainage, day.state.total_depletion
    return SaltRun(
        zones, path[:, :, -1], age, pd.DatetimeIndex(days), path, depth, drained, short, etc, rain, p, tuple(notes)
    )  # fmt: skip


def _start(
    part: Layers, ec: np.ndarray, before: list[tuple[pd.Timestamp, int, int, float]], first: pd.Timestamp
) -> tuple[np.ndarray, np.ndarray]:
    """ECe by layer on the first date [dS/m], by samples or else the water; days since a sample, else inf, (M, L)."""
    ece = _steady_start(part, ec)
    age = np.full(ece.shape, np.inf)
    for day, row, layer, value in before:  # oldest first
        ece[row, layer], age[row, layer] = value, (first - day).days
    return ece, age


def _by_date(samples: pd.DataFrame, zones: np.ndarray) -> list[tuple[pd.Timestamp, int, int, float]]:
    """Samples of the zones that run, one value a day, zone and layer (geometric mean): (day, row, layer, ECe)."""
    if not len(samples):
        return []
    table = samples.assign(day=samples["date"].dt.normalize(), log=np.log(samples["ece"].to_numpy(float)))
    table = table.groupby(["day", "z", "layer"], as_index=False)["log"].mean().sort_values("day")
    rows = zip(table["day"], table["z"], table["layer"], np.exp(table["log"]), strict=True)
    return [(day, int(row), layer, float(value)) for day, z, layer, value in rows for row in np.flatnonzero(zones == z)]


def _steady_start(layers: Layers, ec: np.ndarray) -> np.ndarray:
    """ECe by layer at the steady state of water `ec` and a leaching fraction of 0.15 (FAO-29 ch. 2), (M, L) [dS/m]."""
    bounds = boundary_concentration(SALT.start_leaching, TWO_LAYER_ROOTS)[0]
    middle = 0.5 * (bounds[1:] + bounds[:-1])
    return ec[:, None] * middle[None, :] * layers.field_capacity / layers.paste


def _log(site: Site, zones: np.ndarray, days: pd.Series, night: date) -> tuple[np.ndarray, np.ndarray, list[Note]]:
    """Mean depth applied on the night of each past date (M, T) [mm], and the nights the log covers (T,)."""
    minutes, logged = np.zeros((len(site.zones), len(days))), np.zeros(len(days), dtype=bool)
    rows = runs_before(site, night)
    if not len(rows):
        text = "no log of applied water: salts are reckoned as if every night had refilled the root zone"
        return minutes[zones], logged, [Note("step_down", "salts", text)]
    index = pd.Series(np.arange(len(site.zones)), index=site.zones.zone)
    zone = rows["zone"].map(index).fillna(-1).to_numpy(np.int64)
    column = pd.DatetimeIndex(days).get_indexer(pd.DatetimeIndex(rows["night"]))
    inside = (zone >= 0) & (column >= 0)
    np.add.at(minutes, (zone[inside], column[inside]), minutes_run(site, rows)[inside])
    depth = minutes[zones] * site.zones.gross_rate[zones][:, None]
    first, last = rows["night"].min(), rows["night"].max()
    return depth, np.asarray((days >= first) & (days <= last)), []
