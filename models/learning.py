"""What many spots say of every zone: demand and water over what was told, by surface, kin and zone.

A spot's own answer (`models.spot_fit`) is that of its zone and of the water its place catches beside the zone's mean.
One spot alone says little of its zone; what spots of one surface, or of one kin, have in common says more. All of it is
one normal model: told values are the prior, and what is learned is a function of what was told and of the whole record,
never of what was accepted in between. A probe cannot tell much water from thirstless turf by itself, so most of what is
found is laid on demand, where the prior is wide, and little on the application rate, whose flow and area were told.

A lesson has to earn its place: told nothing of two weeks at a time, it must have foretold their readings better than
the values told, by more than chance; see `prove`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtr

from models.kin import QUARTER_CV
from models.sensor_line import LEAST_READINGS, SensorLine
from models.spot_fit import WARM_UP, Record, SpotFits, fit_spots, run_spots, scales, sees_top

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

Z95 = 1.959964  # [-] two-sided 95 % of a normal variable
UNTOLD = 14  # [nights] at the end of the record that a lesson must foretell
MOST_TRIES = 10  # [-] spans of so many nights, latest first, that are foretold; each costs a fit
CHANCE = 0.05  # [-] a lesson that foretells no better would pass as often as this
FLOOR = 0.1  # [-] of a sensor's own squared error: below it one forecast is as good as another
LEAST_UNITS = 3  # spots, or pairs of a spot and two weeks where spots are fewer, without which chance is not ruled out
OUTLIER = 2.5  # [-] standard deviations beyond which a spot counts less
METER = 0.03  # [-] standard deviation of the log of a metered rate (no source)
ROUNDS = 3  # [-] of reweighting
QUESTION = 1.0 / 3.0  # [-] a change past this share of what was told is asked about, not offered


@dataclass(frozen=True)
class Told:
    """How sure told values are: standard deviations of logs [-]; no source, set on the tuning courses.

    Attributes
    ----------
    demand_surface, demand_kin, demand_own : float    Of demand: what zones of a surface, of a kin share, and the rest.
    water_surface, water_kin, water_own : float       Of the application rate.
    catch : float                                     Of the catch's CV by DU_LQ that one spot shows.
    physics, physics_own : float                      By which a balance errs alike for a ground, and at one spot.
    physics_mean : float                              Its mean: what goes on draining below field capacity can hardly be
                                                      told from what turf wants.
    perched, perched_own, perched_mean : float        The same of sand over gravel, which drains, and then stops.
    one_depth : float                                 Added alike where sensors stand at one depth only.
    level : float                                     By which demand and water err alike for a ground: without much
                                                      rain, which is told, readings hardly tell how much of both.
    """

    demand_surface: float = 0.06
    demand_kin: float = 0.06
    demand_own: float = 0.06
    water_surface: float = 0.04
    water_kin: float = 0.02
    water_own: float = 0.07
    catch: float = 1.0
    physics: float = 0.12
    physics_own: float = 0.10
    physics_mean: float = -0.26
    perched: float = 0.04
    perched_own: float = 0.05
    perched_mean: float = -0.02
    one_depth: float = 0.12
    level: float = 0.2

    def __post_init__(self) -> None:
        """Refuse what is no standard deviation."""
        for name, value in vars(self).items():
            if not np.isfinite(value) or (value <= 0 and not name.endswith("_mean")):
                raise ValueError(f"{name} must be finite and above 0")

    def shared(self, perched: BoolArray, one_depth: BoolArray) -> FloatArray:
        """By which balances of grounds err alike: standard deviations."""
        return np.hypot(np.where(perched, self.perched, self.physics), np.where(one_depth, self.one_depth, 0.0))


@dataclass(frozen=True)
class Learned:
    """A property of every zone, arrays (Z,).

    Attributes
    ----------
    values, low, high : ndarray                  What the record says, shrunk to what was told, with its 95 % interval.
    prior : ndarray                              What was told, in the same unit.
    events : ndarray of int                      Evenings of the zone's own probes behind it; 0 = through others.
    """

    values: FloatArray
    low: FloatArray
    high: FloatArray
    prior: FloatArray
    events: IntArray


@dataclass(frozen=True)
class Lessons:
    """Logs of demand and of water over what was told, for every zone and spot.

    Attributes
    ----------
    demand, water : ndarray, (Z,)                Most likely logs [-].
    demand_spread, water_spread : ndarray, (Z,)  Their standard deviations [-].
    ratio_spread : ndarray, (Z,)                 That of demand less water [-], which decides run times.
    spot_demand, spot_water : ndarray, (S,)      The same at the spots, the second with their catch [-].
    spot_errors : ndarray, (2, S)                What balances there are taken to err by, of demand and of water [-].
    evenings : ndarray of int, (Z,)              Evenings of the zone's own probes.
    """

    demand: FloatArray
    water: FloatArray
    demand_spread: FloatArray
    water_spread: FloatArray
    ratio_spread: FloatArray
    spot_demand: FloatArray
    spot_water: FloatArray
    spot_errors: FloatArray
    evenings: IntArray

    def of_demand(self, told: ArrayLike) -> Learned:
        """Microclimate factor of every zone, from the factor told (Z,) [-]."""
        return self._scaled(told, self.demand, self.demand_spread)

    def of_water(self, told: ArrayLike) -> Learned:
        """Application rate of every zone, from the rate told (Z,) [mm/h]."""
        return self._scaled(told, self.water, self.water_spread)

    def _scaled(self, told: ArrayLike, mean: FloatArray, spread: FloatArray) -> Learned:
        prior = np.asarray(told, dtype=np.float64)
        ends = [prior * np.exp(mean + side * Z95 * spread) for side in (0.0, -1.0, 1.0)]
        return Learned(ends[0], ends[1], ends[2], prior.copy(), self.evenings)


def learn_zones(record: Record, fits: SpotFits, told: Told | None = None, metered: ArrayLike | None = None) -> Lessons:
    """Join what the spots say to what was told.

    Parameters
    ----------
    record : Record
    fits : SpotFits
    told : Told, optional
    metered : array, shape (Z,), optional        Log of metered over told water [-], NaN where no meter says.

    Returns
    -------
    Lessons

    Raises
    ------
    ValueError                                   A shape is wrong.
    """
    told = told or Told()
    group = np.asarray(record.surface)
    count = np.size(record.zones.kin)
    meter = np.full(count, np.nan) if metered is None else np.asarray(metered, dtype=np.float64)
    if meter.shape != (count,):
        raise ValueError(f"metered must have shape ({count},); got {meter.shape}")
    zones = np.zeros((5, count))
    spots = np.zeros((4, fits.zone.size))
    for one in np.unique(group):
        _learn_surface(_Layout.of(record, fits, np.flatnonzero(group == one), told, meter), fits, told, zones, spots)
    evenings = np.zeros(count, dtype=np.int64)
    np.maximum.at(evenings, fits.zone, fits.evenings)
    return Lessons(zones[0], zones[1], zones[2], zones[3], zones[4], spots[0], spots[1], spots[2:], evenings)


@dataclass(frozen=True)
class _Layout:
    """What is unknown of one surface, as one normal vector, and where each thing stands in it.

    Demand and water of the surface, of each kin, of each zone with evidence, the catch of each spot, and the errors
    that balances of one ground share. A zone without evidence has those of its surface and kin, its own part unknown.

    Attributes
    ----------
    rows, kin : ndarray, (R,)            Zones, and the kin of each.
    own : ndarray, (R,)                  Place of each zone's own pair, -1 without.
    here, row, ground : ndarray, (T,)    Spots of these zones, the row of each, and the number of its ground.
    perched : ndarray of bool, (T,)      Spots over gravel.
    cv : ndarray, (T,)                   CV of the catch of places of its zone [-].
    variance : ndarray                   Of everything that is unknown.
    metered : ndarray, (R,)              Log of metered over told water, NaN without.
    """

    rows: IntArray
    kin: IntArray
    own: IntArray
    here: IntArray
    row: IntArray
    ground: IntArray
    perched: BoolArray
    cv: FloatArray
    variance: FloatArray
    metered: FloatArray

    @classmethod
    def of(cls, record: Record, fits: SpotFits, rows: IntArray, told: Told, meter: FloatArray) -> _Layout:
        """Lay out one surface."""
        kin = np.unique(np.asarray(record.zones.kin)[rows], return_inverse=True)[1]
        here = np.flatnonzero(np.isin(fits.zone, rows))
        row = np.searchsorted(rows, fits.zone[here])
        ground = np.unique(np.asarray(record.ground)[fits.zone[here]], return_inverse=True)[1]
        metered = meter[rows]
        evident = np.union1d(row, np.flatnonzero(~np.isnan(metered)))
        own = np.full(rows.size, -1, dtype=np.int64)
        own[evident] = np.arange(evident.size)
        cv = told.catch * (1.0 - np.asarray(record.zones.du_lq)[fits.zone[here]]) / QUARTER_CV
        perched = record.perched[fits.zone[here]]
        joined = np.bincount(fits.spot, weights=np.isnan(record.probes.depth), minlength=fits.zone.size) > 0
        alike = told.shared(perched, ~joined[here]) ** 2 + fits.unsure[here] ** 2
        shared = [float(np.mean(alike[ground == g])) for g in range(int(ground.max(initial=-1)) + 1)]
        variance = np.concatenate(
            (
                [told.demand_surface**2, told.water_surface**2],
                np.tile([told.demand_kin**2, told.water_kin**2], int(kin.max(initial=-1)) + 1),
                np.tile([told.demand_own**2, told.water_own**2], evident.size),
                np.maximum(cv, 0.02) ** 2,
                shared,
                np.full(len(shared), told.level**2),
            )
        )
        return cls(rows, kin, own, here, row, ground, perched, cv, variance, metered)

    def zone_line(self, r: int, which: int) -> FloatArray:
        """Coefficients of a zone's demand (0) or water (1)."""
        line = np.zeros(self.variance.size)
        kins = int(self.kin.max(initial=-1)) + 1
        line[which] = line[2 + 2 * self.kin[r] + which] = 1.0
        if self.own[r] >= 0:
            line[2 + 2 * kins + 2 * self.own[r] + which] = 1.0
        return line

    def spot_pair(self, i: int) -> FloatArray:
        """Coefficients of a spot's demand, and of its water with its catch, (2, size)."""
        pair = np.stack([self.zone_line(int(self.row[i]), 0), self.zone_line(int(self.row[i]), 1)])
        pair[1, self.variance.size - 2 * self._grounds - self.here.size + i] = 1.0
        return pair

    def errors(self, i: int) -> FloatArray:
        """Coefficients of the errors its ground's balances share: of demand, and of both alike, (2, size)."""
        pair = np.zeros((2, self.variance.size))
        pair[0, self.variance.size - 2 * self._grounds + self.ground[i]] = 1.0
        pair[:, self.variance.size - self._grounds + self.ground[i]] = 1.0
        return pair

    @property
    def _grounds(self) -> int:
        return int(self.ground.max(initial=-1)) + 1


