"""Learn what a zone is really like from its own record: microclimate, application rate, field capacity, uniformity.

Everything works on changes of a sensor from one evening to the next, so that a probe's bias falls out; only field
capacity needs the level. Estimates are robust (Huber), then shrunk towards their kin and those towards the prior, by a
normal model of kin and own effects whose variances come from the record as far as it reaches (empirical Bayes). Zones
without probes learn through their kin. Nothing here changes anything: the caller shows prior and value and asks.

Column n of every record is night n and the date after it; a reading is that of the evening that ends the column.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import chi2

from models.kin import QUARTER_CV, EstimationProbes, EstimationZones, Spreads, layer_gain
from models.soil import stress_coefficient

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

Z95 = 1.959964  # [-] two-sided 95 % of a normal variable
HUBER = 1.345  # [-] scales; 95 % efficiency for normal errors: Huber (1981), memory
ROUNDS = 12  # [-] of reweighting
MAD_SCALE = 1.4826  # [-] median absolute deviation to standard deviation of a normal variable. Computed
PSEUDO_ZONES, PSEUDO_KIN = 20.0, 5.0  # [-] zones' and kin's worth of faith in the spreads handed in (no source)
PSEUDO_SPOTS = 5.0  # [-] the same for the unevenness within a zone
OWN_SHARE = 0.6  # [-] of the own variance handed in that no record takes away (no source)
PAIRED = 0.3  # [-] of a layer's unsure swing left when sensors at several depths are joined (no source)
WET_MARGIN = 0.08  # of TAW: nearer to field capacity a change may hold drainage (no source)
FILLED = 0.25  # of TAW: water past field capacity that fills a root zone even where the gauge was wrong (no source)
LEAST_STRESS = 0.7  # [-] Ks below which a dry-down says more of the soil than of the weather (no source)
LEAST_DEPTH = 2.0  # [mm] of a night that makes a jump worth reading (no source)
LEAST_DEMAND = 1.0  # [mm/d] the same for a dry-down
MICROCLIMATE_ERROR = 0.05  # [-] of a learned microclimate factor, as it enters a jump
LEAST_EVENTS = 4  # fewer say nothing of a spot
FACTOR_BOUNDS = (0.4, 2.5)  # [-] a raw factor outside is a fault, not a property (no source)


@dataclass(frozen=True)
class Record:
    """What is known of a season, Z zones, K sensors, N nights.

    Attributes
    ----------
    zones : EstimationZones
    probes : EstimationProbes
    moisture : ndarray, (K, N)                   Evening readings [m3/m3], NaN = none or doubtful.
    irrigation : ndarray, (Z, N)                 Mean depth applied at the nominal rate [mm].
    etc : ndarray, (Z, N)                        Demand at the prior microclimate factor [mm/d].
    effective_rain : ndarray, (Z, N)             Rain less runoff [mm/d].
    depletion : ndarray, (Z, N + 1)              Estimate at the start of each column and at the end [mm]: it decides
                                                 which days count, never their values.
    p : ndarray, (Z, N)                          Depletion fraction [-], 0 <= p < 1.
    """

    zones: EstimationZones
    probes: EstimationProbes
    moisture: FloatArray
    irrigation: FloatArray
    etc: FloatArray
    effective_rain: FloatArray
    depletion: FloatArray
    p: FloatArray

    def __post_init__(self) -> None:
        """Check shapes and finiteness once."""
        zones, sensors = np.size(self.zones.kin), np.size(self.probes.zone)
        nights = np.shape(self.irrigation)[-1] if np.ndim(self.irrigation) == 2 else 0
        if nights == 0 or np.shape(self.moisture) != (sensors, nights):
            raise ValueError(f"moisture must have shape ({sensors}, {nights}), above 0 nights")
        if np.any(np.isinf(self.moisture)):
            raise ValueError("moisture must be finite, or NaN where there is none")
        for name in ("irrigation", "etc", "effective_rain", "depletion", "p"):
            shape = (zones, nights + (name == "depletion"))
            value = np.asarray(getattr(self, name), dtype=np.float64)
            if value.shape != shape:
                raise ValueError(f"{name} must have shape {shape}; got {value.shape}")
            if not np.all(np.isfinite(value)) or np.any(value < 0):
                raise ValueError(f"{name} must be finite and not negative")
        if sensors and (np.min(self.probes.zone) < 0 or np.max(self.probes.zone) >= zones):
            raise ValueError(f"zone of a probe must lie in 0 to {zones - 1}")


@dataclass(frozen=True)
class Learned:
    """A property of every zone, arrays (Z,).

    Attributes
    ----------
    values, low, high : ndarray                  What the record says, shrunk, with its 95 % interval.
    prior : ndarray                              What was believed before, in the same unit.
    events : ndarray of int                      Events of the zone's own probes behind it; 0 = through kin or prior.
    """

    values: FloatArray
    low: FloatArray
    high: FloatArray
    prior: FloatArray
    events: NDArray[np.int64]


@dataclass(frozen=True)
class Spots:
    """Places with sensors, S in all, and how the root zone there changed.

    Attributes
    ----------
    zone : ndarray of int, (S,)                  Row of the zone.
    change : ndarray, (S, N)                     Gain of water over the column [mm], NaN = not known.
    unsure : ndarray, (S,)                       Share of `layer_gain`'s spread that the swing at this spot carries [-].
    """

    zone: NDArray[np.int64]
    change: FloatArray
    unsure: FloatArray


def spot_changes(record: Record) -> Spots:
    """Water the root zone gained at each spot from one evening to the next.

    A change is the depth-weighted mean of the sensors that have both readings, over the swing such sensors have
    (`models.kin.layer_gain`); biases fall out.

    Parameters
    ----------
    record : Record

    Returns
    -------
    Spots
    """
    probes = record.probes
    places, which = np.unique(np.column_stack([probes.zone, probes.spot]).astype(int), axis=0, return_inverse=True)
    root = np.asarray(record.zones.root_depth)[probes.zone]
    gain, share = layer_gain(np.asarray(probes.depth, dtype=float), root), _layer_share(record, which.ravel())
    change: FloatArray = np.full((record.moisture.shape[0], record.moisture.shape[1]), np.nan)
    change[:, 1:] = np.diff(record.moisture, axis=1)
    known = ~np.isnan(change)
    weighted, swing = (np.zeros((len(places), change.shape[1])) for _ in range(2))
    np.add.at(weighted, which.ravel(), share[:, None] * np.where(known, change, 0.0) * 1000.0 * root[:, None])
    np.add.at(swing, which.ravel(), (share * gain)[:, None] * known)
    out = np.where(swing > 0, weighted / np.where(swing > 0, swing, 1.0), np.nan)
    layered = ~np.isnan(np.asarray(probes.depth, dtype=float))
    levels = np.bincount(which.ravel(), weights=layered, minlength=len(places))
    unsure = np.where(levels == 0, 0.0, np.where(levels == 1, 1.0, PAIRED))
    return Spots(places[:, 0].astype(np.int64), out, unsure)


def learn_microclimate(
    record: Record, spots: Spots, spreads: Spreads | None = None, prior: ArrayLike | None = None
) -> Learned:
    """Microclimate factor from dry-downs: days without water, neither draining nor short of water.

    drop = m Ks ETc + error, fitted through the origin.

    Parameters
    ----------
    record : Record
    spots : Spots
    spreads : Spreads, optional
    prior : array, shape (Z,), optional          Factor already within record.etc [-], above 0; 1 if not given.

    Returns
    -------
    Learned                                      Factor on the turf's own demand [-], prior times what was learned.

    Raises
    ------
    ValueError                                   prior has a wrong shape or is not above 0.
    """
    spreads, believed = spreads or Spreads(), _prior(record, prior)
    zone, demand = spots.zone, _demand(record)[spots.zone]
    dry = (record.irrigation + record.effective_rain == 0)[zone] & (demand >= LEAST_DEMAND)
    before = _water_before(record)[zone]
    start = record.depletion[:, :-1][zone]
    taw = np.asarray(record.zones.taw)[zone][:, None]
    usable = dry & (start - before > WET_MARGIN * taw) & (_stress(record)[zone] >= LEAST_STRESS)
    factor, variance, events = _slope(demand, -spots.change, usable)
    variance = variance + spreads.spot_microclimate**2 + (spots.unsure * spreads.layer_gain) ** 2
    return _shrunk(record, zone, factor, variance, events, spreads.microclimate_kin, spreads.microclimate_own, believed)


def learn_application_rate(
    record: Record,
    spots: Spots,
    microclimate: ArrayLike,
    spreads: Spreads | None = None,
    prior: ArrayLike | None = None,
) -> Learned:
    """True application rate over nominal, from jumps after irrigation that fit into the root zone.

    rise + m Ks ETc = a I + error, fitted through the origin. A spot's catch is not its zone's mean: the interval holds
    the unevenness that DU_LQ gives.

    Parameters
    ----------
    record : Record
    spots : Spots
    microclimate : array, shape (Z,)             Factor on record.etc [-], above 0, as learned from dry-downs.
    spreads : Spreads, optional
    prior : array, shape (Z,), optional          Factor already within record.irrigation [-], above 0; 1 if not given.

    Returns
    -------
    Learned                                      Factor [-], prior times what was learned.

    Raises
    ------
    ValueError                                   An array has a wrong shape or is not above 0.
    """
    spreads, believed = spreads or Spreads(), _prior(record, prior)
    factor_m = _prior(record, microclimate, "microclimate")
    zone, usable = spots.zone, _jumps(record)[spots.zone]
    rise = spots.change + (factor_m[:, None] * _demand(record))[zone]
    factor, variance, events = _slope(record.irrigation[zone], rise, usable)
    uneven = spreads.spot_catch * (1 - np.asarray(record.zones.du_lq)) / QUARTER_CV
    variance = variance + uneven[zone] ** 2 + (spots.unsure * spreads.layer_gain) ** 2
    lost = np.sum(np.where(usable, _demand(record)[zone], 0.0), axis=1)
    put = np.sum(np.where(usable, record.irrigation[zone], 0.0), axis=1)
    variance = variance + (MICROCLIMATE_ERROR * lost / np.maximum(put, 1e-9)) ** 2
    return _shrunk(record, zone, factor, variance, events, spreads.rate_kin, spreads.rate_own, believed)


def learn_field_capacity(record: Record, spreads: Spreads | None = None) -> Learned:
    """Field capacity from drainage plateaus: the evening after the root zone was filled past it.

    A plateau is a reading a day after water exceeded the depletion by a share of TAW, no more water since, with that
    day's demand added back. A sensor's bias looks the same as field capacity: a zone's value moves only as far as the
    spread of biases allows, its kin's (a soil table that is off for all of them) as the mean of their probes does.

    Parameters
    ----------
    record : Record
    spreads : Spreads, optional

    Returns
    -------
    Learned                                      Field capacity [m3/m3].
    """
    spreads = spreads or Spreads()
    zones, probes = record.zones, record.probes
    taw, capacity = np.asarray(zones.taw), np.asarray(zones.field_capacity)
    water = record.irrigation + record.effective_rain
    filled = np.zeros(water.shape, dtype=bool)
    filled[:, 1:] = (water - record.depletion[:, :-1] > FILLED * taw[:, None])[:, :-1] & (water[:, 1:] == 0)
    root = np.asarray(zones.root_depth)[probes.zone][:, None]
    gain = layer_gain(np.asarray(probes.depth, dtype=float), root[:, 0])[:, None]
    level = record.moisture + gain * record.etc[probes.zone] / (1000.0 * root) - capacity[probes.zone][:, None]
    usable = filled[probes.zone] & ~np.isnan(level)
    offset, variance, events = _slope(np.ones(level.shape), level, usable, least=1, floor=spreads.reading)
    variance = variance + spreads.bias**2
    mean, sd, count = _kin_model(
        record, probes.zone, offset, variance, events, spreads.field_capacity_kin, spreads.field_capacity
    )
    return Learned(capacity + mean, capacity + mean - Z95 * sd, capacity + mean + Z95 * sd, capacity.copy(), count)


def uniformity_hints(record: Record, spots: Spots, microclimate: ArrayLike, spreads: Spreads | None = None) -> Learned:
    """Distribution uniformity from the unequal jumps of several probes in one zone; a hint, not an audit.

    Parameters
    ----------
    record : Record
    spots : Spots
    microclimate : array, shape (Z,)             Factor on record.etc [-], above 0.
    spreads : Spreads, optional

    Returns
    -------
    Learned                                      DU_LQ [-]; zones with fewer than 2 usable spots keep the prior.
                                                 `events` counts spots. DU_LQ = 1 - 1.27 CV of a normal catch; the prior
                                                 weighs as much as `PSEUDO_SPOTS` spots.

    Raises
    ------
    ValueError                                   microclimate has a wrong shape or is not above 0.
    """
    spreads = spreads or Spreads()
    factor_m = _prior(record, microclimate, "microclimate")
    zone, usable = spots.zone, _jumps(record)[spots.zone]
    rise = spots.change + (factor_m[:, None] * _demand(record))[zone]
    factor, variance, events = _slope(record.irrigation[zone], rise, usable)
    good = (events > 0) & (factor > FACTOR_BOUNDS[0]) & (factor < FACTOR_BOUNDS[1])
    count = np.size(record.zones.kin)
    logs = np.log(np.where(good, factor, 1.0))
    number = np.bincount(zone[good], minlength=count)
    mean = np.bincount(zone[good], weights=logs[good], minlength=count) / np.maximum(number, 1)
    square = np.bincount(zone[good], weights=(logs - mean[zone])[good] ** 2, minlength=count)
    noise = np.bincount(zone[good], weights=variance[good], minlength=count) / np.maximum(number, 1)
    freedom = np.maximum(number - 1, 0)
    prior = np.asarray(record.zones.du_lq, dtype=float)
    believed = ((1 - prior) / QUARTER_CV) ** 2
    seen = np.maximum(square - freedom * noise, 0.0) / spreads.spot_catch**2 if spreads.spot_catch > 0 else 0 * square
    total = PSEUDO_SPOTS + freedom
    spread = (PSEUDO_SPOTS * believed + seen) / total
    du = [1 - QUARTER_CV * np.sqrt(spread * factor) for factor in (1.0, total / chi2.ppf(0.025, total))]
    high = 1 - QUARTER_CV * np.sqrt(spread * total / chi2.ppf(0.975, total))
    told = number >= 2
    value = np.where(told, np.clip(du[0], 0.0, 1.0), prior)
    low = np.clip(np.where(told, du[1], 1 - QUARTER_CV * np.sqrt(believed * PSEUDO_SPOTS / chi2.ppf(0.025, 5))), 0, 1)
    high = np.clip(np.where(told, high, 1 - QUARTER_CV * np.sqrt(believed * PSEUDO_SPOTS / chi2.ppf(0.975, 5))), 0, 1)
    return Learned(value, np.minimum(low, value), np.maximum(high, value), prior.copy(), number.astype(np.int64))


def _layer_share(record: Record, which: NDArray[np.int64]) -> FloatArray:
    """Share of the root zone each sensor stands for, (K,): up to halfway to its neighbours of the same spot."""
    probes, share = record.probes, np.ones(np.size(record.probes.zone))
    relative = np.asarray(probes.depth) / np.asarray(record.zones.root_depth)[probes.zone]
    for place in np.unique(which):
        here = np.flatnonzero(which == place)
        depths = relative[here]
        if here.size == 1 or np.any(np.isnan(depths)):
            continue
        levels, same = np.unique(np.clip(depths, 0.0, 1.0), return_inverse=True)
        edges = np.concatenate([[0.0], (levels[1:] + levels[:-1]) / 2, [1.0]])
        share[here] = (np.diff(edges) / np.bincount(same))[same]
    return share


def _stress(record: Record) -> FloatArray:
    """Ks after the night's water, (Z, N)."""
    taw = np.asarray(record.zones.taw)
    after = np.clip(record.depletion[:, :-1] - record.irrigation, 0.0, taw[:, None])
    return stress_coefficient(after, taw, record.p)


