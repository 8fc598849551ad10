"""Salinity followed through the last weeks of a site's probe readings, with what is not known of it.

The balance runs through the days as ever; where a probe read, `models.salt_following` moves the layer towards
the reading by as much as the two are sure. A start that is only stated says next to nothing once a probe has read: its
weight is that of `SALT.stated_spread`, until the log of applied water has replaced the salt it stood for.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import numpy as np
import pandas as pd

from models.choices import SALT
from models.layers import LayeredState, Layers, ece_of, some_layers
from models.salt_following import Belief, after_day, first_belief, halves_from_points, in_profile, sampled, taken_in
from models.salts import PROBE_SPREAD
from scheduler.salinity.readings import calm_readings
from scheduler.site import Site

LASTING = np.array([SALT.settles_upper, SALT.settles_lower])


@dataclass(frozen=True)
class Readings:
    """Evening readings of some zones over T dates, corrected by samples, natural logarithms (M, L, T), NaN for none.

    zones : (M,) rows of the site;  read : ln ECe;  offset_spread : (M, L) of the probes there, NaN without any.
    """

    zones: np.ndarray
    read: np.ndarray
    offset_spread: np.ndarray

    def rows(self, some: np.ndarray) -> Readings:
        """Give those of some of the zones, by row."""
        return Readings(self.zones[some], self.read[some], self.offset_spread[some])

    @property
    def seen(self) -> np.ndarray:
        """Layers that a probe read (M, L)."""
        return np.isfinite(self.read).any(axis=2)


def evening_ece(
    site: Site,
    layers: Layers,
    dates: pd.DatetimeIndex,
    opening: pd.Timestamp,
    latest: pd.DataFrame,
    factors: dict[str, tuple[float, float]],
) -> Readings:
    """Give ECe as probes read it on the evenings of the last `SALT.followed_for` days, by zone and layer.

    Parameters
    ----------
    site : Site
    layers : Layers          Of all zones.
    dates : DatetimeIndex    T dates of the balance.
    opening : Timestamp      Nothing read after it is used.
    latest : DataFrame       What each probe reads now, as `recent_readings` gives it.
    factors : dict           Factor on each probe's ECe and its natural-log spread.

    Returns
    -------
    Readings   Of the zones that any probe read which still reads there.
    """
    nothing = np.zeros(0, dtype=np.int64)
    shape = layers.thickness.shape
    if not len(latest):
        return Readings(nothing, np.zeros((0, shape[1], len(dates))), np.zeros((0, shape[1])))
    earlier = calm_readings(site, opening - timedelta(days=SALT.followed_for), opening)
    latest = latest.assign(day=latest["time"].dt.normalize().clip(upper=dates[-1]))  # a window may open after midnight
    place = ["probe", "z", "layer"]
    table = pd.concat((earlier, latest), ignore_index=True).drop_duplicates([*place, "day"], keep="last")
    # A probe that fell silent, or was taken elsewhere, no longer says where a zone stands.
    table = table[pd.MultiIndex.from_frame(table[place]).isin(pd.MultiIndex.from_frame(latest[place]))]
    column = dates.get_indexer(pd.DatetimeIndex(table["day"]))
    table, column = table[column >= 0], column[column >= 0]
    zones, row = np.unique(table["z"].to_numpy(np.int64), return_inverse=True)
    layer = table["layer"].to_numpy(np.int64)
    factor, width = np.array([factors[p] for p in table["probe"]]).reshape(-1, 2).T
    roots, fed = (depth[zones[row]] for depth in (site.zones.root_depth, site.zones.fed_depth))
    # A spot catches other water than its zone's mean; samples beside the probe have that in them. Most spots are less
    # salty than the mean, which the dry ones make (mean of a lognormal variable).
    strays = np.where(fed > roots, SALT.spot_strays_fed, SALT.spot_strays)
    place_spread = strays * (1.0 - site.zones.du_lq[zones[row]]) * np.minimum(width / PROBE_SPREAD, 1.0)
    width = np.hypot(width, place_spread)
    total, count = (np.zeros((zones.size, shape[1], len(dates))) for _ in range(2))
    value = np.clip(table["ece"].to_numpy(float) * factor, SALT.least_ece, SALT.most_ece)
    np.add.at(total, (row, layer, column), np.log(value) + 0.5 * place_spread**2)
    np.add.at(count, (row, layer, column), 1.0)
    level, gain = in_profile(table["depth"].to_numpy(float) / (100.0 * fed))
    gain = np.where(fed > roots, 0.0, gain)  # roots that are fed from below them make no such profile
    within, above, belief = (np.zeros((zones.size, shape[1])) for _ in range(3))
    np.add.at(within, (row, layer), level)
    np.add.at(above, (row, layer), gain)
    each = ~table.duplicated(place).to_numpy()
    np.add.at(belief, (row[each], layer[each]), 1.0 / width[each] ** 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        read, every = total / np.where(count > 0, count, np.nan), np.maximum(count.sum(axis=2), 1.0)
        read = halves_from_points(read, within / every, above / every)
        return Readings(zones, read, np.where(belief > 0, belief, np.nan) ** -0.5)


class Follower:
    """What a run of the balance asks on each date; holds the belief of its zones, arrays (M, L)."""

    def __init__(self, layers: Layers, readings: Readings) -> None:
        """Begin before the first date: of all zones' `layers` those that were read."""
        self.layers = some_layers(layers, readings.zones)
        self.readings = readings
        self.alone = np.zeros(self.layers.thickness.shape)
        self.informed = np.zeros(self.layers.thickness.shape, dtype=bool)
        self.belief = self._begun(np.full(self.layers.thickness.shape, SALT.stated_spread))

    def _begun(self, spread: np.ndarray) -> Belief:
        return first_belief(spread, np.nan_to_num(self.readings.offset_spread, nan=1.0), LASTING)

    def starts(self, age: np.ndarray) -> None:
        """Take the start for what samples of an `age` (M, L) [d] say of it, inf where none does."""
        self.informed = np.isfinite(age)
        self.alone = np.where(self.informed, age, 0.0)
        known = np.hypot(SALT.laboratory_spread, SALT.drift * self.alone)
        self.belief = self._begun(np.where(self.informed, known, SALT.stated_spread))

    def after(
        self,
        date: int,
        before: LayeredState,
        state: LayeredState,
        salt_in: np.ndarray,
        logged: bool,
        samples: list[tuple[int, int, float]],
    ) -> np.ndarray:
        """Correct the salt at the end of a date.

        Parameters
        ----------
        date : int                Column of the date.
        before : LayeredState     At the date's start.
        state : LayeredState      What the balance made of it.
        salt_in : ndarray (M,)    Salt that came in [dS/m mm].
        logged : bool             Whether its night's water is known.
        samples : list            Row, layer and ECe [dS/m] of samples taken on it.

        Returns
        -------
        ndarray (M, L)   [dS/m mm].
        """
        old, now = (np.log(np.maximum(ece_of(self.layers, s), SALT.least_ece)) for s in (before, state))
        whole = state.salt.sum(axis=1)
        kept = np.clip(1.0 - salt_in / np.maximum(whole, 1e-9), 0.0, 1.0) if logged else np.ones(whole.size)
        self.alone += 1.0
        grown = np.hypot(SALT.strays, SALT.drift * np.sqrt(2.0 * self.alone - 1.0))  # drift times n, after n days
        self.belief, drawn = after_day(self.belief, old - now, kept, grown)
        log_ece = now + drawn
        if samples:
            found = np.full(now.shape, np.nan)
            for row, layer, ece in samples:
                found[row, layer] = np.log(ece)
            self.belief, log_ece = sampled(self.belief, log_ece, found, SALT.laboratory_spread)
            self._told(np.isfinite(found))
        read = self.readings.read[:, :, date]
        seen = np.isfinite(read)
        if seen.any():
            least = np.where(seen & ~self.informed, SALT.unknown_spread**2, 0.0)
            self.belief, log_ece = taken_in(self.belief.at_least(least), log_ece, read)
            self._told(seen)
        return np.asarray(state.salt * np.exp(log_ece - now))

    def _told(self, where: np.ndarray) -> None:
        self.informed = self.informed | where
        self.alone = np.where(where, 0.0, self.alone)