def _learn_surface(layout: _Layout, fits: SpotFits, told: Told, zones: FloatArray, spots: FloatArray) -> None:
    """Fill in the zones (5, Z) and spots (4, S) of one surface: the normal posterior, spots far off counting less."""
    pairs = [layout.spot_pair(i) for i in range(layout.here.size)]
    seen = [i for i, s in enumerate(layout.here) if fits.evenings[s] > 0]
    own = np.where(layout.perched, told.perched_own, told.physics_own) ** 2 / 2.0
    worn = {i: _with_noise(fits.information[layout.here[i]], own[i] * np.eye(2)) for i in seen}
    # What balances err by at all spots, and the mean of the log of an uneven catch, which is below 0.
    usual = np.stack([np.where(layout.perched, told.perched_mean, told.physics_mean), -0.5 * layout.cv**2], axis=1)
    value = {i: fits.value[layout.here[i]] - usual[i] for i in seen}
    looks = {i: pairs[i] + layout.errors(i) for i in seen}
    weight = dict.fromkeys(seen, 1.0)
    for _ in range(ROUNDS):
        precision, pull = np.diag(1.0 / layout.variance), np.zeros(layout.variance.size)
        for i in seen:
            precision += weight[i] * (looks[i].T @ worn[i] @ looks[i])
            pull += weight[i] * (looks[i].T @ worn[i] @ value[i])
        for r in np.flatnonzero(~np.isnan(layout.metered)):
            line = layout.zone_line(int(r), 1)
            precision += np.outer(line, line) / METER**2
            pull += line * layout.metered[r] / METER**2
        cov = np.linalg.inv(precision)
        mean = cov @ pull
        for i in seen:
            off = value[i] - looks[i] @ mean
            weight[i] = min(1.0, OUTLIER / max(float(np.sqrt(max(off @ worn[i] @ off, 0.0) / 2.0)), 1e-9))
    for row, z in enumerate(layout.rows):
        d, w = layout.zone_line(row, 0), layout.zone_line(row, 1)
        spare = np.array([told.demand_own**2, told.water_own**2]) * float(layout.own[row] < 0)
        zones[:2, z] = d @ mean, w @ mean
        wide = [d @ cov @ d + spare[0], w @ cov @ w + spare[1], (d - w) @ cov @ (d - w) + spare.sum()]
        zones[2:, z] = np.sqrt(wide)
    for i, s in enumerate(layout.here):
        spots[:2, s], spots[2:, s] = pairs[i] @ mean, layout.errors(i) @ mean + [usual[i, 0], 0.0]


