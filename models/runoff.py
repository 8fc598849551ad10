"""Rain that enters the soil and rain that runs off, by the curve number of turf.

Arrays are over zones and days. Source throughout: USDA NEH 630 chapters 9 and 10, TR-55 (1986); status memory.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models.soil import finite, not_negative

FloatArray = NDArray[np.float64]

# Curve number of grass in good condition (cover above 75 %) by hydrologic soil group [-]: TR-55 (1986) Table 2-2a,
# NEH 630 ch. 9; status memory.
GROUP_CURVE_NUMBER: Mapping[str, float] = MappingProxyType({"A": 39.0, "B": 61.0, "C": 74.0, "D": 80.0})
INITIAL_ABSTRACTION = 0.2  # Ia / S [-], NEH 630 ch. 10; status memory


def curve_number(group: Sequence[str]) -> FloatArray:
    """Curve number of turf by hydrologic soil group.

    Parameters
    ----------
    group : sequence of str, shape (Z,)          A, B, C or D.

    Returns
    -------
    ndarray, shape (Z,)                          CN [-] of grass in good condition. Source: TR-55 Table 2-2a; memory.

    Raises
    ------
    ValueError                                   A group that is none of the four.

    Examples
    --------
    >>> from models.textures import TEXTURES
    >>> curve_number([TEXTURES["loam"].hydrologic_group, TEXTURES["clay_loam"].hydrologic_group]).tolist()
    [61.0, 80.0]
    """
    unknown = [g for g in group if g not in GROUP_CURVE_NUMBER]
    if unknown:
        raise ValueError(f"group must be A, B, C or D; got {unknown[0]!r}")
    return np.array([GROUP_CURVE_NUMBER[g] for g in group], dtype=np.float64)


def effective_rain(rain: ArrayLike, curve_number: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Part of a day's rain that enters the soil, and the part that runs off, by the curve number of turf.

    Q = (P - 0.2 S)^2 / (P + 0.8 S) where P > 0.2 S, else 0; S = 25400 / CN - 254 [mm]; effective = P - Q.

    CN is that of average moisture before the storm; there is no carry-over from the days before. It follows from the
    soil's texture, not from how fast sprinklers may run: TR-55 groups soils, and a wet clay loam under turf sheds a
    third of 60 mm whatever its basic intake on a dry day. Small rain counts in full: FAO-56 lets a rain below 0.2 ETo
    be ignored, but then the season's account would not close.

    Parameters
    ----------
    rain : number, or array (Z,), (Z, N) or (1, N)       Daily rain P [mm/d]; a number or a row (1, N) is every zone's.
    curve_number : array, shape (Z,) or number           CN of the zone [-], above 0, to 100.

    Returns
    -------
    effective, runoff : ndarray                  (Z,) or (Z, N) [mm/d], both 0 or more, with effective + runoff = rain.
                                                 Source: USDA NEH 630 ch. 9-10, TR-55 (1986); status memory.

    Raises
    ------
    ValueError                                   Negative or unknown rain, a curve number outside 0 to 100, or a wrong
                                                 shape.

    Examples
    --------
    >>> effective, runoff = effective_rain(60.0, [80.0, 61.0])
    >>> runoff.round(1).tolist()
    [20.2, 4.0]
    """
    number, fall = finite("curve_number", curve_number), not_negative("rain", rain)
    if np.any(number <= 0) or np.any(number > 100):
        raise ValueError("curve_number must be above 0 and at most 100")
    if number.ndim > 1:
        raise ValueError(f"curve_number must have shape (Z,); got {number.shape}")
    storage = 25400.0 / number - 254.0
    if number.ndim:
        if fall.ndim > 2 or (
            fall.ndim and fall.shape[0] != number.size and not (fall.ndim == 2 and fall.shape[0] == 1)
        ):
            raise ValueError(
                f"rain must be one number or have shape (Z,), (Z, N) or (1, N), Z = {number.size}; got {fall.shape}"
            )
        storage = storage[:, None] if fall.ndim == 2 else storage
    above = np.maximum(fall - INITIAL_ABSTRACTION * storage, 0.0)
    runoff = np.minimum(above**2 / np.maximum(above + storage, 1e-12), fall)  # a quotient may round past the rain
    return np.asarray(fall - runoff), np.asarray(runoff)
