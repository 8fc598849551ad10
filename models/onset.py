"""How far turf may dry before its water use slackens, from the driest places that probes stand in.

A plan that keeps inside the dry limit told takes no zone's mean past it, but a zone is not watered evenly. Where a
probe stands in its driest quarter, or where a zone had to wait for the pump, an event or a drought order, turf was past
that limit for days or weeks, and the record tells whether its readings went on falling as demand asked. For each spot
the balance is run with stress setting in at several multiples of the readily available water told, over a grid of
demand, of water caught and of drainage, and laid against the readings by the sensor's own line, as in
`models.spot_fit`. Zones of one ground (one surface, one soil) share where stress sets in.

What was never dry says nothing. What is offered is not the most likely limit but the end of its 95 % interval nearest
to what was told, and a plan counts a zone's mean: so much less as its driest quarter catches less (DU_LQ) is offered
for it. Turf is let go as far as was seen, not farther. Planned so, its driest places stand drier, and the record can
then show the next step, or that there is none. Less than was told is never offered: on the soils for tuning readings
that fell ever slower were a matter of drainage or of the sensor, not of stress.

Source of the steps and of all settings: none, set on the finer physics of the tests (tuning soils and seeds).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from models.learning import CHANCE, MOST_TRIES, UNTOLD, Z95, Learned
from models.sensor_line import LEAST_ERROR, LEAST_READINGS, WANDER, SensorLine
from models.soil import DEPLETION_FRACTION_BOUNDS
from models.spot_fit import GAINS, TEMPER, WARM_UP, Record, SpotFits, run_spots, scales, sees_top

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

MOST_FRACTION = DEPLETION_FRACTION_BOUNDS[1]
STEPS = np.array([0.6, 0.8, 1.0, 1.25, 1.6, 2.0, 2.5, 3.2])  # of RAW as told: where stress sets in [-]
TOLD = 2  # place of what was told among them
PRIOR = 0.4  # [-] standard deviation of the log of the true multiple
NEAR_END, FAR_END = 0.025, 0.975  # [-] chances that stress sets in before the ends of an interval of 95 %
TRIED = 0.1  # [-] the same of the step whose forecasts are held against those as told: a bolder one, that shows sooner
# [-] standard deviations of the log of that multiple: of a zone about its own dry spot, of one without about those of
# its ground; both are taken off what is offered.
OWN, BETWEEN = 0.1, 0.2
LEAKS = np.array([0.02, 0.06, 0.12, 0.20, 0.30])  # L, of TAW [-]
RATIOS, LEVELS = np.linspace(-0.7, 0.7, 11), np.linspace(-0.25, 0.25, 3)  # as in `models.spot_fit`
DEMAND, WATER = 0.15, 0.3  # [-] standard deviations of the logs of demand and of a spot's water over what was told
LITTLE = 0.02  # [-] of log density: two weeks that tell less do not tell the two apart
DRY = 0.9  # of RAW as told: a spot that was never so dry says nothing
MOST_SPOTS = 8  # of a ground that are heard, the driest: more would add little and take long (no source)


@dataclass(frozen=True)
class Onset:
    """Where stress sets in, of every zone (Z,), and whether that was proven.

    Attributes
    ----------
    offered, low, high : ndarray (Z,)    Multiple of RAW as told to offer for the zone's mean, at least 1, so that its
                                         driest quarter does not suffer; the 95 % interval of where it would [-].
    spots : ndarray of int (Z,)          Spots of the zone's ground that were dry enough to say something.
    own : ndarray of int (Z,)            Evenings on which the zone's own were past RAW as told.
    pairs : ndarray of int (Z,)          Forecasts of two weeks at one spot of it that differed from those as told.
    better : ndarray (Z,)                Log of how much more likely their readings then were [-].
    holds : ndarray of bool (Z,)         The lesson has earned its place.
    """

    offered: FloatArray
    low: FloatArray
    high: FloatArray
    spots: IntArray
    own: IntArray
    pairs: IntArray
    better: FloatArray
    holds: BoolArray

    def of_fraction(self, told: FloatArray) -> Learned:
        """Depletion fraction p to offer for every zone, from that told (Z,) [-], with its interval."""
        value, low, high = (np.minimum(told * end, MOST_FRACTION) for end in (self.offered, self.low, self.high))
        return Learned(np.maximum(value, told), low, high, told.copy(), self.own)


def learn_onset(record: Record, fits: SpotFits) -> Onset:
    """Read off where stress sets in, ground by ground, and let weeks that were not told be foretold with it.

    Parameters
    ----------
    record : Record
    fits : SpotFits                      Of the whole record.

    Returns
    -------
    Onset
    """
    ground = np.unique(np.asarray(record.ground), return_inverse=True)[1]
    count = int(ground.max(initial=-1)) + 1
    dry = _dry_spots(record, fits, ground)
    weight, _ = _weigh(dry, count, record.nights)
    low, high = (np.array([_quantile(w, q) for w in weight]) for q in (NEAR_END, FAR_END))
    gain, pairs = _foretold(record, dry, count)
    heard = np.bincount([s.ground for s in dry], minlength=count)
    own = np.zeros(ground.size, dtype=np.int64)
    for spot in dry:
        own[spot.zone] = max(own[spot.zone], spot.evenings)
    off = np.where(own > 0, OWN, BETWEEN)
    driest = np.asarray(record.zones.du_lq, dtype=np.float64)  # catches so much, and stands so much drier than the mean
    low, high = (driest * end[ground] * np.exp(side * Z95 * off) for end, side in ((low, -1.0), (high, 1.0)))
    offered = np.maximum(low, 1.0)
    holds = (offered > 1.0) & (gain > -np.log(CHANCE))[ground]
    return Onset(offered, low, high, heard[ground], own, pairs[ground], gain[ground], holds)


@dataclass(frozen=True)
class _DrySpot:
    """A spot that was dry: of each of its sensors what it should miss by every case, and what it read.

    Cases are numbered by step, drainage, and demand with water, (O, L, C) laid out in a row.
    """

    zone: int
    ground: int
    evenings: int  # past RAW as told
    missing: tuple[NDArray[np.float32], ...]  # (N, O L C) [m3/m3]
    reading: tuple[FloatArray, ...]  # (N,) [m3/m3]
    capacity: float
    noise: tuple[tuple[float, float], ...]  # of each sensor: correlation from day to day [-], its size [m3/m3]

    def likelihood(self, until: int) -> FloatArray | None:
        """Log likelihood of every case by each gain of the ground, told readings before `until` (G, O L C)."""
        lines = [self._line(k, until) for k in range(len(self.reading))]
        found = [line.likelihood for line in lines if line is not None]
        return TEMPER * np.sum(found, axis=0) if found else None

    def _line(self, k: int, until: int) -> SensorLine | None:
        known = self.reading[k].copy()
        known[until:] = np.nan
        return SensorLine.of(known, self.missing[k].astype(np.float64), self.capacity, GAINS, self.noise[k])


def _cases() -> tuple[FloatArray, ...]:
    """Step, L over TAW, logs of demand and of water of every case, each (O L C,)."""
    step, leak, ratio, level = (a.ravel() for a in np.meshgrid(STEPS, LEAKS, RATIOS, LEVELS, indexing="ij"))
    return step, leak, level + 0.5 * ratio, level - 0.5 * ratio


def _dry_spots(record: Record, fits: SpotFits, ground: IntArray) -> list[_DrySpot]:
    """Run the spots that were ever about as dry as RAW as told, the driest of each ground, through all cases."""
    logs = fits.value[:, :1], fits.value[:, 1:], fits.leak[:, None]
    level = run_spots(record, fits.zone, *logs).depletion[:, :, 0].T  # (S, N)
    raw = record.p[fits.zone] * np.asarray(record.zones.taw)[fits.zone][:, None]
    speaks = np.bincount(fits.spot, weights=fits.speaks, minlength=fits.zone.size) > 0
    farthest = np.where(speaks, (level / np.maximum(raw, 1e-9))[:, WARM_UP:].max(axis=1, initial=0.0), 0.0)
    past = (level > raw)[:, WARM_UP:].sum(axis=1)
    scale, top, out = scales(record), sees_top(record), []
    step, *logs_of = _cases()
    for one in np.unique(ground[fits.zone]):
        rows = np.flatnonzero((ground[fits.zone] == one) & (farthest > DRY))
        for s in rows[np.argsort(-farthest[rows], kind="stable")][:MOST_SPOTS]:
            leak, demand, water = (a[None, :] for a in logs_of)
            runs = run_spots(record, fits.zone[s : s + 1], demand, water, leak, step[None, :])
            sensors = np.flatnonzero((fits.spot == s) & fits.speaks)
            missing = tuple((scale[k] * runs.seen(bool(top[k]), 0)).astype(np.float32) for k in sensors)
            readings = record.moisture[sensors].copy()
            readings[:, :WARM_UP] = np.nan
            zone = int(fits.zone[s])
            capacity = float(np.asarray(record.zones.field_capacity)[zone])
            noise = tuple(_noise(y, x, capacity) for x, y in zip(missing, readings, strict=True))
            out.append(_DrySpot(zone, int(one), int(past[s]), missing, tuple(readings), capacity, noise))
    return out


def _noise(reading: FloatArray, x: FloatArray, capacity: float) -> tuple[float, float]:
    """Correlation from day to day and standard deviation of a sensor's errors by the case that fits all of it best."""
    line = SensorLine.of(reading, x.astype(np.float64), capacity, GAINS)
    return (WANDER[0], LEAST_ERROR) if line is None else (line.wander, line.error)