def _demand(record: Record) -> FloatArray:
    """Ks ETc, (Z, N)."""
    return np.asarray(_stress(record) * record.etc)


def _water_before(record: Record) -> FloatArray:
    """Water past field capacity in the column before, that may still be on its way down [mm], (Z, N)."""
    water = record.irrigation + record.effective_rain
    over = np.zeros(water.shape)
    over[:, 1:] = np.maximum(water - record.depletion[:, :-1], 0.0)[:, :-1]
    return over


def _jumps(record: Record) -> BoolArray:
    """Columns whose irrigation can be read from the rise: enough, no rain, and room for it, (Z, N)."""
    taw = np.asarray(record.zones.taw)[:, None]
    room = record.depletion[:, :-1] - record.irrigation - _water_before(record)
    enough = (record.irrigation >= LEAST_DEPTH) & (record.effective_rain == 0)
    return np.asarray(enough & (room > WET_MARGIN * taw) & (_stress(record) >= LEAST_STRESS))


def _slope(
    x: FloatArray, y: FloatArray, usable: BoolArray, least: int = LEAST_EVENTS, floor: float = 0.0
) -> tuple[FloatArray, FloatArray, NDArray[np.int64]]:
    """Robust slope of y = b x through the origin in each row, its variance, and the events behind it (0 = too few).

    Huber's weights by iteration from the median of the ratios; the scale is 1.4826 times the median absolute residual,
    at least `floor`.
    """
    usable = usable & ~np.isnan(y)
    number = usable.sum(axis=1)
    rows = number >= least
    slope, variance = np.zeros(len(y)), np.full(len(y), np.inf)
    if not np.any(rows):
        return slope, variance, np.zeros(len(y), dtype=np.int64)
    use, xs, ys = usable[rows], np.where(usable, x, 1.0)[rows], np.where(usable, y, 0.0)[rows]
    b = np.nanmedian(np.where(use, ys / xs, np.nan), axis=1)
    for _ in range(ROUNDS):
        residual = ys - b[:, None] * xs
        scale = MAD_SCALE * np.nanmedian(np.where(use, np.abs(residual), np.nan), axis=1)
        scale = np.maximum(scale * np.sqrt(number[rows] / np.maximum(number[rows] - 1, 1)), max(floor, 1e-9))
        weight = use * np.minimum(1.0, HUBER * scale[:, None] / np.maximum(np.abs(residual), 1e-12))
        b = np.sum(weight * xs * ys, axis=1) / np.sum(weight * xs**2, axis=1)
    slope[rows], variance[rows] = b, scale**2 / np.sum(weight * xs**2, axis=1)
    return slope, variance, np.where(rows, number, 0).astype(np.int64)


