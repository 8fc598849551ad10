"""Where each zone stands: an extended Kalman filter over all zones at once, with kin covariance.

State of a member (a zone's mean, or a spot with a probe): depletion D [mm], log microclimate factor m, log application
factor a. State of a sensor: bias b [m3/m3] and log layer gain g. One day:

    D' = settled(D - I exp(a) - Peff + Ks ETc exp(m)),    reading = FC - exp(g) gain D / (1000 Zr) + b

The mean follows `models.drainage.drainage_day` at three places of a zone, which catch DU_LQ, 1 and 2 - DU_LQ of its
mean: where it seldom rains the driest quarter falls behind while the rest drains, and the zone's mean lies between. D
is negative while water above field capacity is on its way down, and turf takes that first. Drainage is no straight
line; its mean, variance and covariance are those of a normal variable (quadrature, and Stein's lemma), so a storm
teaches every zone's depletion and the covariance stays whole. Covariances are dense within blocks of kin
(`models.kin`), updated by a Cholesky root.
Source of the filter: Kalman (1960) as textbooks give it (memory); gate, robust weights and
watch over sensors: common practice, no source.

`irrigation` here is the zone's mean depth, without the lower-quarter adjustment: a probe sees water that fell.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import cholesky, solve_triangular
from scipy.special import ndtr

from models.drainage import settled
from models.kin import Block, Setup
from models.uneven_catch import PLACE_SHARE

FloatArray = NDArray[np.float64]

Z95 = 1.959964  # [-] two-sided 95 % of a normal variable
GATE = 4.5  # [-] standard deviations: a reading farther off is not used
HUBER = 2.5  # [-] standard deviations: a reading farther off counts less
REOPEN_AFTER = 4  # [days] refused in a row: the sensor was moved or has shifted; its bias is learned afresh
STALE_DAYS = 3  # [days] without a reading used: the probe no longer informs its zone
GRAVITY_WATER = 0.03  # [m3/m3] above field capacity that a good sensor may read at evening
SETTLED = 0.1  # of TAW: nearer to field capacity water may still be on its way down (no source)
NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(15)  # of a standard normal variable
WEIGHTS = WEIGHTS / WEIGHTS.sum()
MEMORY = 0.1  # [-] weight of the latest reading in the watch over a sensor's scatter


@dataclass(frozen=True)
class FilterState:
    """Mean and covariance after some day; M members, K sensors.

    Attributes
    ----------
    depletion, log_microclimate, log_rate : ndarray, (M,)    Means [mm], negative above field capacity; [-], [-].
    bias, log_gain : ndarray, (K,)               Means [m3/m3], [-].
    covariance : tuple of ndarray                One (3n + 2k, 3n + 2k) a block, order D, m, a, b, g.
    places : ndarray, (M, 3)                     Depletion of a zone's driest quarter, the half between and its wettest
                                                 quarter less its mean [mm]; 0 at a spot.
    age : ndarray, (K,)                          Days since a reading of the sensor was used; inf = never.
    scatter : ndarray, (K,)                      Running mean of squared standardised surprises [-], 1 = as expected.
    refused : ndarray of int, (K,)               Readings refused in a row.
    """

    depletion: FloatArray
    log_microclimate: FloatArray
    log_rate: FloatArray
    bias: FloatArray
    log_gain: FloatArray
    covariance: tuple[FloatArray, ...]
    places: FloatArray
    age: FloatArray
    scatter: FloatArray
    refused: NDArray[np.int64]


@dataclass(frozen=True)
class Surprise:
    """What an update made of the readings, arrays (K,).

    Attributes
    ----------
    innovation : ndarray                         Reading less its forecast [m3/m3]; NaN where there was no reading.
    standardised : ndarray                       The same over its expected standard deviation [-].
    used : ndarray of bool                       The reading moved the estimate.
    reopened : ndarray of bool                   The sensor's bias is being learned afresh.
    widened : ndarray of bool                    Most sensors of the block were off alike: the balance was doubted.
    """

    innovation: FloatArray
    standardised: FloatArray
    used: NDArray[np.bool_]
    reopened: NDArray[np.bool_]
    widened: NDArray[np.bool_]


@dataclass(frozen=True)
class Estimate:
    """The estimate of an evening, arrays (Z,); low and high are ends of 95 % intervals.

    Attributes
    ----------
    depletion, spread, low, high : ndarray       Mean, standard deviation and interval [mm]; all but spread in 0 to TAW.
    surplus : ndarray                            Water above field capacity, on its way down [mm], 0 or more.
    moisture, moisture_spread : ndarray          Root-zone moisture at that depletion, and its standard deviation with
                                                 that of field capacity within a texture [m3/m3].
    microclimate, microclimate_low, microclimate_high : ndarray    Factor on the demand handed in [-].
    rate, rate_low, rate_high : ndarray          True application rate / nominal [-].
    informed_by : ndarray of str                 "probe" (its own, used in the last days), "kin" or "balance".
    """

    depletion: FloatArray
    surplus: FloatArray
    spread: FloatArray
    low: FloatArray
    high: FloatArray
    moisture: FloatArray
    moisture_spread: FloatArray
    microclimate: FloatArray
    microclimate_low: FloatArray
    microclimate_high: FloatArray
    rate: FloatArray
    rate_low: FloatArray
    rate_high: FloatArray
    informed_by: NDArray[np.str_]


@dataclass(frozen=True)
class FilterRun:
    """A season of days: the last state, each evening's estimate and what each update made of the readings.

    `depletion`, `surplus`, `spread` : (Z, N) [mm]; `used`, `standardised` : (K, N); `estimate` is the last evening's.
    """

    state: FilterState
    estimate: Estimate
    depletion: FloatArray
    surplus: FloatArray
    spread: FloatArray
    used: NDArray[np.bool_]
    standardised: FloatArray


def start_state(
    setup: Setup,
    depletion: ArrayLike,
    spread: ArrayLike,
    microclimate: ArrayLike | None = None,
    rate: ArrayLike | None = None,
    places: ArrayLike | None = None,
) -> FilterState:
    """State before the first night.

    Parameters
    ----------
    setup : Setup
    depletion, spread : array, shape (Z,)        Depletion [mm], 0 to TAW, and its standard deviation [mm], 0 or more.
    microclimate, rate : array, shape (Z,), optional    Factors already known, on what will be handed in [-]; 1 if not
                                                 given. Their spread is still that of `Spreads`.
    places : array, shape (Z, 3), optional       Depletion at the places of a zone less its mean [mm]; 0 if not given.

    Returns
    -------
    FilterState

    Raises
    ------
    ValueError                                   A shape or a value is wrong.
    """
    zone, taw = setup.member_zone, setup.zones.taw
    mean = _zone_array("depletion", depletion, setup)
    wide = _zone_array("spread", spread, setup)
    if np.any(mean < 0) or np.any(mean > taw):
        raise ValueError("depletion must lie in 0 to taw")
    if np.any(wide < 0):
        raise ValueError("spread must not be negative")
    factors = []
    for name, value in (("microclimate", microclimate), ("rate", rate)):
        factor = _zone_array(name, np.ones(setup.zone_count) if value is None else value, setup)
        if np.any(factor <= 0):
            raise ValueError(f"{name} must be above 0")
        factors.append(np.log(factor)[zone])
    apart = np.zeros((setup.zone_count, PLACE_SHARE.size)) if places is None else np.asarray(places, dtype=np.float64)
    if apart.shape != (setup.zone_count, PLACE_SHARE.size) or not np.all(np.isfinite(apart)):
        raise ValueError(f"places must be finite and have shape ({setup.zone_count}, {PLACE_SHARE.size})")
    covariance = []
    for block in setup.blocks:
        n, k = block.member.size, block.sensor.size
        sd = wide[zone[block.member]]
        whole = np.zeros((3 * n + 2 * k, 3 * n + 2 * k))
        shared = 0.3 + 0.5 * block.same_zone + 0.2 * np.eye(n)  # how a start errs alike: kin, zone, spot (no source)
        whole[:n, :n] = np.outer(sd, sd) * shared
        whole[n : 2 * n, n : 2 * n] = block.microclimate
        whole[2 * n : 3 * n, 2 * n : 3 * n] = block.rate
        whole[3 * n : 3 * n + k, 3 * n : 3 * n + k] = setup.spreads.bias**2 * np.diag(setup.probes.evened[block.sensor])
        whole[3 * n + k :, 3 * n + k :] = block.gain
        covariance.append(whole)
    sensors = setup.sensor_count
    return FilterState(
        mean[zone],
        factors[0],
        factors[1],
        np.zeros(sensors),
        np.zeros(sensors),
        tuple(covariance),
        np.concatenate((apart, np.zeros((zone.size - setup.zone_count, PLACE_SHARE.size)))),
        np.full(sensors, np.inf),
        np.ones(sensors),
        np.zeros(sensors, dtype=int),
    )


def predict(
    setup: Setup, state: FilterState, irrigation: ArrayLike, etc: ArrayLike, effective_rain: ArrayLike, p: ArrayLike
) -> FilterState:
    """Move the state on by a night and the date after it.

    Parameters
    ----------
    setup : Setup
    state : FilterState                          At opening time.
    irrigation, etc, effective_rain : array, shape (Z,)    Mean depth applied at the nominal rate [mm], crop ET of the
                                                 date [mm/d], rain less runoff [mm/d]; 0 or more.
    p : array, shape (Z,)                        Depletion fraction [-], 0 <= p < 1.

    Returns
    -------
    FilterState                                  At the next opening time.

    Raises
    ------
    ValueError                                   A shape or a value is wrong.
    """
    zone, taw = setup.member_zone, setup.zones.taw[setup.member_zone]
    named = {"irrigation": irrigation, "etc": etc, "effective_rain": effective_rain, "p": p}
    water, demand, rain, fraction = (_zone_array(name, value, setup)[zone] for name, value in named.items())
    for name, value in zip(named, (water, demand, rain), strict=False):
        if np.any(value < 0):
            raise ValueError(f"{name} must not be negative")
    if np.any(fraction < 0) or np.any(fraction >= 1):
        raise ValueError("p must lie in 0 <= p < 1")
    applied, wanted = water * np.exp(state.log_rate), demand * np.exp(state.log_microclimate)
    level = state.depletion - applied  # before drainage
    apart = state.places - applied[:, None] * setup.catch
    mean, places, covariance = level.copy(), apart.copy(), []
    for block, before in zip(setup.blocks, state.covariance, strict=True):
        i = block.member
        whole = _linear_step(block, before, np.ones(i.size), np.zeros(i.size), -applied[i])
        _add(whole, block, [setup.spreads.night * applied[i]], [])
        rough = np.where(applied[i] > 0, setup.patchiness[i], 0.0)
        mean[i], places[i] = _drain(whole, level[i], apart[i], rough, setup.drainage[i])
        covariance.append(whole)

    start, at_night = np.minimum(mean[:, None] + places, taw[:, None]), mean - level
    s = setup.spreads
    for number, block in enumerate(setup.blocks):
        i, whole = block.member, covariance[number]
        wide = np.sqrt(np.diag(whole)[: i.size] + setup.patchiness[i] ** 2)
        span = (1 - fraction[i]) * taw[i]  # from RAW to TAW
        over = start[i] - (fraction[i] * taw[i])[:, None]
        beyond, stressed = _part_above(over, wide[:, None])  # E max(D - RAW, 0), chance of stress
        stress = np.clip(1 - beyond / span[:, None], 0.0, 1.0)  # E Ks of a depletion not sure
        share = stressed @ PLACE_SHARE
        keep = np.clip(1 - share * wanted[i] / span, 0.0, 1.0)  # mean d after / d D
        after = np.minimum(start[i] - rain[i, None] + stress * wanted[i, None], taw[i, None])
        used, unsure, middle = stress @ PLACE_SHARE * wanted[i], s.stress * share * wanted[i], after @ PLACE_SHARE
        whole = _linear_step(block, whole, keep, used, np.zeros(i.size))
        gone = at_night[i] + (settled(after, setup.drainage[i, None]) - after) @ PLACE_SHARE
        own = [s.demand_own * used, s.rain_own * rain[i], np.sqrt(0.5) * unsure]
        kin = [s.demand_kin * used, s.rain_kin * rain[i], np.sqrt(0.5) * unsure, s.undrained * gone]
        _add(whole, block, own, kin)
        _drift(setup, block, whole)
        rough = np.where(rain[i] > 0, setup.patchiness[i], 0.0)
        mean[i], places[i] = _drain(whole, middle, after - middle[:, None], rough, setup.drainage[i])
        near_full = 1.0 - np.clip(start[i] @ PLACE_SHARE / (SETTLED * taw[i]), 0.0, 1.0)
        uneven = np.where((applied[i] > 0) | (rain[i] > 0), 1.0, near_full)
        uneven = uneven * (1.0 - np.clip(gone / taw[i], 0.0, 1.0))  # a storm fills every spot
        _add(whole, block, [(s.balance + (s.wetted - s.balance) * uneven) * taw[i]], [])
        covariance[number] = whole
    mean = np.clip(mean, -taw, taw)
    return replace(state, depletion=mean, places=places, covariance=tuple(covariance), age=state.age + 1.0)


def update(setup: Setup, state: FilterState, moisture: ArrayLike) -> tuple[FilterState, Surprise]:
    """Take in the evening's readings.

    Parameters
    ----------
    setup : Setup
    state : FilterState                          After `predict`.
    moisture : array, shape (K,)                 Reading of each sensor [m3/m3]; NaN = none or doubtful.

    Returns
    -------
    FilterState, Surprise

    Raises
    ------
    ValueError                                   Wrong shape, or an infinite reading.
    """
    reading = np.asarray(moisture, dtype=np.float64)
    if reading.shape != (setup.sensor_count,):
        raise ValueError(f"moisture must have shape ({setup.sensor_count},); got {reading.shape}")
    if np.any(np.isinf(reading)):
        raise ValueError("moisture must be finite, or NaN where there is none")
    zone = setup.member_zone
    depletion, microclimate = state.depletion.copy(), state.log_microclimate.copy()
    rate, bias, gain = state.log_rate.copy(), state.bias.copy(), state.log_gain.copy()
    age, scatter, refused = state.age.copy(), state.scatter.copy(), state.refused.copy()
    surprise = Surprise(
        np.full(reading.size, np.nan),
        np.full(reading.size, np.nan),
        *(np.zeros(reading.size, dtype=bool) for _ in range(3)),
    )
    covariance = list(state.covariance)
    for number, block in enumerate(setup.blocks):
        seen = np.flatnonzero(~np.isnan(reading[block.sensor]))
        if seen.size == 0:
            continue
        n, k, sensor, at = block.member.size, block.sensor.size, block.sensor[seen], block.at[seen]
        whole = covariance[number]
        member = block.member[at]
        slope = -setup.gain[sensor] * np.exp(gain[sensor]) / (1000.0 * setup.zones.root_depth[zone[member]])
        columns = (at, 3 * n + seen, 3 * n + k + seen)
        weights = (slope, np.ones(seen.size), slope * depletion[member])
        innovation = reading[sensor] - (
            setup.zones.field_capacity[zone[member]] + slope * depletion[member] + bias[sensor]
        )
        noise = setup.spreads.reading**2 * setup.probes.evened[sensor] * np.clip(scatter[sensor], 1.0, 25.0)
        above = reading[sensor] - bias[sensor] - setup.zones.field_capacity[zone[member]]
        passing = np.clip(np.minimum(above, innovation), 0.0, GRAVITY_WATER) ** 2  # passing water that was not expected
        expected = _forecast_covariance(whole, columns, weights)
        standard = innovation / np.sqrt(np.diag(expected) + noise)

        if seen.size >= 3 and np.mean(np.abs(standard) > HUBER) > 0.5 and abs(np.mean(np.sign(standard))) > 0.6:
            off = np.median(innovation / slope)  # [mm] they are off alike: it is the balance, not the sensors
            whole = whole.copy()
            whole[:n, :n] += off**2 * (0.8 + 0.2 * block.same_zone)
            expected = _forecast_covariance(whole, columns, weights)
            standard = innovation / np.sqrt(np.diag(expected) + noise)
            surprise.widened[sensor] = True
        again = (np.abs(standard) > GATE) & (refused[sensor] + 1 >= REOPEN_AFTER)
        if np.any(again):
            whole = whole.copy()
            opened = 3 * n + seen[again]
            whole[opened, opened] += (2 * setup.spreads.bias) ** 2 + innovation[again] ** 2
            expected = _forecast_covariance(whole, columns, weights)
            standard = innovation / np.sqrt(np.diag(expected) + noise)
            surprise.reopened[sensor[again]] = True

        used = np.abs(standard) <= GATE
        surprise.innovation[sensor], surprise.standardised[sensor] = innovation, standard
        surprise.used[sensor] = used
        noise = noise + passing
        squared = innovation**2 / (np.diag(expected) + noise)  # at most GATE squared where it is used
        watched = (1 - MEMORY) * scatter[sensor] + MEMORY * squared * np.clip(scatter[sensor], 1.0, 25.0)
        scatter[sensor] = np.where(used, watched, scatter[sensor])
        refused[sensor] = np.where(used, 0, refused[sensor] + 1)
        age[sensor] = np.where(used, 0.0, age[sensor])
        if np.any(used):
            far = np.maximum((innovation / HUBER) ** 2 - np.diag(expected) - noise, 0.0)
            change, whole = _corrected(
                whole,
                [c[used] for c in columns],
                [w[used] for w in weights],
                (noise + far)[used],
                innovation[used],
            )
            i, j = block.member, block.sensor
            depletion[i] += change[:n]
            microclimate[i] += change[n : 2 * n]
            rate[i] += change[2 * n : 3 * n]
            bias[j] += change[3 * n : 3 * n + k]
            gain[j] += change[3 * n + k :]
        covariance[number] = whole
    taw = setup.zones.taw[zone]
    depletion = np.clip(depletion, -taw, taw)
    after = FilterState(
        depletion, microclimate, rate, bias, gain, tuple(covariance), state.places, age, scatter, refused
    )
    return after, surprise


def report(setup: Setup, state: FilterState) -> Estimate:
    """Read out the zones.

    Parameters
    ----------
    setup : Setup
    state : FilterState

    Returns
    -------
    Estimate
    """
    zones, count = setup.zones, setup.zone_count
    variance = np.zeros((3, setup.member_zone.size))
    informed = np.full(count, "balance", dtype="<U7")
    fresh = state.age <= STALE_DAYS
    for block, whole in zip(setup.blocks, state.covariance, strict=True):
        n = block.member.size
        variance[:, block.member] = np.diag(whole)[: 3 * n].reshape(3, n)
        if np.any(fresh[block.sensor]):
            informed[block.member[block.member < count]] = "kin"
    informed[setup.probes.zone[fresh]] = "probe"
    spread = np.sqrt(variance[:, :count])
    apart = np.sqrt(state.places[:count] ** 2 @ PLACE_SHARE)
    systematic = np.hypot(setup.spreads.level * zones.taw, setup.spreads.uneven * apart)
    systematic = np.hypot(systematic, setup.spreads.drains_on * setup.drainage[:count])
    spread[0] = np.hypot(spread[0], systematic)
    level = state.depletion[:count]
    low, high = (np.clip(level + side * Z95 * spread[0], 0.0, zones.taw) for side in (-1, 1))
    log_m, log_a = state.log_microclimate[:count], state.log_rate[:count]
    moisture = zones.field_capacity - level / (1000.0 * zones.root_depth)
    moisture_spread = np.hypot(spread[0] / (1000.0 * zones.root_depth), setup.spreads.field_capacity)
    return Estimate(
        np.maximum(level, 0.0),
        np.maximum(-level, 0.0),
        spread[0],
        low,
        high,
        moisture,
        moisture_spread,
        np.exp(log_m),
        np.exp(log_m - Z95 * spread[1]),
        np.exp(log_m + Z95 * spread[1]),
        np.exp(log_a),
        np.exp(log_a - Z95 * spread[2]),
        np.exp(log_a + Z95 * spread[2]),
        informed,
    )


def run_filter(
    setup: Setup,
    state: FilterState,
    irrigation: ArrayLike,
    etc: ArrayLike,
    effective_rain: ArrayLike,
    p: ArrayLike,
    moisture: ArrayLike,
) -> FilterRun:
    """Predict and update over N nights in a row.

    Parameters
    ----------
    setup : Setup
    state : FilterState                          At the first opening time.
    irrigation, etc, effective_rain, p : array, shape (Z, N)    As in `predict`; column n is night n and the date after.
    moisture : array, shape (K, N)               Readings of the evening that ends column n [m3/m3], NaN = none.

    Returns
    -------
    FilterRun

    Raises
    ------
    ValueError                                   A shape or a value is wrong.
    """
    inputs = [np.asarray(a, dtype=np.float64) for a in (irrigation, etc, effective_rain, p)]
    readings = np.asarray(moisture, dtype=np.float64)
    nights = inputs[0].shape[-1] if inputs[0].ndim == 2 else 0
    for name, array in zip(("irrigation", "etc", "effective_rain", "p"), inputs, strict=True):
        if array.shape != (setup.zone_count, nights) or nights == 0:
            raise ValueError(f"{name} must have shape ({setup.zone_count}, N), N the same for all; got {array.shape}")
    if readings.shape != (setup.sensor_count, nights):
        raise ValueError(f"moisture must have shape ({setup.sensor_count}, {nights}); got {readings.shape}")
    depletion, surplus, spread = np.empty((3, setup.zone_count, nights))
    used, standard = np.zeros(readings.shape, dtype=bool), np.full(readings.shape, np.nan)
    for n in range(nights):
        state = predict(setup, state, *(a[:, n] for a in inputs))
        state, surprise = update(setup, state, readings[:, n])
        estimate = report(setup, state)
        depletion[:, n], surplus[:, n], spread[:, n] = estimate.depletion, estimate.surplus, estimate.spread
        used[:, n], standard[:, n] = surprise.used, surprise.standardised
    return FilterRun(state, estimate, depletion, surplus, spread, used, standard)


def _zone_array(name: str, value: ArrayLike, setup: Setup) -> FloatArray:
    array = np.asarray(value, dtype=np.float64)
    if array.shape != (setup.zone_count,):
        raise ValueError(f"{name} must have shape ({setup.zone_count},); got {array.shape}")
    if not np.all(np.isfinite(array)):
        raise ValueError(f"{name} must be finite numbers")
    return array


def _linear_step(
    block: Block, before: FloatArray, on_depletion: FloatArray, on_microclimate: FloatArray, on_rate: FloatArray
) -> FloatArray:
    """Covariance F P F' where only the rows of depletion change."""
    n = block.member.size
    whole = before.copy()
    whole[:n] = on_depletion[:, None] * before[:n] + on_microclimate[:, None] * before[n : 2 * n]
    whole[:n] += on_rate[:, None] * before[2 * n : 3 * n]
    column = whole[:, :n] * on_depletion + whole[:, n : 2 * n] * on_microclimate
    whole[:, :n] = column + whole[:, 2 * n : 3 * n] * on_rate
    return whole


