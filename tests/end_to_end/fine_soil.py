"""A finer soil for the tests: sixteen layers of 2 cm in steps of ten minutes, written apart from the project's own.

Water enters the top layer, and what a layer holds above field capacity drains from it by gravity, K = Ks S^3 with S its
share of the pores between field capacity and saturation; nothing rises. Each layer is stirred. Roots take water by a
pattern of 40-30-20-10 % by quarters of their depth, less where a layer dries, more from the others instead. Salt moves
with water and nothing else. Salinity is EC of the paste: salt over the water at saturation. Units: mm, dS/m, h.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

LAYER = 20.0  # mm
BELOW = 6  # layers below the roots
STEP = 10  # min
STEPS = 24 * 60 // STEP
KS = 150.0  # mm/h of a sand root zone; common practice, no source
FULL_UPTAKE = 0.5  # of the water between field capacity and wilting point, above which roots take all they want [-]
MOST_DRAINED = 0.8  # of what is above field capacity in one step, so that a step stays stable [-]
DAYLIGHT = np.maximum(np.sin(np.pi * (np.arange(STEPS) * STEP / 60.0 + 12.0) / 12.0), 0.0)  # from 18:00 on; 6 to 18 h
DAYLIGHT = DAYLIGHT / DAYLIGHT.sum()


@dataclass
class FineSoil:
    """Zones of a sandy root zone, each (Z,): roots [m], FC, WP and saturation [m3/m3]."""

    roots: np.ndarray
    field_capacity: np.ndarray
    wilting_point: np.ndarray
    saturation: np.ndarray
    start_ece: np.ndarray
    water: np.ndarray = field(init=False)  # (Z, L) mm
    salt: np.ndarray = field(init=False)  # (Z, L) dS/m mm
    drained: np.ndarray = field(init=False)  # below the roots, mm
    drained_salt: np.ndarray = field(init=False)
    lost: np.ndarray = field(init=False)  # below the lowest layer, mm
    lost_salt: np.ndarray = field(init=False)
    taken: np.ndarray = field(init=False)  # by roots, mm

    def __post_init__(self) -> None:
        """Start at field capacity and the same salinity all down."""
        self.rooted = np.rint(self.roots * 1000.0 / LAYER).astype(int)
        count = int(self.rooted.max()) + BELOW
        self.full, self.dry, self.pores = (
            np.repeat(LAYER * share[:, None], count, axis=1)
            for share in (self.field_capacity, self.wilting_point, self.saturation)
        )
        quarter = np.array([0.0, 0.4, 0.7, 0.9, 1.0])
        edges = np.minimum(np.arange(count + 1)[None, :] / self.rooted[:, None], 1.0)
        self.pattern = np.diff(np.interp(edges, np.linspace(0.0, 1.0, 5), quarter), axis=1)
        self.inside = np.arange(count)[None, :] < self.rooted[:, None]
        self.water = self.full.copy()
        self.salt = self.start_ece[:, None] * self.pores
        nothing = np.zeros((5, self.roots.size))
        self.drained, self.drained_salt, self.lost, self.lost_salt, self.taken = nothing

    @property
    def ece(self) -> np.ndarray:
        """ECe by layer (Z, L)."""
        return self.salt / self.pores

    @property
    def root_ece(self) -> np.ndarray:
        """Mean ECe over the roots (Z,)."""
        return (self.ece * self.inside).sum(axis=1) / self.rooted

    @property
    def depletion(self) -> np.ndarray:
        """Of the root zone below field capacity, 0 or more (Z,)."""
        return np.maximum(((self.full - self.water) * self.inside).sum(axis=1), 0.0)

    def at(self, depth_cm: float) -> tuple[np.ndarray, np.ndarray]:
        """Moisture [m3/m3] and ECe around a depth, over 4 cm (Z,)."""
        top = np.arange(self.water.shape[1]) * LAYER
        ends = depth_cm * 10.0 + np.array([-20.0, 20.0])
        share = (np.clip(top + LAYER, *ends) - np.clip(top, *ends)) / np.diff(ends)
        return self.water @ share / LAYER, self.ece @ share

    def salt_above(self, depth_cm: float) -> np.ndarray:
        """Salt between the surface and a depth (Z,) [dS/m mm]."""
        top = np.arange(self.water.shape[1]) * LAYER
        return self.salt @ np.clip((depth_cm * 10.0 - top) / LAYER, 0.0, 1.0)

    def day(self, rate: np.ndarray, ec: float, et: np.ndarray) -> None:
        """From 18:00 to 18:00: water by step (Z, STEPS) [mm] of an EC, and the ET of the day (Z,) [mm]."""
        for i in range(STEPS):
            self._drain(rate[:, i], ec)
            if DAYLIGHT[i]:
                self._take(et * DAYLIGHT[i])

    def _drain(self, coming: np.ndarray, ec: float) -> None:
        salt = coming * ec
        below = np.arange(self.roots.size), self.rooted - 1
        for layer in range(self.water.shape[1]):
            self.water[:, layer] += coming
            self.salt[:, layer] += salt
            above = np.maximum(self.water[:, layer] - self.full[:, layer], 0.0)
            room = self.pores[:, layer] - self.full[:, layer]
            by_gravity = KS * STEP / 60.0 * np.minimum(above / room, 1.0) ** 3
            over = np.maximum(above - room, 0.0)  # saturated: it goes on at once
            coming = np.maximum(np.minimum(by_gravity, MOST_DRAINED * above), over)
            salt = self.salt[:, layer] * coming / self.water[:, layer]
            self.water[:, layer] -= coming
            self.salt[:, layer] -= salt
            last = below[1] == layer
            self.drained += np.where(last, coming, 0.0)
            self.drained_salt += np.where(last, salt, 0.0)
        self.lost += coming
        self.lost_salt += salt

    def _take(self, et: np.ndarray) -> None:
        held = self.water - self.dry
        ease = np.clip(held / (FULL_UPTAKE * (self.full - self.dry)), 0.0, 1.0) * self.pattern
        wanted = et[:, None] * ease / np.maximum(ease.sum(axis=1), 0.6)[:, None]
        taken = np.minimum(wanted, np.maximum(held, 0.0))
        self.water -= taken
        self.taken += taken.sum(axis=1)
