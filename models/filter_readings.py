"""The filter's step at evening: what the readings say.

    reading = FC - exp(g) gain D / (1000 Zr) + b

All readings of a block of kin are taken in at once, by a Cholesky root. A reading too far from its forecast is not
used, one rather far counts less, and a sensor refused for days is learned afresh.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models.filter_state import FilterState, FloatArray
from models.kin import Block, Setup

GATE = 4.5  # [-] standard deviations: a reading farther off is not used
HUBER = 2.5  # [-] standard deviations: a reading farther off counts less
REOPEN_AFTER = 4  # [days] refused in a row: the sensor was moved or has shifted; its bias is learned afresh
GRAVITY_WATER = 0.03  # [m3/m3] above field capacity that a good sensor may read at evening
MEMORY = 0.1  # [-] weight of the latest reading in the watch over a sensor's scatter
MOVED = ("depletion", "log_microclimate", "log_rate", "bias", "log_gain", "age", "scatter", "refused")


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
class _Seen:
    """The readings of one block: where they look, how, and how far they are from their forecast; (R,) each."""

    number: NDArray[np.int64]  # of the sensor within its block
    sensor: NDArray[np.int64]
    slope: FloatArray  # change of a reading with depletion [m3/m3 per mm]
    columns: tuple[NDArray[np.int64], ...]  # of depletion, bias and gain in the block's covariance
    weights: tuple[FloatArray, ...]
    innovation: FloatArray  # [m3/m3]
    noise: FloatArray  # variance of the reading itself
    passing: FloatArray  # variance for passing water that was not expected


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
    surprise = Surprise(
        np.full(reading.size, np.nan),
        np.full(reading.size, np.nan),
        *(np.zeros(reading.size, dtype=bool) for _ in range(3)),
    )
    new = replace(state, **{name: getattr(state, name).copy() for name in MOVED})
    covariance = list(state.covariance)
    for i, block in enumerate(setup.blocks):
        if not np.all(np.isnan(reading[block.sensor])):
            covariance[i] = _take_in(setup, block, covariance[i], _seen(setup, state, block, reading), new, surprise)
    taw = setup.zones.taw[setup.member_zone]
    return replace(new, depletion=np.clip(new.depletion, -taw, taw), covariance=tuple(covariance)), surprise


def _seen(setup: Setup, state: FilterState, block: Block, reading: FloatArray) -> _Seen:
    """Set a block's readings against their forecasts."""
    number = np.flatnonzero(~np.isnan(reading[block.sensor]))
    n, k, sensor, at = block.member.size, block.sensor.size, block.sensor[number], block.at[number]
    member = block.member[at]
    zone = setup.member_zone[member]
    field_capacity = setup.zones.field_capacity[zone]
    slope = -setup.gain[sensor] * np.exp(state.log_gain[sensor]) / (1000.0 * setup.zones.root_depth[zone])
    moved = slope * state.depletion[member]
    innovation = reading[sensor] - (field_capacity + moved + state.bias[sensor])
    scatter = np.clip(state.scatter[sensor], 1.0, 25.0)
    above = reading[sensor] - state.bias[sensor] - field_capacity
    return _Seen(
        number=number,
        sensor=sensor,
        slope=slope,
        columns=(at, 3 * n + number, 3 * n + k + number),
        weights=(slope, np.ones(number.size), moved),
        innovation=innovation,
        noise=setup.spreads.reading**2 * setup.probes.evened[sensor] * scatter,
        passing=np.clip(np.minimum(above, innovation), 0.0, GRAVITY_WATER) ** 2,
    )