def _add(whole: FloatArray, block: Block, own: Sequence[FloatArray], kin: Sequence[FloatArray]) -> None:
    """Add to depletion's covariance errors of each zone's own and errors shared by kin, standard deviations (n,)."""
    n = block.member.size
    if own:
        one = np.stack(own)
        whole[:n, :n] += (one.T @ one) * block.same_zone
    if kin:
        all_alike = np.stack(kin)
        whole[:n, :n] += all_alike.T @ all_alike


def _drift(setup: Setup, block: Block, whole: FloatArray) -> None:
    """Let factors, biases and gains wander a little, so that a long season does not freeze them."""
    n, k, share = block.member.size, block.sensor.size, setup.spreads.factor_drift**2
    whole[n : 2 * n, n : 2 * n] += share * block.microclimate
    whole[2 * n : 3 * n, 2 * n : 3 * n] += share * block.rate
    sensors = np.arange(3 * n, 3 * n + k)
    whole[sensors, sensors] += setup.spreads.bias_drift**2
    whole[3 * n + k :, 3 * n + k :] += share * block.gain


def _part_above(mean: FloatArray, spread: FloatArray) -> tuple[FloatArray, FloatArray]:
    """E max(0, x) and P(x > 0) of x ~ N(mean, spread^2): mean Phi(u) + spread phi(u) and Phi(u), u = mean / spread."""
    wide = np.maximum(spread, 1e-6)
    u = mean / wide
    above, density = ndtr(u), np.exp(-0.5 * np.minimum(u**2, 700.0)) / np.sqrt(2 * np.pi)
    return np.maximum(mean * above + wide * density, 0.0), above


