"""Sprinklers, pipes and pumps as arithmetic: application rate, uniformity, infiltration, friction, pumping energy.

Functions take numbers or arrays over zones and return arrays. Where the trade has a rule but no document was read, it
is said so.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

WATER_DENSITY = 1000.0  # rho [kg/m3]
GRAVITY = 9.81  # g [m/s2]
JOULES_PER_KWH = 3.6e6  # [J/kWh]
M3_OF_LPS_MINUTE = 0.06  # [m3] one L/s for one minute

# Hazen-Williams in SI, hf = 10.67 L Q^1.852 / (C^1.852 d^4.8704) with Q in m3/s, L, d and hf in m. Status: memory; it
# agrees to 1 % with the forms for US units (see tests/published/test_hydraulics.py).
HAZEN_WILLIAMS_SI = 10.67  # [s^1.852 m^-0.686]
FLOW_EXPONENT = 1.852  # [-]
DIAMETER_EXPONENT = 4.8704  # [-]

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


def served_share(du_lq: ArrayLike, of_quarter: ArrayLike = False) -> FloatArray:
    """Share of the mean depth that reaches the part of a zone it is watered for; its inverse multiplies run time.

    That part is the lower half of the catches, DU_LH = 0.386 + 0.614 DU_LQ, which the trade rounds to 0.4 + 0.6 DU_LQ
    (the form used here); or the lower quarter, DU_LQ itself, where no spot may go short: it takes more water, up to a
    half more where DU_LQ is 0.5. For a normal catch DU_LH = 0.372 + 0.628 DU_LQ, within 0.03 of it.

    Parameters
    ----------
    du_lq : array, any shape                     Distribution uniformity of the lowest quarter, above 0, to 1 [-].
    of_quarter : array of bool, same shape, or one    True = the lower quarter, False = the lower half.

    Returns
    -------
    ndarray, same shape                          Net depth over mean depth, above 0, to 1 [-]. Source: Irrigation
                                                 Association, run-time multiplier by DU_LH; status memory.

    Raises
    ------
    ValueError                                   du_lq is not above 0 and at most 1.

    Examples
    --------
    >>> (1 / served_share([0.7, 0.7], [False, True])).round(3).tolist()
    [1.22, 1.429]
    """
    uniformity = _numbers("du_lq", du_lq)
    if np.any(uniformity <= 0) or np.any(uniformity > 1):
        raise ValueError("du_lq must be above 0 and at most 1")
    return np.asarray(np.where(np.asarray(of_quarter, dtype=bool), uniformity, 0.4 + 0.6 * uniformity))


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
                                                 shapes that differ.

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


def pipe_resistance(length_m: ArrayLike, diameter_m: ArrayLike, roughness: ArrayLike) -> FloatArray:
    """Head a pipe takes per (L/s)^1.852, R = 10.67 L / (1000^1.852 C^1.852 d^4.8704); see `friction_head`.

    Parameters
    ----------
    length_m : array, any shape          Length of the pipe [m], 0 or more.
    diameter_m : array, same shape       Inside diameter [m], above 0.
    roughness : array, same shape        Hazen-Williams coefficient C [-], above 0: about 150 for smooth plastic, 100
                                         for old iron (common practice, no source).

    Returns
    -------
    ndarray, same shape                  R [m / (L/s)^1.852]. Source: Hazen-Williams, status memory.

    Raises
    ------
    ValueError                           A negative length, a diameter or coefficient of 0 or less, a NaN, or
                                         shapes that differ.

    Examples
    --------
    >>> round(float(friction_head(20.0, pipe_resistance(620.0, 0.1542, 140.0))), 2)
    4.51
    """
    length, diameter = _numbers("length_m", length_m), _numbers("diameter_m", diameter_m)
    coefficient = _numbers("roughness", roughness)
    _same_shape("length_m", length, "diameter_m", diameter)
    _same_shape("length_m", length, "roughness", coefficient)
    if np.any(length < 0):
        raise ValueError("length_m must not be negative")
    if np.any(diameter <= 0) or np.any(coefficient <= 0):
        raise ValueError("diameter_m and roughness must be above 0")
    per_m3s = HAZEN_WILLIAMS_SI * length / (coefficient**FLOW_EXPONENT * diameter**DIAMETER_EXPONENT)
    return np.asarray(per_m3s / 1000.0**FLOW_EXPONENT)


def friction_head(flow_lps: ArrayLike, resistance: ArrayLike) -> FloatArray:
    """Head lost to friction, hf = R Q^1.852.

    Parameters
    ----------
    flow_lps : array, any shape                   Flow through the pipe [L/s], 0 or more.
    resistance : array, same shape or one number  R [m / (L/s)^1.852], 0 or more; from `pipe_resistance`, or
                                                  hf / Q^1.852 of one known pair.

    Returns
    -------
    ndarray, same shape                           hf [m]. Source: Hazen-Williams, status memory.

    Raises
    ------
    ValueError                                    A negative flow or resistance, a NaN, or shapes that differ.
    """
    flow, per_flow = _numbers("flow_lps", flow_lps), _numbers("resistance", resistance)
    if per_flow.ndim:
        _same_shape("flow_lps", flow, "resistance", per_flow)
    if np.any(flow < 0) or np.any(per_flow < 0):
        raise ValueError("flow_lps and resistance must not be negative")
    return np.asarray(per_flow * flow**FLOW_EXPONENT)


@dataclass(frozen=True)
class PumpCurve:
    """What a pump station gives over its flow: straight lines between the points, level beyond the ends.

    Straight lines between the points of a maker's curve, for head and for efficiency, are common practice (network
    solvers join the points of a curve of more than three points the same way).

    A station that holds a pressure (variable speed) gives `held` and what friction takes on the way, as far as its
    curve allows, at the efficiency of the curve at that flow; without `held` it runs at full speed and gives the head
    of its curve at every flow, whatever friction leaves of it.

    Attributes
    ----------
    flow : ndarray, shape (n,)         Flows [L/s], rising, 0 or more; one point = the same at every flow.
    head : ndarray, shape (n,)         Head at full speed [m], falling or level; inf = as much as is asked.
    efficiency : ndarray, shape (n,)   Wire to water [-], above 0 to 1; 0 is allowed without flow only.
    held : float                       Head the station holds at its outlet before friction [m], inf = full speed.
    """

    flow: FloatArray
    head: FloatArray
    efficiency: FloatArray
    held: float = np.inf

    def __post_init__(self) -> None:
        """Check the points once."""
        if not self.flow.shape == self.head.shape == self.efficiency.shape or self.flow.ndim != 1 or not self.flow.size:
            raise ValueError("flow, head, efficiency: expected one shape (n,) with n >= 1")
        if not np.all(self.flow >= 0) or not np.all(np.diff(self.flow) > 0):
            raise ValueError("flow: must rise from point to point, from 0 or more")
        if not np.all(self.head >= 0) or (np.isfinite(self.head).all() and not np.all(np.diff(self.head) <= 0)):
            raise ValueError("head: must be 0 or more and not rise")
        needed = self.flow > 0 if self.flow.size > 1 else np.ones(1, dtype=bool)
        if not np.all((self.efficiency > 0) | ~needed) or not np.all((self.efficiency >= 0) & (self.efficiency <= 1)):
            raise ValueError("efficiency: must lie in 0 to 1, above 0 where water flows")
        if not self.held > 0 or (np.isinf(self.held) and np.isinf(self.head).any()):
            raise ValueError("held: must be above 0, and finite where the curve is not")

    def head_given(self, flow: FloatArray, friction: FloatArray | float = 0.0) -> FloatArray:
        """Head at the outlet [m] at flows [L/s], with the head friction takes [m] on the way to the zones."""
        most = np.interp(flow, self.flow, self.head)
        return np.asarray(np.minimum(self.held + np.asarray(friction), most))

    def head_missing(self, flow: FloatArray, friction: FloatArray | float = 0.0) -> FloatArray:
        """By how much the head at the outlet stays below what it should hold [m]; 0 for a station at full speed."""
        if np.isinf(self.held):
            return np.zeros(np.shape(flow))
        return np.asarray(self.held + np.asarray(friction) - self.head_given(flow, friction))

    def power(self, flow: FloatArray, friction: FloatArray | float = 0.0) -> FloatArray:
        """Power drawn, P = rho g Q H / eta [kW], at flows [L/s]; 0 without flow."""
        efficiency = np.interp(flow, self.flow, self.efficiency)
        on = np.asarray(flow) > 0
        watt = WATER_DENSITY * GRAVITY * np.asarray(flow) / 1000.0 * self.head_given(flow, friction)
        return np.where(on, watt / np.where(on, efficiency, 1.0), 0.0) / 1000.0


def _numbers(name: str, value: ArrayLike) -> FloatArray:
    array = np.asarray(value, dtype=np.float64)
    if not np.all(np.isfinite(array)):
        raise ValueError(f"{name} must be finite numbers")
    return array


def _same_shape(name: str, array: FloatArray, other_name: str, other: FloatArray) -> None:
    if array.shape != other.shape:
        raise ValueError(f"{name} and {other_name} must have the same shape; got {array.shape} and {other.shape}")
