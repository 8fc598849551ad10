"""Field capacity as a profile holds it, and how evenly a zone is watered, from what several spots read.

Field capacity is what a root zone holds a day after it was filled: sand over gravel holds water perched above the
gravel, a loam over clay holds more than its texture's table says. A sensor's offset looks the same, so a zone's value
moves only as far as several sensors of one surface and soil agree.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincinv, stdtr  # scipy.stats takes as long to load as an evening to plan

from models.kin import QUARTER_CV
from models.learning import CHANCE, UNTOLD, Z95, Learned, Lessons
from models.spot_fit import Record, SpotFits, run_spots, sees_top, under_roots

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

FILLED = 0.25  # of TAW: water past field capacity that fills a root zone even where the gauge was wrong (no source)
GROUND_SPREAD, OWN_SPREAD = 0.05, 0.012  # [m3/m3] of the field capacity told: of one soil; from zone to zone
SENSOR_SPREAD = 0.022  # [m3/m3] of a sensor's offset with what its depth strays from the root zone
LEVEL_SPREAD = 0.012  # [m3/m3] of one reading on a plateau
PSEUDO_SPOTS = 5.0  # [-] spots' worth of faith in the DU_LQ told (no source)
LEAST_SENSORS = 3  # of one ground, without which offset and field capacity are not told apart


@dataclass(frozen=True)
class Plateaus:
    """Levels read a day after a filling: sensor (E,), night (E,), level over field capacity as told (E,) [m3/m3]."""

    sensor: IntArray
    night: IntArray
    level: FloatArray


def find_plateaus(record: Record, fits: SpotFits, lessons: Lessons) -> Plateaus:
    """Readings of the evening a day after the root zone was filled past field capacity, no more water since.

    What that day's ET took of what the sensor sees is added back. Sensors below the roots are left out.

    Parameters
    ----------
    record : Record
    fits : SpotFits
    lessons : Lessons

    Returns
    -------
    Plateaus
    """
    demand, water = lessons.spot_demand, lessons.spot_water
    taw = np.asarray(record.zones.taw)[fits.zone]
    runs = run_spots(record, fits.zone, demand[:, None], water[:, None], fits.leak[:, None])
    dry = np.maximum(runs.depletion[:, :, 0].T, 0.0)  # (S, N)
    before = np.concatenate((np.full((dry.shape[0], 1), np.inf), dry[:, :-1]), axis=1)
    put = np.exp(water)[:, None] * record.irrigation[fits.zone] + record.effective_rain[fits.zone]
    filled = np.zeros(dry.shape, dtype=bool)
    filled[:, 1:] = (put - before > FILLED * taw[:, None])[:, :-1] & (put[:, 1:] == 0)
    top_of = (runs.depletion - runs.below_top)[:, :, 0].T[fits.spot]
    from_top = np.where(sees_top(record)[:, None], 0.0, top_of)
    used = np.maximum((np.exp(demand)[:, None] * record.etc[fits.zone])[fits.spot] - from_top, 0.0)
    root = np.asarray(record.zones.root_depth)[record.probes.zone][:, None]
    capacity = np.asarray(record.zones.field_capacity)[record.probes.zone][:, None]
    level = record.moisture + used / (1000.0 * root) - capacity
    good = filled[fits.spot] & ~np.isnan(level) & ~under_roots(record)[:, None]
    sensor, night = np.nonzero(good)
    return Plateaus(sensor.astype(np.int64), night.astype(np.int64), level[sensor, night])


def learn_field_capacity(record: Record, plateaus: Plateaus, until: int | None = None) -> Learned:
    """Field capacity of every zone from the plateaus of the sensors in its ground.

    level of a sensor = ground + own + its offset, in the normal model of those three; the spread of own parts is that
    which the sensors show. A ground with fewer than `LEAST_SENSORS` sensors is left as told.

    Parameters
    ----------
    record : Record
    plateaus : Plateaus
    until : int, optional                        Plateaus of this night and later are not looked at.

    Returns
    -------
    Learned                                      [m3/m3].
    """
    ground = np.unique(np.asarray(record.ground), return_inverse=True)[1]
    capacity = np.asarray(record.zones.field_capacity, dtype=np.float64)
    seen = np.ones(plateaus.night.size, dtype=bool) if until is None else plateaus.night < until
    sensors = np.size(record.probes.zone)
    number = np.bincount(plateaus.sensor[seen], minlength=sensors)
    levels = [plateaus.level[seen & (plateaus.sensor == k)] for k in range(sensors)]
    middle = np.array([np.median(level) if level.size else 0.0 for level in levels])
    read = number > 0
    noise = np.where(read, SENSOR_SPREAD**2 * record.probes.evened + LEVEL_SPREAD**2 / np.maximum(number, 1), np.inf)
    groups = int(ground.max(initial=-1)) + 1
    mean, sd = np.zeros(ground.size), np.full(ground.size, np.hypot(GROUND_SPREAD, OWN_SPREAD))
    for g in range(groups):
        rows, own = np.flatnonzero(ground == g), np.flatnonzero(read & (ground[record.probes.zone] == g))
        if own.size < LEAST_SENSORS:
            continue
        zone = record.probes.zone[own]
        place = np.searchsorted(rows, zone)
        uneven = max(float(np.var(middle[own], ddof=1)) - float(np.mean(noise[own])), OWN_SPREAD**2)
        prior = GROUND_SPREAD**2 + uneven * np.eye(rows.size)
        seen_of = np.zeros((own.size, rows.size))
        seen_of[np.arange(own.size), place] = 1.0
        total = seen_of @ prior @ seen_of.T + np.diag(noise[own])
        gain = np.linalg.solve(total, seen_of @ prior).T
        mean[rows] = gain @ middle[own]
        sd[rows] = np.sqrt(np.diag(prior - gain @ seen_of @ prior))
    events = np.bincount(record.probes.zone, weights=number, minlength=ground.size).astype(np.int64)
    return Learned(capacity + mean, capacity + mean - Z95 * sd, capacity + mean + Z95 * sd, capacity.copy(), events)


def prove_field_capacity(record: Record, plateaus: Plateaus) -> FloatArray:
    """Chance of foretelling the plateaus so much better with nothing learned, by ground (G,).

    Plateaus of every two weeks against the value told and against what was learned before them: squared misses, one
    mean a sensor.
    """
    ground = np.unique(np.asarray(record.ground), return_inverse=True)[1]
    sensors = np.size(record.probes.zone)
    total, number = np.zeros(sensors), np.zeros(sensors)
    for cut in range(record.nights - UNTOLD, UNTOLD, -UNTOLD):
        learned = learn_field_capacity(record, plateaus, cut)
        late = (plateaus.night >= cut) & (plateaus.night < cut + UNTOLD)
        at, level = plateaus.sensor[late], plateaus.level[late]
        shift = (learned.values - learned.prior)[record.probes.zone[at]]
        np.add.at(total, at, level**2 - (level - shift) ** 2)
        np.add.at(number, at, 1.0)
    out = np.ones(int(ground.max(initial=-1)) + 1)
    for g in range(out.size):
        units = (total / np.maximum(number, 1.0))[(number > 0) & (ground[record.probes.zone] == g)]
        if units.size >= LEAST_SENSORS and np.std(units) > 0:
            out[g] = stdtr(units.size - 1, -np.mean(units) / (np.std(units, ddof=1) / np.sqrt(units.size)))
    return out


def field_capacity_holds(record: Record, plateaus: Plateaus) -> NDArray[np.bool_]:
    """Zones whose learned field capacity has earned its place, (Z,)."""
    ground = np.unique(np.asarray(record.ground), return_inverse=True)[1]
    return np.asarray(prove_field_capacity(record, plateaus)[ground] < CHANCE)


def uniformity_hints(record: Record, fits: SpotFits) -> Learned:
    """Distribution uniformity from what several spots of one zone caught; a hint, not an audit.

    Parameters
    ----------
    record : Record
    fits : SpotFits

    Returns
    -------
    Learned                                      DU_LQ [-]; zones with fewer than 2 spots keep what was told. `events`
                                                 counts spots. DU_LQ = 1 - 1.27 CV of a normal catch; what was told
                                                 weighs as much as `PSEUDO_SPOTS` spots.
    """
    count = np.size(record.zones.kin)
    toward = np.array([1.0, -1.0])
    strength = np.einsum("i,sij,j->s", toward / 2.0, fits.information, toward / 2.0)
    good = (fits.evenings > 0) & (strength > 25.0)  # known to 0.2 or better
    ratio = fits.value[:, 1] - fits.value[:, 0]
    zone = fits.zone
    number = np.bincount(zone[good], minlength=count)
    mean = np.bincount(zone[good], weights=ratio[good], minlength=count) / np.maximum(number, 1)
    square = np.bincount(zone[good], weights=(ratio - mean[zone])[good] ** 2, minlength=count)
    noise = np.bincount(zone[good], weights=1.0 / strength[good], minlength=count) / np.maximum(number, 1)
    freedom = np.maximum(number - 1, 0)
    prior = np.asarray(record.zones.du_lq, dtype=float)
    believed = ((1 - prior) / QUARTER_CV) ** 2
    seen = np.maximum(square - freedom * noise, 0.0)
    total = PSEUDO_SPOTS + freedom
    spread = (PSEUDO_SPOTS * believed + seen) / total
    told = number >= 2
    ends = []
    for share in (None, 0.025, 0.975):
        by_record = spread * (1.0 if share is None else total / _chi_square(share, total))
        by_prior = believed * (1.0 if share is None else PSEUDO_SPOTS / _chi_square(share, PSEUDO_SPOTS))
        ends.append(np.clip(1 - QUARTER_CV * np.sqrt(np.where(told, by_record, by_prior)), 0.0, 1.0))
    value = np.where(told, ends[0], prior)
    return Learned(value, np.minimum(ends[1], value), np.maximum(ends[2], value), prior.copy(), number.astype(np.int64))


def _chi_square(share: float, degrees: NDArray[np.float64] | float) -> NDArray[np.float64]:
    """Value that a chi-square variable of so many degrees of freedom stays below with this chance [-]."""
    return np.asarray(2.0 * gammaincinv(np.asarray(degrees) / 2.0, share), dtype=np.float64)