def _with_noise(information: FloatArray, noise: FloatArray) -> FloatArray:
    """Information of a pair once an error of covariance `noise` is added to it: (I^-1 + N)^-1, I singular or not."""
    inverse = np.linalg.inv(noise)
    out = inverse - inverse @ np.linalg.inv(information + inverse) @ inverse
    return np.asarray(0.5 * (out + out.T))


@dataclass(frozen=True)
class Proof:
    """Whether what was learned of the zones of each of G surfaces foretells readings that it was not told.

    Attributes
    ----------
    surface : ndarray of int, (G,)               Number of the surface.
    spots, blocks : ndarray of int, (G,)         Spots with readings to foretell; pairs of a spot and two weeks.
    better : ndarray, (G,)                       Share by which squared errors fall against the values told [-].
    chance : ndarray, (G,)                       Chance of doing so well with nothing learned [-].
    site_chance : float                          The same of all spots of the site.
    worse : float                                Chance that those of the last two weeks were foretold so much worse.
    holds : ndarray of bool, (G,)                The lesson has earned its place.
    """

    surface: IntArray
    spots: IntArray
    blocks: IntArray
    better: FloatArray
    chance: FloatArray
    site_chance: float
    worse: float
    holds: BoolArray


def prove(
    record: Record,
    told: Told | None = None,
    metered: ArrayLike | None = None,
) -> Proof:
    """Let the last two weeks, and spans of two weeks before them, be foretold from what came before each.

    As told and as learned by then. A forecast runs the balance on under the weather and water of those weeks, from
    where the sensor stood at their beginning, with its line fitted to the weeks before under the same values. What the
    balances err by is allowed for in both, else a wrong value that makes up for it would foretell best. A surface
    earns its place where its own spots were foretold better, by more than chance or with those of the whole site by
    more than chance, for a surface has few spots and all lessons come from one method; and as long as the site's last
    two weeks were not foretold worse by more than chance. To ask that they be better each time would take lessons
    back and forth: two weeks with little drying, or with little else, tell the two apart badly.

    Parameters
    ----------
    record, told, metered                        As in `learn_zones`.

    Returns
    -------
    Proof
    """
    group = np.asarray(record.surface)
    kinds = np.unique(group)
    cuts = list(range(record.nights - UNTOLD, WARM_UP + LEAST_READINGS - 1, -UNTOLD))[:MOST_TRIES]
    scores: list[FloatArray] = []
    zone = np.zeros(0, dtype=np.int64)
    for cut, fits in zip(cuts, fit_spots(record, cuts), strict=True):
        zone = fits.zone
        lessons = learn_zones(record, fits, told, metered)
        usual = lessons.spot_errors
        before = _foretell(record, fits, usual[0], usual[1], cut)
        after = _foretell(record, fits, usual[0] + lessons.spot_demand, usual[1] + lessons.spot_water, cut)
        scores.append(np.stack([before, after]))
    found = np.stack(scores, axis=2) if scores else np.full((2, zone.size, 0), np.nan)  # (2, S, cuts)
    rows = np.array([_proof_of(found[:, group[zone] == one, :]) for one in kinds]).reshape(-1, 5)
    better, chance = rows[:, 2], rows[:, 3]
    site = _proof_of(found)
    holds = ((chance < CHANCE) | (site[3] < CHANCE)) & (better > 0.0) & (site[4] >= CHANCE)
    counts = rows[:, :2].astype(np.int64)
    return Proof(kinds.astype(np.int64), counts[:, 0], counts[:, 1], better, chance, site[3], site[4], holds)