def _weigh(dry: Sequence[_DrySpot], count: int, until: int) -> tuple[FloatArray, list[FloatArray | None]]:
    """Probability of each step by ground (count, O), from readings before `until`; what each spot says (G, O L C)."""
    prior = -0.5 * (np.log(STEPS) / PRIOR) ** 2
    _, _, demand, water = _cases()
    known = -0.5 * ((demand / DEMAND) ** 2 + (water / WATER) ** 2)
    said = [spot.likelihood(until) for spot in dry]
    said = [None if likelihood is None else likelihood + known for likelihood in said]
    shape = (len(GAINS), STEPS.size, LEAKS.size, -1)
    joint = np.zeros((count, len(GAINS), STEPS.size, LEAKS.size))
    for spot, likelihood in zip(dry, said, strict=True):
        if likelihood is not None:
            joint[spot.ground] += logsumexp(likelihood.reshape(shape), axis=3)
    whole = logsumexp(joint, axis=(1, 3)) + prior
    return np.exp(whole - logsumexp(whole, axis=1, keepdims=True)), said


def _quantile(weight: FloatArray, share: float) -> float:
    """Multiple that stress sets in below with this chance, by steps as wide as lies halfway to their neighbours."""
    logs = np.log(STEPS)
    middle = 0.5 * (logs[1:] + logs[:-1])
    edges = np.concatenate(([2 * logs[0] - middle[0]], middle, [2 * logs[-1] - middle[-1]]))
    return float(np.exp(np.interp(share, np.concatenate(([0.0], np.cumsum(weight))), edges)))