def _shrunk(
    record: Record,
    zone: NDArray[np.int64],
    factor: FloatArray,
    variance: FloatArray,
    events: NDArray[np.int64],
    kin_sd: float,
    own_sd: float,
    prior: FloatArray,
) -> Learned:
    """Turn the spots' raw factors into every zone's: logarithms, kin model, back."""
    good = (events > 0) & (factor > FACTOR_BOUNDS[0]) & (factor < FACTOR_BOUNDS[1])
    logs = np.log(np.where(good, factor, 1.0))
    relative = np.where(good, variance / np.where(good, factor, 1.0) ** 2, np.inf)
    mean, sd, count = _kin_model(record, zone, logs, relative, np.where(good, events, 0), kin_sd, own_sd)
    return Learned(
        prior * np.exp(mean), prior * np.exp(mean - Z95 * sd), prior * np.exp(mean + Z95 * sd), prior.copy(), count
    )


def _kin_model(
    record: Record,
    zone: NDArray[np.int64],
    value: FloatArray,
    variance: FloatArray,
    events: NDArray[np.int64],
    kin_sd: float,
    own_sd: float,
) -> tuple[FloatArray, FloatArray, NDArray[np.int64]]:
    """Posterior mean and sd of every zone's effect = kin + own, and its events.

    Spots of one zone are joined by inverse variance; then y = kin + own + error with variances t^2, w^2, r. The spreads
    handed in are blended with those the record shows, as if they were worth PSEUDO_ZONES zones and PSEUDO_KIN kin of
    it. Given the kin's mean (mu, V): zone = mu + k (y - mu), k = w^2 / (w^2 + r), variance k r + (1 - k)^2 V; an
    unprobed zone is mu, w^2 + V.
    """
    count = np.size(record.zones.kin)
    group = np.unique(np.asarray(record.zones.kin), return_inverse=True)[1]
    groups = int(group.max(initial=-1)) + 1
    good = events > 0
    precision = np.bincount(zone[good], weights=1.0 / variance[good], minlength=count)
    total = np.bincount(zone[good], weights=value[good] / variance[good], minlength=count)
    probed = precision > 0
    y, r = total / np.where(probed, precision, 1.0), 1.0 / np.where(probed, precision, 1.0)

    own, kin = own_sd**2, kin_sd**2
    if own > 0 and np.any(probed):
        number = np.bincount(group[probed], minlength=groups)
        middle = np.bincount(group[probed], weights=y[probed], minlength=groups) / np.maximum(number, 1)
        several = probed & (number[group] > 1)
        freedom = float(several.sum() - (number > 1).sum())
        excess = float(
            np.sum((y - middle[group])[several] ** 2) - np.sum((r * (1 - 1 / np.maximum(number, 1)[group]))[several])
        )
        if kin > 0:
            own = max((PSEUDO_ZONES * own + excess) / (PSEUDO_ZONES + freedom), OWN_SHARE * own)
            noise = np.bincount(group[probed], weights=(own + r)[probed], minlength=groups) / np.maximum(number, 1) ** 2
            seen = number > 0
            between = float(np.sum(middle[seen] ** 2 - noise[seen]))
            kin = (PSEUDO_KIN * kin + max(between, 0.0)) / (PSEUDO_KIN + float(seen.sum()))
    weight = np.where(probed, 1.0 / (own + r), 0.0) if own > 0 else np.where(probed, 1.0 / r, 0.0)
    held = np.bincount(group, weights=weight, minlength=groups) + (1.0 / kin if kin > 0 else np.inf)
    mu = np.bincount(group, weights=weight * y, minlength=groups) / held
    spread = 1.0 / held
    k = np.where(probed, own / (own + r), 0.0)
    mean = mu[group] * (1 - k) + k * y * probed
    sd = np.sqrt(np.where(probed, k * r, own) + (1 - k) ** 2 * spread[group])
    return mean, sd, np.bincount(zone[good], weights=events[good], minlength=count).astype(np.int64)


def _prior(record: Record, value: ArrayLike | None, name: str = "prior") -> FloatArray:
    count = np.size(record.zones.kin)
    array = np.ones(count) if value is None else np.asarray(value, dtype=np.float64)
    if array.shape != (count,):
        raise ValueError(f"{name} must have shape ({count},); got {array.shape}")
    if not np.all(np.isfinite(array)) or np.any(array <= 0):
        raise ValueError(f"{name} must be finite and above 0")
    return array
