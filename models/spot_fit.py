"""What the readings of a spot say: how its turf's demand and its water stand to what was told, what a sensor sees.

Mass decides over weeks. For a grid of cases (log of true over told demand, log of true over told water, and how the
ground drains) the balance of the spot is run through the whole record, and each run is laid against the readings by a
straight line of the sensor's own (`models.sensor_line`). A point in a layered or perched profile sees a part of the
swing, when drying and when wetting alike, so a small swing must not be taken for little water or thirstless turf. What
a wrong case cannot hide is drift: water that came and did not leave has to show, week after week, at the same spot. How
much of the swing a sensor sees is a matter of its depth (`models.kin.layer_gain`), of its ground, which sensors of one
ground tell together, and of its own.

Roots draw most nearest the surface, and water fills that first: a sensor further down sees what is missing below. Where
one of a spot stands in that top itself, or all of the ground is drawn down together, as sand is over gravel, readings
follow all that is missing (`sees_top`).

Drainage does not stop at field capacity (`models.drainage`). Its scale L is not known; zones of one surface and soil
share it, and their readings say which holds. Over gravel it is next to nothing: left open, six weeks without rain made
demand there a fifth too low.

Source of the grid, of what the top holds and gives, and of all settings: none, set on the finer physics of the tests
(tuning soils and seeds).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from models.drainage import drained
from models.kin import EstimationProbes, EstimationZones, layer_gain
from models.sensor_line import LEAST_ERROR, REACH, SHOWN, WANDER, SensorLine
from models.soil import DEPLETION_FRACTION_BOUNDS

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

RATIOS = np.linspace(-0.8, 0.8, 21)  # log demand over water, against what was told [-]
LEVELS = np.linspace(-0.3, 0.3, 5)  # half the log of demand times water [-]
LEAKS = np.array([0.02, 0.06, 0.10, 0.14, 0.18, 0.23, 0.30, 0.40])  # L, of TAW [-]
WARM_UP = 10  # [nights] a run needs to forget its start
GAINS = (0.5, 0.75, 1.0, 1.3)  # [-] gains that sensors of one ground may share, over what their depth gives
TOP = 0.10  # [m] of ground whose available water is above the sensors, or nearest to the uppermost
TOP_SHARE = 0.5  # [-] of demand that the top gives when it is full, less in proportion as it dries
NEVER = -1e4  # [-] log weight of what cannot be
TEMPER = 0.5  # [-] of a record's weight: errors of a balance are not those of a sensor alone
WORKING = 0.3  # [-] standard deviation of either log within which the grid is read
TOGETHER = 16  # spots whose cases are run at once


@dataclass(frozen=True)
class Record:
    """What is known of a season at the values told, Z zones, K sensors, N nights.

    Column n of every record is night n and the date after it; a reading is that of the evening that ends the column.

    Attributes
    ----------
    zones : EstimationZones
    probes : EstimationProbes
    moisture : ndarray, (K, N)                   Evening readings [m3/m3], NaN = none or doubtful.
    irrigation : ndarray, (Z, N)                 Mean depth applied at the told rate [mm].
    etc : ndarray, (Z, N)                        Demand at the told microclimate factor [mm/d].
    effective_rain : ndarray, (Z, N)             Rain less runoff [mm/d].
    p : ndarray, (Z, N)                          Depletion fraction [-], 0 <= p < 1.
    surface, ground : ndarray of int, (Z,)       Zones of one surface (one turf, one kind of nozzle); of one surface and
                                                 soil, which drain alike.
    over_gravel : ndarray of bool, (Z,), optional    Sand over gravel; none, if not given.
    """

    zones: EstimationZones
    probes: EstimationProbes
    moisture: FloatArray
    irrigation: FloatArray
    etc: FloatArray
    effective_rain: FloatArray
    p: FloatArray
    surface: IntArray
    ground: IntArray
    over_gravel: BoolArray | None = None

    def __post_init__(self) -> None:
        """Check shapes and finiteness once."""
        zones, sensors = np.size(self.zones.kin), np.size(self.probes.zone)
        nights = np.shape(self.irrigation)[-1] if np.ndim(self.irrigation) == 2 else 0
        if nights == 0 or np.shape(self.moisture) != (sensors, nights):
            raise ValueError(f"moisture must have shape ({sensors}, {nights}), above 0 nights")
        if np.any(np.isinf(self.moisture)):
            raise ValueError("moisture must be finite, or NaN where there is none")
        for name in ("irrigation", "etc", "effective_rain", "p"):
            value = np.asarray(getattr(self, name), dtype=np.float64)
            if value.shape != (zones, nights):
                raise ValueError(f"{name} must have shape ({zones}, {nights}); got {value.shape}")
            if not np.all(np.isfinite(value)) or np.any(value < 0):
                raise ValueError(f"{name} must be finite and not negative")
        for name in ("surface", "ground", "over_gravel"):
            if getattr(self, name) is not None and np.shape(getattr(self, name)) != (zones,):
                raise ValueError(f"{name} must have shape ({zones},)")
        if sensors and (np.min(self.probes.zone) < 0 or np.max(self.probes.zone) >= zones):
            raise ValueError(f"zone of a probe must lie in 0 to {zones - 1}")

    @property
    def nights(self) -> int:
        """N."""
        return int(self.irrigation.shape[1])

    @property
    def perched(self) -> BoolArray:
        """Zones of sand over gravel, (Z,)."""
        none = np.zeros(np.size(self.surface), dtype=bool)
        return none if self.over_gravel is None else np.asarray(self.over_gravel, dtype=bool)


@dataclass(frozen=True)
class SpotFits:
    """What each of S spots says of (log demand, log water) over what was told, and its K sensors.

    Attributes
    ----------
    zone : ndarray of int, (S,)                  Row of the zone.
    spot : ndarray of int, (K,)                  Spot of each sensor.
    value : ndarray, (S, 2)                      Most likely logs [-]; the second holds the spot's own catch.
    information : ndarray, (S, 2, 2)             Inverse covariance of them, 0 where a spot says nothing.
    gain, offset : ndarray, (K,)                 g, over what the depth gives [-], and b [m3/m3], at those logs.
    wander, error : ndarray, (K,)                Correlation of e from day to day [-]; its standard deviation [m3/m3].
    shared : ndarray, (K,)                       Share of the reading's variance that the balance explains [-].
    speaks : ndarray of bool, (K,)               Whether the sensor informs depletion at all.
    evenings : ndarray of int, (S,)              Evenings read.
    leak, seen : ndarray, (S,)                   L of its ground, of TAW [-], and the gain sensors there share [-], the
                                                 most likely.
    unsure : ndarray, (S,)                       What not knowing either leaves open of demand over water, shared by its
                                                 ground [-].
    """

    zone: IntArray
    spot: IntArray
    value: FloatArray
    information: FloatArray
    gain: FloatArray
    offset: FloatArray
    wander: FloatArray
    error: FloatArray
    shared: FloatArray
    speaks: BoolArray
    evenings: IntArray
    leak: FloatArray
    seen: FloatArray
    unsure: FloatArray


def places(probes: EstimationProbes) -> tuple[IntArray, IntArray]:
    """Zone of each spot (S,), and the spot of each sensor (K,)."""
    pairs = np.column_stack([probes.zone, probes.spot]).astype(np.int64)
    found, which = np.unique(pairs, axis=0, return_inverse=True)
    return found[:, 0].astype(np.int64), which.ravel().astype(np.int64)


@dataclass(frozen=True)
class SpotRuns:
    """Runs of S spots under C cases, (N, S, C) each, every evening; in single precision, for they are large.

    Attributes
    ----------
    depletion : ndarray                          Depletion of the root zone [mm]; below 0 above field capacity.
    below_top : ndarray                          The part of it without what the top misses [mm].
    """

    depletion: NDArray[np.float32]
    below_top: NDArray[np.float32]

    def seen(self, sees_top: bool, spot: int) -> FloatArray:
        """What a sensor of a spot can see missing, (N, C) [mm]."""
        return np.asarray((self.depletion if sees_top else self.below_top)[:, spot, :], dtype=np.float64)


def run_spots(
    record: Record,
    zone: IntArray,
    demand: FloatArray,
    water: FloatArray,
    leak: FloatArray,
    onset: FloatArray | None = None,
) -> SpotRuns:
    """Run spots through the record under logs of demand and water over what was told, and drainage.

    As `models.soil.balance_day` (FAO-56 Eq. 84-86), but drainage slows down with depletion instead of stopping at field
    capacity, half a day of it after the night's water and half after the date's ET and rain. Of what is missing, u is
    missing in the top: water fills it first, and it gives `TOP_SHARE` (1 - u / U) of what is used, where U is its
    available water.

    Parameters
    ----------
    record : Record
    zone : ndarray of int, (S,)                  Zone of each spot.
    demand, water, leak : ndarray, (S, C)        Logs of each of C cases [-]; L of TAW [-], above 0.
    onset : ndarray, (S, C), optional            Where stress sets in, of RAW as told [-], above 0; where that leaves
                                                 little below, turf has that much more. As told if not given.

    Returns
    -------
    SpotRuns
    """
    taw = np.asarray(record.zones.taw, dtype=np.float64)[zone][:, None]
    holds = TOP * taw / np.asarray(record.zones.root_depth, dtype=np.float64)[zone][:, None]
    more, caught, scale = np.exp(demand), np.exp(water), leak * taw
    level, top = np.full(demand.shape, 0.2) * taw, np.full(demand.shape, 0.5) * holds
    whole, below = (np.empty((record.nights, *demand.shape), dtype=np.float32) for _ in range(2))
    for n in range(record.nights):
        put, rain = caught * record.irrigation[zone, n][:, None], record.effective_rain[zone, n][:, None]
        level, top = drained(level - put, scale), np.maximum(top - put, 0.0)
        p = record.p[zone, n][:, None]
        raw, most = (p * taw, taw) if onset is None else _farther(p * taw * onset, taw)
        stress = np.clip((most - np.maximum(level, 0.0)) / (most - raw), 0.0, 1.0)
        used = stress * more * record.etc[zone, n][:, None]
        level = np.minimum(drained(level + used - rain, scale), most)
        top = np.maximum(np.minimum(top + TOP_SHARE * used * (1.0 - top / holds), holds) - rain, 0.0)
        whole[n], below[n] = level, level - top
    return SpotRuns(whole, below)


def _farther(raw: FloatArray, taw: FloatArray) -> tuple[FloatArray, FloatArray]:
    """RAW and TAW where stress sets in at `raw`: at most so far into TAW as FAO-56 lets p go."""
    return raw, np.maximum(taw, raw / DEPLETION_FRACTION_BOUNDS[1])


def fit_spots(record: Record, cuts: Sequence[int] | None = None) -> list[SpotFits]:
    """Lay the readings of every spot against the grid of balances.

    Parameters
    ----------
    record : Record
    cuts : sequence of int, optional             For each a fit that looks at no reading of this column or later; one
                                                 fit to all readings if not given.

    Returns
    -------
    list of SpotFits                             One a cut.
    """
    ends = [record.nights] if cuts is None else list(cuts)
    zone, which = places(record.probes)
    leak, demand, water = grid()
    flat = leak.size
    found = [_Found.of(record, which, zone.size) for _ in ends]
    scale, under, top = scales(record), under_roots(record), sees_top(record)
    better = np.bincount(which, weights=~under, minlength=zone.size)[which] > 0  # its spot has one within the roots
    capacity = np.asarray(record.zones.field_capacity, dtype=np.float64)[record.probes.zone]
    for start in range(0, zone.size, TOGETHER):
        rows = np.arange(start, min(start + TOGETHER, zone.size))
        shape = (rows.size, flat)
        cases = run_spots(record, zone[rows], *(np.broadcast_to(a, shape) for a in (demand, water, leak)))
        for k in np.flatnonzero((which >= start) & (which <= rows[-1]) & ~(under & better)):
            x = scale[k] * cases.seen(bool(top[k]), int(which[k]) - start)
            for end, one in zip(ends, found, strict=True):
                reading = record.moisture[k].copy()
                reading[:WARM_UP] = np.nan
                reading[end:] = np.nan
                one.take(int(k), SensorLine.of(reading, x, float(capacity[k]), GAINS), bool(under[k]))
    return [one.read(record, zone, which) for one in found]


@dataclass
class _Found:
    """What is gathered of a fit, sensor by sensor."""

    which: IntArray
    likelihood: FloatArray  # (S, G, L, C): gain and L of the ground, case
    gain: FloatArray
    offset: FloatArray
    wander: FloatArray
    error: FloatArray
    shared: FloatArray
    speaks: BoolArray
    evenings: IntArray

    @classmethod
    def of(cls, record: Record, which: IntArray, spots: int) -> _Found:
        """Nothing said yet: gains and offsets as the depth and the soil table have them."""
        sensors = which.size
        capacity = np.asarray(record.zones.field_capacity, dtype=np.float64)[record.probes.zone]
        shape = (spots, len(GAINS), LEAKS.size, RATIOS.size * LEVELS.size)
        return cls(
            which, np.zeros(shape), np.ones(sensors), capacity.copy(),
            np.full(sensors, WANDER[0]), np.full(sensors, LEAST_ERROR), np.zeros(sensors),
            np.zeros(sensors, dtype=bool), np.zeros(spots, dtype=np.int64),
        )  # fmt: skip

    def take(self, k: int, line: SensorLine | None, under: bool) -> None:
        """Add what sensor k says."""
        if line is None:
            return
        self.wander[k], self.error[k], self.shared[k] = line.wander, line.error, line.shared
        self.gain[k], self.offset[k] = line.gain, line.offset
        self.speaks[k] = self.gain[k] > 0.1 and (not under or line.shared >= SHOWN)
        if self.speaks[k]:
            self.likelihood[self.which[k]] += TEMPER * line.likelihood.reshape(self.likelihood.shape[1:])
            self.evenings[self.which[k]] = max(self.evenings[self.which[k]], line.evenings)

    def read(self, record: Record, zone: IntArray, which: IntArray) -> SpotFits:
        """Weigh what spots of a ground share, gain and L, by all of them; then read each spot's grid."""
        _, demand, water = (a.reshape(LEAKS.size, -1)[0] for a in grid())
        wide = -0.5 * (demand**2 + water**2) / WORKING**2
        slower = record.perched[zone][:, None] & (LEAKS[None, :] > LEAKS[0])  # than sand over gravel drains
        weighed = self.likelihood + wide + np.where(slower, NEVER, 0.0)[:, None, :, None]
        whole = weighed.reshape(zone.size, len(GAINS) * LEAKS.size, demand.size)  # (S, H, C)
        of_ground = logsumexp(whole, axis=2)
        ground = np.asarray(record.ground)[zone]
        weight = np.empty(of_ground.shape)
        for one in np.unique(ground):
            joint = of_ground[ground == one].sum(axis=0)
            weight[ground == one] = np.exp(joint - logsumexp(joint))
        given = np.exp(whole - of_ground[:, :, None])  # of the case, given gain and L
        post = np.einsum("sh,shc->sc", weight, given)
        value, information = _read_grid(post, demand, water)
        ratio = given @ (demand - water)
        middle = (weight * ratio).sum(axis=1)
        unsure = np.sqrt(np.maximum((weight * ratio**2).sum(axis=1) - middle**2, 0.0))
        silent = self.evenings == 0
        value[silent], information[silent], unsure[silent] = 0.0, 0.0, 0.0
        by_gain, by_leak = (weight.reshape(zone.size, len(GAINS), LEAKS.size).sum(axis=a) for a in (2, 1))
        return SpotFits(
            zone, which, value, information, self.gain, self.offset, self.wander, self.error, self.shared, self.speaks,
            self.evenings, LEAKS[by_leak.argmax(axis=1)], np.array(GAINS)[by_gain.argmax(axis=1)], unsure,
        )  # fmt: skip