def _foretell(record: Record, fits: SpotFits, demand: FloatArray, water: FloatArray, cut: int) -> FloatArray:
    """Mean squared error of two weeks' readings from `cut` on, over the sensors' own error, (S,); NaN = none."""
    runs = run_spots(record, fits.zone, demand[:, None], water[:, None], fits.leak[:, None])
    scale, top, capacity = scales(record), sees_top(record), np.asarray(record.zones.field_capacity)[record.probes.zone]
    total, number = np.zeros(fits.zone.size), np.zeros(fits.zone.size)
    for k in np.flatnonzero(fits.speaks):
        x = scale[k] * runs.seen(bool(top[k]), int(fits.spot[k]))[:, 0]
        known = record.moisture[k].copy()
        known[:WARM_UP] = np.nan
        coming = np.flatnonzero(~np.isnan(known[cut : cut + UNTOLD])) + cut
        known[cut:] = np.nan
        line = SensorLine.of(known, x[:, None], float(capacity[k]), (float(fits.seen[fits.spot[k]]),))
        if line is None or not coming.size:
            continue
        last = int(np.flatnonzero(~np.isnan(known))[-1])
        left = known[last] - (line.offset - line.gain * x[last])
        carried = left * line.wander ** (coming - last)
        error = record.moisture[k, coming] - (line.offset - line.gain * x[coming]) - carried
        allowed = max(fits.error[k], 1e-6)
        total[fits.spot[k]] += float(np.mean(np.minimum((error / allowed) ** 2, 16.0)))
        number[fits.spot[k]] += 1.0
    return np.where(number > 0, total / np.maximum(number, 1.0), np.nan)