def _drain(
    whole: FloatArray, level: FloatArray, places: FloatArray, patchiness: FloatArray, scale: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Let a block's depletion drain for half a day, in place; returns its mean, and its places' less that.

    A place's spots lie around its mean x with standard deviation h and drain each by the law g, so the place's is
    E g(x + h z). With x ~ N(mu, s^2) and r^2 = s^2 + h^2: the mean is E g(mu + r z), and the covariance with anything
    jointly normal is multiplied by the mean slope E g' = E z g(mu + r z) / r (Stein's lemma). A member's is the mean of
    its places', which are unsure alike.
    """
    n = level.size
    variance = np.diag(whole)[:n].copy()
    total = np.maximum(variance + patchiness**2, 1e-12)
    r = np.sqrt(total)
    at = level[:, None] + places
    after = settled(at[:, :, None] + r[:, None, None] * NODES, scale[:, None, None])
    each = after @ WEIGHTS
    off = after - each[:, :, None]
    slopes = np.clip(off @ (WEIGHTS * NODES) / r[:, None], 0.0, 1.0)
    slope = slopes @ PLACE_SHARE
    curved = np.maximum((off**2 @ WEIGHTS - total[:, None] * slopes**2) @ PLACE_SHARE, 0.0)
    whole[:n] *= slope[:, None]
    whole[:, :n] *= slope
    rows = np.arange(n)
    whole[rows, rows] += curved * variance / total  # what the straight line leaves out
    mean = each @ PLACE_SHARE
    return np.asarray(mean), np.asarray(each - mean[:, None])


def _times_h(whole: FloatArray, columns: Sequence[NDArray[np.int64]], weights: Sequence[FloatArray]) -> FloatArray:
    """P H' where each reading looks at one entry of each of a few kinds of state."""
    out = whole[:, columns[0]] * weights[0]
    for column, weight in zip(columns[1:], weights[1:], strict=True):
        out += whole[:, column] * weight
    return out


def _forecast_covariance(
    whole: FloatArray, columns: Sequence[NDArray[np.int64]], weights: Sequence[FloatArray]
) -> FloatArray:
    """H P H', symmetric."""
    across = _times_h(_times_h(whole, columns, weights).T, columns, weights)
    return 0.5 * (across + across.T)


def _corrected(
    whole: FloatArray,
    columns: Sequence[NDArray[np.int64]],
    weights: Sequence[FloatArray],
    noise: FloatArray,
    innovation: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Change of the mean, K v, and the covariance P - K H P after all readings at once; their noises are independent.

    With U = P H' and S = H U + R = L L' (Cholesky), V = L^-1 U' gives K v = V' L^-1 v and K H P = V' V: symmetric as it
    stands, and never more than P as long as S is well away from singular, which R, not small against it, sees to.
    """
    u = _times_h(whole, columns, weights)
    total = _times_h(u.T, columns, weights)
    total = 0.5 * (total + total.T) + np.diag(noise)
    root = cholesky(total, lower=True, overwrite_a=True, check_finite=False)
    v = solve_triangular(root, u.T, lower=True, check_finite=False)
    change = v.T @ solve_triangular(root, innovation, lower=True, check_finite=False)
    return np.asarray(change), whole - v.T @ v