def grid() -> tuple[FloatArray, FloatArray, FloatArray]:
    """L over TAW, logs of demand and of water of every case, each (C,), L slowest."""
    leak, ratio, level = (a.ravel() for a in np.meshgrid(LEAKS, RATIOS, LEVELS, indexing="ij"))
    return leak, level + 0.5 * ratio, level - 0.5 * ratio


def scales(record: Record) -> FloatArray:
    """Moisture a sensor should miss per mm of depletion of its root zone [1/mm], (K,)."""
    root = np.asarray(record.zones.root_depth, dtype=np.float64)[record.probes.zone]
    return layer_gain(np.asarray(record.probes.depth, dtype=np.float64), root) / (1000.0 * root)


def sees_top(record: Record) -> BoolArray:
    """Sensors that see what the top misses as well, (K,): the mean of both halves, one in the top, all over gravel."""
    depth = np.asarray(record.probes.depth, dtype=np.float64)
    return np.asarray(~(depth > TOP) | record.perched[record.probes.zone])


def under_roots(record: Record) -> BoolArray:
    """Sensors that stand below the roots, (K,)."""
    root = np.asarray(record.zones.root_depth, dtype=np.float64)[record.probes.zone]
    depth = np.asarray(record.probes.depth, dtype=np.float64)
    return np.asarray(np.nan_to_num(depth / root) > REACH)


def _read_grid(post: FloatArray, demand: FloatArray, water: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean (S, 2) and information (S, 2, 2) of what the readings alone say, freed of the wide normal of `post`."""
    both = np.stack([demand, water], axis=1)  # (C, 2)
    mean = post @ both
    off = both[None, :, :] - mean[:, None, :]
    cov = np.einsum("sc,sci,scj->sij", post, off, off) + 4e-4 * np.eye(2)  # with what the grid's steps leave open
    inverse = np.linalg.inv(cov)
    values, vectors = np.linalg.eigh(inverse - np.eye(2) / WORKING**2)
    information = np.einsum("sij,sj,skj->sik", vectors, np.maximum(values, 0.0), vectors)
    target = np.einsum("sij,sj->si", inverse, mean)  # information times mean, of both together
    value = np.einsum("sij,sj->si", np.linalg.pinv(information, rcond=1e-6, hermitian=True), target)
    return value, information