def _proof_of(scores: FloatArray) -> tuple[int, int, float, float, float]:
    """Spots, blocks, share of error less, the chance of so much with nothing learned, and of so poor a last block."""
    told, learned = scores
    seen = np.isfinite(told) & np.isfinite(learned)
    if not seen.any():
        return 0, 0, 0.0, 1.0, 1.0
    told, learned = np.where(seen, told, 0.0) + FLOOR * seen, np.where(seen, learned, 0.0) + FLOOR * seen
    read, now = seen.any(axis=1), seen[:, 0]
    better = 1.0 - float(learned.sum() / told.sum())
    by_spot = np.log(told[read].sum(axis=1) / learned[read].sum(axis=1))
    units = by_spot if by_spot.size >= LEAST_UNITS else np.log(told[seen] / learned[seen])
    worse = _chance(np.log(learned[now, 0] / told[now, 0]))
    return int(read.sum()), int(seen.sum()), better, _chance(units), worse


def _chance(units: FloatArray) -> float:
    """Chance of a mean as high where the true one is 0 (t test), 1 where there are too few."""
    if units.size < LEAST_UNITS or np.std(units) == 0:
        return 1.0
    score = float(np.mean(units) / (np.std(units, ddof=1) / np.sqrt(units.size)))
    return float(stdtr(units.size - 1, -score))