def _foretold(record: Record, dry: Sequence[_DrySpot], count: int) -> tuple[FloatArray, IntArray]:
    """Log of how much better two weeks at a time were foretold, by ground (count,), and how many, spot by spot.

    Density of those readings, given all before, with stress where it was learned by then over that with stress where
    it was told; their product from span to span, at its highest. Were stress where it was told, that would ever pass
    1 / c with a chance of c at most (Ville 1939; status memory), however the steps were chosen. What speaks against
    a lesson later is in what is learned itself. Two weeks on which both agree are not counted.
    """
    pairs = np.zeros(count, dtype=np.int64)
    if not dry:
        return np.zeros(count), pairs
    gains: list[FloatArray] = []  # of each span, the latest first
    later = _by_step(_weigh(dry, count, record.nights)[1])
    for cut in range(record.nights - UNTOLD, WARM_UP + LEAST_READINGS - 1, -UNTOLD)[:MOST_TRIES]:
        weight, said = _weigh(dry, count, cut)
        now, gain = _by_step(said), np.zeros(count)
        for spot, before, after in zip(dry, now, later, strict=True):
            tried = _quantile(weight[spot.ground], TRIED)
            if before is None or after is None or tried <= 1.0:
                continue
            learned = max(int(np.argmin(np.abs(STEPS - tried))), TOLD + 1)
            more = after - before
            gain[spot.ground] += more[learned] - more[TOLD]
            pairs[spot.ground] += abs(more[learned] - more[TOLD]) > LITTLE
        later = now
        gains.append(gain)
    spans = np.reshape(gains[::-1], (-1, count))
    return np.cumsum(spans, axis=0).max(axis=0, initial=0.0), pairs


def _by_step(said: Sequence[FloatArray | None]) -> list[FloatArray | None]:
    """Log likelihood of each step by each spot (O,), all else not known."""
    shape = (len(GAINS), STEPS.size, -1)
    return [None if one is None else logsumexp(one.reshape(shape), axis=(0, 2)) for one in said]
