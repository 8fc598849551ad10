"""Water allowance of a landscape by reference ET, as public water-efficiency rules write it.

The rule counts in inches, square feet and gallons with a rounded coefficient. `et_allowance_m3` takes millimetres and
square metres and gives the very same allowance in cubic metres, so that no site gets another one because it writes in
other units.

Source throughout: municipal codes after California's model water efficient landscape ordinance (California Code of
Regulations, title 23, chapter 2.7, section 492.4): maximum applied water allowance
`ETo 0.62 (F LA + (1 - F) SLA)` [gal/yr], and `ETo - Eppt` in place of ETo where a code counts rain, with Eppt a quarter
of the year's rain.
"""

from __future__ import annotations

from collections.abc import Mapping

RULE_COEFFICIENT = 0.62  # gal per ft2 and inch, rounded as the rules print it; exact is 144 / 231 = 0.62338
MM_PER_INCH = 25.4  # by definition
M2_PER_FT2 = 0.09290304  # by definition
M3_PER_GAL = 0.003785411784  # US gallon, by definition
ADJUSTMENT_FACTOR = 0.45  # -, other than residential, the same codes; 0.55 residential, 0.7 before 2015
SPECIAL_FACTOR = 1.0  # -, special area (recreation, edible plants, recycled water): F + (1 - F), the same codes


def counted_et(eto: float, rain: float = 0.0, rain_share: float = 0.0) -> float:
    """ETo less the share of rain a rule counts, not below 0; both in the same unit of depth.

    ETo - Eppt, Eppt = share x rain. Source: a city code that allows it in tracking use (share 0.25).

    Raises
    ------
    ValueError     A depth below 0, or a share outside of 0 to 1.
    """
    if not eto >= 0 or not rain >= 0:
        raise ValueError(f"eto, rain: {eto}, {rain}; 0 or more is allowed")
    if not 0 <= rain_share <= 1:
        raise ValueError(f"rain_share: {rain_share}; 0 to 1 is allowed")
    return max(eto - rain_share * rain, 0.0)


def weighted_area(area: Mapping[str, float], factor: Mapping[str, float]) -> float:
    """Area times adjustment factor, summed over classes, in the unit of the areas.

    With a class of factor F and one of factor 1 it is the rule's `F LA + (1 - F) SLA`, where LA holds SLA.

    Parameters
    ----------
    area, factor : mapping from class to area [any], adjustment factor [-]; every class of `area` needs a factor.

    Raises
    ------
    ValueError     A class without a factor, an area or a factor below 0.
    """
    missing = sorted(set(area) - set(factor))
    if missing:
        raise ValueError(f"factor: none for {', '.join(missing)}")
    if any(not a >= 0 for a in area.values()) or any(not factor[name] >= 0 for name in area):
        raise ValueError("area, factor: 0 or more is allowed")
    return sum(factor[name] * area[name] for name in area)


def et_allowance_m3(counted_et_mm: float, weighted_area_m2: float) -> float:
    """Allowance in SI units [m3]: 0.62 gal per ft2 and inch, as the rule prints it, converted exactly.

    Parameters
    ----------
    counted_et_mm : float       ETo less counted rain, of `counted_et` [mm].
    weighted_area_m2 : float    Area times adjustment factor, of `weighted_area` [m2].

    Raises
    ------
    ValueError     Either is below 0.

    Examples
    --------
    >>> round(et_allowance_m3(51.1 * MM_PER_INCH, 0.7 * 50_000 * M2_PER_FT2) / M3_PER_GAL)
    1108870
    """
    if not counted_et_mm >= 0 or not weighted_area_m2 >= 0:
        raise ValueError("counted_et_mm, weighted_area_m2: 0 or more is allowed")
    gallons = counted_et_mm / MM_PER_INCH * RULE_COEFFICIENT * (weighted_area_m2 / M2_PER_FT2)
    return gallons * M3_PER_GAL
