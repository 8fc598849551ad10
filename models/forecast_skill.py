"""How good forecasts have been, by lead day: what was said against what came.

Arrays over past statements (S,), one for each forecast and date. Lead is the number of days between the day of issue
and the date spoken of.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
WET = 1.0  # [mm] from which a day counts as one with rain; WMO's measurable rain is 0.1 to 1 mm


@dataclass(frozen=True)
class LeadSkill:
    """Skill at one lead; NaN where too little is known.

    Parameters
    ----------
    lead : int              [d].
    days : int              Statements that could be held against what came.
    eto_bias : float        Mean of forecast less observed reference ET [mm/d].
    eto_error : float       Mean absolute difference of the two [mm/d].
    rain_bias : float       Mean of expected less observed rain [mm/d]; expected is amount times probability.
    rain_error : float      Mean absolute difference of the two [mm/d].
    brier : float           Mean squared difference between the probability of rain and whether it came [-], 0 is best.
                            Source: Brier (1950), Monthly Weather Review 78, 1-3 (from memory), in its two-class form.
    climate_brier : float   The same for the share of wet days as constant probability [-].
    """

    lead: int
    days: int
    eto_bias: float
    eto_error: float
    rain_bias: float
    rain_error: float
    brier: float
    climate_brier: float


def skill_by_lead(
    lead: Ints, eto: Floats, rain: Floats, probability: Floats, eto_came: Floats, rain_came: Floats
) -> tuple[LeadSkill, ...]:
    """Work out skill at each lead day.

    Parameters
    ----------
    lead : ndarray (S,)                 [d], 1 or more counts.
    eto, rain, probability : ndarray (S,)   As said [mm/d, mm/d, -]; NaN where not said.
    eto_came, rain_came : ndarray (S,)      As observed [mm/d]; NaN where not known.

    Returns
    -------
    tuple of LeadSkill   By rising lead.

    Raises
    ------
    ValueError   Shapes differ.

    Examples
    --------
    >>> one = np.ones(2)
    >>> found = skill_by_lead(np.array([1, 1]), 5 * one, 4 * one, 0.5 * one, 4 * one, np.array([0.0, 6.0]))
    >>> found[0].eto_bias, found[0].rain_error, found[0].brier
    (1.0, 3.0, 0.25)
    """
    arrays = (lead, eto, rain, probability, eto_came, rain_came)
    if len({np.shape(a) for a in arrays}) > 1:
        raise ValueError("lead, eto, rain, probability, eto_came and rain_came differ in shape")
    expected = rain * np.where(np.isnan(probability), 1.0, probability)
    wet = np.where(np.isnan(rain_came), np.nan, (rain_came >= WET).astype(float))
    share = _mean(wet)
    found = []
    for days in np.unique(lead[lead >= 1]).tolist():
        own = lead == days
        held = own & (np.isfinite(eto) & np.isfinite(eto_came) | np.isfinite(expected) & np.isfinite(rain_came))
        if not held.any():
            continue
        found.append(
            LeadSkill(
                int(days),
                int(held.sum()),
                _mean((eto - eto_came)[own]),
                _mean(np.abs(eto - eto_came)[own]),
                _mean((expected - rain_came)[own]),
                _mean(np.abs(expected - rain_came)[own]),
                _mean(((probability - wet) ** 2)[own]),
                _mean(np.where(np.isfinite(probability), (share - wet) ** 2, np.nan)[own]),
            )
        )
    return tuple(found)


def _mean(values: Floats) -> float:
    """Mean of what is known, NaN where nothing is."""
    known = values[np.isfinite(values)]
    return float(known.mean()) if known.size else float("nan")
