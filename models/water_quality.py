"""What the irrigation water may do to soil and turf, from its analysis: advice only, nothing here changes a run time.

Salt, sodium against calcium and magnesium (SAR), bicarbonate left over (residual sodium carbonate), and what sprinkling
leaves on leaves. Ion concentrations are in me/L (milliequivalents per litre), EC in dS/m.

Sources, all memory: Ayers & Westcot (1985), FAO Irrigation and Drainage Paper 29 rev. 1 (FAO-29), Table 1; Eaton (1950)
and Wilcox (1955) for residual sodium carbonate. FAO-29 wants SAR adjusted for lime where bicarbonate is high; that
needs its Table 11, which is not held here, so SAR as analysed is used and the advice says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

GRADES = ("none", "slight to moderate", "severe")

# FAO-29 Table 1, infiltration: SAR from, SAR to [-]; no restriction above, severe below this ECw [dS/m].
INFILTRATION_TABLE = (
    (0.0, 3.0, 0.7, 0.2),
    (3.0, 6.0, 1.2, 0.3),
    (6.0, 12.0, 1.9, 0.5),
    (12.0, 20.0, 2.9, 1.3),
    (20.0, 40.0, 5.0, 2.9),
)
SALINITY_LIMITS = (0.7, 3.0)  # ECw [dS/m], FAO-29 Table 1, crop water availability
BICARBONATE_LIMITS = (1.5, 8.5)  # HCO3 [me/L], FAO-29 Table 1, overhead sprinkling
SPRINKLED_SODIUM_LIMIT = 3.0  # Na [me/L], FAO-29 Table 1, sprinkling: none below, slight to moderate above
SPRINKLED_CHLORIDE_LIMIT = 3.0  # Cl [me/L], the same
RESIDUAL_CARBONATE_LIMITS = (1.25, 2.5)  # RSC [me/L], Eaton (1950), Wilcox (1955)


@dataclass(frozen=True)
class WaterAnalysis:
    """A source's water: EC [dS/m] and whatever else is known, NaN where it is not.

    Attributes
    ----------
    ec : float
        ECw [dS/m].
    sar : float
        Sodium adsorption ratio [(me/L)^0.5]; worked out from the ions when NaN and they are given.
    sodium, calcium, magnesium, bicarbonate, carbonate, chloride : float
        [me/L].
    """

    ec: float
    sar: float = math.nan
    sodium: float = math.nan
    calcium: float = math.nan
    magnesium: float = math.nan
    bicarbonate: float = math.nan
    carbonate: float = math.nan
    chloride: float = math.nan

    def __post_init__(self) -> None:
        """Refuse negative values; NaN stands for not known, except that EC must be given."""
        if not self.ec >= 0.0:
            raise ValueError("ec: must be 0 dS/m or more")
        for name in ("sar", "sodium", "calcium", "magnesium", "bicarbonate", "carbonate", "chloride"):
            if getattr(self, name) < 0.0:
                raise ValueError(f"{name}: must be 0 or more")


@dataclass(frozen=True)
class WaterAdvice:
    """One finding about a source: what it is about, its grade (one of `GRADES`), and what to do in plain words."""

    subject: str
    grade: str
    text: str
    source: str


def sodium_adsorption_ratio(sodium: float, calcium: float, magnesium: float) -> float:
    """Find SAR = Na / sqrt((Ca + Mg) / 2), ions in [me/L].

    Raises
    ------
    ValueError
        A negative ion, or no calcium and magnesium at all.

    Source: FAO-29 ch. 3; Handbook 60.

    Examples
    --------
    >>> sodium_adsorption_ratio(8.0, 4.0, 4.0)
    4.0
    """
    if not (sodium >= 0.0 and calcium >= 0.0 and magnesium >= 0.0 and calcium + magnesium > 0.0):
        raise ValueError("sodium, calcium, magnesium: must be 0 me/L or more, with some calcium or magnesium")
    return sodium / math.sqrt((calcium + magnesium) / 2.0)


def infiltration_grade(sar: float, ec: float) -> str:
    """Grade the risk that water slows its own infiltration, by SAR and ECw together (FAO-29 Table 1).

    The same SAR harms more in purer water. A SAR on a class limit falls in the higher class; above 40 the table ends
    and the grade is severe.

    Parameters
    ----------
    sar, ec : float
        SAR [(me/L)^0.5] and ECw [dS/m], 0 or more.

    Returns
    -------
    str
        One of `GRADES`.

    Raises
    ------
    ValueError
        A negative or missing value.
    """
    if not (sar >= 0.0 and ec >= 0.0):
        raise ValueError("sar, ec: must be 0 or more")
    for low, high, harmless_above, severe_below in INFILTRATION_TABLE:
        if low <= sar < high or (sar == high == INFILTRATION_TABLE[-1][1]):
            if ec > harmless_above:
                return GRADES[0]
            return GRADES[2] if ec < severe_below else GRADES[1]
    return GRADES[2]


def salinity_grade(ec: float) -> str:
    """Grade ECw [dS/m] for the water plants can take up: none below 0.7, severe above 3.0 (FAO-29 Table 1)."""
    if not ec >= 0.0:
        raise ValueError("ec: must be 0 dS/m or more")
    return _between(ec, SALINITY_LIMITS)


def residual_sodium_carbonate(bicarbonate: float, carbonate: float, calcium: float, magnesium: float) -> float:
    """Find RSC = (CO3 + HCO3) - (Ca + Mg) [me/L]; below 0 calcium and magnesium outweigh. Source: Eaton (1950)."""
    if not min(bicarbonate, carbonate, calcium, magnesium) >= 0.0:
        raise ValueError("bicarbonate, carbonate, calcium, magnesium: must be 0 me/L or more")
    return (carbonate + bicarbonate) - (calcium + magnesium)


def residual_carbonate_grade(rsc: float) -> str:
    """Grade RSC [me/L]: none below 1.25, severe (unsuitable) above 2.5 (Wilcox 1955)."""
    if math.isnan(rsc):
        raise ValueError("rsc: not a number")
    return _between(rsc, RESIDUAL_CARBONATE_LIMITS)


def water_advice(analysis: WaterAnalysis) -> tuple[WaterAdvice, ...]:
    """Say in plain words what a source's analysis means.

    Parameters
    ----------
    analysis : WaterAnalysis
        What is known of the water.

    Returns
    -------
    tuple of WaterAdvice
        Salinity always; infiltration, residual carbonate, bicarbonate, sodium and chloride on leaves where the analysis
        allows them. Findings of grade `none` are included, so that a reader sees what was looked at.
    """
    found = [_salinity(analysis.ec)]
    sar = _sar_of(analysis)
    if not math.isnan(sar):
        found.append(_infiltration(sar, analysis.ec))
    carbonate = 0.0 if math.isnan(analysis.carbonate) else analysis.carbonate
    if not any(math.isnan(ion) for ion in (analysis.bicarbonate, analysis.calcium, analysis.magnesium)):
        found.append(
            _residual(
                residual_sodium_carbonate(analysis.bicarbonate, carbonate, analysis.calcium, analysis.magnesium),
                math.isnan(analysis.carbonate),
            )
        )
    if not math.isnan(analysis.bicarbonate):
        found.append(_bicarbonate(analysis.bicarbonate))
    for ion, name, limit in (
        (analysis.sodium, "sodium", SPRINKLED_SODIUM_LIMIT),
        (analysis.chloride, "chloride", SPRINKLED_CHLORIDE_LIMIT),
    ):
        if not math.isnan(ion):
            found.append(_on_leaves(ion, name, limit))
    return tuple(found)


def _sar_of(analysis: WaterAnalysis) -> float:
    """Give the SAR analysed, else from the ions, else NaN."""
    if not math.isnan(analysis.sar):
        return analysis.sar
    ions = (analysis.sodium, analysis.calcium, analysis.magnesium)
    if any(math.isnan(ion) for ion in ions) or analysis.calcium + analysis.magnesium <= 0.0:
        return math.nan
    return sodium_adsorption_ratio(*ions)


def _between(value: float, limits: tuple[float, float]) -> str:
    """Grade a value that harms as it grows: none below the first limit, severe above the second."""
    if value < limits[0]:
        return GRADES[0]
    return GRADES[2] if value > limits[1] else GRADES[1]


def _salinity(ec: float) -> WaterAdvice:
    grade = salinity_grade(ec)
    what = {
        GRADES[0]: "salt in this water is no concern in itself.",
        GRADES[1]: "salt builds up unless some water drains below the roots; watch ECe and leach before the limit.",
        GRADES[
            2
        ]: "only salt-tolerant turf with good drainage and regular leaching bears it; blend it if that is possible.",
    }[grade]
    return WaterAdvice("salinity", grade, f"ECw {ec:.2f} dS/m: {what}", "FAO-29 Table 1")


def _infiltration(sar: float, ec: float) -> WaterAdvice:
    grade = infiltration_grade(sar, ec)
    what = {
        GRADES[0]: "no slowing of infiltration is expected.",
        GRADES[1]: "the surface may seal and take water slowly; watch for puddles, shorten cycles, consider gypsum.",
        GRADES[
            2
        ]: "expect the surface to seal; ask a soil laboratory about gypsum or acid before relying on this water.",
    }[grade]
    beyond = " SAR is beyond the table, which ends at 40." if sar > INFILTRATION_TABLE[-1][1] else ""
    text = f"SAR {sar:.1f} with ECw {ec:.2f} dS/m: {what}{beyond} SAR is as analysed, not adjusted for lime."
    return WaterAdvice("infiltration", grade, text, "FAO-29 Table 1")


def _residual(rsc: float, no_carbonate: bool) -> WaterAdvice:
    grade = residual_carbonate_grade(rsc)
    what = {
        GRADES[0]: "calcium stays in solution.",
        GRADES[1]: "some calcium falls out as lime and sodium gains; have the soil's sodium checked each season.",
        GRADES[2]: "calcium falls out as lime and sodium takes its place; acid or gypsum is usually needed.",
    }[grade]
    counted = " Carbonate was not given and counts as 0." if no_carbonate else ""
    text = f"Residual sodium carbonate {rsc:.2f} me/L: {what}{counted}"
    return WaterAdvice("residual sodium carbonate", grade, text, "Wilcox 1955")


def _bicarbonate(bicarbonate: float) -> WaterAdvice:
    grade = _between(bicarbonate, BICARBONATE_LIMITS)
    what = {
        GRADES[0]: "no white deposits are expected.",
        GRADES[1]: "sprinkling may leave some white deposit on leaves and nozzles.",
        GRADES[2]: "sprinkling leaves white deposits on leaves and scale in nozzles; check them often.",
    }[grade]
    return WaterAdvice("bicarbonate", grade, f"Bicarbonate {bicarbonate:.1f} me/L: {what}", "FAO-29 Table 1")


def _on_leaves(ion: float, name: str, limit: float) -> WaterAdvice:
    grade = GRADES[0] if ion < limit else GRADES[1]
    what = {
        GRADES[0]: "leaves are not at risk from sprinkling.",
        GRADES[1]: "leaves of trees and shrubs in reach may burn; water at night and keep the spray off them.",
    }[grade]
    return WaterAdvice(f"{name} on leaves", grade, f"{name.capitalize()} {ion:.1f} me/L: {what}", "FAO-29 Table 1")