def _take_in(
    setup: Setup, block: Block, whole: FloatArray, seen: _Seen, new: FilterState, surprise: Surprise
) -> FloatArray:
    """Move the block's part of the new state by its readings, in place; returns the block's covariance."""
    sensor, innovation = seen.sensor, seen.innovation
    whole, across, expected, standard = _doubted(setup, block, whole, seen, new, surprise)
    used = np.abs(standard) <= GATE
    surprise.innovation[sensor], surprise.standardised[sensor] = innovation, standard
    surprise.used[sensor] = used
    noise = seen.noise + seen.passing
    squared = innovation**2 / (expected + noise)  # at most GATE squared where it is used
    before = new.scatter[sensor]
    watched = (1 - MEMORY) * before + MEMORY * squared * np.clip(before, 1.0, 25.0)
    new.scatter[sensor] = np.where(used, watched, before)
    new.refused[sensor] = np.where(used, 0, new.refused[sensor] + 1)
    new.age[sensor] = np.where(used, 0.0, new.age[sensor])
    if not np.any(used):
        return whole
    far = np.maximum((innovation / HUBER) ** 2 - expected - noise, 0.0)
    columns, weights = [c[used] for c in seen.columns], [w[used] for w in seen.weights]
    change, whole = _corrected(whole, across[:, used], columns, weights, (noise + far)[used], innovation[used])
    n, k = block.member.size, block.sensor.size
    new.depletion[block.member] += change[:n]
    new.log_microclimate[block.member] += change[n : 2 * n]
    new.log_rate[block.member] += change[2 * n : 3 * n]
    new.bias[block.sensor] += change[3 * n : 3 * n + k]
    new.log_gain[block.sensor] += change[3 * n + k :]
    return whole


def _doubted(
    setup: Setup, block: Block, whole: FloatArray, seen: _Seen, state: FilterState, surprise: Surprise
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Doubt the balance where most sensors are off alike, and a sensor that was refused for days.

    Returns the block's covariance, widened by what is doubted, that of its states with each reading's forecast, the
    variance of this forecast, and the reading's standardised surprise.
    """
    n, innovation = block.member.size, seen.innovation
    across, expected, standard = _standardised(whole, seen)
    if seen.number.size >= 3 and np.mean(np.abs(standard) > HUBER) > 0.5 and abs(np.mean(np.sign(standard))) > 0.6:
        off = np.median(innovation / seen.slope)  # [mm] they are off alike: it is the balance, not the sensors
        whole = whole.copy()
        whole[:n, :n] += off**2 * (0.8 + 0.2 * block.same_zone)
        across, expected, standard = _standardised(whole, seen)
        surprise.widened[seen.sensor] = True
    again = (np.abs(standard) > GATE) & (state.refused[seen.sensor] + 1 >= REOPEN_AFTER)
    if np.any(again):
        whole = whole.copy()
        opened = 3 * n + seen.number[again]
        whole[opened, opened] += (2 * setup.spreads.bias) ** 2 + innovation[again] ** 2
        across, expected, standard = _standardised(whole, seen)
        surprise.reopened[seen.sensor[again]] = True
    return whole, across, expected, standard


def _standardised(whole: FloatArray, seen: _Seen) -> tuple[FloatArray, FloatArray, FloatArray]:
    """P H', the variance of each reading's forecast, diag H P H', and its surprise over what is expected of it."""
    across, reading = _times_h(whole, seen.columns, seen.weights), np.arange(seen.number.size)
    looked_at = zip(seen.columns, seen.weights, strict=True)
    expected = np.asarray(sum(across[column, reading] * weight for column, weight in looked_at))
    return across, expected, seen.innovation / np.sqrt(expected + seen.noise)


def _times_h(whole: FloatArray, columns: Sequence[NDArray[np.int64]], weights: Sequence[FloatArray]) -> FloatArray:
    """P H' where each reading looks at one entry of each of a few kinds of state."""
    out = whole[:, columns[0]] * weights[0]
    for column, weight in zip(columns[1:], weights[1:], strict=True):
        out += whole[:, column] * weight
    return out


def _corrected(
    whole: FloatArray,
    u: FloatArray,
    columns: Sequence[NDArray[np.int64]],
    weights: Sequence[FloatArray],
    noise: FloatArray,
    innovation: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Change of the mean, K v, and the covariance P - K H P after all readings at once; their noises are independent.

    With U = P H' and S = H U + R = L L' (Cholesky), V = L^-1 U' gives K v = V' L^-1 v and K H P = V' V: symmetric as it
    stands, and never more than P as long as S is well away from singular, which R, not small against it, sees to.
    """
    total = _times_h(u.T, columns, weights)
    total = 0.5 * (total + total.T) + np.diag(noise)
    root = np.linalg.cholesky(total)
    v = np.linalg.solve(root, np.column_stack((u.T, innovation)))  # scipy.linalg takes longer to load than it saves
    v, change = v[:, :-1], v[:, :-1].T @ v[:, -1]
    return np.asarray(change), whole - v.T @ v
