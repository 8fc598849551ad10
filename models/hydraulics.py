"""Sprinklers, pipes and pumps as arithmetic: application rate, uniformity, infiltration, pumping energy.

Functions take numbers or arrays over zones and return arrays. Where the trade has a rule but no document was read, it
is said so.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

WATER_DENSITY = 1000.0  # rho [kg/m3]
GRAVITY = 9.81  # g [m/s2]
JOULES_PER_KWH = 3.6e6  # [J/kWh]

# Share of the level-ground infiltration that a slope leaves; a slope belongs to the first row whose upper end it does
# not pass. Sprinkler handbooks print this as reductions of 0, 20, 40, 60 and 75 %. Status: memory (no document was
# read).
SLOPE_UPPER_END = np.array([5.0, 8.0, 12.0, 20.0])  # [%]
SLOPE_SHARE = np.array([1.00, 0.80, 0.60, 0.40, 0.25])  # [-]


def gross_rate(flow_lps: ArrayLike, area_m2: ArrayLike) -> FloatArray:
    """Depth of water a zone receives in an hour, rate = 3600 flow / area (1 L on 1 m2 is 1 mm).

    Parameters
    ----------
    flow_lps : array, shape (Z,)                 Flow of the zone [L/s], 0 or more.
    area_m2 : array, shape (Z,)                  Area of the zone [m2], above 0.

    Returns
    -------
    ndarray, shape (Z,)                          Gross application rate [mm/h]. Source: unit identity.

    Raises
    ------
    ValueError                                   A negative flow, an area of 0 or less, a NaN, or shapes that differ.

    Examples
    --------
    >>> round(float(gross_rate(5.0, 1200.0)), 3)
    15.0
    """
    flow, area = _numbers("flow_lps", flow_lps), _numbers("area_m2", area_m2)
    _same_shape("flow_lps", flow, "area_m2", area)
    if np.any(flow < 0):
        raise ValueError("flow_lps must not be negative")
    if np.any(area <= 0):
        raise ValueError("area_m2 must be above 0")
    return np.asarray(3600.0 * flow / area)


def distribution_uniformity(catches: ArrayLike) -> float:
    """Uniformity of the lowest quarter, DU_LQ = mean of the lowest quarter of the catches / mean of all.

    The quarter is n / 4 rounded to the nearest whole catch, halves up, at least one.

    Parameters
    ----------
    catches : array, shape (K,)                  Caught volumes or depths, any one unit, 0 or more; at least 4.

    Returns
    -------
    float                                        DU_LQ, 0 to 1 [-]. Source: UC Davis CCUH guide (24 or more catches, a
                                                 number
                                                 divisible by 4, are recommended there).

    Raises
    ------
    ValueError                                   Fewer than 4 catches, a negative one, a NaN, or all zero.

    Examples
    --------
    >>> distribution_uniformity([10.0, 20.0, 20.0, 30.0])
    0.5
    """
    depth = _numbers("catches", catches)
    if depth.ndim != 1 or depth.size < 4:
        raise ValueError(f"catches must be a row of at least 4; got shape {depth.shape}")
    if np.any(depth < 0) or not np.any(depth > 0):
        raise ValueError("catches must not be negative, nor all zero")
    quarter = max(1, int(np.floor(depth.size / 4.0 + 0.5)))
    return float(np.sort(depth)[:quarter].mean() / depth.mean())


def lower_quarter_factor(du_lq: ArrayLike) -> FloatArray:
    """Share of the gross depth that counts when the drier part of a zone is to be served, 0.4 + 0.6 DU_LQ.

    Its inverse is the run-time multiplier.

    Parameters
    ----------
    du_lq : array, any shape                     Distribution uniformity of the lowest quarter, above 0, to 1 [-].

    Returns
    -------
    ndarray, same shape                          Factor, above 0.4, to 1 [-]. Source: Irrigation Association; status
                                                 memory.

    Raises
    ------
    ValueError                                   du_lq is not above 0 and at most 1.

    Examples
    --------
    >>> round(1 / float(lower_quarter_factor(0.7)), 3)
    1.22
    """
    uniformity = _numbers("du_lq", du_lq)
    if np.any(uniformity <= 0) or np.any(uniformity > 1):
        raise ValueError("du_lq must be above 0 and at most 1")
    return np.asarray(0.4 + 0.6 * uniformity)


def infiltration_rate(texture_infiltration: ArrayLike, slope_percent: ArrayLike) -> FloatArray:
    """Rate at which a sloping surface takes water, the texture's rate times the share the slope leaves.

    Parameters
    ----------
    texture_infiltration : array, shape (Z,)     Basic infiltration on level ground [mm/h], above 0.
    slope_percent : array, shape (Z,)            Slope [%], 0 or more.

    Returns
    -------
    ndarray, shape (Z,)                          Infiltration [mm/h]. Source: sprinkler handbooks' steps, status memory.

    Raises
    ------
    ValueError                                   A rate of 0 or less, a negative slope, a NaN, or shapes that differ.

    Examples
    --------
    >>> infiltration_rate([25.0, 25.0], [2.0, 10.0]).tolist()
    [25.0, 15.0]
    """
    rate, slope = _numbers("texture_infiltration", texture_infiltration), _numbers("slope_percent", slope_percent)
    _same_shape("texture_infiltration", rate, "slope_percent", slope)
    if np.any(rate <= 0):
        raise ValueError("texture_infiltration must be above 0")
    if np.any(slope < 0):
        raise ValueError("slope_percent must not be negative")
    return np.asarray(rate * SLOPE_SHARE[np.searchsorted(SLOPE_UPPER_END, slope, side="left")])


def pump_energy(volume_m3: ArrayLike, head_m: ArrayLike, efficiency: ArrayLike) -> FloatArray:
    """Energy to lift water, E = rho g V H / (eta 3.6e6).

    Parameters
    ----------
    volume_m3 : array, any shape                 Volume pumped [m3], 0 or more.
    head_m : array, same shape or one number     Total head [m], 0 or more.
    efficiency : array, same shape or one number Wire to water, above 0, to 1 [-].

    Returns
    -------
    ndarray, same shape as volume_m3             Energy [kWh]. Source: rho g Q H / eta.

    Raises
    ------
    ValueError                                   A negative volume or head, an efficiency not above 0 and at most 1, or
                                                 shapes.

    Examples
    --------
    >>> round(float(pump_energy(1.0, 60.0, 0.65)), 4)
    0.2515
    """
    volume = _numbers("volume_m3", volume_m3)
    head, eta = _numbers("head_m", head_m), _numbers("efficiency", efficiency)
    for name, value in (("head_m", head), ("efficiency", eta)):
        if value.ndim:
            _same_shape("volume_m3", volume, name, value)
    if np.any(volume < 0) or np.any(head < 0):
        raise ValueError("volume_m3 and head_m must not be negative")
    if np.any(eta <= 0) or np.any(eta > 1):
        raise ValueError("efficiency must be above 0 and at most 1")
    return np.asarray(WATER_DENSITY * GRAVITY * volume * head / (eta * JOULES_PER_KWH))


def _numbers(name: str, value: ArrayLike) -> FloatArray:
    array = np.asarray(value, dtype=np.float64)
    if not np.all(np.isfinite(array)):
        raise ValueError(f"{name} must be finite numbers")
    return array


def _same_shape(name: str, array: FloatArray, other_name: str, other: FloatArray) -> None:
    if array.shape != other.shape:
        raise ValueError(f"{name} and {other_name} must have the same shape; got {array.shape} and {other.shape}")
