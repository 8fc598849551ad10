"""Textures: what soils of each hold, take and give, with where each number comes from.

A zone's file may say its own field capacity and wilting point; what it leaves out is its texture's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

PARTICLE_DENSITY = 2.65  # [g/cm3] of mineral soil; common practice, no source
WETTEST_PASTE = 2.0  # [m3/m3] no laboratory paste holds more over the volume its soil had in place (no source)


@dataclass(frozen=True)
class Texture:
    """Water a soil holds and takes.

    Ranges of saturation percentage in laboratory tables (memory): sand and loamy sand below 20, sandy loam 20-35, loam
    and silt loam 35-50, clay loam 50-65, clay 65-135 (of which the lower part: the upper is of swelling clays).

    Attributes
    ----------
    field_capacity, wilting_point : float        Water content [m3/m3].
    infiltration : float                         Basic infiltration on level ground [mm/h].
    conductivity : float                         Saturated hydraulic conductivity [mm/h]: what turf without cracks and
                                                 holes takes in after hours of water. Source: Rawls, Brakensiek &
                                                 Saxton 1982 (memory); silt as silt loam (no source), sand of greens the
                                                 least of USGA 2018 (memory).
    saturation : float                           Total porosity [m3/m3].
    saturation_percentage : float                Water of the laboratory's saturated paste [g per 100 g of soil].
    hydrologic_group : str                       A, B, C or D: how much of a heavy rain runs off.
    source : str                                 Where each number comes from and how sure it is.
    """

    field_capacity: float
    wilting_point: float
    infiltration: float
    conductivity: float
    saturation: float
    saturation_percentage: float
    hydrologic_group: str
    source: str

    @property
    def paste(self) -> float:
        """Water of the saturated paste over the soil's own volume [m3/m3]: SP / 100 times the bulk density.

        It is not the porosity: a paste is stirred soil, and one of clay holds more than the clay did in place.
        """
        return self.saturation_percentage / 100.0 * PARTICLE_DENSITY * (1.0 - self.saturation)


_TABLE_19 = "FC and WP midpoints of FAO-56 Table 19 (memory); "
_RAWLS = "FC at 33 kPa and WP at 1500 kPa, Rawls, Brakensiek & Saxton 1982 (memory); "
_POROSITY = "porosity Rawls, Brakensiek & Saxton 1982 (memory); "
_ANNEX_2 = "infiltration middle of FAO Irrigation Water Management training manual Annex 2 (secondary)"
_BETWEEN = "infiltration set between neighbours of that table (common practice, no source)"
_PASTE = "; paste: middle of the class's range in laboratory tables (memory); "
_GROUP = "group by texture, TR-55 App. A (secondary)"
_END = _PASTE + _GROUP

TEXTURES: Mapping[str, Texture] = MappingProxyType(
    {
        "sand": Texture(
            0.120, 0.045, 30.0, 210.0, 0.437, 16.0, "A",
            _TABLE_19 + _POROSITY + "infiltration 30: copies of Annex 2 disagree (below 30, above 20), not settled; "
            "paste twice FC by weight (Handbook 60, memory), and below the 20 % of laboratory tables; " + _GROUP,
        ),
        "loamy_sand": Texture(
            0.150, 0.065, 28.0, 61.1, 0.437, 19.0, "A", _TABLE_19 + _POROSITY + _BETWEEN + "; paste as sand; " + _GROUP
        ),
        "sandy_loam": Texture(0.230, 0.110, 25.0, 25.9, 0.453, 27.5, "A", _TABLE_19 + _POROSITY + _ANNEX_2 + _END),
        "loam": Texture(0.250, 0.120, 15.0, 13.2, 0.463, 42.5, "B", _TABLE_19 + _POROSITY + _ANNEX_2 + _END),
        "silt_loam": Texture(0.290, 0.150, 12.0, 6.8, 0.501, 42.5, "B", _TABLE_19 + _POROSITY + _BETWEEN + _END),
        "silt": Texture(
            0.320, 0.170, 10.0, 6.8, 0.501, 42.5, "B",
            _TABLE_19 + _BETWEEN + "; porosity, paste and group as silt loam (no source)",
        ),
        "sandy_clay_loam": Texture(0.255, 0.148, 10.0, 4.3, 0.398, 42.5, "C", _RAWLS + _POROSITY + _BETWEEN + _END),
        "clay_loam": Texture(0.318, 0.197, 7.5, 2.3, 0.464, 57.5, "D", _RAWLS + _POROSITY + _ANNEX_2 + _END),
        "silty_clay_loam": Texture(0.335, 0.205, 6.0, 1.5, 0.471, 57.5, "D", _TABLE_19 + _POROSITY + _BETWEEN + _END),
        "sandy_clay": Texture(0.339, 0.239, 5.0, 1.2, 0.430, 57.5, "D", _RAWLS + _POROSITY + _BETWEEN + _END),
        "silty_clay": Texture(0.360, 0.230, 4.0, 0.9, 0.479, 75.0, "D", _TABLE_19 + _POROSITY + _BETWEEN + _END),
        "clay": Texture(0.360, 0.220, 3.0, 0.6, 0.475, 75.0, "D", _TABLE_19 + _POROSITY + _ANNEX_2 + _END),
        "sand_rootzone": Texture(
            0.200, 0.045, 150.0, 150.0, 0.450, 21.0, "A",
            "FC middle of capillary porosity 15-25 %, porosity middle of 35-55 %, infiltration least Ksat 150 mm/h: "
            "USGA 2018 recommendations (memory); WP as sand (no source); paste just above the 20 % of "
            "laboratory tables for sand (memory), as it holds some peat (no source): its FC is perched, so twice FC by "
            "weight says nothing of it; group A by its infiltration",
        ),
    }
)  # fmt: skip

# Classes of FAO-56 Table 19 in order of what they hold; silty clay and clay, which hold the same, as their mean.
_CLASSES = [t for t in TEXTURES.values() if t.source.startswith(_TABLE_19)]
_HOLDS = np.unique([0.0, *(t.field_capacity for t in _CLASSES)])
_KEEPS = np.array([0.0, *(np.mean([t.wilting_point for t in _CLASSES if t.field_capacity == h]) for h in _HOLDS[1:])])


def wilting_point_along(field_capacity: ArrayLike) -> NDArray[np.float64]:
    """Wilting point of a soil between the textures that hold as much.

    A soil that holds more than its class at field capacity is finer and keeps more of it from turf: from sand to clay
    two thirds to all of what it holds more.

    Parameters
    ----------
    field_capacity : array                       [m3/m3], 0 or more; beyond clay all that is more is kept.

    Returns
    -------
    ndarray                                      [m3/m3]. Source: midpoints of FAO-56 Table 19 (memory), straight lines.

    Examples
    --------
    >>> wilting_point_along([0.15, 0.24, 0.40]).round(3).tolist()
    [0.065, 0.115, 0.265]
    """
    holds = np.asarray(field_capacity, dtype=np.float64)
    return np.asarray(np.interp(holds, _HOLDS, _KEEPS) + np.maximum(holds - _HOLDS[-1], 0.0))
