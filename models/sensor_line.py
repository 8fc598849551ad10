"""A sensor's own line: reading = b - g x + e, where x is the moisture that the balance of its spot says is missing.

Gain g and offset b have priors of their own; e wanders (AR(1)). Readings are whitened by their correlation over the
days since the reading before, both found from the residuals of the best case; readings far off count less (Huber).

Source: linear calibration of each sensor within the assimilation, Geoderma 374 (2020) 114432; settings: no source, set
on the finer physics of the tests (soils and seeds for tuning).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

LEAST_READINGS = 21  # evenings without which a sensor says nothing of its zone
WANDER = (0.6, 0.97)  # [-] least and largest correlation of a sensor's errors from day to day
LEAST_ERROR = 0.006  # [m3/m3] of a sensor, beside its line
GAIN_SPREAD = 0.2  # [-] standard deviation of a sensor's gain about that of its ground
OFFSET_SPREAD = 0.05  # [m3/m3] of its offset from field capacity as told, which may be off itself
HUBER = 2.0  # [-] standard deviations beyond which a reading counts less
REACH = 1.05  # [-] of the root depth: a sensor below it stands under the roots
# [-] of its variance that a sensor under the roots must share with the balance to speak of depletion; beside one within
# them it says nothing: what drains past it took the truth of learned values away (soils for tuning).
SHOWN = 0.5


@dataclass(frozen=True)
class SensorLine:
    """How a sensor's readings fit each case, and the line of the case that fits best.

    Attributes
    ----------
    likelihood : ndarray, (G, C)     Log likelihood of each of G mean gains and C cases, gain and offset integrated out.
    gain, offset : float             g [-] and b [m3/m3] of the best.
    wander, error : float            Correlation of e from day to day [-]; its standard deviation [m3/m3].
    shared : float                   Share of the readings' variance that the line explains [-].
    evenings : int                   Readings.
    """

    likelihood: FloatArray
    gain: float
    offset: float
    wander: float
    error: float
    shared: float
    evenings: int

    @classmethod
    def of(
        cls,
        reading: FloatArray,
        x: FloatArray,
        capacity: float,
        gains: Sequence[float] = (1.0,),
        noise: tuple[float, float] | None = None,
    ) -> SensorLine | None:
        """Fit the line to readings (N,) under cases x (N, C); None where there are too few.

        Parameters
        ----------
        reading : ndarray, (N,)      Moisture each evening [m3/m3], NaN = none.
        x : ndarray, (N, C)          Moisture missing at the sensor by each case [m3/m3].
        capacity : float             Field capacity as told [m3/m3], the prior mean of b.
        gains : sequence of float    G prior means of g [-].
        noise : tuple, optional      Correlation of e [-] and its standard deviation [m3/m3] where they are known: then
                                     likelihoods of parts of a record may be compared; all readings count alike.
        """
        at = np.flatnonzero(~np.isnan(reading))
        if at.size < LEAST_READINGS:
            return None
        y, xs = reading[at], x[at]
        step = np.diff(at)
        rho, sd = 0.85, max(float(np.std(y)) / 2.0, LEAST_ERROR)
        weight = np.ones(at.size)
        if noise is not None:
            rho, sd = noise
        for _ in range(3 if noise is None else 1):
            keep = np.concatenate([[0.0], rho**step])
            w = np.sqrt(weight / (1.0 - keep**2)) / sd  # over the standard deviation of an innovation
            likelihood, gain, offset, case = _fitted(y, xs, keep, w, capacity, gains)
            residual = y - offset + gain * xs[:, case]
            if noise is not None:
                break
            pairs = step == 1
            if pairs.sum() > 5:
                before, after = residual[:-1][pairs], residual[1:][pairs]
                rho = float(np.clip(before @ after / max(before @ before, 1e-12), *WANDER))
            sd = max(float(np.sqrt(np.mean(np.minimum(residual**2, 9 * np.median(residual**2))))), LEAST_ERROR)
            keep = np.concatenate([[0.0], rho**step])
            innovation = residual - keep * np.concatenate([[0.0], residual[:-1]])
            far = np.abs(innovation) / (sd * np.sqrt(1.0 - keep**2))
            weight = np.minimum(1.0, HUBER / np.maximum(far, 1e-9))
        shared = 1.0 - float(np.var(residual)) / max(float(np.var(y)), 1e-12)
        return cls(likelihood, gain, offset, rho, sd, shared, int(at.size))


def _fitted(
    y: FloatArray, xs: FloatArray, keep: FloatArray, w: FloatArray, capacity: float, gains: Sequence[float]
) -> tuple[FloatArray, float, float, int]:
    """Log likelihoods (G, C), and gain, offset and case of the best: normal equations of the whitened line."""
    ys = w * (y - keep * np.concatenate([[0.0], y[:-1]]))
    ones = w * (1.0 - keep)
    xw = w[:, None] * (xs - keep[:, None] * np.vstack([np.zeros((1, xs.shape[1])), xs[:-1]]))
    a11 = np.sum(ones**2) + 1.0 / OFFSET_SPREAD**2
    a12 = -(ones @ xw)
    a22 = np.einsum("nc,nc->c", xw, xw) + 1.0 / GAIN_SPREAD**2
    mean = np.asarray(gains, dtype=np.float64)[:, None]
    b1 = float(ones @ ys) + capacity / OFFSET_SPREAD**2
    b2 = -(ys @ xw) + mean / GAIN_SPREAD**2  # (G, C)
    det = a11 * a22 - a12**2
    offset, gain = (a22 * b1 - a12 * b2) / det, (a11 * b2 - a12 * b1) / det
    total = float(ys @ ys) + capacity**2 / OFFSET_SPREAD**2 + mean**2 / GAIN_SPREAD**2
    likelihood = -0.5 * (total - b1 * offset - b2 * gain) - 0.5 * np.log(det)
    best = np.unravel_index(int(np.argmax(likelihood)), likelihood.shape)
    return likelihood, float(gain[best]), float(offset[best]), int(best[1])
