"""Soils, profiles and turf of the finer physics, and which of them serve for tuning and which for the figures reported.

Parameters by texture: Carsel & Parrish (1988), Water Resources Research 24, 755-769 (status secondary: the table of the
PyPI package `pedon`, samples of source HYDRUS). Mat of thatch and sand: Staring series 2018, B15 "venig zand" (the same
package). Sand of greens is set so that the USGA limits hold (total porosity 35 to 55 %, capillary 15 to 25 % at 30 cm
of suction, Ksat 150 mm/h at least; status memory), which test_soils.py checks; there is no one published curve of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.physics.flow import (
    ALPHA,
    FREE,
    KIND,
    KS,
    POWER,
    RESIDUAL,
    SATURATED,
    SEEPAGE,
    SHAPE,
    STILL,
    STORE,
    VAN_GENUCHTEN,
)

SOLID = 2.65  # g/cm3 of mineral grains


@dataclass(frozen=True)
class Soil:
    """One material: van Genuchten-Mualem, still water, and what a laboratory's paste of it holds."""

    residual: float  # m3/m3
    saturated: float  # m3/m3
    alpha: float  # 1/cm
    n: float
    ks: float  # cm/d
    paste: float  # saturation percentage [g water per 100 g soil]
    l: float = 0.5  # noqa: E741 - the name in the literature
    density: float | None = None  # g/cm3; of mineral grains and pores if left out

    @property
    def paste_water(self) -> float:
        """Water of the paste by volume of soil in place [m3/m3]."""
        density = SOLID * (1.0 - self.saturated) if self.density is None else self.density
        return density * self.paste / 100.0

    @property
    def row(self) -> np.ndarray:
        """The row `flow.py` reads; still water is nine tenths of the residual, which roots never reach (our choice)."""
        row = np.zeros(9)
        row[KIND], row[RESIDUAL], row[SATURATED] = VAN_GENUCHTEN, self.residual, self.saturated
        row[ALPHA], row[SHAPE], row[KS], row[POWER] = self.alpha, self.n, self.ks, self.l
        row[STILL], row[STORE] = 0.9 * self.residual, 1e-5
        return row


# paste: middles of the ranges of common laboratory tables, sand at the upper end of "below 20" (status memory)
SOILS = {
    "sand": Soil(0.045, 0.43, 0.145, 2.68, 712.8, 19.0),
    "loamy_sand": Soil(0.057, 0.41, 0.124, 2.28, 350.2, 19.0),
    "sandy_loam": Soil(0.065, 0.41, 0.075, 1.89, 106.1, 27.5),
    "loam": Soil(0.078, 0.43, 0.036, 1.56, 24.96, 42.5),
    "silt_loam": Soil(0.067, 0.45, 0.020, 1.41, 10.80, 42.5),
    "sandy_clay_loam": Soil(0.100, 0.39, 0.059, 1.48, 31.44, 42.5),
    "clay_loam": Soil(0.095, 0.41, 0.019, 1.31, 6.24, 57.5),
    "green_sand": Soil(0.040, 0.40, 0.055, 2.50, 600.0, 19.0),
    "fine_green_sand": Soil(0.045, 0.42, 0.048, 2.30, 480.0, 19.5),
    "mat": Soil(0.010, 0.528, 0.0237, 1.28, 87.45, 60.0, -1.478, 1.10),
}


@dataclass(frozen=True)
class Profile:
    """Layers from the top [cm, soil], and what lies below them."""

    layers: tuple[tuple[float, str], ...]
    below: int = FREE  # SEEPAGE: gravel, so that water perches above it
    told: str = "loam"  # what a site file says of it

    @property
    def depth(self) -> float:
        """Depth of all layers [cm]."""
        return sum(thick for thick, _ in self.layers)


def _uniform(soil: str, told: str | None = None) -> Profile:
    return Profile(((80.0, soil),), told=told or soil)


PROFILES = {
    "green": Profile(((30.0, "green_sand"),), SEEPAGE, "sand_rootzone"),
    "fine green": Profile(((30.0, "fine_green_sand"),), SEEPAGE, "sand_rootzone"),
    "green with mat": Profile(((2.0, "mat"), (28.0, "green_sand")), SEEPAGE, "sand_rootzone"),
    "shallow green": Profile(((26.0, "fine_green_sand"),), SEEPAGE, "sand_rootzone"),
    "sand over loam": Profile(((20.0, "loamy_sand"), (60.0, "loam")), told="loamy_sand"),
    "mat over sand": Profile(((2.5, "mat"), (77.5, "loamy_sand")), told="loamy_sand"),
    "mat over sandy loam": Profile(((2.0, "mat"), (78.0, "sandy_loam")), told="sandy_loam"),
    "sandy cap over clay loam": Profile(((15.0, "loamy_sand"), (65.0, "clay_loam")), told="sandy_loam"),
    "loamy sand": _uniform("loamy_sand"),
    "sandy loam": _uniform("sandy_loam"),
    "loam": _uniform("loam"),
    "silt loam": _uniform("silt_loam"),
    "loam told as sandy loam": _uniform("loam", "sandy_loam"),
    "sandy loam told as loam": _uniform("sandy_loam", "loam"),
    "sandy clay loam": _uniform("sandy_clay_loam"),
    "clay loam": _uniform("clay_loam"),
}


@dataclass(frozen=True)
class Family:
    """Profiles by surface and the seeds that go with them."""

    profiles: dict[str, tuple[str, ...]]
    seeds: tuple[int, ...]


# The one place that says what is tuned on and what figures are reported from. Nobody looks at "held out" while tuning.
FAMILIES = {
    "tuning": Family(
        {
            "green": ("green",),
            "tee": ("sandy loam", "mat over sand"),
            "approach": ("sand over loam", "loamy sand"),
            "fairway": ("loam", "sandy loam told as loam"),
            "rough": ("loam", "silt loam"),
        },
        (11, 12, 13, 14),
    ),
    "held out": Family(
        {
            "green": ("fine green", "green with mat", "shallow green"),
            "tee": ("mat over sandy loam", "loamy sand"),
            "approach": ("sandy cap over clay loam", "mat over sand"),
            "fairway": ("sandy clay loam", "silt loam", "loam told as sandy loam"),
            "rough": ("clay loam", "sandy loam"),
        },
        (101, 102, 103, 104, 105, 106),
    ),
}
# Feddes' suctions of turf [cm]: wet 10, moist 25, dry 240 (high demand) to 360, none 8,000 (status memory: the tables
# that come with Richards solvers); osmotic half at ECs of pore water by turf; power 3 (van Genuchten & Hoffman 1984);
# made up for until the mean ease is 0.7 (Jarvis 1989 found 0.5 to 0.9).
TURF_SUCTION = (10.0, 25.0, 240.0, 360.0, 8000.0)
STEEPNESS, COMPENSATION = 3.0, 0.7


def turf_roots(half_ec: float) -> np.ndarray:
    """The root row of `flow.py` for turf that takes half its water at a pore-water EC [dS/m]."""
    return np.array([*TURF_SUCTION, 367.0 * half_ec, STEEPNESS, COMPENSATION])
